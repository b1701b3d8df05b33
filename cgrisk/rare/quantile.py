"""The score that is exceeded with a stated probability, and its upper confidence bound."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from cgrisk.rare.choice import answer, check_method, choose, tilted_error
from cgrisk.rare.counting import count_scores, flights_to_count, kept_scores
from cgrisk.rare.estimate import TailEstimate
from cgrisk.rare.multilevel import SplitTail
from cgrisk.rare.pilot import Pilot, fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.study import flown_tail
from cgrisk.rare.thresholds import threshold_at
from cgrisk.rare.tilting import TiltedTail
from cgrisk.risk import needed_flights, quantile_interval

__all__ = ["TailQuantile", "tail_quantile"]

#: Flights that are counted at least, and points of the curve they make.
_FEWEST, _CURVE = 2000, 60
#: Relative error of counting, at most: of fewer flights the bound would be one of the last two.
_COUNTED_ERROR: Final = 0.3
#: Share of the target down to which the curve must be precise, for the quantile and its bound.
_SETTLED: Final = 0.3


@dataclass(frozen=True, slots=True)
class TailQuantile:
    """The (1 - a) quantile of a score, for a the question's target.

    Attributes
    ----------
    estimate : float
        Score exceeded with probability a, by the estimate of the curve.
    upper : float
        Its upper confidence bound: an order statistic where flights are counted, else the same by
        the upper ends of the curve's intervals. Where those have confidence c on two sides, the
        bound has (1 + c) / 2 on its one.
    method : str
        Of the curve, at the target.
    flights : int
        Flights flown, the pilot's included.
    curve : tuple of TailEstimate
        The whole curve.
    pilot : Pilot
    tail : SplitTail or TiltedTail or None
        What was flown, where splitting or tilting was used.
    notes : tuple of str
        What is poor, in plain words.
    """

    estimate: float
    upper: float
    method: str
    flights: int
    curve: tuple[TailEstimate, ...]
    pilot: Pilot
    tail: SplitTail | TiltedTail | None
    notes: tuple[str, ...]


def tail_quantile(
    question: Question, *, method: str = "auto", meter: Meter | None = None
) -> TailQuantile:
    """Return the score exceeded with the question's target probability.

    Parameters
    ----------
    question : Question
        ``deepest`` should be some times below the target, so that the bound is within the curve.
    method : str
        One of :data:`cgrisk.rare.METHODS`.
    meter : Meter, optional
        Told of the flights.

    Returns
    -------
    TailQuantile
        Bounds are nan where the curve does not come down to the target.

    Raises
    ------
    UsageError
        If the method does not fit the scenario.
    ComputationError
        If the score does not vary.
    """
    meter = Meter() if meter is None else meter
    check_method(question, method)
    pilot = fly_pilot(question, meter=meter)
    counted_error = min(question.relative_error, _COUNTED_ERROR)
    choice = choose(question, pilot=pilot, method=method, counted_error=counted_error, meter=meter)
    if choice.method == "counting":
        counted = _counted(question, counted_error, pilot, meter)
        return replace(counted, flights=counted.flights + choice.spent)
    choice, tail, thresholds = flown_tail(
        question, choice=choice, pilot=pilot, settled=_SETTLED * question.target, meter=meter
    )
    found = answer(
        question, choice=choice, pilot=pilot, tail=tail, thresholds=thresholds, meter=meter
    )
    places = np.concatenate([e.thresholds for e in found])
    estimate = threshold_at(
        question.target,
        thresholds=places,
        curve=np.concatenate([e.estimate for e in found]),
        open_end=isinstance(tail, TiltedTail),
    )
    upper = threshold_at(
        question.target, thresholds=places, curve=np.concatenate([e.high for e in found])
    )
    part = found[-1]
    if math.isfinite(estimate):
        part = next((e for e in found if estimate <= e.thresholds[-1]), part)
    return TailQuantile(
        estimate=estimate,
        upper=upper,
        method=part.method,
        flights=max(e.flights for e in found)
        + (0 if isinstance(tail, SplitTail) else pilot.flights)
        + choice.spent,
        curve=tuple(found),
        pilot=pilot,
        tail=tail,
        notes=_notes(question, found, tail, estimate=estimate, upper=upper),
    )


def _notes(
    question: Question,
    found: list[TailEstimate],
    tail: SplitTail | TiltedTail | None,
    *,
    estimate: float,
    upper: float,
) -> tuple[str, ...]:
    """Return what is poor at the quantile, and at its bound too where flights were tilted.

    The curve's end, deeper, does not matter; without quantile or bound all that is poor is told.
    """
    if tail is None or not (math.isfinite(estimate) and math.isfinite(upper)):
        return tuple(text for e in found for text in e.warnings)
    if isinstance(tail, SplitTail):
        return tail.estimate(np.array([estimate])).warnings
    places = np.unique([estimate, upper])
    return tail.doubts(places, relative_error=tilted_error(question))


def _counted(question: Question, error: float, pilot: Pilot, meter: Meter) -> TailQuantile:
    """Return the quantile of flights that are simply flown, with its exact bound."""
    wanted = flights_to_count(question.target, relative_error=error)
    fewest = needed_flights(1.0 - question.target, 0.5 + 0.5 * question.confidence)
    count = min(max(math.ceil(wanted), fewest, _FEWEST), question.most_flights)
    meter.begin("counting", expected=count)
    scores = kept_scores(
        question.model,
        score=question.score,
        seed=derived_seed(question.seed, "quantile"),
        first=0,
        count=count,
        jobs=question.jobs,
        meter=meter,
    )
    interval = quantile_interval(scores, 1.0 - question.target, confidence=question.confidence)
    ranks = np.unique(np.geomspace(1, count - 1, _CURVE).astype(np.int64))
    thresholds = np.unique(np.sort(scores)[count - ranks - 1])
    curve = count_scores(scores, thresholds=thresholds, confidence=question.confidence)
    upper = interval.high if math.isfinite(interval.high) else math.nan
    return TailQuantile(
        estimate=interval.estimate,
        upper=upper,
        method=f"counting, {interval.method}",
        flights=pilot.flights + count,
        curve=(curve,),
        pilot=pilot,
        tail=None,
        notes=(),
    )
