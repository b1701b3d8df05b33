"""Histograms that add up: counts in bins of a fixed width, kept only where there are any."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Histogram"]

Ints = NDArray[np.int64]

#: Ranges of more bins than this are counted by sorting.
_DENSE = 1 << 21


@dataclass(frozen=True, slots=True)
class Histogram:
    """Counts of values by bin: bin i holds the values x with i <= x / width < i + 1.

    Attributes
    ----------
    width : float
        Width of every bin, in the unit of the values.
    bins : int64 array, shape (m,)
        Numbers of the bins that hold any value, ascending.
    counts : int64 array, shape (m,)
        How many each holds, at least 1.
    """

    width: float
    bins: Ints
    counts: Ints

    @classmethod
    def of(cls, values: NDArray[np.float64], *, width: float) -> Histogram:
        """Count finite values, shape (n,), n >= 1."""
        numbers = np.floor(values / width).astype(np.int64)
        low, high = int(numbers.min()), int(numbers.max())
        if high - low >= _DENSE:
            bins, counts = np.unique(numbers, return_counts=True)
            return cls(width, bins, counts.astype(np.int64))
        dense = np.bincount(numbers - low)
        bins = np.flatnonzero(dense)
        return cls(width, bins + low, dense[bins])

    @property
    def total(self) -> int:
        """Number of values."""
        return int(self.counts.sum())

    def merged(self, other: Histogram) -> Histogram:
        """Return the histogram of both samples together."""
        low = min(int(self.bins[0]), int(other.bins[0]))
        high = max(int(self.bins[-1]), int(other.bins[-1]))
        if high - low >= _DENSE:
            bins, place = np.unique(np.concatenate([self.bins, other.bins]), return_inverse=True)
            counts = np.zeros(bins.size, dtype=np.int64)
            np.add.at(counts, place, np.concatenate([self.counts, other.counts]))
            return Histogram(self.width, bins, counts)
        dense = np.zeros(high - low + 1, dtype=np.int64)
        dense[self.bins - low] = self.counts
        dense[other.bins - low] += other.counts
        bins = np.flatnonzero(dense)
        return Histogram(self.width, bins + low, dense[bins])

    def below(self, edges: Ints) -> Ints:
        """Return how many values lie below the lower edge of each of some bins."""
        reached = np.concatenate([[0], np.cumsum(self.counts)])
        return np.asarray(reached[np.searchsorted(self.bins, edges, side="left")])

    def bin_of_rank(self, rank: int) -> int:
        """Return the bin that holds the rank-th smallest value, 1 <= rank <= total."""
        return int(self.bins[np.searchsorted(np.cumsum(self.counts), rank, side="left")])

    def within(self, rank: int) -> tuple[float, float]:
        """Return the lower and upper edge of the bin of the rank-th smallest value."""
        number = self.bin_of_rank(rank)
        return number * self.width, (number + 1) * self.width
