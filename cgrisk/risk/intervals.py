"""Confidence intervals for shares of flights, their paired difference, and means.

The intervals speak of the numerical error of a finite number of simulated flights, nothing
else: they shrink as flights are added, while errors in the scenario's assumptions do not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from cgrisk.errors import UsageError
from cgrisk.risk._checks import (
    checked_array,
    checked_count,
    checked_fraction,
    checked_values,
    flights_text,
)

__all__ = [
    "Interval",
    "binomial_interval",
    "binomial_intervals",
    "binomial_method",
    "independent_difference",
    "mean_interval",
    "paired_difference",
    "proportion_difference",
]

#: Lower and upper bounds, shape (k,) each.
Bounds = tuple[NDArray[np.float64], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its confidence interval.

    Attributes
    ----------
    estimate, low, high : float
        Estimate and bounds, ``low <= estimate <= high``, in the unit of what is estimated. A
        bound that the sample cannot give is ``-inf`` or ``inf``, and ``method`` says why.
    confidence : float
        Confidence level asked for, between 0 and 1.
    method : str
        How the interval was computed, in words for a report.
    """

    estimate: float
    low: float
    high: float
    confidence: float
    method: str


def binomial_method(hits: int, *, flights: int) -> str:
    """Return the method text that goes with ``hits`` events in ``flights`` flights."""
    if hits == 0:
        return f"exact binomial, no event in {flights_text(flights)}: upper bound"
    if hits == flights:
        return f"exact binomial, event in all {flights_text(flights)}: lower bound"
    return "exact binomial (Clopper-Pearson), two-sided"


def binomial_interval(hits: int, *, flights: int, confidence: float = 0.95) -> Interval:
    """Interval for the probability of an event seen on ``hits`` of ``flights`` flights.

    Equal-tailed Clopper-Pearson interval. With no event it is [0, high] with
    ``high = 1 - ((1 - confidence) / 2)**(1/flights)``, about 3.7/flights at 95 %; an event on
    every flight mirrors it.

    Parameters
    ----------
    hits : int
        Flights with the event, 0 to ``flights``.
    flights : int
        Independent flights, at least 1.
    confidence : float, default 0.95
        Strictly between 0 and 1.

    Raises
    ------
    cgrisk.errors.UsageError
        If an argument is not a whole number or out of its range.

    Notes
    -----
    Covers at least ``confidence`` whatever the probability. The shorter bound for no event that
    spends the whole error on one side (the "rule of three", 3/flights at 95 %) is not used: chosen
    after seeing the count, it would leave a guarantee of 92.5 % only.

    Source: Clopper and Pearson, Biometrika 26 (1934) 404-413.
    """
    count = checked_count(hits, argument="hits", least=0)
    total = checked_count(flights, argument="flights", least=1)
    low, high = binomial_intervals([count], flights=total, confidence=confidence)
    return Interval(
        estimate=count / total,
        low=float(low[0]),
        high=float(high[0]),
        confidence=float(confidence),
        method=binomial_method(count, flights=total),
    )


