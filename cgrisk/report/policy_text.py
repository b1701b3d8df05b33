"""Policies in words for a terminal, and as plain data."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import pandas as pd

from cgrisk.decide.policies import PolicyStudy
from cgrisk.decide.policy_cells import FIGURES, RARE
from cgrisk.decide.policy_errors import BOARDINGS
from cgrisk.risk.chance_text import chance_text
from cgrisk.risk.summary import CAUTIONS, plain

__all__ = ["BUFFER_NOTE", "policy_answer", "policy_text"]

_PAIRS_SHOWN: Final = 12

#: Stands on every comparison.
BUFFER_NOTE: Final = (
    "A buffer below the conventional one, and a restriction that is to allow it, need the "
    "authority's agreement."
)


def _risk(p: float, low: float, high: float) -> str:
    return chance_text(p, low=low, high=high)


def _meanings(study: PolicyStudy) -> list[str]:
    lines = ["Policies:"]
    width = max(len(name) for name in study.ranking["policy"])
    order = {policy.name: i for i, policy in enumerate(study.file.policies)}
    rows = sorted(study.ranking.to_dict("records"), key=lambda row: order[row["policy"]])
    return lines + [f"  {row['policy']:<{width}}  {row['meaning']}" for row in rows]


def _ranking(study: PolicyStudy) -> list[str]:
    width = max(len(name) for name in study.ranking["policy"])
    lines = [
        "Ranked: what meets the target by people turned away, then seats blocked; the others by "
        "risk. Risk: per flight, worse side, over the demand "
        f"({study.demand.text}); its interval adds up those of the cells, wider than need be.",
        f"  {'':<{width + 5}}{'target':<11}{'risk, interval, side':<38}{'worst at':<22}"
        f"{'seats blocked':>14}{'turned away':>13}",
    ]
    frame = study.ranking
    for row in frame.to_dict("records"):
        risk = f"{_risk(row['risk'], row['low'], row['high'])} {row['side']}"
        worst = f"{row['worst_passengers']} aboard: {row['worst_risk']:.2g}"
        mark = "*" if row["pareto"] else "+" if row["pareto_possible"] else " "
        lines.append(
            f"  {row['rank']:>2}{mark} {row['policy']:<{width}} {row['verdict']:<11}{risk:<38}"
            f"{worst:<22}{row['seats_blocked']:>14.1f}{row['turned_away']:>13.2f}"
        )
    lines.append(
        "  * Pareto set: no other has less of one of risk, seats blocked and people turned away, "
        "and no more of the others"
    )
    if (frame["pareto_possible"] & ~frame["pareto"]).any():
        lines.append(
            "  + may be of it: those that seem better cannot be told apart from it in risk"
        )
    return lines


def _cells(study: PolicyStudy) -> list[str]:
    standing = study.table["standing"].value_counts()
    total = int(standing.sum())
    parts = [f"{standing[name]} {name}" for name in standing.index]
    lines = [
        f"Of {total} numbers (policy, passengers, side): {', '.join(parts)}; target "
        f"{study.task.target:g}, each interval {100 * study.task.confidence:g} % by itself."
    ]
    undecided = study.table[study.table["standing"] == "undecided"]
    if len(undecided):
        lines.append(
            f"  {len(undecided)} stay undecided within {study.task.flights:,} flights: "
            "more --flights would settle them."
        )
    return lines


def _rounded(number: float) -> int:
    """Return a number to two digits, upwards."""
    step: int = 10 ** max(math.floor(math.log10(max(number, 1.0))) - 1, 0)
    return int(math.ceil(number / step) * step)


def _pairs(study: PolicyStudy) -> list[str]:
    alike = study.contrasts[~study.contrasts["told_apart"]]
    compared = study.task.compared
    lines = [
        f"Cannot be told apart on the same flights: {len(alike)} of {len(study.contrasts)} "
        f"pairs (by side, over the demand; the first {compared:,} flights at each number; each "
        f"interval {100 * study.task.confidence:g} % by itself)"
    ]
    alike = alike.sort_values("times_needed", kind="stable")
    for row in alike.head(_PAIRS_SHOWN).to_dict("records"):
        times = row["times_needed"]
        needs = "no difference was seen"
        if math.isfinite(times):
            each = _rounded(compared * times)
            words = f"--at-least {each}"
            if each > study.task.flights:
                words += f" --flights {each}"
            needs = (
                f"{_rounded(row['more_flights']):,} more flights would in four runs of five, if "
                f"the difference is the one seen ({words})"
            )
        lines.append(
            f"  {row['first']} / {row['second']}, {row['side']}: {row['difference']:+.2g} "
            f"({row['low']:.2g} to {row['high']:.2g}); {needs}"
        )
    if len(alike) > _PAIRS_SHOWN:
        lines.append(f"  and {len(alike) - _PAIRS_SHOWN} more (contrasts.csv has all)")
    return lines


def _gains(study: PolicyStudy) -> list[str]:
    frame = study.mean_errors
    frame = frame[(frame["gain"] < math.inf) & frame["gain"].notna()]
    if frame.empty:
        return []
    least = frame.iloc[int(frame["gain"].to_numpy().argmin())]
    same = frame["gain_same_flights"]
    return [
        "Common random numbers: on the same flights the difference of the mean CG errors has "
        f"{same.median():.1f} times less variance than on runs of their own (median of the pairs; "
        f"least {same.min():.1f}); with the people boarded alone on {1 + BOARDINGS} times as many, "
        f"{frame['gain'].median():.1f} times (least {least['gain']:.1f}, {least['first']} / "
        f"{least['second']}). mean_errors.csv has every pair; contrasts.csv the gain on the risk."
    ]


def _compliance(study: PolicyStudy) -> list[str]:
    found = study.compliance
    if found is None:
        return []
    table = found.table.pivot(index="policy", columns="level", values=["risk", "rank"])
    full = table["rank", "full"].replace(0, np.inf).sort_values(kind="stable")
    counts = ", ".join(str(n) for n in found.counts)
    width = max(len(name) for name in table.index)
    lines = [
        f"Compliance (at {counts} passengers, fixed flights; risk on the worse side): nobody "
        f"changes seats, as stated, {100 * study.file.poor_compliance:g} % change seats",
    ]
    for name in full.index:
        figures = []
        for level in ("full", "stated", "poor"):
            risk, rank = (float(table[key, level].to_dict()[name]) for key in ("risk", "rank"))
            place = f"rank {rank:.0f}" if rank else "not ranked"
            figures.append("no room" if math.isnan(risk) else f"{risk:.2g} ({place})")
        lines.append(f"  {name:<{width}}  " + "".join(f"{text:<20}" for text in figures).rstrip())
    if (found.table["rank"] == 0).any():
        lines.append("  Not ranked: it has no room for some of these numbers of passengers.")
    swaps = found.swaps[found.swaps["told_apart"]]
    if len(swaps):
        pairs = [
            f"{row['first']} / {row['second']} ({row['side']})"
            for row in swaps.to_dict("records")[:_PAIRS_SHOWN]
        ]
        rest = len(swaps) - len(pairs)
        more = f", and {rest} more" if rest > 0 else ""
        lines.append(f"  The order turns round with poor compliance: {', '.join(pairs)}{more}.")
    else:
        lines.append("  No order of two policies is seen to turn round with poor compliance.")
    return lines


def _trim(study: PolicyStudy) -> list[str]:
    width = max(len(name) for name in study.ranking["policy"])
    lines = [
        "Trim over all numbers of passengers (loads as planned): stabilizer needed on 99 % of "
        "flights, deg; take-off mis-trim, trim units, 5 and 95 %"
    ]
    figures = study.trim.groupby("policy", sort=False)
    for name, part in figures:
        if part[list(FIGURES)[2:]].isna().any(axis=None):
            return []
        lines.append(
            f"  {name:<{width}}  {part['most_nose_up_deg'].min():>6.2f} to "
            f"{part['most_nose_down_deg'].max():.2f}   "
            f"{part['mis_trim_low_units'].min():+.2f} to {part['mis_trim_high_units'].max():+.2f}"
        )
    return lines


def _decision(study: PolicyStudy) -> list[str]:
    best = study.ranking.iloc[0]
    target = study.task.target
    if best["verdict"] == "meets":
        return [
            f"Decision: {best['policy']!r} keeps every number of passengers looked at under "
            f"{target:g} on both sides, at {best['seats_blocked']:.1f} seats blocked and "
            f"{best['turned_away']:.2f} passengers turned away a flight on average. It was chosen "
            f"among {len(study.ranking)} on these flights: see it confirmed under another --seed "
            "before it is relied on."
        ]
    if best["verdict"] == "undecided":
        return [
            f"Decision: none yet. No policy is shown to keep under {target:g} everywhere; "
            f"{best['policy']!r} may ({best['undecided_cells']} numbers undecided): more --flights."
        ]
    least = study.ranking.iloc[int(study.ranking["worst_risk"].to_numpy().argmin())]
    return [
        f"Decision: no policy of the set keeps under {target:g} at every number of passengers. "
        f"The least at its worst is {least['policy']!r}, {least['worst_risk']:.2g} "
        f"({least['worst_side']}, {least['worst_passengers']} aboard): move hold load, widen the "
        "buffer on that side, or restrict further."
    ]


def policy_text(study: PolicyStudy) -> str:
    """Return a comparison as text: meanings, ranking, what is not known, decision."""
    method = "counting" if study.task.target >= RARE else "counting, and splitting where it is rare"
    numbers = f"{study.counts[0]} to {study.counts[-1]} passengers, {study.counts.size} numbers"
    parts = [
        [
            "Risk per flight of leaving the certified envelope, planned on the operational limit "
            "(as planned: in policies.csv)",
            f"{numbers}; {study.flights:,} flights on common random numbers, seed "
            f"{study.task.seed}; {method}",
        ],
        _meanings(study),
        _ranking(study),
        _cells(study),
        _pairs(study),
        _gains(study),
        _trim(study),
        _compliance(study),
        _decision(study),
        [f"{BUFFER_NOTE} {CAUTIONS}"],
    ]
    return "\n\n".join("\n".join(lines) for lines in parts if lines)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(key): plain(value) for key, value in row.items()} for row in frame.to_dict("records")
    ]


def policy_answer(study: PolicyStudy) -> dict[str, Any]:
    """Return a comparison as plain data for JSON: no NaN, no infinity."""
    obeyed = study.compliance
    data = {
        "scenario": study.task.scenario.name,
        "scenario_sha256": study.task.scenario.digest(),
        "policies": study.file.name,
        "seed": study.task.seed,
        "target": study.task.target,
        "confidence": study.task.confidence,
        "most_flights_a_cell": study.task.flights,
        "flights": study.flights,
        "passengers": study.counts.tolist(),
        "demand": study.demand.text,
        "reading": "planned on the operational limit; as planned beside it",
        "ranking": _records(study.ranking),
        "cells": _records(study.table),
        "trim": _records(study.trim),
        "trim_figures": FIGURES,
        "contrasts": _records(study.contrasts),
        "mean_errors": _records(study.mean_errors),
        "compared_flights_a_cell": study.task.compared,
        "compliance": [] if obeyed is None else _records(obeyed.table),
        "compliance_passengers": [] if obeyed is None else obeyed.counts.tolist(),
        "compliance_swaps": [] if obeyed is None else _records(obeyed.swaps),
        "decision": _decision(study),
        "cautions": f"{BUFFER_NOTE} {CAUTIONS}",
    }
    return {key: plain(value) for key, value in data.items()}
