"""Generalised-Pareto tail fitted to scores: a cross-check of the other estimators, no more.

Scores above a high fit threshold u are taken to exceed it by y with
P(y > z) = (1 + shape z / scale)^(-1/shape) (J. Pickands, Annals of Statistics 3 (1975) 119). It is
an extrapolation: nothing in the scores says that the tail goes on like that, and a discrete or
mixed cause may end or start beyond them.

Maximum likelihood by the profile in shape/scale (S. D. Grimshaw, Technometrics 35 (1993) 185).
Bounds by profile likelihood of the tail probability, the share above u included (S. Coles, An
Introduction to Statistical Modeling of Extreme Values, 2001, section 4.3; sources from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from cgrisk.errors import UsageError
from cgrisk.rare.estimate import TailEstimate
from cgrisk.risk import binomial_intervals
from cgrisk.risk._checks import checked_fraction, checked_values

__all__ = ["FEWEST_EXCEEDANCES", "FIT_SHARES", "TailFit", "pareto_fit", "tail_fit"]

Floats = NDArray[np.float64]

#: Shares of the scores above the fit thresholds.
FIT_SHARES: Final = (0.1, 0.05, 0.02, 0.01, 0.005)
#: Fewest scores above a fit threshold, and how many the one that answers has if any has.
FEWEST_EXCEEDANCES: Final = 50
_ENOUGH = 200
#: Shapes: the likelihood has no maximum below -1, and its usual errors hold above -0.5 only.
_LEAST_SHAPE, _REGULAR = -1.0, -0.5
#: Differences of shapes, in standard errors, that are told.
_APART = 3.0
_DIRECTIONS, _RINGS = 120, 12


@dataclass(frozen=True, slots=True, eq=False)
class TailFit:
    """A fitted tail, and how it depends on where the fit starts.

    Attributes
    ----------
    estimate : TailEstimate
        From the highest fit threshold that has 200 exceedances, or else from the lowest. Below the
        fit threshold, the share of the scores with its exact binomial interval.
    stability : pandas.DataFrame
        A row for each fit threshold: share (asked for), fit_threshold, exceedances, shape, scale
        (both of the maximum likelihood), shape_se (of its asymptotic law; nan for shapes up to
        -0.5, where it has none), probability_first and probability_last (of exceeding the first
        and the last requested threshold; nan where that is below the fit threshold), used.
    """

    estimate: TailEstimate
    stability: pd.DataFrame


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    share: float
    start: float
    """Fit threshold."""
    beyond: Floats
    """Exceedances less the threshold, above 0."""
    shape: float
    scale: float


def _log_likelihood(shape: Floats, log_scale: Floats, y: Floats) -> Floats:
    """Return the log-likelihood of exceedances (n,) at parameters (m,); -inf where impossible."""
    ratio = shape / np.exp(log_scale)
    inside = (1.0 + ratio * float(y.max()) > 0.0) & (shape >= _LEAST_SHAPE)
    safe = np.where(inside, ratio, 0.0)
    logs = np.log1p(safe[:, None] * y).sum(axis=1)
    # (1 + 1/shape) log(1 + shape y / scale) tends to y / scale: take the series where it cancels.
    tiny = np.abs(shape) < 1e-9
    divisor = np.where(tiny, 1.0, shape)
    power = np.where(tiny, float(y.sum()) / np.exp(log_scale), (1.0 + 1.0 / divisor) * logs)
    return np.where(inside, -y.size * log_scale - power, -math.inf)


def pareto_fit(exceedances: ArrayLike) -> tuple[float, float]:
    """Return (shape, scale) of the generalised Pareto law by maximum likelihood.

    With ratio = shape / scale given, the best shape is the mean of log(1 + ratio y), so that one
    unknown remains; it is searched for over its whole range and then refined.

    Parameters
    ----------
    exceedances : array_like of float, shape (n,)
        Above 0, not all equal. The scale is in their unit. Shapes are at least -1, where the
        likelihood stops having a maximum.

    Raises
    ------
    UsageError
        If they are not finite and above 0, or all equal.
    """
    y = checked_values(exceedances, argument="exceedances")
    if y.min() <= 0.0 or np.ptp(y) == 0.0:
        raise UsageError(
            argument="exceedances",
            expected="numbers above 0 that are not all equal",
            got=f"{y.size} from {y.min()} to {y.max()}",
            cure="Take what exceeds a threshold below the greatest scores.",
        )
    unit = float(y.mean())
    y = y / unit
    greatest = float(y.max())
    part = y / greatest
    with np.errstate(divide="ignore"):  # the greatest itself has nothing left
        left, right = np.log1p(-part), np.log(part)

    def shape_of(place: float) -> float:
        if place > -1.0:
            return float(np.log1p(math.expm1(place) * part).mean())
        return float(np.logaddexp(left, right + place).mean())

    def fault(place: float) -> float:
        if abs(place) < 1e-9:  # exponential law, mean 1
            return 1.0
        shape = shape_of(place)
        return math.log(shape * greatest / math.expm1(place)) + shape + 1.0

    # ``place`` is log(1 + ratio max y): its range is the line, and the shape rises along it.
    low = -1.0
    while shape_of(low) > _LEAST_SHAPE:
        low *= 2.0
    low = float(optimize.brentq(lambda x: shape_of(x) - _LEAST_SHAPE, low, 0.0))
    high = math.log1p(greatest * 2.0 * (1.0 - float(y.min())) / float(y.min()) ** 2)
    places = np.concatenate(
        [-np.geomspace(1e-3, -low, 60), np.geomspace(1e-3, min(high, 30.0), 60), [0.0]]
    )
    places.sort()
    faults = np.array([fault(float(place)) for place in places])
    best = int(faults.argmin())
    bounds = (places[max(best - 1, 0)], places[min(best + 1, places.size - 1)])
    refined = optimize.minimize_scalar(
        fault, bounds=bounds, method="bounded", options={"xatol": 1e-10}
    )
    place = float(refined.x) if refined.fun < faults[best] else float(places[best])
    if abs(place) < 1e-9:
        return 0.0, unit
    shape = max(shape_of(place), _LEAST_SHAPE)  # rounding may put it a hair below
    return shape, unit * shape * greatest / math.expm1(place)


def _log_tail(shape: Floats, scale: Floats, z: Floats) -> Floats:
    """Return log P(y > z), (m, n), for parameters (m,) and distances (n,); -inf past the end."""
    inside = 1.0 + (shape / scale)[:, None] * z
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log1p(np.maximum((shape / scale)[:, None] * z, -1.0))
        power = -logs / shape[:, None]
    power = np.where(np.abs(shape)[:, None] < 1e-9, -z / scale[:, None], power)
    return np.where(inside > 0.0, power, -math.inf)


def _region(fit: _Fit, budget: float) -> tuple[Floats, Floats, Floats]:
    """Return (shape, log scale, deviance) over the set whose deviance is at most ``budget``.

    The set is gone through on rays from the maximum; each ray ends where the deviance reaches the
    budget.
    """
    y, count = fit.beyond, fit.beyond.size
    centre = np.array([fit.shape, math.log(fit.scale)])
    top = float(_log_likelihood(centre[:1], centre[1:], y)[0])
    # Axes of the asymptotic law (R. L. Smith, Statistical Science 4 (1989) 367), so that rays are
    # spread evenly; its exactness is not needed.
    one = 1.0 + max(fit.shape, _REGULAR + 0.1)
    spread = np.linalg.cholesky(np.array([[one * one, -one], [-one, 2.0 * one]]) / count)
    angles = 2.0 * math.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    rays = np.stack([np.cos(angles), np.sin(angles)], axis=1) @ spread.T

    def deviance(length: Floats) -> Floats:
        at = centre + length[:, None] * rays
        return 2.0 * (top - _log_likelihood(at[:, 0], at[:, 1], y))

    inner = np.zeros(_DIRECTIONS)
    outer = np.full(_DIRECTIONS, 2.0 * math.sqrt(budget))
    for _ in range(10):
        short = deviance(outer) <= budget
        if not short.any():
            break
        outer = np.where(short, 2.0 * outer, outer)
    for _ in range(25):
        middle = 0.5 * (inner + outer)
        within = deviance(middle) <= budget
        inner, outer = np.where(within, middle, inner), np.where(within, outer, middle)
    shapes, scales, faults = [centre[:1]], [centre[1:]], [np.zeros(1)]
    for part in np.arange(1, _RINGS + 1) / _RINGS:
        at = centre + (part * inner)[:, None] * rays
        shapes.append(at[:, 0])
        scales.append(at[:, 1])
        faults.append(np.maximum(deviance(part * inner), 0.0))
    return np.concatenate(shapes), np.concatenate(scales), np.concatenate(faults)


def _bounds(fit: _Fit, z: Floats, *, scores: int, confidence: float) -> tuple[Floats, Floats]:
    """Return the profile-likelihood bounds of P(score > start + z)."""
    budget = float(stats.chi2.ppf(confidence, 1))
    share = fit.beyond.size / scores
    shape, log_scale, used = _region(fit, budget)
    # What the parameters leave of the budget goes to the share above the fit threshold.
    slack = np.sqrt(np.maximum(budget - used, 0.0) * (1.0 - share) / fit.beyond.size)
    logs = math.log(share) + _log_tail(shape, np.exp(log_scale), z)
    low, high = (logs - slack[:, None]).min(axis=0), (logs + slack[:, None]).max(axis=0)
    return np.exp(low), np.minimum(np.exp(high), 1.0)


def _fits(scores: Floats) -> list[_Fit]:
    ordered = np.sort(scores)[::-1]
    fits: list[_Fit] = []
    for share in FIT_SHARES:
        wanted = math.floor(share * scores.size + 1e-9)
        if wanted < FEWEST_EXCEEDANCES or wanted >= scores.size:
            continue
        start = float(ordered[wanted])
        beyond = ordered[ordered > start] - start
        # Ties at the threshold leave fewer; a step of a discrete score may leave what was there.
        known = bool(fits) and fits[-1].beyond.size == beyond.size
        if beyond.size < FEWEST_EXCEEDANCES or np.ptp(beyond) == 0.0 or known:
            continue
        fits.append(_Fit(share, start, beyond, *pareto_fit(beyond)))
    return fits


def _shape_se(fit: _Fit) -> float:
    """Return the standard error of the shape, (1 + shape) / sqrt(n), where the law is regular."""
    regular = fit.shape > _REGULAR
    return (1.0 + fit.shape) / math.sqrt(fit.beyond.size) if regular else math.nan


def _at(fit: _Fit, thresholds: Floats, scores: int) -> Floats:
    """Return the fitted probability of exceeding thresholds; nan below the fit threshold."""
    z = np.maximum(thresholds - fit.start, 0.0)
    tail = np.exp(_log_tail(np.array([fit.shape]), np.array([fit.scale]), z)[0])
    return np.where(thresholds >= fit.start, tail * fit.beyond.size / scores, np.nan)


def _warnings(fits: list[_Fit], used: _Fit, levels: Floats, estimate: Floats) -> list[str]:
    out = []
    past = levels[(estimate == 0.0) & (levels >= used.start)]
    if past.size:
        end = used.start - used.scale / used.shape
        out.append(
            f"The fitted tail ends at {end:.6g}, below the threshold {past[0]:.6g}: "
            "estimate 0, with its upper bound."
        )
    for one, two in combinations(fits, 2):
        # The higher fit uses part of the scores of the lower one: variances subtract.
        square = _shape_se(one) ** 2 * (one.beyond.size / two.beyond.size - 1.0)
        if square > 0.0 and abs(one.shape - two.shape) > _APART * math.sqrt(square):
            out.append(
                f"The shapes fitted to the upper {100.0 * one.share:g} % ({one.shape:.3f}) and "
                f"{100.0 * two.share:g} % ({two.shape:.3f}) of the scores differ by more than "
                "their errors allow: the tail is not of this form over that range."
            )
    if used.shape <= _REGULAR:
        out.append(
            f"The fitted shape {used.shape:.2f} is at most -0.5: the usual errors do not hold."
        )
    return out


def tail_fit(scores: ArrayLike, *, thresholds: ArrayLike, confidence: float = 0.95) -> TailFit:
    """Fit generalised-Pareto tails to scores of independent flights, as a cross-check.

    Parameters
    ----------
    scores : array_like of float, shape (n,)
        One for each flight, all of the same law.
    thresholds : array_like of float, shape (k,)
        Rising, in the unit of the scores.
    confidence : float, default 0.95
        Of the interval at each threshold by itself. The bounds are approximate (at 95 % they
        covered 94 % for tails of this form and 91 to 93 % for a normal tail, 200 exceedances of
        4,000), and speak of the scores' number alone, not of whether the tail is of this form.

    Returns
    -------
    TailFit

    Raises
    ------
    UsageError
        If there are fewer than 50 scores above each fit threshold, all scores are equal, or a
        number is not finite; if the thresholds do not rise.
    """
    level = checked_fraction(confidence, argument="confidence")
    values = checked_values(scores, argument="scores")
    levels = checked_values(thresholds, argument="thresholds")
    if (np.diff(levels) <= 0.0).any():
        raise UsageError(
            argument="thresholds",
            expected="rising numbers",
            got=levels.tolist(),
            cure="Sort them and leave out what stands twice.",
        )
    if np.ptp(values) == 0.0:
        raise UsageError(
            argument="scores",
            expected="scores that are not all equal",
            got=f"{values.size} of {values[0]}",
            cure="A tail needs a spread to be fitted to.",
        )
    fits = _fits(values)
    if not fits:
        raise UsageError(
            argument="scores",
            expected=f"at least {FEWEST_EXCEEDANCES} different scores above a fit threshold",
            got=f"{values.size} scores, of which {FIT_SHARES[0]:.0%} are too few or tied",
            cure=f"Fly {math.ceil(FEWEST_EXCEEDANCES / FIT_SHARES[0])} flights or more.",
        )
    enough = [fit for fit in fits if fit.beyond.size >= _ENOUGH]
    used = enough[-1] if enough else fits[0]
    inside = levels < used.start
    hits = np.array([int((values > x).sum()) for x in levels])
    estimate = np.where(inside, hits / values.size, _at(used, levels, values.size))
    low, high = binomial_intervals(hits, flights=values.size, confidence=level)
    fitted = _bounds(
        used, np.maximum(levels - used.start, 0.0), scores=values.size, confidence=level
    )
    low, high = np.where(inside, low, fitted[0]), np.where(inside, high, fitted[1])
    ends = np.array([_at(fit, levels[[0, -1]], values.size) for fit in fits])
    stability = pd.DataFrame(
        {
            "share": [fit.share for fit in fits],
            "fit_threshold": [fit.start for fit in fits],
            "exceedances": [fit.beyond.size for fit in fits],
            "shape": [fit.shape for fit in fits],
            "scale": [fit.scale for fit in fits],
            "shape_se": [_shape_se(fit) for fit in fits],
            "probability_first": ends[:, 0],
            "probability_last": ends[:, 1],
            "used": [fit is used for fit in fits],
        }
    )
    return TailFit(
        TailEstimate(
            thresholds=levels,
            estimate=estimate,
            low=low,
            high=high,
            confidence=level,
            method="generalised-Pareto tail (cross-check only)",
            flights=values.size,
            diagnostics={
                "fit_threshold": used.start,
                "exceedances": float(used.beyond.size),
                "shape": used.shape,
                "shape_se": _shape_se(used),
                "greatest_score": float(values.max()),
            },
            warnings=tuple(_warnings(fits, used, levels, estimate)),
        ),
        stability,
    )
