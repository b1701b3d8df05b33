"""How often flights pass a limit when the planned CG is moved towards it.

A margin is the smallest distance of the CG inside the limit during one flight; moving the planned
CG by an offset d towards the limit, at constant mass, takes d off the margin. The flight passes
the limit when its margin is smaller than d; a CG exactly on the limit is inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from cgrisk.risk._checks import checked_count, checked_fraction, checked_values, flights_text
from cgrisk.risk.intervals import binomial_intervals, binomial_method
from cgrisk.risk.quantiles import fewest_for_lower, lower_rank
from cgrisk.risk.sequential import any_time_intervals, any_time_method
from cgrisk.sampling.histogram import Histogram

__all__ = [
    "OffsetForRisk",
    "binned_exceedance",
    "default_offsets",
    "exceedance_curve",
    "offset_for_risk",
]


@dataclass(frozen=True, slots=True)
class OffsetForRisk:
    """The largest planned CG offset that keeps a risk, as far as the flights can show it.

    Attributes
    ----------
    offset : float or None
        Offset towards the limit in the unit of the margins (negative: away from the limit);
        None if the sample is too small to show the risk at any offset.
    hits : int
        Flights past the limit at this offset; 0 if there is no offset.
    flights : int
        Flights in the sample.
    high : float
        One-sided upper confidence bound of the risk at ``hits`` events. With an offset it is
        at most ``risk``; without, it is the least that this sample can show.
    risk, confidence : float
        What was asked for.
    needed_flights : int
        Fewest flights, all inside the limit, that can show this risk at all.
    method : str
        How the offset was found, or why there is none.
    """

    offset: float | None
    hits: int
    flights: int
    high: float
    risk: float
    confidence: float
    needed_flights: int
    method: str

    @property
    def reached(self) -> bool:
        """Whether the sample is large enough to show the risk."""
        return self.offset is not None


def exceedance_curve(
    margins: ArrayLike, *, offsets: ArrayLike, confidence: float = 0.95
) -> pd.DataFrame:
    """Share of flights past the limit for each planned CG offset, with exact intervals.

    Parameters
    ----------
    margins : array_like of float, shape (n,)
        Smallest margin of each flight to the limit, positive inside; any one unit.
    offsets : array_like of float, shape (k,)
        Offsets of the planned CG towards the limit, in the unit of the margins, in any order.
    confidence : float, default 0.95
        Strictly between 0 and 1; holds at each offset by itself, not for the whole curve.

    Returns
    -------
    pandas.DataFrame
        One row an offset, in the order given: ``offset, hits, flights, estimate, low, high,
        method``, with ``hits`` the number of flights whose margin is smaller than the offset.

    Raises
    ------
    cgrisk.errors.UsageError
        If margins or offsets are missing or not finite, or confidence is out of range.
    """
    level = checked_fraction(confidence, argument="confidence")
    ordered = np.sort(checked_values(margins, argument="margins"))
    moves = checked_values(offsets, argument="offsets")
    flights = int(ordered.size)
    # side="left" counts margins strictly below the offset: on the limit is inside.
    hits = np.searchsorted(ordered, moves, side="left").astype(np.int64)
    low, high = binomial_intervals(hits, flights=flights, confidence=level)
    return pd.DataFrame(
        {
            "offset": moves,
            "hits": hits,
            "flights": np.full(moves.size, flights, dtype=np.int64),
            "estimate": hits / flights,
            "low": low,
            "high": high,
            "method": [binomial_method(int(count), flights=flights) for count in hits],
        }
    )


def binned_exceedance(
    margins: Histogram, *, points: int = 60, confidence: float = 0.95, any_time: bool = False
) -> pd.DataFrame:
    """Share of flights past the limit at edges of the bins in which margins were counted.

    Parameters
    ----------
    margins : Histogram
        Smallest margins of the flights to the limit, positive inside.
    points : int
        Greatest number of offsets, at least 2: whole multiples of a step from below the smallest
        margin to the median.
    confidence : float, default 0.95
        Strictly between 0 and 1; holds at each offset by itself.
    any_time : bool, default False
        Whether the intervals must hold although the flights decided when to stop.

    Returns
    -------
    pandas.DataFrame
        As :func:`exceedance_curve`; counts are exact.
    """
    count = checked_count(points, argument="points", least=2)
    level = checked_fraction(confidence, argument="confidence")
    flights = margins.total
    smallest = int(margins.bins[0])
    middle = max(margins.bin_of_rank((flights + 1) // 2) + 1, smallest + 1)
    step = max(1, -(-(middle - smallest) // (count - 1)))
    edges = middle - step * np.arange(count - 1, -1, -1, dtype=np.int64)
    edges = edges[np.searchsorted(edges, smallest, side="right") - 1 :]
    hits = margins.below(edges)
    if any_time:
        low, high = any_time_intervals(hits, flights=flights, confidence=level)
        methods = [any_time_method(flights)] * hits.size
    else:
        low, high = binomial_intervals(hits, flights=flights, confidence=level)
        methods = [binomial_method(int(k), flights=flights) for k in hits]
    return pd.DataFrame(
        {
            "offset": edges * margins.width,
            "hits": hits,
            "flights": np.full(hits.size, flights, dtype=np.int64),
            "estimate": hits / flights,
            "low": low,
            "high": high,
            "method": methods,
        }
    )


def offset_for_risk(margins: ArrayLike, *, risk: float, confidence: float = 0.95) -> OffsetForRisk:
    """Largest offset of the planned CG whose risk is shown not to exceed a target.

    Parameters
    ----------
    margins : array_like of float, shape (n,)
        Smallest margin of each flight to the limit, positive inside; any one unit.
    risk : float
        Probability of passing the limit that may not be exceeded, strictly between 0 and 1.
    confidence : float, default 0.95
        Strictly between 0 and 1, one-sided: the risk at the offset found is at most ``risk`` with
        at least this probability.

    Returns
    -------
    OffsetForRisk
        ``offset`` is None if even no event in all these flights cannot show the risk; ``method``
        then tells how many flights are needed.

    Raises
    ------
    cgrisk.errors.UsageError
        If margins are missing or not finite, or a fraction is out of its range.

    Notes
    -----
    With k the most events whose one-sided Clopper-Pearson upper bound is at most ``risk``, the
    offset is the (k + 1)-th smallest margin: exactly k flights are below it (fewer with ties).
    It is also the lower confidence bound of the ``risk`` quantile of the margins, which is why
    choosing the offset from the same flights does not spoil the confidence. The two-sided curve
    of :func:`exceedance_curve` has this bound at confidence ``2 * confidence - 1``.
    """
    target = checked_fraction(risk, argument="risk")
    level = checked_fraction(confidence, argument="confidence")
    numbers = checked_values(margins, argument="margins")
    flights = int(numbers.size)
    tail = 1.0 - level
    needed = fewest_for_lower(target, tail=tail)
    rank = lower_rank(flights, probability=target, tail=tail)
    if rank == 0:
        least = _one_sided_high(0, flights=flights, tail=tail)
        return OffsetForRisk(
            offset=None,
            hits=0,
            flights=flights,
            high=least,
            risk=target,
            confidence=level,
            needed_flights=needed,
            method=(
                f"no offset: with {flights_text(flights)} even no event shows a risk of "
                f"{least:.3g} at best; {needed} flights are needed for {target:.3g}"
            ),
        )
    offset = float(np.partition(numbers, rank - 1)[rank - 1])
    hits = int(np.count_nonzero(numbers < offset))
    return OffsetForRisk(
        offset=offset,
        hits=hits,
        flights=flights,
        # The rank decided that the bound is within the risk; rounding may not contradict it.
        high=min(_one_sided_high(hits, flights=flights, tail=tail), target),
        risk=target,
        confidence=level,
        needed_flights=needed,
        method=f"order statistics, margin of rank {rank} of {flights}: one-sided exact binomial",
    )


def _one_sided_high(hits: int, *, flights: int, tail: float) -> float:
    return float(special.betainccinv(hits + 1, flights - hits, tail))


def default_offsets(margins: ArrayLike, count: int = 60) -> NDArray[np.float64]:
    """Evenly spaced offsets for a curve: from no flight past the limit up to about half.

    Parameters
    ----------
    margins : array_like of float, shape (n,)
        Smallest margin of each flight to the limit; any one unit.
    count : int, default 60
        Number of offsets, at least 2.

    Returns
    -------
    ndarray of float64, shape (count,)
        Strictly increasing, from just below the smallest margin to the median margin. If at
        least half the margins equal the smallest, the last offset lies just above it, so that
        the step is seen.

    Raises
    ------
    cgrisk.errors.UsageError
        If margins are missing or not finite, or count is not a whole number of at least 2.
    """
    points = checked_count(count, argument="count", least=2)
    numbers = checked_values(margins, argument="margins")
    smallest, middle = float(numbers.min()), float(np.median(numbers))
    # The floor keeps the points apart in floats when all margins are equal.
    pad = max(0.02 * (middle - smallest), 1e-6 * max(abs(smallest), 1.0))
    last = middle if middle > smallest else smallest + pad
    return np.linspace(smallest - pad, last, points)
