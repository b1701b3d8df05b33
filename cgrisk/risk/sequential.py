"""Intervals that hold although the flights themselves decided when to stop.

``hit_interval`` is for the probability that decided: sampling ended at its k-th event, k fixed
beforehand. ``any_time_intervals`` are for all other probabilities of such a run: they hold at every
number of flights at once, hence at whatever number the run stopped, and are wider.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from cgrisk.errors import UsageError
from cgrisk.risk._checks import checked_array, checked_count, checked_fraction
from cgrisk.risk.intervals import Interval, product_bounds

__all__ = [
    "any_time_difference",
    "any_time_intervals",
    "any_time_method",
    "any_time_ranks",
    "hit_interval",
]

Floats = NDArray[np.float64]

#: Both parameters of the mixing beta distribution.
_PRIOR = 0.5
_HALVINGS = 200


def hit_interval(hits: int, *, flights: int, confidence: float = 0.95) -> Interval:
    """Interval for a probability when sampling stopped at its ``hits``-th event.

    Parameters
    ----------
    hits : int
        Number of events fixed beforehand, at least 2.
    flights : int
        Flights up to and with the last of them, at least ``hits``.
    confidence : float, default 0.95
        Strictly between 0 and 1.

    Returns
    -------
    Interval
        Estimate ``(hits - 1) / (flights - 1)``, which is unbiased.

    Notes
    -----
    The number of flights is negative binomial. It is at most N exactly when N flights have at
    least ``hits`` events, which gives equal-tailed bounds of the Clopper-Pearson form: the lower
    one from ``hits`` events in N flights, the upper one from ``hits - 1`` in N - 1. A limit on the
    number of flights changes neither bound when it is not met, and when it is met the
    Clopper-Pearson interval of the events so far holds.

    Source of the estimate: J. B. S. Haldane, Biometrika 33 (1945) 222 (from memory).

    Raises
    ------
    cgrisk.errors.UsageError
        If an argument is out of its range.
    """
    events = checked_count(hits, argument="hits", least=2)
    total = checked_count(flights, argument="flights", least=2)
    level = checked_fraction(confidence, argument="confidence")
    if total < events:
        raise UsageError(
            argument="flights",
            expected=f"at least hits (= {events})",
            got=total,
            cure="Count flights up to and with the last event.",
        )
    tail = 0.5 * (1.0 - level)
    low = float(special.betaincinv(events, total - events + 1, tail))
    high = 1.0
    if total > events:
        high = float(special.betainccinv(events, total - events, tail))
    return Interval(
        (events - 1) / (total - 1),
        low,
        high,
        level,
        f"exact negative binomial, stopped at event {events}, fixed beforehand",
    )


def _log_mixture(hits: Floats, flights: int, misses: float = _PRIOR) -> Floats:
    """Return the log of the mixture's weight of a sequence with so many hits."""
    return np.asarray(
        special.betaln(_PRIOR + hits, misses + flights - hits) - special.betaln(_PRIOR, misses)
    )


