"""Past loads in words, as a table and as plain data. Loads no drawing library."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import Limits
from cgrisk.decide.load_mix import LoadRisks
from cgrisk.decide.past_loads import LoadScores, ScoredLoad
from cgrisk.risk.chance_text import chance_text
from cgrisk.risk.intervals import Interval
from cgrisk.risk.summary import CAUTIONS, plain
from cgrisk.units import mass_text

__all__ = ["loads_answer", "loads_decision", "loads_frame", "loads_text"]

#: Loads that the table on the terminal shows; the file has them all.
_SHOWN: Final = 30
_AGREED: Final = (
    "A buffer below the conventional one needs the authority's agreement, whatever the risk."
)


def loads_frame(scores: LoadScores, risks: LoadRisks | None = None) -> pd.DataFrame:
    """Return a row a load, with its risks where they are known; no infinity."""
    frame = scores.frame()
    if risks is not None:
        for place, side in enumerate(("forward", "aft")):
            pairs = [risks.by_load[load.state][place] for load in scores.loads]
            frame[f"risk_{side}"] = [risk.estimate for risk in pairs]
            frame[f"risk_{side}_low"] = [risk.low for risk in pairs]
            frame[f"risk_{side}_high"] = [risk.high for risk in pairs]
            frame[f"risk_{side}_method"] = [risk.method for risk in pairs]
        cured = [
            risks.either(load.cure.state)
            if load.cure is not None and load.cure.kind != "cabin"
            else (math.nan, math.nan, math.nan)
            for load in scores.loads
        ]
        for place, end in enumerate(("", "_low", "_high")):
            frame[f"risk_either_as_cured{end}"] = [told[place] for told in cured]
    number = frame.select_dtypes("number").columns
    frame[number] = frame[number].mask(frame[number].abs() == math.inf)
    return frame


def _risk(estimate: float, low: float, high: float) -> str:
    return chance_text(estimate, low=low, high=high)


def _interval(found: Interval) -> str:
    return _risk(found.estimate, found.low, found.high)


def _word(load: ScoredLoad, envelope: str) -> str:
    verdict = load.verdict(envelope)
    if verdict is None:
        return ""
    margin = min(verdict.forward_pct, verdict.aft_pct)
    if not verdict.refused:
        return f"{margin:+.2f}" if math.isfinite(margin) else "no limit"
    return f"{margin:+.2f} {verdict.side.upper()}"


_CURES: Final = {"move": "holds", "ballast": "ballast", "cabin": "cabin", "none": ""}


def _table(scores: LoadScores, risks: LoadRisks | None) -> list[str]:
    def nearest(load: ScoredLoad) -> float:
        verdict = load.verdict(scores.judged_by)
        return min(verdict.forward_pct, verdict.aft_pct) if verdict is not None else 0.0

    shown = sorted(scores.loads, key=nearest)[:_SHOWN]
    system = scores.scenario.operation.units
    rows = []
    for load in shown:
        mass, cg = load.points["zero_fuel"]
        row = {
            "line": f"{load.load.line}",
            "load": load.load.name[:24],
            "aboard": f"{load.state.passengers}",
            "zero-fuel mass": mass_text(mass, system=system),
            "% MAC": f"{cg:.1f}",
            "old": _word(load, "old"),
        }
        if scores.envelope is not None:
            row["new"] = _word(load, "new")
        row["cure"] = _CURES["none" if load.cure is None else load.cure.kind]
        if risks is not None:
            row["risk per flight"] = _risk(*risks.either(load.state))
        rows.append(row)
    text = pd.DataFrame(rows).to_string(index=False, justify="left")
    lines = [f"  {line}" for line in text.splitlines()]
    lines.append(
        "  old, new: least margin to the envelope, % MAC; the side where it is outside. Cure: what "
        "brings it inside."
    )
    if len(scores.loads) > len(shown):
        lines.append(f"  The {len(shown)} nearest of {len(scores.loads)} loads; loads.csv has all.")
    return lines


def _lines_of(loads: list[ScoredLoad]) -> str:
    numbers = [str(load.load.line) for load in loads]
    return ", ".join(numbers[:12]) + (", ..." if len(numbers) > 12 else "")


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}" + ("" if count == 1 else "s")


def loads_decision(scores: LoadScores, risks: LoadRisks | None = None) -> list[str]:
    """Return what to do, in sentences; the last one can be acted on."""
    every, system = len(scores.loads), scores.scenario.operation.units
    lines = _checks(scores)
    if risks is not None:
        lines += _risk_lines(scores, risks)
    name = scores.judged_by
    refused = scores.refused(name)
    envelope = f"the {name} envelope"
    if scores.envelope is None:
        envelope += " (the scenario's curtailments)"
    share = f"{100.0 * len(refused) / every:.0f} %"
    text = f"Decision: {len(refused)} of {every} loads ({share}) would be refused under {envelope}"
    if scores.envelope is not None:
        before, after = set(_numbers(scores, "old")), set(_numbers(scores, "new"))
        text += (
            f", {len(before)} under the old one ({len(after - before)} newly refused, "
            f"{len(before - after)} newly admitted)"
        )
    if not refused:
        lines.append(f"{text}: no hold load need be moved and no seat blocked for these loads.")
        return lines
    heavy = [load for load in refused if load.over_mass]
    refused = tuple(load for load in refused if not load.over_mass)
    kinds = Counter(load.cure.kind for load in refused if load.cure is not None)
    parts = []
    if heavy:
        verb = "is" if len(heavy) == 1 else "are"
        parts.append(
            f"{len(heavy)} {verb} above a maximum mass, which no move cures "
            f"(lines {_lines_of(heavy)})"
        )
    moved = [load.cure.moved_kg for load in refused if load.cure and load.cure.kind == "move"]
    if moved:
        parts.append(
            f"{_are(kinds['move'])} cured by moving at most "
            f"{mass_text(max(moved), system=system)} between holds"
        )
    ballast = [load.cure for load in refused if load.cure and load.cure.kind == "ballast"]
    if ballast:
        most = max(cure.ballast_kg for cure in ballast)
        parts.append(
            f"{_are(len(ballast))} cured by at most {mass_text(most, system=system)} of ballast "
            "on top"
        )
    cabin = [load for load in refused if load.cure is not None and load.cure.kind == "cabin"]
    if cabin:
        verb = "needs" if len(cabin) == 1 else "need"
        parts.append(
            f"{len(cabin)} {verb} other passengers, blocked seats or other fuel "
            f"(lines {_lines_of(cabin)})"
        )
    else:
        parts.append("no seat need be blocked")
    lines.append(f"{text}; {'; '.join(parts)}. loads.csv says for each what to move where.")
    return lines


def _are(count: int) -> str:
    return f"{count} of them {'is' if count == 1 else 'are'}"


def _numbers(scores: LoadScores, envelope: str) -> list[int]:
    return [
        number
        for number, load in enumerate(scores.loads)
        if (verdict := load.verdict(envelope)) is not None and verdict.refused
    ]


def _envelope_checks(scores: LoadScores) -> list[str]:
    """Return where the new envelope says nothing, or leaves no room."""
    if scores.envelope is None or scores.envelope.zero_fuel is None:
        return []
    limits, lines = scores.envelope.zero_fuel, []
    system = scores.scenario.operation.units
    mass = np.union1d(limits.forward_mass_kg, limits.aft_mass_kg)
    masses = scores.frame()["zero_fuel_mass_kg"].to_numpy(dtype=np.float64)
    beyond = int(((masses < mass[0] - 0.5) | (masses > mass[-1] + 0.5)).sum())
    if beyond:
        lines.append(
            "Beyond the masses of the new envelope's file "
            f"({mass_text(mass[0], system=system)} to {mass_text(mass[-1], system=system)} "
            f"zero-fuel): {_many(beyond, 'load')}. They are judged by the limits of its end, which "
            "nothing stands for: make an envelope that covers them."
        )
    crossed = limits.limit(mass, side="forward") > limits.limit(mass, side="aft")
    if crossed.any():
        spans = [
            f"{mass_text(low, system=system)} and {mass_text(high, system=system)}"
            for low, high in _without_room(limits, mass)
        ]
        lines.append(
            f"The new envelope leaves no room at zero-fuel masses between "
            f"{'; between '.join(spans)}: its sides cross there, and no load is admitted."
        )
    return lines


def _without_room(limits: Limits, mass: NDArray[np.float64]) -> list[tuple[float, float]]:
    """Return the spans of mass in which the sides, straight between masses, have crossed."""
    room = limits.limit(mass, side="aft") - limits.limit(mass, side="forward")
    spans, begun = [], float(mass[0]) if room[0] < 0.0 else math.nan
    for k in range(1, mass.size):
        if (room[k - 1] < 0.0) == (room[k] < 0.0):
            continue
        part = room[k - 1] / (room[k - 1] - room[k])
        at = float(mass[k - 1] + part * (mass[k] - mass[k - 1]))
        if room[k] < 0.0:
            begun = at
        else:
            spans.append((begun, at))
    return [*spans, (begun, float(mass[-1]))] if room[-1] < 0.0 else spans


def _checks(scores: LoadScores) -> list[str]:
    """Return what is wrong with the loads as they stand, before any envelope of the operator."""
    lines = []
    outside = list(scores.refused("certified"))
    if outside:
        lines.append(
            f"Outside the certified envelope as planned: {_many(len(outside), 'load')} (lines "
            f"{_lines_of(outside)}). A load may not be flown so: check the sheets and the scenario."
        )
    over = [load for load in scores.loads if load.over_mass]
    if over:
        lines.append(
            f"Above a maximum mass: {_many(len(over), 'load')} (lines {_lines_of(over)}); that is "
            "apart from any limit of the CG."
        )
    lines += _envelope_checks(scores)
    frame, system = scores.frame(), scores.scenario.operation.units
    for kind in ("zero_fuel", "take_off"):
        column = f"sheet_less_scenario_{kind}_kg"
        if column not in frame:
            continue
        gaps = pd.to_numeric(frame[column]).dropna()
        far = gaps[gaps.abs() > 0.5]
        if len(far):
            place = int(far.abs().to_numpy().argmax())
            lines.append(
                f"The sheets' own {kind.replace('_', '-')} mass differs from the scenario's on "
                f"{len(far)} of {len(gaps)} loads, most on line "
                f"{frame.loc[far.index[place], 'line']}: "
                f"{mass_text(far.iloc[place], system=system, signed=True)}. Check "
                "standard masses, dry operating mass and taxi fuel."
            )
    return lines


def _risk_lines(scores: LoadScores, risks: LoadRisks) -> list[str]:
    target, mix = risks.target, risks.mixes["all"]
    lines = [
        f"Over this mix of loads, each equally likely, the risk per flight is "
        f"{_interval(mix.either)}: forward {_interval(mix.by_side['forward'])}, aft "
        f"{_interval(mix.by_side['aft'])}; your target is {target:g}."
    ]
    if mix.worst_share is not None:
        lines.append(
            f"The worst {_many(mix.worst_count, 'load')} of {len(scores.loads)} "
            f"{'bears' if mix.worst_count == 1 else 'bear'} {100.0 * mix.worst_share:.0f} % of it."
        )
    words = {
        "admitted_old": "what the old envelope admits",
        "admitted_new": "what the new envelope admits",
        "cured": f"what the {scores.judged_by} one admits and the refused as cured",
    }
    told = [
        f"{text} {_interval(risks.mixes[name].either)}"
        for name, text in words.items()
        if name in risks.mixes
    ]
    if told:
        lines.append(f"Over the mix of {'; of '.join(told)}.")
    for name in ("old", "new") if scores.envelope is not None else ("old",):
        out = set(_numbers(scores, name))
        risky, idle = [], []
        for number, load in enumerate(scores.loads):
            high = risks.either(load.state)[2]
            if number not in out and high > target:
                risky.append(load)
            if number in out and high <= target:
                idle.append(load)
        text = f"The {name} envelope admits {_many(len(risky), 'load')} whose risk may be above it"
        text += f" (lines {_lines_of(risky)})" if risky else ""
        text += f", and refuses {_many(len(idle), 'load')} whose risk is not"
        lines.append(text + (f" (lines {_lines_of(idle)})." if idle else "."))
    return lines


def loads_text(scores: LoadScores, risks: LoadRisks | None = None) -> str:
    """Return the answer as text for a terminal: table, mix, decision."""
    head = f"{len(scores.loads):,} past loads, {len(scores.distinct()):,} of them different"
    lines = [f"{head}, against {scores.scenario.name}", "", *_table(scores, risks), ""]
    if risks is not None:
        lines.insert(
            1,
            f"{risks.flights:,} flights, seed {risks.seed}; risks below {risks.reach:g} are "
            "bounds; intervals: 95 % a side and a mix, 90 % both sides of a load together",
        )
    else:
        lines.insert(1, "no flights flown; --risk A tells the risk of each load as well")
    lines += [*loads_decision(scores, risks), "", CAUTIONS, _AGREED]
    return "\n".join(lines)


def loads_answer(scores: LoadScores, risks: LoadRisks | None = None) -> dict[str, Any]:
    """Return the answer as plain data for JSON: no NaN, no infinity."""
    data: dict[str, Any] = {
        "scenario": scores.scenario.name,
        "scenario_sha256": scores.scenario.digest(),
        "loads_file": scores.file,
        "judged_by": scores.judged_by,
        "loads_in_all": len(scores.loads),
        "different_loads": len(scores.distinct()),
        "refused": {
            name: len(scores.refused(name))
            for name in ("certified", "old", "new")
            if name != "new" or scores.envelope is not None
        },
        "share_refused": {
            name: len(scores.refused(name)) / len(scores.loads)
            for name in ("certified", "old", "new")
            if name != "new" or scores.envelope is not None
        },
        "envelope": ([] if scores.envelope is None else scores.envelope.frame().to_dict("records")),
        "loads": loads_frame(scores, risks).to_dict("records"),
        "decision": loads_decision(scores, risks),
        "cautions": f"{CAUTIONS} {_AGREED}",
    }
    if risks is not None:
        data["risk"] = {
            "target": risks.target,
            "reach": risks.reach,
            "seed": risks.seed,
            "flights": risks.flights,
            "interval": risks.mixes["all"].either.method,
        }
        data["mixes"] = {
            name: {
                **{
                    side: {"estimate": found.estimate, "low": found.low, "high": found.high}
                    for side, found in (("either_side", mix.either), *mix.by_side.items())
                },
                "worst_loads": mix.worst_count,
                "share_of_worst_loads": mix.worst_share,
            }
            for name, mix in risks.mixes.items()
        }
    return {key: plain(value) for key, value in data.items()}