def binomial_intervals(
    hits: ArrayLike, *, flights: int, confidence: float = 0.95
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bounds of :func:`binomial_interval` for many counts over the same flights.

    Parameters
    ----------
    hits : array_like of int, shape (k,)
        Flights with the event, each 0 to ``flights``.
    flights : int
        Independent flights, at least 1, the same for all counts.
    confidence : float, default 0.95
        Strictly between 0 and 1; holds for each interval by itself, not for all together.

    Returns
    -------
    low, high : ndarray of float64, shape (k,)

    Raises
    ------
    cgrisk.errors.UsageError
        If an argument is not a whole number or out of its range.
    """
    total = checked_count(flights, argument="flights", least=1)
    level = checked_fraction(confidence, argument="confidence")
    counts = checked_array(hits, argument="hits", kinds="iu", noun="whole numbers")
    smallest, largest = int(counts.min()), int(counts.max())
    if smallest < 0 or largest > total:
        raise UsageError(
            argument="hits",
            expected=f"between 0 and flights (= {total})",
            got=smallest if smallest < 0 else largest,
            cure="Count the event at most once on each flight.",
        )
    return _bounds(counts.astype(np.int64), flights=total, tail=(1.0 - level) / 2.0)


def _bounds(
    counts: NDArray[np.int64], *, flights: int, tail: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bounds with ``tail`` on each side; a sharper form of the same at no and at all events."""
    low, high = _clopper_pearson(counts, flights=flights, tail=tail)
    # expm1 keeps all digits of the bound when flights is large.
    log_share = math.log(tail) / flights
    high[counts == 0] = -math.expm1(log_share)
    low[counts == flights] = math.exp(log_share)
    return low, high


def _clopper_pearson(
    counts: NDArray[np.int64], *, flights: int, tail: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Clopper-Pearson bounds, each with probability at most ``tail`` to be on the wrong side."""
    some = np.maximum(counts, 1)  # keeps the beta parameters legal where the bound is replaced
    short = np.maximum(flights - counts, 1)
    low = np.where(counts == 0, 0.0, special.betaincinv(some, flights - some + 1, tail))
    high = np.where(counts == flights, 1.0, special.betainccinv(flights - short + 1, short, tail))
    return low, high


def proportion_difference(
    first: ArrayLike, *, second: ArrayLike, confidence: float = 0.95
) -> Interval:
    """Difference of two event probabilities seen on the same flights, first minus second.

    Meant for two policies or scenarios flown with the same random numbers: only flights on
    which exactly one of the two has the event (discordant flights) tell them apart.

    Parameters
    ----------
    first, second : array_like of bool (or 0 and 1), shape (n,)
        Whether the event occurred on each flight; entry i of both is the same flight.
    confidence : float, default 0.95
        Strictly between 0 and 1.

    Returns
    -------
    Interval
        Estimate (b - c) / n with b flights on which only the first has the event and c on
        which only the second has.

    Raises
    ------
    cgrisk.errors.UsageError
        If the arrays are not truth values or differ in length, or confidence is out of range.

    Notes
    -----
    The difference is q (2 s - 1), with q the probability of a discordant flight and s the
    probability that a discordant flight is the first's. Given b + c, b is binomial with s; b + c
    is binomial with q. A Clopper-Pearson interval for each at ``1 - (1 - confidence)/2`` holds
    them both with at least ``confidence``, and the extremes of the product over that rectangle
    are the bounds. Coverage is therefore at least ``confidence`` for any n and any dependence of
    the two events. The price is width: at 95 %, 1.2 to 1.6 times the normal approximation with
    100 or more discordant flights, about twice with ten or fewer. Zero is outside the interval
    exactly when the two-sided sign test on the discordant flights (exact McNemar test) is below
    ``(1 - confidence)/2``.
    """
    level = checked_fraction(confidence, argument="confidence")
    one = _indicator(first, argument="first")
    two = _indicator(second, argument="second")
    if one.size != two.size:
        raise UsageError(
            argument="second",
            expected=f"as many flights as first (= {one.size})",
            got=two.size,
            cure="Pair the two indicators flight by flight, from the same run.",
        )
    only_first = int(np.count_nonzero(one & ~two))
    only_second = int(np.count_nonzero(two & ~one))
    return paired_difference(only_first, only_second, flights=int(one.size), confidence=level)


def paired_difference(
    only_first: int, only_second: int, *, flights: int, confidence: float = 0.95
) -> Interval:
    """Return the interval of :func:`proportion_difference` from counts of discordant flights.

    Parameters
    ----------
    only_first, only_second : int
        Flights on which only the first, only the second has the event.
    flights : int
        Flights looked at, at least 1 and at least the sum of the two.
    confidence : float, default 0.95
        Strictly between 0 and 1.

    Raises
    ------
    cgrisk.errors.UsageError
        If an argument is out of its range.
    """
    level = checked_fraction(confidence, argument="confidence")
    total = checked_count(flights, argument="flights", least=1)
    first = checked_count(only_first, argument="only_first", least=0)
    second = checked_count(only_second, argument="only_second", least=0)
    if first + second > total:
        raise UsageError(
            argument="flights",
            expected=f"at least the discordant flights (= {first + second})",
            got=total,
            cure="Count each flight once.",
        )
    low, high = _difference_bounds(first, second, flights=total, tail=(1.0 - level) / 4.0)
    return Interval(
        estimate=(first - second) / total,
        low=low,
        high=high,
        confidence=level,
        method=(
            f"paired difference from {first} and {second} discordant flights "
            f"in {total}, exact binomial bounds combined (conservative)"
        ),
    )


def independent_difference(first: Interval, *, second: Interval) -> Interval:
    """Difference of two estimates that share no flights, first minus second.

    Parameters
    ----------
    first, second : Interval
        Each at a confidence of 1 - (1 - c) / 2 for a difference at confidence c: both hold
        together with at least c (Bonferroni), and then the difference lies between the bounds.

    Returns
    -------
    Interval
        Conservative: at 95 % about 1.6 times the width of the normal approximation for estimates
        of like precision.
    """
    return Interval(
        estimate=first.estimate - second.estimate,
        low=first.low - second.high,
        high=first.high - second.low,
        confidence=first.confidence + second.confidence - 1.0,
        method="not paired: the two intervals combined (Bonferroni)",
    )


def _difference_bounds(
    only_first: int, only_second: int, *, flights: int, tail: float
) -> tuple[float, float]:
    """Extremes of q (2 s - 1) over the rectangle of the two Clopper-Pearson intervals."""
    discordant = only_first + only_second
    rate = _clopper_pearson(np.array([discordant]), flights=flights, tail=tail)
    share = None  # no discordant flight says nothing of the direction
    if discordant:
        share = _clopper_pearson(np.array([only_first]), flights=discordant, tail=tail)
    return product_bounds(rate, share)


def product_bounds(rate: Bounds, share: Bounds | None) -> tuple[float, float]:
    """Return the extremes of q (2 s - 1), q within one pair of bounds and s within another."""
    q_low, q_high = float(rate[0][0]), float(rate[1][0])
    lean_low, lean_high = -1.0, 1.0
    if share is not None:
        lean_low, lean_high = 2.0 * float(share[0][0]) - 1.0, 2.0 * float(share[1][0]) - 1.0
    low = lean_low * (q_low if lean_low > 0.0 else q_high)
    high = lean_high * (q_high if lean_high > 0.0 else q_low)
    return low, high


def _indicator(values: ArrayLike, *, argument: str) -> NDArray[np.bool_]:
    array = checked_array(values, argument=argument, kinds="biu", noun="truth values")
    if array.dtype.kind != "b" and not np.isin(array, (0, 1)).all():
        raise UsageError(
            argument=argument,
            expected="truth values, or 0 and 1",
            got=f"values from {array.min()} to {array.max()}",
            cure="Compare first (for instance margin < 0.0) and pass the result.",
        )
    return array.astype(np.bool_)


def mean_interval(values: ArrayLike, *, confidence: float = 0.95) -> Interval:
    """Student t interval for the mean of independent values, one for each flight.

    Exact for normal values, approximate otherwise (better with more flights, worse with skew).

    Parameters
    ----------
    values : array_like of float, shape (n,)
        Finite values, n >= 2, any unit.
    confidence : float, default 0.95
        Strictly between 0 and 1.

    Returns
    -------
    Interval
        In the unit of the values. If all values are equal the interval has no width, and the
        method text says so: the sample shows no spread, which does not prove that there is none.

    Raises
    ------
    cgrisk.errors.UsageError
        With fewer than two values, values that are not finite, or confidence out of range.
    """
    level = checked_fraction(confidence, argument="confidence")
    numbers = checked_values(values, argument="values")
    if numbers.size < 2:
        raise UsageError(
            argument="values",
            expected="at least two values, to estimate their spread",
            got=f"{numbers.size} value",
            cure="Simulate more flights.",
        )
    base = float(numbers.min())
    spread = float(numbers.max()) - base
    if spread == 0.0:
        text = f"Student t, all {flights_text(numbers.size)} have the same value: no spread seen"
        return Interval(base, base, base, level, text)
    # Working on [0, 1] keeps digits when the values are far from zero compared to their spread.
    unit = (numbers - base) / spread
    centre = base + spread * float(unit.mean())
    error = spread * float(unit.std(ddof=1)) / math.sqrt(numbers.size)
    half = float(special.stdtrit(numbers.size - 1, (1.0 + level) / 2.0)) * error
    return Interval(
        centre, centre - half, centre + half, level, f"Student t, {flights_text(numbers.size)}"
    )
