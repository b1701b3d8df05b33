"""A tail in words and as plain data. Loads no drawing library."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from cgrisk.flight import zero_fuel_scale
from cgrisk.rare import Study
from cgrisk.rare.study import SMALL_RISK
from cgrisk.report.file_units import FileUnits
from cgrisk.risk.chance_text import chance_text, same_notation
from cgrisk.risk.summary import CAUTIONS, plain

__all__ = [
    "assumption_frame",
    "levels_text",
    "range_frame",
    "risk_text",
    "tail_answer",
    "tail_decisions",
    "tail_text",
]

#: The tail fit is said to be off where the risk is more than so many times what it tells.
_FIT_OFF = 3.0
#: Share of a distance to keep, from which on what the assumptions add to it is told.
_WORTH_TELLING = 0.25
#: Draws below which the twentieth part at either end is less than one of them.
_FEW_DRAWS = 20


def assumption_frame(study: Study) -> pd.DataFrame:
    """Return what was drawn for the assumption range: key, value, ends, law, why."""
    ranges = study.assumptions.drawn.ranges if study.assumptions else ()
    names = ["key", "value", "low", "high", "unit", "law", "why", "given"]
    return pd.DataFrame([[getattr(r, name) for name in names] for r in ranges], columns=names)


def range_frame(study: Study) -> pd.DataFrame:
    """Return the assumption range at its own thresholds, which go further than the curve's.

    Columns threshold, lower_end and upper_end (nan where they are not told), lower_split_error and
    upper_split_error: standard error over risk of the draws of either that were split one by one,
    0 where the cloud tells, nan where they do not show it.
    """
    found = study.assumptions
    if found is None:
        names = ["threshold", "lower_end", "upper_end", "lower_split_error", "upper_split_error"]
        return pd.DataFrame(columns=names)
    low, high = found.ends()
    shape = found.thresholds.shape
    return pd.DataFrame(
        {
            "threshold": found.thresholds,
            "lower_end": np.where(found.known_low(), low, np.nan),
            "upper_end": np.where(found.known_high(), high, np.nan),
            "lower_split_error": np.broadcast_to(found.split_low.error, shape),
            "upper_split_error": np.broadcast_to(found.split_high.error, shape),
        }
    )


def risk_text(row: pd.Series) -> str:
    """Return one row of a curve in words: the risk, both ranges, what rests on assumptions."""
    text = chance_text(row["estimate"], low=row["low"], high=row["high"])
    seen = row["estimate"] > 0.0  # else there is no risk that assumptions could move
    if seen and (assumed := _assumed(row)):
        text += f"; assumptions {assumed}"
        above = row["assumption_low"] >= row["estimate"]  # not where it is nan
        share_told = math.isfinite(row["on_assumptions"])
        # A count of few hits may be below a range that the cloud places about another value.
        if above and not share_told:
            text += ", nearly all of them above it"
        if row["estimate"] < SMALL_RISK and share_told and not above:
            more = row["assumption_high"] / row["estimate"]
            text += f", {100 * row['on_assumptions']:.0f} % of it rests on them"
            text += f" and they may make it {more:.2g} times as much"
    return text


def _assumed(row: pd.Series) -> str:
    """Return the assumption range of a row, "up to" where its lower end is not told, or nothing."""
    if "assumption_high" not in row or not math.isfinite(row["assumption_high"]):
        return ""
    ends = [x for x in (row["assumption_low"], row["assumption_high"]) if math.isfinite(x)]
    told = same_notation(ends)
    return " to ".join(told) if len(told) > 1 else f"up to {told[0]}"


def _split_lines(study: Study) -> list[str]:
    """Return how the ends of the assumption range are told beyond the cloud, a line each."""
    found, inverse = study.assumptions, study.inverse
    if found is None:
        return []
    lines = []
    upper, lower = "they meet the target", "the estimate meets the target"
    for name, split, known, extreme, at, where in (
        ("upper", found.split_high, found.known_high(), "greatest", inverse.assumption, upper),
        ("lower", found.split_low, found.known_low(), "least", inverse.estimate, lower),
    ):
        if not (known & (split.error != 0.0)).any():  # no draws, or all too rough: a note says so
            continue
        first = found.thresholds[int(np.argmax(split.error != 0.0))]  # nan is not 0
        text = (
            f"{name} end of the assumption range from {first:.2f} {study.question.score.unit} on: "
            f"its {len(split.draws)} draws of {extreme} risk, split one by one"
        )
        after = int(np.searchsorted(found.thresholds, at)) if math.isfinite(at) else -1
        if 0 <= after < found.thresholds.size and known[after] and split.error[after] > 0.0:
            error = 100.0 * split.error[after]
            text += f" (each to about {error:.0f} % where {where}"
            share = found.resting_on_assumptions()[after]
            if name == "lower" and math.isfinite(share):
                points = error * (1.0 - share)
                text += f", the share that rests on assumptions to {points:.0f} percentage points"
            text += ")"
        lines.append(text)
    return lines


def _split_draws(study: Study) -> dict[str, list[int]]:
    """Return the numbers of the draws that were split, by end."""
    found = study.assumptions
    if found is None:
        return {"lower": [], "upper": []}
    return {"lower": list(found.split_low.draws), "upper": list(found.split_high.draws)}


def _fit_line(study: Study) -> str:
    """Return what the tail fit is, and how far off it is near the target."""
    text = "generalised-Pareto fit: a cross-check only, in the curve's last column"
    curve = study.curve[study.curve["estimate"] > 0.0]
    row = curve.iloc[int(np.abs(np.log(curve["estimate"] / study.question.target)).argmin())]
    if not row["fit"] * _FIT_OFF < row["estimate"]:
        return text
    told = "0" if row["fit"] == 0.0 else f"{row['fit']:.1g}"
    return (
        f"{text}; at {row['threshold']:.2f} {study.question.score.unit} it tells {told} for "
        f"{row['estimate']:.2g}: what its ordinary flights are too few to show it cannot know"
    )


def levels_text(*, confidence: float, draws: int) -> str:
    """Return what the ranges of a tail cover; ``draws`` is 0 where there is no assumption range."""
    text = f"Interval: {100.0 * confidence:g} %, of the simulation alone, each by itself."
    if draws == 0:
        return text
    text += (
        f' Assumptions: nine in ten of {draws} draws lie within; under an "up to", nineteen in '
        "twenty."
    )
    if draws < _FEW_DRAWS:
        text += " Of so few the ends are nearly the least and the greatest."
    return text


def _curve_lines(study: Study) -> list[str]:
    lines = [f"{'threshold':>10}  {'risk per flight, interval':<34}{'assumptions':<24}method"]
    wanted = np.geomspace(
        0.1, study.question.deepest, 1 + round(-math.log10(study.question.deepest / 0.1))
    )
    curve = study.curve[study.curve["estimate"] > 0.0]
    shown: set[int] = set()
    for p in wanted:
        place = int((np.log(curve["estimate"] / p)).abs().to_numpy().argmin())
        if place in shown:
            continue
        shown.add(place)
        row = curve.iloc[place]
        risk = chance_text(row["estimate"], low=row["low"], high=row["high"])
        method = str(row["method"]).split(",")[0]
        lines.append(f"{row['threshold']:>10.2f}  {risk:<34}{_assumed(row):<24}{method}")
    return lines


def _distance(value: float, unit: str) -> str:
    if math.isnan(value):
        return "beyond the end of the curve"
    return "no distance at all" if math.isinf(value) else f"{value:.2f} {unit}"


def _untold(study: Study) -> bool:
    """Return whether the draws with the greatest risk run out of flights before the target."""
    assumptions, inverse = study.assumptions, study.inverse
    if assumptions is None or math.isnan(inverse.simulation):
        return False
    return math.isnan(inverse.assumption) and not bool(assumptions.told_high.all())


def tail_decisions(study: Study) -> list[str]:
    """Return what the target asks for, a sentence each."""
    score, question, inverse = study.question.score, study.question, study.inverse
    if not score.offset_sign:
        risk = risk_text(study.at(0.0))
        return [
            f"The event itself (0 {score.unit} past its limit): {risk}; your target is "
            f"{question.target:g}."
        ]
    untold = _untold(study)
    upper = "not told" if untold else _distance(inverse.assumption, score.unit)
    lines = [
        f"To keep the risk at or under {question.target:g} the planned zero-fuel CG must stay "
        f"{_distance(inverse.estimate, score.unit)} from the certified {study.side} limit; "
        f"{_distance(inverse.simulation, score.unit)} at the upper end of the simulation interval"
        + (f"; {upper} at the upper ends of both ranges." if study.assumptions else "."),
        f"The planned load stands {score.as_planned:.2f} {score.unit} from it, a load planned on "
        f"the operational limit {score.at_limit:.2f}.",
    ]
    need = inverse.assumption if study.assumptions else inverse.simulation
    more = need - score.at_limit
    if untold and study.assumptions is not None:
        draws = len(study.assumptions.draws)
        count = f"{draws} draws" if draws > 1 else "one draw"
        lines.append(
            f"Decision: none from this curve: of {count} of the assumptions those with the "
            "greatest risk run out of flights before the target, which more draws do not change. "
            "Settle the assumptions that move the answer most (cgrisk causes)."
        )
    elif math.isnan(need):
        lines.append(
            "Decision: none from this curve: the target is not reached on it. Give a smaller "
            "--deepest, or settle the assumptions that move the answer most (cgrisk causes)."
        )
    elif more <= 0.0:
        lines.append(
            "Decision: a load planned on the operational limit meets the target"
            + (f", with {-more:.2f} {score.unit} to spare." if math.isfinite(more) else ".")
            + " That is no licence for a smaller buffer: it needs the authority's agreement."
        )
    else:
        units = FileUnits.of(question.model.scenario)
        moment = units.moment(more * zero_fuel_scale(question.model))
        lines.append(
            f"Decision: keep {more:.2f} {score.unit} of the zero-fuel CG "
            f"({moment} {units.name('moment')}, at any mass) more from the {study.side} limit than "
            "the operational envelope does for this load, or accept the risk that stands beside "
            "the operational limit above."
        )
        without = max(inverse.estimate, score.at_limit)
        assumed = min(inverse.unsourced - without, more)
        if study.assumptions and assumed > _WORTH_TELLING * more:
            lines.append(
                f"About {assumed:.2f} {score.unit} of it stand for what has no source: settle the "
                "assumptions that move the answer most (cgrisk causes) to need less."
            )
    return lines


def tail_text(study: Study) -> str:
    """Return the study as text for a terminal: answer, curve, fleet, decision."""
    question, score = study.question, study.question.score
    lines = [
        f"Risk per flight: {score.meaning.format(x='x')}"
        + ("" if study.group == "any" else f" ({study.group.replace('_', ' ')})"),
        "",
    ]
    if score.offset_sign:
        lines += [
            f"  as planned                {risk_text(study.at(score.as_planned))}",
            f"  at the operational limit  {risk_text(study.at(score.at_limit))}",
            "",
        ]
    lines += _curve_lines(study)
    draws = 0 if study.assumptions is None else len(study.assumptions.draws)
    lines.append(levels_text(confidence=question.confidence, draws=draws))
    lines += ["", f"Method: {study.choice.why}"]
    best = study.estimates[-1]
    if best.diagnostics:
        figures = ", ".join(f"{k.replace('_', ' ')} {v:.3g}" for k, v in best.diagnostics.items())
        lines.append(f"  {best.method}: {figures}")
    if study.fit is not None:
        lines.append(f"  {_fit_line(study)}")
    lines += [f"  {line}" for line in _split_lines(study)]
    lines += [f"  warning: {note}" for note in study.notes]
    if len(study.fleet) > 1 and math.isfinite(study.inverse.estimate):
        worst = study.fleet.iloc[0]
        lines += [
            "",
            f"At the target's threshold the worst of {len(study.fleet)} aircraft (number "
            f"{worst['aircraft']:.0f}) has "
            f"{chance_text(worst['estimate'], low=worst['low'], high=worst['high'])}; all of the "
            "fleet together "
            f"{study.fleet['estimate'].mean():.2g}.",
        ]
    lines += ["", *tail_decisions(study), "", CAUTIONS]
    lines.insert(1, f"{study.flights:,} flights, seed {question.seed}")
    return "\n".join(lines)


def tail_answer(study: Study) -> dict[str, Any]:
    """Return the study as plain data for JSON: no NaN, no infinity."""
    question, score = study.question, study.question.score
    data = {
        "scenario": question.model.scenario.name,
        "scenario_sha256": question.model.scenario.digest(),
        "seed": question.seed,
        "event": score.name,
        "meaning": score.meaning.format(x="x"),
        "unit": score.unit,
        "side": study.side,
        "phases": study.group,
        "target": question.target,
        "relative_error": question.relative_error,
        "confidence": question.confidence,
        "as_planned": score.as_planned,
        "at_operational_limit": score.at_limit,
        "method": study.choice.method,
        "why": study.choice.why,
        "flights": study.flights,
        "curve": study.curve.to_dict("records"),
        "threshold_at_target": {
            "estimate": study.inverse.estimate,
            "simulation_upper": study.inverse.simulation,
            "both_ranges_upper": study.inverse.assumption,
        },
        "diagnostics": [
            {"method": e.method, "flights": e.flights, **e.diagnostics} for e in study.estimates
        ],
        "fleet": study.fleet.to_dict("records"),
        "assumption_draws": 0 if study.assumptions is None else len(study.assumptions.draws),
        "draws_split_one_by_one": _split_draws(study),
        "assumptions": assumption_frame(study).to_dict("records"),
        "notes": list(study.notes),
        "decision": tail_decisions(study),
        "cautions": CAUTIONS,
    }
    return {key: plain(value) for key, value in data.items()}
