"""Shapes of the mass distributions, from moments that people know."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

__all__ = ["ShiftedLognormal", "fleet_scores", "lognormal_of", "shifted_lognormal_of"]

#: Skewness below which the shape is a normal distribution.
_NEARLY_SYMMETRIC = 1e-3


@dataclass(frozen=True, slots=True)
class ShiftedLognormal:
    """w = shift + scale * exp(shape * z), z standard normal; with shape 0, shift + scale * z."""

    shift: float
    scale: float
    shape: float


def shifted_lognormal_of(mean: float, *, sd: float, skewness: float) -> ShiftedLognormal:
    """Return the shifted lognormal with this mean, standard deviation and skewness (>= 0).

    The skewness of a lognormal is (w + 2) sqrt(w - 1) with w = exp(shape^2): a cubic in
    sqrt(w - 1) with one real root (Johnson, Kotz & Balakrishnan, Continuous Univariate
    Distributions 1, ch. 14; from memory).
    """
    if sd == 0.0 or skewness < _NEARLY_SYMMETRIC:
        return ShiftedLognormal(mean, sd, 0.0)
    # y^3 + 3 y = skewness with y = sqrt(w - 1): y = 2 sinh(asinh(skewness / 2) / 3).
    y = 2.0 * math.sinh(math.asinh(skewness / 2.0) / 3.0)
    w = 1.0 + y * y
    scale = sd / math.sqrt(w * (w - 1.0))
    return ShiftedLognormal(mean - scale * math.sqrt(w), scale, math.sqrt(math.log(w)))


def lognormal_of(mean: float, *, sd: float) -> tuple[float, float]:
    """Return (median, shape) of the lognormal with this mean and standard deviation."""
    if mean == 0.0:
        return 0.0, 0.0
    variance = math.log1p((sd / mean) ** 2)
    return mean * math.exp(-0.5 * variance), math.sqrt(variance)


def fleet_scores(aircraft: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return two sets of normal scores, one pair for each aircraft of a representative fleet.

    The scores are normal quantiles at the middles of equal cells, scaled to variance 1; the second
    set is the first in another order: the rank-1 lattice whose pairs are least correlated. One
    aircraft has scores 0: the typical one.

    Returns
    -------
    tuple of float64 array, shape (aircraft,)
        Zero mean; unit variance where there is more than one aircraft.
    """
    if aircraft == 1:
        return np.zeros(1), np.zeros(1)
    scores = ndtri((np.arange(aircraft) + 0.5) / aircraft)
    scores = scores / math.sqrt(float(np.mean(scores**2)))
    number = np.arange(aircraft)
    orders = [number * k % aircraft for k in range(1, aircraft) if math.gcd(k, aircraft) == 1]
    best = min(orders, key=lambda order: abs(float(scores @ scores[order])))
    return scores, scores[best]
