"""What the run says: results by side and phase, life in the cabin, errors on the load sheet."""

from __future__ import annotations

import shlex
from typing import Final

import pandas as pd

from cgrisk.flight import SIDES, operational_shift
from cgrisk.report.dossier.drawing import clean_svg, drawn
from cgrisk.report.dossier.figures import chance, fixed, spoken
from cgrisk.report.dossier.findings import Findings
from cgrisk.report.dossier.parts import Block, Figure, Heading, Mark, Section, Table, Text
from cgrisk.report.dossier.tables import (
    interval,
    measured,
    named,
    number,
    percent,
    probability,
    records_of,
    significant,
    table_of,
    whole,
    words,
)
from cgrisk.report.exceedance_chart import exceedance
from cgrisk.report.risk_chart import risk_by_phase
from cgrisk.report.style import chart_style, new_figure
from cgrisk.sampling.layout import AT_LIMIT
from cgrisk.units import Dimension

__all__ = ["cabin_section", "entry_section", "results_section", "run_figure"]

_CABIN: Final = {
    "cabin_moment_min_kgm": "most forward moment of people and carts",
    "cabin_moment_max_kgm": "most aft moment of people and carts",
    "trips": "trips from the seat",
    "most_up": "most passengers up at once",
    "mean_up": "passengers up, mean over the flight",
    "longest_queue": "longest queue at a lavatory",
    "lavatory_visits": "visits to a lavatory",
    "mean_wait_s": "mean wait for a lavatory, s",
    "longest_wait_s": "longest wait for a lavatory, s",
    "put_off": "trips put off (cart or queue)",
    "turned_back": "trips turned back by the sign",
    "stopped_behind_cart": "stops behind a cart",
    "surge": "passengers in a surge",
    "rows_not_served": "rows not served",
    "water_used_kg": "water used",
    "wait_per_visit_s": "mean wait of all visits, s",
}


_DIMENSIONS: Final[dict[str, Dimension]] = {"_kgm": "moment", "_kg": "mass"}
_OBSERVED: Final = (
    "single-aisle flights of 3.5 to 5.2 hours, Hertzberg, Weiss et al., PNAS 115(14):3623, 2018"
)


def run_figure(
    findings: Findings, stem: str, *, caption: str, alt: str, data: Table | None = None
) -> Figure | None:
    """Return a chart of the run as it was drawn; None where the run has none of that name."""
    if not findings.has_chart(stem):
        return None
    shown = f"charts/{stem}.svg"
    name = f"run-{stem.replace('_', '-')}"
    svg = clean_svg(findings.drawing(stem), name=name, shown=shown)
    return Figure(name, f"{caption} (numbers: charts/{stem}.csv)", alt, svg, data=data)


def _risk_figure(findings: Findings) -> Figure:
    table = findings.leave.reset_index(drop=True)
    with chart_style():
        canvas = new_figure(180, 128)
        risk_by_phase(table, ax=canvas.subplots())
        marks: dict[str, Mark] = {}
        for place, row in enumerate(records_of(table)):
            text = (
                f"{row['side']}, {spoken(row['phase'])}, {row['reading']}: {chance(row)}, "
                f"{row['hits']:,} of {row['flights']:,} flights"
            )
            mark = Mark(text, str(row["side"]), spoken(row["phase"]))
            marks |= {f"mark-{place}-dot": mark, f"mark-{place}-bar": mark}
        svg = drawn(canvas, name="risk", marks=marks)
    worst = table[table["reading"] == AT_LIMIT].sort_values("high").iloc[-1]
    return Figure(
        "risk",
        f"Planned on the limit, the risk is greatest {worst['side']}; bars are "
        f"{100 * worst['confidence']:g} % intervals (numbers: the table below).",
        "Probability of leaving the certified envelope by phase, for both sides, planned on the "
        "operational limit and as planned, with intervals; all numbers are in the table below.",
        svg,
        marks,
    )


