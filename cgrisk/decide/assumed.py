"""How far the assumptions move a quantile: a distance, at the depth where it can be told."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from cgrisk.rare import AssumptionRange, threshold_at

__all__ = ["AssumedDistance", "assumed_distance"]

#: Shallowest probability at which a distance stands for that of the target, and steps to it.
_SHALLOWEST, _STEPS = 0.03, 60
_HIGH: Final = 0.95


class AssumedDistance(NamedTuple):
    """How much further the quantile lies at the upper end of the assumption range.

    ``distance`` is in the unit of the score, at least 0, nan where nothing is known;
    ``probability`` is that at which it was told.
    """

    distance: float
    probability: float


def assumed_distance(found: AssumptionRange, *, target: float) -> AssumedDistance:
    """Return the distance between the 95th percentile of the draws' tails and the tail in use.

    Both are read at the target probability where, at the thresholds about the one that is read,
    half of the highest tenth of the draws still have flights enough; else at the smallest
    probability above it where that holds. A curve that is moved as a whole keeps its distance at
    every depth; it grows slowly with depth otherwise, which the caller should say.

    Parameters
    ----------
    found : AssumptionRange
    target : float
        Probability.
    """
    _, upper = found.ends()
    told, places = found.told_high, found.thresholds
    # Enough at a threshold by itself is chance: the curve ends with the last two in a row.
    pairs = np.flatnonzero(told[1:] & told[:-1])
    if pairs.size == 0:
        return AssumedDistance(math.nan, math.nan)
    count = int(pairs[-1]) + 2
    places, high, base = places[:count], upper[:count], found.base[:count]
    for probability in np.geomspace(target, max(_SHALLOWEST, target), _STEPS):
        there = threshold_at(float(probability), thresholds=places, curve=high)
        here = threshold_at(float(probability), thresholds=places, curve=base)
        if not (math.isfinite(there) and math.isfinite(here)):
            continue
        after = int(np.clip(np.searchsorted(places, there), 1, count - 1))
        if told[after - 1] and told[after]:
            return AssumedDistance(max(there - here, 0.0), float(probability))
    return AssumedDistance(math.nan, math.nan)
