"""The page itself: template, style and scripts in one file that asks for nothing else."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from cgrisk import __version__
from cgrisk.flight import PARTS, FlightReplay
from cgrisk.report.page_policy import source_of
from cgrisk.report.replay.page_data import PART_NAMES, page_data, spoken
from cgrisk.risk.replay import closest_approaches, happenings
from cgrisk.risk.summary import CAUTIONS

__all__ = ["replay_page", "safe_json"]

#: Scripts in the order in which they build on one another, inside one function of their own.
_SCRIPTS: Final = ("path.js", "chart.js", "cabin.js", "envelope.js", "traces.js", "player.js")
#: What could end a script element, open a comment or a line: written as JSON escapes instead.
_ESCAPES: Final = {ord(c): f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}


def safe_json(data: Any) -> Markup:
    """Return data as JSON that may stand inside a script element, whatever its texts hold."""
    text = json.dumps(data, allow_nan=False, separators=(",", ":"))
    return Markup(text.translate(_ESCAPES))


def _read(name: str) -> str:
    text = files("cgrisk.report.replay").joinpath("assets", name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n")


def _clock(seconds: float) -> str:
    whole = int(seconds + 1e-6)  # as a clock does, and the page's own
    return f"{whole // 3600}:{whole % 3600 // 60:02d}:{whole % 60:02d}"


def _signed(value: float, digits: int) -> str:
    text = f"{abs(value):,.{digits}f}"
    return text if round(value, digits) == 0.0 else ("\N{MINUS SIGN}" if value < 0 else "+") + text


def _approach_rows(replay: FlightReplay) -> list[dict[str, str]]:
    return [
        {
            "side": near.side,
            "group": spoken(near.group),
            "phase": spoken(near.phase),
            "time": _clock(near.time_s),
            "cg": f"{near.cg_pct_mac:.2f}",
            "mass": f"{near.mass_kg:,.0f}",
            "margin": f"{near.margin_pct_mac:.2f}",
        }
        for near in closest_approaches(replay)
    ]


def _part_rows(replay: FlightReplay) -> tuple[dict[str, str], list[dict[str, str]]]:
    """Return the instant of the closest approach, and the parts of the moment error there."""
    near = min(closest_approaches(replay), key=lambda a: a.margin_pct_mac)
    path, i = replay.path, near.stretch
    share = (near.time_s - path.start_s[i]) / (path.end_s[i] - path.start_s[i])
    both = replay.contributions_kgm[:, i, :]
    values = both[:, 0] + share * (both[:, 1] - both[:, 0])
    to_pct = 100.0 / (near.mass_kg * replay.model.balance.mac_m)
    rows = [
        {"name": PART_NAMES[name], "kgm": _signed(value, 0), "pct": _signed(value * to_pct, 2)}
        for name, value in zip(PARTS, values.tolist(), strict=True)
    ]
    total = float(values.sum())
    together = {"kgm": _signed(total, 0), "pct": _signed(total * to_pct, 2)}
    rows.append({"name": "together", **together})
    return {"side": near.side, "time": _clock(near.time_s), "phase": spoken(near.phase)}, rows


def replay_page(replay: FlightReplay, *, run: str, why: str) -> str:
    """Return the page of a flight: one HTML file that works from the disk.

    Parameters
    ----------
    replay : FlightReplay
        From :func:`cgrisk.flight.replay_flight`.
    run : str
        Name of the run.
    why : str
        Why this flight was chosen, as it goes on after "Flight 12, ".
    """
    model, figures = replay.model, replay.figures
    script = "(() => {\n" + "".join(_read(name) for name in _SCRIPTS) + "})();\n"
    style = _read("page.css")
    environment = Environment(
        loader=PackageLoader("cgrisk.report.replay", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    at, parts = _part_rows(replay)
    policy = (
        "default-src 'none'; "
        f"script-src {source_of(script)}; style-src {source_of(style)}; "
        "base-uri 'none'; form-action 'none'"
    )
    return environment.get_template("page.html").render(
        policy=policy,
        script=Markup(script),
        style=Markup(style),
        data=safe_json(page_data(replay)),
        version=__version__,
        run=spoken(run),
        why=spoken(why),
        flight=replay.flight,
        seed=replay.seed,
        scenario=spoken(model.scenario.name),
        aircraft=spoken(model.scenario.aircraft.name),
        cautions=CAUTIONS,
        aboard=int(figures["passengers"]),
        take_off_mass=f"{figures['take_off_mass_kg']:,.0f}",
        take_off_cg=f"{figures['take_off_cg_pct_mac']:.2f}",
        trips=int(figures["trips"]),
        most_up=int(figures["most_up"]),
        has_trim=not model.planned_trim.empty,
        has_curtailments=model.scenario.operation.operational_envelope is not None,
        approaches=_approach_rows(replay),
        parts_at=at,
        parts=parts,
        events=[{"time": _clock(e.time_s), "text": spoken(e.text)} for e in happenings(replay)],
    )
