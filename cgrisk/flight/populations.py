"""Shapes of the mass distributions, from moments that people know."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

__all__ = [
    "ShiftedLognormal",
    "fleet_scores",
    "lognormal_of",
    "shifted_lognormal_of",
    "survey_error_pct",
    "survey_size",
    "surveyed_quantiles",
]

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


def surveyed_quantiles(
    weighed_kg: NDArray[np.float64], *, nodes: int, end: float
) -> NDArray[np.float64]:
    """Return quantiles of people who were weighed, at equally spaced normal scores.

    Within the sample they are the median-unbiased quantiles (R. J. Hyndman and Y. Fan, The
    American Statistician 50(4), 1996, definition 8). Beyond its lightest and heaviest, whom a
    survey of some thousand people cannot tell, they go on in parallel to the shifted lognormal of
    the sample's moments.

    Parameters
    ----------
    weighed_kg : float64 array, shape (n,)
        Masses of one population, at least two.
    nodes : int
        Number of scores.
    end : float
        The scores run from ``-end`` to ``end``.

    Returns
    -------
    float64 array, shape (nodes,)
        Not decreasing.
    """
    z = np.linspace(-end, end, nodes)
    inside = np.quantile(weighed_kg, ndtr(z), method="median_unbiased")
    mean, sd = float(weighed_kg.mean()), float(weighed_kg.std(ddof=1))
    skewness = float(np.mean((weighed_kg - mean) ** 3)) / sd**3 if sd > 0.0 else 0.0
    law = shifted_lognormal_of(mean, sd=sd, skewness=max(skewness, 0.0))

    def mass(score: NDArray[np.float64]) -> NDArray[np.float64]:
        rise = np.exp(law.shape * score) if law.shape > 0.0 else score
        return np.asarray(law.shift + law.scale * rise)

    last = np.asarray(ndtri((weighed_kg.size - 1.0 / 3.0) / (weighed_kg.size + 1.0 / 3.0)))
    above = np.maximum(mass(np.maximum(z, last)) - mass(last), 0.0)
    below = np.minimum(mass(np.minimum(z, -last)) - mass(-last), 0.0)
    return np.asarray(inside + above + below)


def survey_error_pct(mean: float, *, sd: float, people: int) -> float:
    """Return the relative error of a survey's mean (percent, at 95 %).

    196 s / (sqrt(n) mean): guidance to AMC2 CAT.POL.MAB.100(e), EU Air Ops (from memory).
    """
    return 196.0 * sd / (math.sqrt(people) * mean)


def survey_size(mean: float, *, sd: float, error_pct: float) -> int:
    """Return how many people must be weighed for that error, by a pilot's mean and SD.

    (196 s / (e mean))^2, to the nearest person as the guidance has it.
    """
    return round((196.0 * sd / (error_pct * mean)) ** 2)


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
