"""Inputs that deal all people anew when they change: how far they move a curve, by splitting.

The same words then make another flight, and common random numbers tell nothing. What such an input
does is told by splitting at both ends of its range, as the distance by which the whole curve moves.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight import FlightModel, prepare
from cgrisk.rare.multilevel import split_tail
from cgrisk.rare.pilot import Pilot, fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.score import score_named
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.strata import strata_of
from cgrisk.scenario import Scenario
from cgrisk.scenario.ranges import Range, with_values

__all__ = [
    "END_REPLICATES",
    "asked_of",
    "distance_between",
    "is_redealing",
    "moved_curve",
    "part_of_range",
    "redealt_distances",
    "split_at",
    "split_model",
]

Floats = NDArray[np.float64]

#: Inputs whose change deals all people anew.
REDEALING: Final = ("operation.parties[].share",)
#: Replicates and flights of a stage at each end of such an input.
END_REPLICATES, _END_PARTICLES = 6, 250
#: Planned passengers below which parties are no matter.
_FEWEST_IN_PARTY: Final = 2


def _planned(scenario: Scenario) -> int:
    """Return the passengers that are planned."""
    return sum(zone.adults + zone.children for zone in scenario.operation.zones)


def is_redealing(key: str) -> bool:
    """Return whether a change of an input deals all people anew."""
    return re.sub(r"\[\d+\]", "[]", key) in REDEALING


def asked_of(
    question: Question, model: FlightModel, *, label: str, side: str, group: str
) -> Question:
    """Return the question asked of another model, with random words of its own."""
    score = score_named(model, name=question.score.name, side=side, group=group)
    seed = derived_seed(question.seed, "other scenario", label)
    return replace(question, model=model, score=score, seed=seed)


def split_at(
    question: Question,
    *,
    scenario: Scenario,
    side: str,
    group: str,
    thresholds: Floats,
    pilot: Pilot | None = None,
    meter: Meter | None = None,
) -> tuple[Floats, Floats, int]:
    """Return the exceedance of another scenario by a small splitting, its error, flights flown.

    The error is the standard error over the exceedance, nan where that is 0.

    Parameters
    ----------
    question : Question
        Whose precision is not asked for here.
    scenario : Scenario
        What is flown instead.
    side, group : str
        Of the score, where it is an envelope's.
    thresholds : float64 array, shape (n,)
    pilot : Pilot, optional
        Of a scenario much like it, with the same strata: its levels serve here too (any levels do;
        they decide what it costs). A pilot of its own is flown where none is given.
    meter : Meter, optional
        Told of the flights.
    """
    return split_model(
        question,
        model=prepare(scenario),
        label=scenario.digest(),
        side=side,
        group=group,
        thresholds=thresholds,
        pilot=pilot,
        meter=meter,
    )


def split_model(
    question: Question,
    *,
    model: FlightModel,
    label: str,
    side: str,
    group: str,
    thresholds: Floats,
    pilot: Pilot | None = None,
    doing: str = "splitting",
    meter: Meter | None = None,
) -> tuple[Floats, Floats, int]:
    """Return what :func:`split_at` does, of a model, which a label tells from all others."""
    other = asked_of(question, model, label=label, side=side, group=group)
    strata = strata_of(model, side=other.score.side)
    if pilot is not None and [s.name for s in pilot.strata] == [s.name for s in strata]:
        levels = replace(pilot, strata=strata, flights=0)
    else:
        levels = fly_pilot(other, meter=meter)
    tail = split_tail(
        other,
        pilot=levels,
        replicates=END_REPLICATES,
        particles=_END_PARTICLES,
        keep=0,
        doing=doing,
        meter=meter,
    )
    each = tail.by_replicate(thresholds)
    risk = each.mean(axis=0)
    error = each.std(axis=0, ddof=1) / math.sqrt(each.shape[0])
    relative = np.divide(error, risk, out=np.full(risk.size, np.nan), where=risk > 0.0)
    return risk, relative, tail.flights


def redealt_distances(
    question: Question,
    ranges: tuple[Range, ...],
    *,
    side: str,
    group: str,
    thresholds: Floats,
    base: Floats,
    pilot: Pilot | None,
    meter: Meter,
) -> tuple[dict[str, tuple[Floats, Floats]], int]:
    """Return, for both ends of each redealing input, how far the curve moves at each threshold.

    ``base`` is the curve of the scenario as it stands. With nobody planned to travel with anybody
    (those who come in the last minute are a handful) nothing is flown.

    The risk there at a threshold is that of the scenario as it stands at the threshold plus this.
    A distance, unlike a factor, is about the same whatever else has moved the curve.
    """
    scenario = question.model.scenario
    out: dict[str, tuple[Floats, Floats]] = {}
    flown = 0
    if _planned(scenario) < _FEWEST_IN_PARTY:
        return out, flown
    redealing = [entry for entry in ranges if is_redealing(entry.key)]
    where: dict[str, Any] = {"side": side, "group": group, "pilot": pilot}
    # A distance is about the same deeper down.
    question = question.no_deeper(1.0)
    for entry in redealing:
        ends = []
        for value in (entry.low, entry.high):
            other = with_values(scenario, {entry.key: value})
            risk, _, flights = split_at(
                question, scenario=other, thresholds=thresholds, meter=meter, **where
            )
            flown += flights
            ends.append(distance_between(risk, base, thresholds))
        out[entry.key] = (ends[0], ends[1])
    return out, flown


def distance_between(risk: Floats, base: Floats, thresholds: Floats) -> Floats:
    """Return where the base has the same risk, less the threshold; the last that is known beyond.

    Straight on the logarithm of the risk; curves are taken as falling.
    """
    risk, base = np.minimum.accumulate(risk), np.minimum.accumulate(base)
    some = base > 0.0
    seen = np.flatnonzero((risk > 0.0) & some & (risk > base[some].min(initial=1.0)))
    if seen.size == 0:
        return np.zeros(thresholds.size)
    same = np.interp(-np.log(risk[seen]), -np.log(base[some]), thresholds[some])
    return np.interp(thresholds, thresholds[seen], same - thresholds[seen])


def moved_curve(curve: Floats, thresholds: Floats, distance: Floats) -> Floats:
    """Return a curve read at other thresholds, straight on the logarithm of the risk."""
    logs = np.log(np.maximum(curve, 1e-300))
    moved = np.exp(np.interp(thresholds + distance, thresholds, logs))
    return np.where(moved > 1e-100, moved, 0.0)


def part_of_range(entry: Range, value: float) -> float:
    """Return where a value lies: -1 at the low end, 0 at the value in use, 1 at the high end."""
    if value < entry.value:
        return -min((entry.value - value) / (entry.value - entry.low), 1.0)
    return min((value - entry.value) / max(entry.high - entry.value, 1e-300), 1.0)
