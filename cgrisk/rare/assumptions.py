"""The assumption range: how far the answer moves when nobody knows the inputs.

An outer loop draws every input that has no source from its range, all at once, and the individual
aircraft of the fleet anew, and flies the cloud of weighted flights again with the same random
words. What spreads between draws is what is not known; more flights do not shrink it.

Some inputs deal all people anew when they change (how many travel in parties): the same words then
make another flight, and common random numbers tell nothing. Their effect is told by splitting at
both ends of their range, as the distance by which the whole curve moves, and added to all others.
"""

from __future__ import annotations

import hashlib
import math
import re
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from cgrisk.flight import FlightModel, prepare
from cgrisk.rare.cloud import Cloud, fly_cloud, thinned, weighted_exceedance
from cgrisk.rare.estimate import replicate_interval
from cgrisk.rare.multilevel import split_tail
from cgrisk.rare.pilot import Pilot, fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.score import score_named
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.rare.strata import strata_of
from cgrisk.scenario import Scenario
from cgrisk.scenario.ranges import Range, assumption_ranges, with_values

__all__ = [
    "INDIVIDUALS",
    "AssumptionRange",
    "assumption_range",
    "by_aircraft",
    "is_redealing",
    "split_at",
]

Floats = NDArray[np.float64]

#: Inputs whose change deals all people anew.
REDEALING: Final = ("operation.parties[].share",)
#: Replicates and flights of a stage at each end of such an input.
END_REPLICATES, _END_PARTICLES = 6, 250
#: Flights of the cloud that each draw flies, at most, about: clouds of many strata have more. Fewer
#: would end the range sooner, where too few are left under the worst draws.
_FLOWN: Final = 6_000
#: Effective flights above a threshold, in half of the draws, below which no range is told.
_FEWEST_EFFECTIVE: Final = 10.0
#: Ends of the range that is stated: nine draws in ten are within.
QUANTILES: Final = (0.05, 0.95)
#: Name, in tables, of the individual aircraft of the fleet, which are drawn anew.
INDIVIDUALS: Final = "aircraft: individual errors of the fleet"
#: Planned passengers below which parties are no matter.
_FEWEST_IN_PARTY: Final = 2


@dataclass(frozen=True, slots=True)
class AssumptionRange:
    """Tails under draws of what has no source.

    Attributes
    ----------
    ranges : tuple of Range
        What was drawn.
    values : float64 array, shape (draws, ranges)
        Its values, draw by draw.
    thresholds : float64 array, shape (n,)
    base : float64 array, shape (n,)
        Exceedance of the cloud as the scenario stands.
    draws : float64 array, shape (draws, n)
        Exceedance of each draw.
    flights : int
        Flights flown for it.
    told, told_high : bool arrays, shape (n,)
        Whether half of the draws, and half of the tenth of them with the greatest risk, have
        flights enough above each threshold.
    """

    ranges: tuple[Range, ...]
    values: Floats
    thresholds: Floats
    base: Floats
    draws: Floats
    flights: int
    told: NDArray[np.bool_]
    told_high: NDArray[np.bool_]

    def ends(self) -> tuple[Floats, Floats]:
        """Return the fifth and ninety-fifth percentile of the draws, each of shape (n,)."""
        low, high = np.quantile(self.draws, QUANTILES, axis=0)
        return low, high

    def resting_on_assumptions(self) -> Floats:
        """Return the share of the risk that goes when assumptions are at their favourable end.

        One less the fifth percentile over the risk as the scenario stands, at least 0 (n,); nan
        where the cloud has no flight above the threshold.
        """
        low, _ = self.ends()
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.clip(1.0 - low / self.base, 0.0, 1.0)
        return np.where(self.base > 0.0, share, np.nan)


def _planned(scenario: Scenario) -> int:
    """Return the passengers that are planned."""
    return sum(zone.adults + zone.children for zone in scenario.operation.zones)


