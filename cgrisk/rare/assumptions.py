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
from dataclasses import dataclass, field
from functools import partial
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.flight import FlightModel
from cgrisk.rare.cloud import Cloud, fly_cloud, thinned, weighted_exceedance
from cgrisk.rare.draws import Draws, drawn_assumptions
from cgrisk.rare.estimate import replicate_interval
from cgrisk.rare.pilot import Pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.redealing import moved_curve, part_of_range, redealt_distances
from cgrisk.rare.score import score_named
from cgrisk.rare.strata import strata_of

__all__ = [
    "INDIVIDUALS",
    "AssumptionRange",
    "SplitEnd",
    "assumption_range",
    "by_aircraft",
]

Floats = NDArray[np.float64]

#: Flights of the cloud that each draw flies, at most, about: clouds of many strata have more. Fewer
#: would end the range sooner, where too few are left under the worst draws.
_FLOWN: Final = 6_000
#: Effective flights above a threshold, in half of the tenth of the draws with the greatest risk,
#: below which the upper end is not told; in half of all draws, below which the lower end is not.
#: Draws of the least risk have flights enough by their choice: they are those that no flight that
#: stands for much came to. With a third of the flights the lower end was told at half of its risk.
_FEWEST_HIGH, _FEWEST_LOW = 10.0, 25.0
#: Hits of a counted answer below which it does not say by how much the cloud is off.
_FEWEST_HITS: Final = 30.0
#: Ends of the range that is stated: nine draws in ten are within.
QUANTILES: Final = (0.05, 0.95)
#: Name, in tables, of the individual aircraft of the fleet, which are drawn anew.
INDIVIDUALS: Final = "aircraft: individual errors of the fleet"


@dataclass(frozen=True, slots=True)
class SplitEnd:
    """Draws of an end of the range that were split themselves.

    Attributes
    ----------
    draws : tuple of int
        Their numbers, in the order of the risk that the cloud tells of them.
    error : float64 array, shape (n,) or (1,)
        Standard error over risk of those of them that make the end; 0 where the cloud tells it, nan
        where they do not show it. Which draws make it is not part of it.
    curves : float64 array, shape (all draws, n), or None
        Exceedance of each draw that the end is read from, None where that is the cloud's.
    """

    draws: tuple[int, ...] = ()
    error: Floats = field(default_factory=lambda: np.zeros(1))
    curves: Floats | None = None


@dataclass(frozen=True, slots=True)
class AssumptionRange:
    """Tails under draws of what has no source.

    Attributes
    ----------
    drawn : Draws
        What was drawn.
    thresholds : float64 array, shape (n,)
    base : float64 array, shape (n,)
        Exceedance as the scenario stands.
    draws : float64 array, shape (draws, n)
        Exceedance of each draw by the cloud.
    flights : int
        Flights flown for it.
    told_low, told_high : bool arrays, shape (n,)
        Whether half of the draws, and half of the tenth of them with the greatest risk, have
        flights enough above each threshold, or are seen well enough where they were split.
    split_low, split_high : SplitEnd
        What was split of each end, beyond where the cloud tells it.
    """

    drawn: Draws
    thresholds: Floats
    base: Floats
    draws: Floats
    flights: int
    told_low: NDArray[np.bool_]
    told_high: NDArray[np.bool_]
    split_low: SplitEnd = field(default_factory=SplitEnd)
    split_high: SplitEnd = field(default_factory=SplitEnd)

    def ends(self) -> tuple[Floats, Floats]:
        """Return the fifth and ninety-fifth percentile of the draws, each of shape (n,).

        A score above a threshold is above all lower ones: where chance has the risk of that less,
        it is told as great. (Raised, not lowered, since the cloud's lower end errs low.)
        """
        low, high = (
            np.quantile(self.draws if end.curves is None else end.curves, quantile, axis=0)
            for end, quantile in zip((self.split_low, self.split_high), QUANTILES, strict=True)
        )
        return _falling(low, self.known_low()), _falling(high, self.known_high())

    def known_low(self) -> NDArray[np.bool_]:
        """Return where the lower end is told, from the first threshold on (n,).

        One threshold by itself that is not, between others that are, is no end.
        """
        return _without_gap(self.told_low)

    def known_high(self) -> NDArray[np.bool_]:
        """Return where the upper end is told, in the same way (n,)."""
        return _without_gap(self.told_high)

    def resting_on_assumptions(self) -> Floats:
        """Return the share of the risk that goes when assumptions are at their favourable end.

        One less the fifth percentile over the risk as the scenario stands (n,); nan where the cloud
        has no flight above the threshold, and where the scenario as it stands has no more risk than
        the fifth percentile: it is at that end itself.
        """
        low, _ = self.ends()
        above = (self.base > 0.0) & (low < self.base)
        share: Floats = np.divide(low, self.base, out=np.full(low.shape, np.nan), where=above)
        return 1.0 - share


