"""Means and covariances that add up, block by block in one order, to the same bits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Moments"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Moments:
    """First and second moments of the figures of flights.

    Attributes
    ----------
    flights : int
        How many.
    mean : float64 array, shape (c,)
        Mean of each figure.
    products : float64 array, shape (c, c)
        Sums over flights of products of deviations from the means.

    Notes
    -----
    Samples are merged by the pairwise update of T. F. Chan, G. H. Golub and R. J. LeVeque,
    The American Statistician 37 (1983) 242 (from memory). The sums use no threaded library, whose
    bits depend on its number of threads.
    """

    flights: int
    mean: Floats
    products: Floats

    @classmethod
    def of(cls, figures: Floats) -> Moments:
        """Return the moments of figures, shape (flights, c)."""
        mean = figures.mean(axis=0)
        centred = figures - mean
        return cls(figures.shape[0], mean, np.einsum("ij,ik->jk", centred, centred))

    def merged(self, other: Moments) -> Moments:
        """Return the moments of both samples together."""
        flights = self.flights + other.flights
        gap = other.mean - self.mean
        share = other.flights / flights
        return Moments(
            flights,
            self.mean + gap * share,
            self.products + other.products + np.outer(gap, gap) * (self.flights * share),
        )

    def variance(self) -> Floats:
        """Return the unbiased variances, shape (c,); nan for one flight."""
        if self.flights < 2:
            return np.full(self.mean.size, np.nan)
        return np.asarray(np.diag(self.products) / (self.flights - 1))

    def squares_of(self, weights: Floats) -> float:
        """Return the sum over flights of the square of a weighted sum of figures."""
        level = float(weights @ self.mean)
        return float(weights @ self.products @ weights) + self.flights * level * level