def _other_aircraft(model: FlightModel, rng: np.random.Generator) -> FlightModel:
    """Return a model whose fleet is of other individual aircraft."""
    doubt, dry = model.scenario.aircraft.dry_uncertainty, model.program.dry
    fleet = dry.fleet_mass_kg.size
    arm = doubt.cg_sd_aircraft * model.balance.mac_m / 100.0
    dry = dry._replace(
        fleet_mass_kg=doubt.mass_sd_aircraft * rng.standard_normal(fleet),
        fleet_arm_m=arm * rng.standard_normal(fleet),
    )
    return replace(model, program=model.program._replace(dry=dry))


def is_redealing(key: str) -> bool:
    """Return whether a change of an input deals all people anew."""
    return re.sub(r"\[\d+\]", "[]", key) in REDEALING


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
    model = prepare(scenario)
    score = score_named(model, name=question.score.name, side=side, group=group)
    seed = derived_seed(question.seed, "other scenario", scenario.digest())
    other = replace(question, model=model, score=score, seed=seed)
    strata = strata_of(model, side=score.side)
    if pilot is not None and [s.name for s in pilot.strata] == [s.name for s in strata]:
        levels = replace(pilot, strata=strata, flights=0)
    else:
        levels = fly_pilot(other, meter=meter)
    tail = split_tail(
        other,
        pilot=levels,
        replicates=END_REPLICATES,
        particles=_END_PARTICLES,
        meter=meter,
    )
    each = tail.by_replicate(thresholds)
    risk = each.mean(axis=0)
    error = each.std(axis=0, ddof=1) / math.sqrt(each.shape[0])
    relative = np.divide(error, risk, out=np.full(risk.size, np.nan), where=risk > 0.0)
    return risk, relative, tail.flights


