"""Where a curve is told, and which threshold has a probability."""

from __future__ import annotations

import math
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from cgrisk.rare.multilevel import SplitTail
from cgrisk.rare.question import Question

__all__ = ["RoughTail", "curve_end", "curve_thresholds", "located", "threshold_at"]

Floats = NDArray[np.float64]

#: Probability at which the curve starts, and thresholds per factor of ten.
_SHALLOWEST, _PER_DECADE = 0.1, 4
_GRID: Final = 2000
#: Ordinary flights above the target's threshold, at least, for them to place it.
_HITS_TO_LOCATE: Final = 10
#: Shares of the target whose thresholds they place too, so that the curve goes below it.
_BEYOND: Final = np.array([1.0, 0.5, 0.25])


class RoughTail(Protocol):
    """What a pilot tells of a tail: that of splitting, or those of tilting."""

    def exceedance(self, thresholds: Floats) -> Floats:
        """Return the rough probability of a score above each threshold, shape (n,)."""
        ...

    def candidates(self) -> Floats:
        """Return scores of which it can tell, rising."""
        ...

    def threshold(self, probability: float) -> float:
        """Return the score that is exceeded with about a probability."""
        ...


def threshold_at(
    probability: float, *, thresholds: Floats, curve: Floats, open_end: bool = False
) -> float:
    """Return the least threshold from which on a curve stays at or below a probability.

    Straight on the logarithm between thresholds; nan where the curve stays above it to its end,
    -infinity where it is below it from the start.

    Parameters
    ----------
    probability : float
    thresholds : float64 array, shape (n,)
        Rising.
    curve : float64 array, shape (n,)
        Probabilities.
    open_end : bool
        Whether zeros at the curve's end are unknown (out of tilting's reach) and not 0: then no
        threshold is read between the last that is known and them.
    """
    envelope = np.maximum.accumulate(curve[::-1])[::-1]
    if envelope[-1] > probability:
        return math.nan
    if envelope[0] <= probability:
        return -math.inf if envelope[0] < probability else float(thresholds[0])
    place = int(np.flatnonzero(envelope > probability)[-1])
    upper, lower = envelope[place], envelope[place + 1]
    if lower <= 0.0:
        return math.nan if open_end else float(thresholds[place + 1])
    part = math.log(upper / probability) / math.log(upper / lower)
    return float(thresholds[place] + part * (thresholds[place + 1] - thresholds[place]))


def curve_end(question: Question) -> float:
    """Return the probability down to which a curve goes: a quarter of the target at the most."""
    return float(min(question.deepest, _BEYOND[-1] * question.target))


def curve_thresholds(
    pilot: RoughTail, *, question: Question, tail: SplitTail | None = None
) -> Floats:
    """Return the thresholds of the curve: about evenly spaced on the logarithm of the probability.

    From 0.1 to the deepest probability by the replicates, or by the pilot where there are none,
    with the planned load's, the operational limit's and the target's own among them. Where it ends
    at the target and there are no replicates it goes on to a quarter of the target.
    """
    decades = math.log10(_SHALLOWEST / question.deepest)
    count = max(2, round(_PER_DECADE * decades) + 1)
    wanted = np.geomspace(_SHALLOWEST, question.deepest, count)
    scores, curve = pilot.candidates(), pilot.exceedance(pilot.candidates())
    if tail is not None:
        last = max(float(run.scores[-1][-1]) for runs in tail.replicates for run in runs)
        scores = np.linspace(scores[0], last, _GRID)
        curve = tail.by_replicate(scores).mean(axis=0)
    places = np.minimum(np.searchsorted(-curve, -wanted), scores.size - 1)
    score = question.score
    own = [pilot.threshold(question.target), score.as_planned, score.at_limit]
    if tail is None and curve_end(question) < question.deepest:
        # A pilot may place the curve's end short of the target, or of the interval's upper end.
        own += [pilot.threshold(float(part)) for part in question.target * _BEYOND[1:]]
    return np.unique(np.array([*scores[places], *own]))


def located(
    question: Question, *, pilot: RoughTail, scores: Floats, thresholds: Floats
) -> tuple[float, Floats]:
    """Return about the threshold of the target, and the curve's thresholds with it and beyond.

    By ordinary flights where enough are above it: a pilot may miss what a mode of its own makes.
    """
    rough = pilot.threshold(question.target)
    if question.target * scores.size < _HITS_TO_LOCATE:
        return rough, thresholds
    placed = np.quantile(scores, 1.0 - question.target * _BEYOND)
    return float(placed[0]), np.unique([*thresholds[thresholds != rough], *placed])