def any_time_intervals(
    hits: ArrayLike, *, flights: int, confidence: float = 0.95, near: float | None = None
) -> tuple[Floats, Floats]:
    """Bounds for shares of flights that hold at all numbers of flights at once.

    Parameters
    ----------
    hits : array_like of int, shape (k,)
        Flights with the event, each 0 to ``flights``.
    flights : int
        Independent flights, at least 1.
    confidence : float, default 0.95
        Strictly between 0 and 1: the probability that the true share is inside at every number
        of flights ever looked at.
    near : float, optional
        A small share, fixed beforehand, about which the bounds are to be sharp: half of the
        mixture is then a beta distribution about half of it.

    Returns
    -------
    low, high : ndarray of float64, shape (k,)

    Notes
    -----
    The likelihood of the flights mixed over a beta distribution, divided by their likelihood at
    the true share, is a martingale of mean 1; by Ville's inequality it ever exceeds
    ``1 / (1 - confidence)`` with at most probability ``1 - confidence``. The bounds are where it
    does. Source: H. Robbins, Annals of Mathematical Statistics 41 (1970) 1397 (from memory).

    Raises
    ------
    cgrisk.errors.UsageError
        If an argument is out of its range.
    """
    total = checked_count(flights, argument="flights", least=1)
    level = checked_fraction(confidence, argument="confidence")
    counts = checked_array(hits, argument="hits", kinds="iu", noun="whole numbers").astype(
        np.float64
    )
    if counts.min() < 0 or counts.max() > total:
        raise UsageError(
            argument="hits",
            expected=f"between 0 and flights (= {total})",
            got=f"{counts.min():.0f} to {counts.max():.0f}",
            cure="Count the event at most once on each flight.",
        )
    mixture = _log_mixture(counts, total)
    if near is not None:
        sharp = _log_mixture(counts, total, 1.0 / checked_fraction(near, argument="near"))
        mixture = np.logaddexp(mixture, sharp) - math.log(2.0)
    wanted = mixture + math.log1p(-level)
    share = counts / total

    def beyond(p: Floats) -> NDArray[np.bool_]:
        log_likelihood = special.xlogy(counts, p) + special.xlog1py(total - counts, -p)
        return np.asarray(log_likelihood < wanted)

    low = _edge(np.zeros_like(share), share, beyond)
    high = _edge(np.ones_like(share), share, beyond)
    return np.where(counts == 0, 0.0, low), np.where(counts == total, 1.0, high)


def _edge(outer: Floats, inner: Floats, beyond: Callable[[Floats], NDArray[np.bool_]]) -> Floats:
    """Return the last value beyond the bound between outer (beyond) and inner (within)."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (outer + inner)
        out = beyond(middle)
        outer, inner = np.where(out, middle, outer), np.where(out, inner, middle)
    return outer


def any_time_method(flights: int) -> str:
    """Return the method text that goes with :func:`any_time_intervals`."""
    return f"beta mixture (Robbins), holds whenever the run stops, {flights} flights"


def any_time_ranks(flights: int, *, probability: float, confidence: float) -> tuple[int, int]:
    """Return the ranks of the order statistics that bound a quantile at any number of flights.

    Returns
    -------
    lower, upper : int
        0 and ``flights + 1`` where there is no bound.
    """

    def within(count: int) -> bool:
        likelihood = special.xlogy(count, probability) + special.xlog1py(
            flights - count, -probability
        )
        mixture = _log_mixture(np.array(float(count)), flights)
        return bool(mixture - likelihood <= -math.log1p(-confidence))

    middle = min(max(round(flights * probability), 0), flights)
    if not within(middle):  # cannot be for the count nearest to its mean, but for rounding
        return 0, flights + 1
    below, inside = -1, middle
    while inside - below > 1:
        rank = (inside + below) // 2
        below, inside = (below, rank) if within(rank) else (rank, inside)
    lower = inside
    inside, above = middle, flights + 1
    while above - inside > 1:
        rank = (inside + above) // 2
        inside, above = (rank, above) if within(rank) else (inside, rank)
    return lower, above


def any_time_difference(
    only_first: int, only_second: int, *, flights: int, confidence: float = 0.95
) -> Interval:
    """Return the paired difference of two shares, valid whenever the flights stopped.

    As :func:`cgrisk.risk.intervals.paired_difference`, with bounds of
    :func:`any_time_intervals` for the share of discordant flights and for the share of those that
    are the first's.
    """
    each = 0.5 * (1.0 + confidence)
    discordant = only_first + only_second
    rate = any_time_intervals([discordant], flights=flights, confidence=each)
    share = None
    if discordant:
        share = any_time_intervals([only_first], flights=discordant, confidence=each)
    low, high = product_bounds(rate, share)
    return Interval(
        (only_first - only_second) / flights,
        low,
        high,
        confidence,
        f"paired difference from {only_first} and {only_second} discordant flights in {flights}, "
        "holds whenever the runs stopped (conservative)",
    )