def _exceedance_figure(findings: Findings) -> Figure:
    curves = findings.chart_table("exceedance")
    model = findings.run.model
    shifts = tuple(operational_shift(model, side=side) for side in SIDES)
    bare = model.scenario.operation.operational_envelope is None
    limit = "certified limit" if bare else "operational limit"
    at = {shift.side: shift.offset_pct_mac for shift in shifts}
    precise = findings.run.inputs.precision is not None
    method = "intervals hold whenever it stops" if precise else "exact binomial"
    with chart_style():
        canvas = new_figure(180, 105)
        ax = exceedance(
            curves,
            ax=canvas.subplots(),
            shifts=shifts,
            note=f"{findings.run.manifest.flown:,} flights, {method}",
            limit=limit,
        )
        marks = {}
        for place, row in enumerate(records_of(curves)):
            x = row["offset_pct_mac"] - at[row["side"]]
            height = row["estimate"] if row["hits"] else row["high"]
            ax.plot([x], [height], "o", ms=7, color="none", gid=f"hot-{place}")
            where = fixed(x, 2, signed=True)
            text = f"{row['side']}, {where} % MAC from the {limit}: {chance(row)}"
            marks[f"hot-{place}"] = Mark(text, str(row["side"]))
        svg = drawn(canvas, name="exceedance", marks=marks)
    return Figure(
        "exceedance",
        f"What it buys to plan further from the {limit}: the risk falls along the curves to the "
        "left (numbers: charts/exceedance.csv).",
        "Two curves of the probability of leaving the envelope, forward and aft, against the "
        "distance of the planned CG from the limit, with intervals.",
        svg,
        marks,
    )


def results_section(findings: Findings) -> Section:
    """Return the risk by side and phase, how far and how long, and which flights came nearest."""
    outside = findings.table("outside")
    out = outside[outside["flights_outside"] > 0]
    mass = findings.table("over_mass")
    excess = findings.table("excess_quantiles")
    excess = excess[excess["probability"].isin((0.5, 0.99, 0.999, 0.9999))]
    blocks: list[Block | None] = [
        Text(
            "“At the operational limit”: the same flights with the planned CG moved, at constant "
            "mass, until the planned path touches the operator's envelope; a rule must stand on "
            "that reading. “As planned”: the load sheet's own load. No event seen is an upper "
            "bound, never zero: the upper end of the same two-sided interval. Rows nest and do not "
            "add up: a flight outside in two phases stands in both, and once under the groups of "
            "phases and the whole flight that hold them. Intervals hold one at a time, not "
            "together."
        ),
        _risk_figure(findings),
        table_of(
            findings.leave,
            [
                named("phase", "phase", key="phase", weight=1.5),
                words("side", "side", key="side"),
                words("reading", "planned", key="reading", weight=1.5),
                whole("hits", "flights outside"),
                probability(),
            ],
            caption="Probability of leaving the certified envelope per flight, by phase and side",
            note=_methods(findings.leave),
        ),
        _exceedance_figure(findings),
        run_figure(
            findings,
            "envelope",
            caption="Where the CG goes as fuel burns, inside the certified and the operational "
            "envelope: bands hold 90 and 99 % of flights",
            alt="Fan of CG paths against mass between the certified and operational limits.",
        ),
        table_of(
            excess,
            [
                words("side", "side", key="side"),
                named("phase", "phase", key="phase", weight=1.5),
                significant("probability", "share of flights below", 4),
                interval("excess, % MAC (interval)", 2, signed=True),
            ],
            caption="Excess: how much nearer to a limit than planned the flights came",
            note="It carries the mass error against a sloping limit. Order statistics.",
        ),
        Heading("Outside, as this load is planned"),
        Text("No flight left the certified envelope as planned.") if out.empty else None,
        None
        if out.empty
        else table_of(
            out,
            [
                words("side", "side", key="side"),
                named("phase", "phase", key="phase"),
                whole("flights_outside", "flights"),
                number("mean_depth_pct_mac", "mean depth, % MAC", 2),
                number("greatest_depth_pct_mac", "greatest, % MAC", 2),
                number("mean_minutes", "mean, min", 1),
                number("greatest_minutes", "longest, min", 1),
                whole("worst_flight", "worst flight"),
            ],
            caption="How far and how long flights were outside",
        ),
        table_of(
            mass,
            [
                named("maximum", "maximum mass"),
                whole("hits", "flights above it"),
                probability(),
                measured("greatest_kg", "most above it", "mass", findings.units),
            ],
            caption="Mass above a certified maximum, counted apart from the CG",
        ),
        *_fleet(findings),
        *_nearest(findings),
    ]
    return Section("results", "Results by side and phase", tuple(b for b in blocks if b))


def _methods(table: pd.DataFrame) -> str:
    kinds = dict.fromkeys(str(method).split(", no event")[0] for method in table["method"])
    confidence = 100.0 * float(table["confidence"].iloc[0])
    return f"Intervals at {confidence:g} %, each by itself: {'; '.join(kinds)}."


