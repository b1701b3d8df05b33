"""The score that is exceeded with a stated probability, and its upper confidence bound."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from cgrisk.rare.choice import answer, choose
from cgrisk.rare.estimate import TailEstimate
from cgrisk.rare.multilevel import SplitTail, split_tail
from cgrisk.rare.pilot import Pilot, fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.study import curve_thresholds, threshold_at

__all__ = ["TailQuantile", "tail_quantile"]


@dataclass(frozen=True, slots=True)
class TailQuantile:
    """The (1 - a) quantile of a score, for a the question's target.

    Attributes
    ----------
    estimate : float
        Score exceeded with probability a, by the estimate of the curve.
    upper : float
        The same by the upper ends of the curve's intervals: an upper confidence bound. Where the
        interval of the probability at a fixed threshold has confidence c on two sides, the bound
        of the quantile has (1 + c) / 2 on its one.
    method : str
        Of the curve, at the target.
    flights : int
        Flights flown, the pilot's included.
    curve : tuple of TailEstimate
        The whole curve.
    pilot : Pilot
    tail : SplitTail or None
        Replicates, where splitting was used.
    notes : tuple of str
        What is poor, in plain words.
    """

    estimate: float
    upper: float
    method: str
    flights: int
    curve: tuple[TailEstimate, ...]
    pilot: Pilot
    tail: SplitTail | None
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
    pilot = fly_pilot(question, meter=meter)
    choice = choose(question, pilot=pilot, method=method)
    tail = None
    if choice.method in ("splitting", "kill-rule"):
        tail = split_tail(question, pilot=pilot, adaptive=choice.method == "kill-rule", meter=meter)
    thresholds = curve_thresholds(pilot, question=question, tail=tail)
    found = answer(
        question, choice=choice, pilot=pilot, tail=tail, thresholds=thresholds, meter=meter
    )
    places = np.concatenate([e.thresholds for e in found])
    estimate = threshold_at(
        question.target, thresholds=places, curve=np.concatenate([e.estimate for e in found])
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
        flights=max(e.flights for e in found) + (0 if tail else pilot.flights),
        curve=tuple(found),
        pilot=pilot,
        tail=tail,
        notes=tuple(text for e in found for text in e.warnings),
    )