def assumption_range(
    question: Question,
    *,
    side: str,
    group: str,
    cloud: Cloud,
    thresholds: Floats,
    draws: int = 64,
    answer: Floats | None = None,
    answer_hits: Floats | None = None,
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
    answer : float64 array, shape (n,), optional
        Exceedance by all flights, of which the cloud is a thinned copy, 0 where it is not known:
        what moves is its ratio, which all curves are then scaled by.
    answer_hits : float64 array, shape (n,), optional
        Flights above each threshold, where the answer counted others than the cloud's. Beyond the
        last threshold with 30, curves are scaled as there: fewer tell less than the cloud.
    pilot : Pilot, optional
        Of the question.
    meter : Meter, optional
        Told of the flights.
    """
    model, score, seed, jobs = question.model, question.score, question.seed, question.jobs
    cloud = thinned(cloud, flights=_FLOWN)
    drawn = drawn_assumptions(model, draws=draws, seed=seed)
    ranges = drawn.ranges
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
    redealt, more = redealt_distances(
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
        curve, effective = exceedance(drawn.model(model, number, but=redealt))
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
                part = part_of_range(entry, drawn.values[number, place])
                distance = -part * at_low if part < 0.0 else part * at_high
                curves[number] = moved_curve(curves[number], thresholds, distance)
    greatest = np.argsort(-curves, axis=0)[: max(draws // 10, 1)]
    at_high = np.median(np.take_along_axis(effective, greatest, axis=0), axis=0)
    scale = _scale(base, answer, answer_hits)
    return AssumptionRange(
        drawn,
        thresholds,
        base * scale,
        np.minimum(curves * scale, 1.0),
        (draws + 1) * len(cloud) + more,
        np.median(effective, axis=0) >= _FEWEST_LOW,
        at_high >= _FEWEST_HIGH,
    )


def _falling(curve: Floats, known: NDArray[np.bool_]) -> Floats:
    """Return a curve (n,) that never rises where it is known, and as it is elsewhere."""
    greatest = np.fmax.accumulate(np.where(known, curve, 0.0)[::-1])[::-1]
    return np.where(known, greatest, curve)


def _without_gap(told: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what comes before two in a row that are not told, or a last one that is not."""
    two = ~told & np.append(~told[1:], True)
    return ~np.logical_or.accumulate(two)


def _scale(base: Floats, answer: Floats | None, hits: Floats | None) -> Floats:
    """Return the ratio of the answer to the cloud's own, 1 where there is none (n,).

    Where the answer has too few hits, as at the last threshold before; at the first, whatever it
    has.
    """
    scale = np.ones(base.size)
    if answer is not None:
        np.divide(answer, base, out=scale, where=(base > 0.0) & (answer > 0.0))
    if hits is not None:
        enough = int((hits >= _FEWEST_HITS).sum())
        scale[max(enough, 1) :] = scale[max(enough, 1) - 1]
    return scale


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