def _fleet(findings: Findings) -> list[Block]:
    fleet = findings.table("fleet")
    if fleet.empty or fleet["aircraft"].nunique() < 2:
        return []
    worst = fleet.sort_values("estimate", ascending=False).groupby("side", sort=True).head(3)
    return [
        table_of(
            worst,
            [
                words("side", "side", key="side"),
                whole("aircraft", "aircraft of the fleet"),
                whole("flights", "flights"),
                probability(),
            ],
            caption="The three worst aircraft of the sampled fleet a side, on the operational "
            "limit; intervals hold together for all of them",
        )
    ]


def _nearest(findings: Findings) -> list[Block]:
    table = findings.table("nearest_flights")
    if table.empty:
        return []
    here = table[(table["phase"] == "any") & (table["rank"] <= 3)]
    return [
        table_of(
            here,
            [
                words("side", "side", key="side"),
                whole("rank", "rank"),
                whole("flight", "flight"),
                number("margin_pct_mac", "least margin, % MAC", 2, signed=True),
                named("in_phase", "in", weight=1.5),
                number("time_s", "at, min from taxi", 1, scale=1.0 / 60.0),
                measured("mass_kg", "at mass", "mass", findings.units),
            ],
            caption="Flights that came nearest to the certified limits as planned",
            note="% MAC are of the mass at that instant, here and in every table of margins and "
            "depths; a negative margin is outside. Ranked by the moment left, which is what moving "
            "the load takes from each alike. Each can be replayed by its number, cgrisk replay "
            f"{shlex.quote(str(findings.run.folder))} --flight N, which shows the same margin.",
        )
    ]


def _in_file_units(findings: Findings) -> pd.DataFrame:
    """Return the figures of life in the cabin with their words, in the units of the files."""
    cabin, units = findings.table("cabin"), findings.units
    values = [name for name in cabin.columns if name != "figure"]
    words_ = []
    for place, name in zip(cabin.index, cabin["figure"], strict=True):
        text = _CABIN.get(name, spoken(name))
        for ending, dimension in _DIMENSIONS.items():
            if name.endswith(ending):
                cabin.loc[place, values] *= units.scale(dimension)
                text += f", {units.name(dimension)}"
        words_.append(text)
    return cabin.assign(figure=words_)


def cabin_section(findings: Findings) -> Section:
    """Return what life in the cabin was like, beside what is published."""
    cabin, times = _in_file_units(findings), findings.table("times_up")
    compared = bool(times["published"].notna().any())
    what = "How often passengers leave their seats"
    blocks: list[Block | None] = [
        run_figure(
            findings,
            "occupancy",
            caption="Where people stand, and when: mean number out of their seats by row and time",
            alt="Map of rows against time, darker where more passengers are out of their seats; "
            "outlines where carts are.",
        ),
        table_of(
            cabin,
            [
                words("figure", "a flight", weight=2.5),
                significant("mean", "mean"),
                significant("standard_error", "standard error", 2),
                significant("q5", "5 %"),
                significant("q50", "half"),
                significant("q95", "95 %"),
                significant("greatest", "greatest"),
            ],
            caption="Life in the cabin, from flight to flight",
        ),
        table_of(
            times,
            [
                named("seat", "seat"),
                words("times", "out of it"),
                percent("share", "share, %", 1),
                percent("standard_error", "standard error, %", 2),
                *(
                    [percent("published", "published, %"), words("fitted", "fitted to it")]
                    if compared
                    else []
                ),
            ],
            caption=f"{what}, beside the published observation" if compared else what,
            note=f"Published: {_OBSERVED}."
            if compared
            else "Nothing is published to set beside a flight of this length; the rates are fitted "
            f"to {_OBSERVED}.",
        ),
    ]
    return Section("cabin", "Life in the cabin", tuple(b for b in blocks if b))


def entry_section(findings: Findings) -> Section | None:
    """Return what errors on the load sheet would do, where they were asked for."""
    entry = findings.table("entry_errors")
    if entry.empty:
        return None
    entry = entry.assign(event=[str(e).replace(".", ", ") for e in entry["event"]])
    return Section(
        "entry",
        "Errors on the load sheet",
        (
            Text("Given that the error happens, and apart from all other figures of this report."),
            table_of(
                entry,
                [
                    words("meaning", "error", weight=2.5),
                    named("event", "event", weight=1.8),
                    whole("flights", "flights"),
                    probability(),
                    number("cg_shift_pct_mac", "CG, % MAC", 2, signed=True),
                    measured("mass_shift_kg", "mass", "mass", findings.units, signed=True),
                ],
                caption="What an error on the load sheet does",
            ),
        ),
    )
