"""The assumption range: how far the answer moves when nobody knows the inputs.

An outer loop draws every input that has no source from its range, all at once, and the individual
aircraft of the fleet anew, and flies the cloud of weighted flights again with the same random
words. What spreads between draws is what is not known; more flights do not shrink it.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from cgrisk.flight import FlightModel, prepare
from cgrisk.rare.cloud import Cloud, cloud_of, fly_cloud, weighted_exceedance
from cgrisk.rare.estimate import replicate_interval
from cgrisk.rare.multilevel import SplitTail, split_tail
from cgrisk.rare.pilot import fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.score import Score, score_named
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.rare.strata import Stratum, strata_of
from cgrisk.scenario import Scenario
from cgrisk.scenario.ranges import Range, assumption_ranges, with_values

__all__ = [
    "INDIVIDUALS",
    "AssumptionRange",
    "assumption_range",
    "by_aircraft",
    "possible_strata",
    "wide_cloud",
]

Floats = NDArray[np.float64]

#: Ends of the range that is stated: nine draws in ten are within.
QUANTILES: Final = (0.05, 0.95)
#: Name, in tables, of the individual aircraft of the fleet, which are drawn anew.
INDIVIDUALS: Final = "aircraft: individual errors of the fleet"
_SMALL, _FEW = 500, 4


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
    """

    ranges: tuple[Range, ...]
    values: Floats
    thresholds: Floats
    base: Floats
    draws: Floats
    flights: int

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


def possible_strata(scenario: Scenario, *, known: tuple[Stratum, ...]) -> tuple[Stratum, ...]:
    """Return the strata that only exist when assumptions are not at their stated values.

    A surge that nobody expects has probability 0 in the scenario, and more at the upper end of its
    range. The strata's probabilities are those at the upper ends. Two such causes on one flight are
    left to the first of them.
    """
    names = {stratum.name for stratum in known}
    chances = ("operation.crowd.surge_probability", "operation.behaviour.lavatory_closed")
    upper = {r.key: r.high for r in assumption_ranges(scenario) if r.key in chances}
    if not upper:
        return ()
    strata = strata_of(prepare(with_values(scenario, upper)))
    return tuple(s for s in strata if s.name not in names and " and " not in s.name)


def wide_cloud(
    question: Question, *, tail: SplitTail, meter: Meter | None = None
) -> tuple[Cloud, int]:
    """Return the cloud of a tail, with flights of what may happen besides; and flights flown."""
    strata = possible_strata(question.model.scenario, known=tail.strata)
    if not strata:
        return cloud_of([tail]), 0
    shallow = replace(question, deepest=max(question.deepest, 0.1 * question.target))
    pilot = fly_pilot(shallow, strata=strata, meter=meter)
    more = split_tail(shallow, pilot=pilot, replicates=_FEW, particles=_SMALL, meter=meter)
    return cloud_of([tail, more]), more.flights


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


def assumption_range(
    model: FlightModel,
    *,
    score: Score,
    side: str,
    group: str,
    cloud: Cloud,
    thresholds: Floats,
    seed: int,
    draws: int = 64,
    jobs: int = -1,
    meter: Meter | None = None,
) -> AssumptionRange:
    """Fly the cloud under joint draws of all that has no source.

    Parameters
    ----------
    model : FlightModel
        The scenario as it stands.
    score : Score
        Whose tail it is, with the side and group of phases of an envelope's score.
    cloud : Cloud
        From :func:`wide_cloud`.
    thresholds : float64 array, shape (n,)
        Rising.
    seed : int
        Resolved seed.
    draws : int
        Points of a Latin hypercube over the ranges.
    jobs, meter
        As elsewhere.
    """
    scenario = model.scenario
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

    def exceedance(of: FlightModel) -> Floats:
        strata = strata_of(of)
        own = score_named(of, name=score.name, side=side, group=group)
        scores = fly_cloud(cloud, strata=strata, score=own, jobs=jobs, meter=meter)
        weights = cloud.weights(strata)
        return weighted_exceedance(scores, weights=weights, thresholds=thresholds)

    def draw(number: int) -> dict[str, NDArray[np.generic]]:
        moved = dict(zip((r.key for r in ranges), values[number].tolist(), strict=True))
        other = prepare(with_values(scenario, moved)) if moved else model
        individuals = generator(seed, "individual aircraft", str(number))
        return {"curve": exceedance(_other_aircraft(other, individuals))}

    places = hashlib.sha256(thresholds.tobytes()).hexdigest()
    found = [
        meter.kept(f"assumptions/{draws}/{number}/{len(cloud)}/{places}", partial(draw, number))[
            "curve"
        ]
        for number in range(draws)
    ]
    return AssumptionRange(
        ranges,
        values,
        thresholds,
        exceedance(model),
        np.array(found, dtype=np.float64),
        (draws + 1) * len(cloud),
    )


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