def _redealt(
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
            ends.append(_distance(risk, base, thresholds))
        out[entry.key] = (ends[0], ends[1])
    return out, flown


def _distance(risk: Floats, base: Floats, thresholds: Floats) -> Floats:
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


def _moved_curve(curve: Floats, thresholds: Floats, distance: Floats) -> Floats:
    """Return a curve read at other thresholds, straight on the logarithm of the risk."""
    logs = np.log(np.maximum(curve, 1e-300))
    moved = np.exp(np.interp(thresholds + distance, thresholds, logs))
    return np.where(moved > 1e-100, moved, 0.0)


def assumption_range(
    question: Question,
    *,
    side: str,
    group: str,
    cloud: Cloud,
    thresholds: Floats,
    draws: int = 64,
    pilot: Pilot | None = None,
    meter: Meter | None = None,
) -> AssumptionRange:
    """Fly the cloud under joint draws of all that has no source.

    Parameters
    ----------
    question : Question
        Scenario as it stands, score, seed, threads.
    side, group : str
        Of the score, where it is an envelope's.
    cloud : Cloud
        From :func:`wide_cloud`; thinned where it has more flights than a draw needs.
    thresholds : float64 array, shape (n,)
        Rising.
    draws : int
        Points of a Latin hypercube over the ranges.
    pilot : Pilot, optional
        Of the question.
    meter : Meter, optional
        Told of the flights.
    """
    model, score, seed, jobs = question.model, question.score, question.seed, question.jobs
    scenario = model.scenario
    cloud = thinned(cloud, flights=_FLOWN)
    ranges = assumption_ranges(scenario)
    rng = np.random.default_rng(derived_seed(seed, "assumptions"))
    cube = np.empty((draws, 0))
    if ranges:
        cube = qmc.LatinHypercube(d=len(ranges), rng=rng).random(draws)
    values = np.array(
        [[r.at(float(u)) for r, u in zip(ranges, point, strict=True)] for point in cube]
    ).reshape(draws, len(ranges))
    meter = Meter() if meter is None else meter
    meter.begin("assumptions", expected=(draws + 1) * len(cloud))

    def exceedance(of: FlightModel) -> tuple[Floats, Floats]:
        strata = strata_of(of, bands_of=model, side=score.side)
        own = score_named(of, name=score.name, side=side, group=group)
        scores = fly_cloud(cloud, strata=strata, score=own, jobs=jobs, meter=meter)
        weights = cloud.weights(strata)
        found = weighted_exceedance(scores, weights=weights, thresholds=thresholds)
        squares = weighted_exceedance(scores, weights=weights**2, thresholds=thresholds)
        effective = np.divide(found**2, squares, out=np.zeros_like(found), where=squares > 0.0)
        return found, effective

    base, _ = exceedance(model)
    redealt, more = _redealt(
        question,
        ranges,
        side=side,
        group=group,
        thresholds=thresholds,
        base=base,
        pilot=pilot,
        meter=meter,
    )
    meter.begin("assumptions", expected=draws * len(cloud))

    def draw(number: int) -> dict[str, NDArray[np.generic]]:
        moved = {
            r.key: float(value)
            for r, value in zip(ranges, values[number], strict=True)
            if r.key not in redealt
        }
        other = prepare(with_values(scenario, moved)) if moved else model
        individuals = generator(seed, "individual aircraft", str(number))
        curve, effective = exceedance(_other_aircraft(other, individuals))
        return {"curve": curve, "effective": effective}

    places = hashlib.sha256(thresholds.tobytes()).hexdigest()
    own = f"assumptions/{draws}/{seed}/{score.name}/{side}/{group}/{cloud.stamp()}/{places}"
    found = [meter.kept(f"{own}/{number}", partial(draw, number)) for number in range(draws)]
    curves = np.array([piece["curve"] for piece in found], dtype=np.float64)
    effective = np.array([piece["effective"] for piece in found], dtype=np.float64)
    for place, entry in enumerate(ranges):
        if entry.key in redealt:
            # Straight from either end to the value in use.
            at_low, at_high = redealt[entry.key]
            for number in range(draws):
                part = _part(entry, values[number, place])
                distance = -part * at_low if part < 0.0 else part * at_high
                curves[number] = _moved_curve(curves[number], thresholds, distance)
    greatest = np.argsort(-curves, axis=0)[: max(draws // 10, 1)]
    at_high = np.median(np.take_along_axis(effective, greatest, axis=0), axis=0)
    return AssumptionRange(
        ranges,
        values,
        thresholds,
        base,
        np.minimum(curves, 1.0),
        (draws + 1) * len(cloud) + more,
        np.median(effective, axis=0) >= _FEWEST_EFFECTIVE,
        at_high >= _FEWEST_EFFECTIVE,
    )


def _part(entry: Range, value: float) -> float:
    """Return where a value lies: -1 at the low end, 0 at the value in use, 1 at the high end."""
    if value < entry.value:
        return -min((entry.value - value) / (entry.value - entry.low), 1.0)
    return min((value - entry.value) / max(entry.high - entry.value, 1e-300), 1.0)


def by_aircraft(
    scores: Floats,
    *,
    aircraft: NDArray[np.int64],
    weights: Floats,
    replicate: NDArray[np.int64],
    threshold: float,
    fleet: int,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Return the probability above a threshold for each aircraft of the fleet, worst first.

    Parameters
    ----------
    scores, aircraft, weights, replicate : arrays, shape (n,)
        Of the cloud's flights.
    threshold : float
    fleet : int
        Aircraft; each flies equally often.
    confidence : float
        Of the intervals of all aircraft together (Bonferroni).

    Returns
    -------
    pandas.DataFrame
        aircraft, estimate, low, high; where no flight was seen the estimate is 0 and the bounds
        are 0 and 1.
    """
    count = int(replicate.max()) + 1
    counted = (weights > 0.0) & (scores > threshold)
    each = np.zeros((count, fleet))
    np.add.at(each, (replicate[counted], aircraft[counted]), weights[counted] * count * fleet)
    mean, low, high = replicate_interval(each, confidence=1.0 - (1.0 - confidence) / fleet)
    frame = pd.DataFrame(
        {
            "aircraft": np.arange(fleet),
            "estimate": np.nan_to_num(np.minimum(mean, 1.0)),
            "low": low,
            "high": high,
        }
    )
    return frame.sort_values("estimate", ascending=False, ignore_index=True)
