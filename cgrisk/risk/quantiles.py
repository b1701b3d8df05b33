"""Distribution-free intervals for quantiles, from order statistics.

Whatever the distribution of the values, the number of flights at or below the quantile of
probability p is binomial, so ranks of the sorted sample bound the quantile with an exact
confidence. Ties and lumps in the distribution only make the bounds safer.

Source: David and Nagaraja, Order Statistics, 3rd ed. (2003), section 7.1.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from cgrisk.risk._checks import checked_fraction, checked_values, flights_text
from cgrisk.risk.intervals import Interval
from cgrisk.risk.sequential import any_time_ranks
from cgrisk.sampling.histogram import Histogram

__all__ = [
    "binned_quantile",
    "fewest_for_lower",
    "lower_rank",
    "needed_flights",
    "quantile_interval",
    "upper_quantile_bound",
    "upper_rank",
]

#: Relative slack on tail probabilities, so that rounding cannot undo an exact equality
#: (0.5**4 against 1 - 0.9375); far below any digit of a confidence that could matter.
_SLACK = 1e-12


def lower_rank(flights: int, *, probability: float, tail: float) -> int:
    """Rank of the lower bound of a quantile: the largest that is above it too rarely to matter.

    Returns the largest rank r in 1..flights with P(Binomial(flights, probability) <= r - 1) at
    most ``tail``: the r-th smallest value exceeds the quantile with at most that probability.
    Returns 0 if there is none.
    """
    limit = tail * (1.0 + _SLACK)
    reached, beyond = 0, flights + 1
    while beyond - reached > 1:
        rank = (reached + beyond) // 2
        if special.betaincc(rank, flights - rank + 1, probability) <= limit:
            reached = rank
        else:
            beyond = rank
    return reached


def upper_rank(flights: int, *, probability: float, tail: float) -> int:
    """Rank of the upper bound of a quantile, the mirror of :func:`lower_rank`.

    Returns the smallest rank r in 1..flights with P(Binomial(flights, probability) >= r) at most
    ``tail``; ``flights + 1`` if there is none.
    """
    limit = tail * (1.0 + _SLACK)
    below, reached = 0, flights + 1
    while reached - below > 1:
        rank = (below + reached) // 2
        if special.betainc(rank, flights - rank + 1, probability) <= limit:
            reached = rank
        else:
            below = rank
    return reached


def _fewest(log_miss: float, tail: float) -> int:
    """Smallest n >= 1 with exp(n * log_miss) at most tail."""
    return max(1, math.ceil((math.log(tail) + _SLACK) / log_miss))


def fewest_for_lower(probability: float, *, tail: float) -> int:
    """Fewest flights whose smallest value bounds the quantile below, wrong at most ``tail``."""
    return _fewest(math.log1p(-probability), tail)


def _fewest_for_upper(probability: float, *, tail: float) -> int:
    return _fewest(math.log(probability), tail)


def needed_flights(probability: float, confidence: float) -> int:
    """Fewest flights that give a one-sided upper bound on a quantile.

    With fewer, even the largest value seen lies below the quantile too often. For a lower bound
    give ``1 - probability``; for a two-sided interval ``(1 + confidence) / 2``.

    Parameters
    ----------
    probability : float
        Probability of the quantile, strictly between 0 and 1.
    confidence : float
        Strictly between 0 and 1.

    Returns
    -------
    int
        Smallest n with ``probability**n <= 1 - confidence``; 59 for 0.95 at 95 %.

    Raises
    ------
    cgrisk.errors.UsageError
        If an argument is out of its range.
    """
    share = checked_fraction(probability, argument="probability")
    level = checked_fraction(confidence, argument="confidence")
    return _fewest_for_upper(share, tail=1.0 - level)


def _estimate_rank(flights: int, probability: float) -> int:
    """Rank of the sample quantile: the smallest value with at least p of the sample at or below."""
    product = flights * probability
    nearest = round(product)
    # 100 * 0.07 is 7.000000000000001 in floats: the 7th value is meant, not the 8th.
    whole = math.isclose(product, nearest, rel_tol=1e-12)
    return min(max(nearest if whole else math.ceil(product), 1), flights)


def quantile_interval(
    values: ArrayLike, probability: float, *, confidence: float = 0.95
) -> Interval:
    """Two-sided distribution-free interval for a quantile.

    Parameters
    ----------
    values : array_like of float, shape (n,)
        Finite values of independent flights, any unit and order; ties are allowed.
    probability : float
        Probability of the quantile, strictly between 0 and 1.
    confidence : float, default 0.95
        Strictly between 0 and 1. Coverage is at least this, with half the error on each side.

    Returns
    -------
    Interval
        In the unit of the values. The estimate is the smallest value with at least
        ``probability`` of the sample at or below it. A bound for which there are too few flights
        is ``-inf`` or ``inf``; the method text says how many are needed.

    Raises
    ------
    cgrisk.errors.UsageError
        If values are missing or not finite, or a fraction is out of its range.
    """
    share = checked_fraction(probability, argument="probability")
    level = checked_fraction(confidence, argument="confidence")
    numbers = checked_values(values, argument="values")
    flights = int(numbers.size)
    tail = (1.0 - level) / 2.0
    lower = lower_rank(flights, probability=share, tail=tail)
    upper = upper_rank(flights, probability=share, tail=tail)
    middle = _estimate_rank(flights, share)
    wanted = sorted({rank - 1 for rank in (lower, middle, upper) if 1 <= rank <= flights})
    ordered = np.partition(numbers, wanted)
    notes = [
        f"order statistics, ranks {lower or 'none'} and "
        f"{upper if upper <= flights else 'none'} of {flights}"
    ]
    if lower < 1:
        notes.append(_too_few("lower", flights, fewest_for_lower(share, tail=tail)))
    if upper > flights:
        notes.append(_too_few("upper", flights, _fewest_for_upper(share, tail=tail)))
    return Interval(
        estimate=float(ordered[middle - 1]),
        low=float(ordered[lower - 1]) if lower >= 1 else -math.inf,
        high=float(ordered[upper - 1]) if upper <= flights else math.inf,
        confidence=level,
        method="; ".join(notes),
    )


def binned_quantile(
    histogram: Histogram,
    probability: float,
    *,
    confidence: float = 0.95,
    any_time: bool = False,
) -> Interval:
    """Two-sided distribution-free interval for a quantile of values counted in bins.

    Parameters
    ----------
    histogram : Histogram
        Of independent flights.
    probability : float
        Probability of the quantile, strictly between 0 and 1.
    confidence : float, default 0.95
        Strictly between 0 and 1.
    any_time : bool, default False
        Whether the interval must hold although the flights decided when to stop.

    Returns
    -------
    Interval
        The estimate is the middle of its bin; bounds are the outer edges of theirs, so that the
        width of the bins only makes the interval wider.

    Raises
    ------
    cgrisk.errors.UsageError
        If a fraction is out of its range.
    """
    share = checked_fraction(probability, argument="probability")
    level = checked_fraction(confidence, argument="confidence")
    flights = histogram.total
    tail = (1.0 - level) / 2.0
    if any_time:
        lower, upper = any_time_ranks(flights, probability=share, confidence=level)
    else:
        lower = lower_rank(flights, probability=share, tail=tail)
        upper = upper_rank(flights, probability=share, tail=tail)
    low, high = -math.inf, math.inf
    if lower >= 1:
        low = histogram.within(lower)[0]
    if upper <= flights:
        high = histogram.within(upper)[1]
    middle = 0.5 * sum(histogram.within(_estimate_rank(flights, share)))
    kind = "order statistics valid whenever the run stops" if any_time else "order statistics"
    notes = [
        f"{kind}, ranks {lower or 'none'} and {upper if upper <= flights else 'none'} of "
        f"{flights}, to {histogram.width:g}"
    ]
    if not any_time and lower < 1:
        notes.append(_too_few("lower", flights, fewest_for_lower(share, tail=tail)))
    if not any_time and upper > flights:
        notes.append(_too_few("upper", flights, _fewest_for_upper(share, tail=tail)))
    return Interval(middle, low, high, level, "; ".join(notes))


def upper_quantile_bound(
    values: ArrayLike, probability: float, *, confidence: float = 0.95
) -> Interval:
    """One-sided upper confidence bound for a quantile, distribution-free.

    Parameters
    ----------
    values : array_like of float, shape (n,)
        Finite values of independent flights, any unit and order; ties are allowed.
    probability : float
        Probability of the quantile, strictly between 0 and 1.
    confidence : float, default 0.95
        Strictly between 0 and 1: the bound is at or above the quantile with at least this
        probability.

    Returns
    -------
    Interval
        ``high`` is the bound, ``low`` is ``-inf``. With too few flights ``high`` is ``inf`` and
        the method text says how many are needed (:func:`needed_flights`).

    Raises
    ------
    cgrisk.errors.UsageError
        If values are missing or not finite, or a fraction is out of its range.
    """
    share = checked_fraction(probability, argument="probability")
    level = checked_fraction(confidence, argument="confidence")
    numbers = checked_values(values, argument="values")
    flights = int(numbers.size)
    middle = _estimate_rank(flights, share)
    # Under 50 % confidence the bound could fall below the estimate; raising it is safe.
    upper = max(upper_rank(flights, probability=share, tail=1.0 - level), middle)
    wanted = sorted({rank - 1 for rank in (middle, upper) if rank <= flights})
    ordered = np.partition(numbers, wanted)
    if upper <= flights:
        high = float(ordered[upper - 1])
        method = f"order statistics, rank {upper} of {flights}: one-sided upper bound"
    else:
        high = math.inf
        needed = _fewest_for_upper(share, tail=1.0 - level)
        method = "order statistics, one-sided; " + _too_few("upper", flights, needed)
    return Interval(float(ordered[middle - 1]), -math.inf, high, level, method)


def _too_few(side: str, flights: int, needed: int) -> str:
    return (
        f"no {side} bound: {flights_text(flights)} are too few, {needed} are needed"
        if flights != 1
        else f"no {side} bound: 1 flight is too few, {needed} are needed"
    )
