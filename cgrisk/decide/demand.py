"""How many want to fly, and whom a smaller cabin turns away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from cgrisk.scenario.policies_file import Demand

__all__ = ["DemandLaw", "demand_law"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Standard deviations of a normal demand that are kept above its mean.
_SPAN = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class DemandLaw:
    """A law of the number of passengers who want to fly.

    Attributes
    ----------
    numbers : int64 array, shape (n,)
        Rising.
    probability : float64 array, shape (n,)
        They add up to 1.
    text : str
        In words.
    """

    numbers: Ints
    probability: Floats
    text: str

    def turned_away(self, seats: int) -> float:
        """Return the expected number of passengers for whom so many seats do not suffice."""
        return float(self.probability @ np.maximum(self.numbers - seats, 0))

    def weights(self, counts: Ints, *, seats: int) -> Floats:
        """Return how often each of some numbers of passengers stands for the flight flown.

        A demand counts for the nearest of the numbers (the lower of two), after those for whom
        there is no seat have been turned away.

        Parameters
        ----------
        counts : int64 array, shape (k,)
            Rising, each at most ``seats``.
        seats : int
            Seats that may be filled.
        """
        flown = np.minimum(self.numbers, seats)
        place = np.abs(flown[:, None] - counts[None, :]).argmin(axis=1)
        share: Floats = np.bincount(place, weights=self.probability, minlength=counts.size).astype(
            np.float64
        )
        return share


def demand_law(demand: Demand | None, *, counts: Ints) -> DemandLaw:
    """Return the law of a demand; without one, every number looked at is equally likely."""
    if demand is None:
        share = np.full(counts.size, 1.0 / counts.size)
        return DemandLaw(counts, share, "every number of passengers looked at equally likely")
    if demand.kind == "given":
        order = np.argsort(demand.counts, kind="stable")
        numbers = np.array(demand.counts, dtype=np.int64)[order]
        share = np.array(demand.shares)[order]
        return DemandLaw(numbers, share / share.sum(), "as given")
    if demand.kind == "binomial":
        booked, show = demand.booked or 0, demand.show_up or 0.0
        numbers = np.arange(booked + 1)
        share = np.asarray(stats.binom.pmf(numbers, booked, show))
        return DemandLaw(numbers, share / share.sum(), f"binomial: {booked} booked, {show:g} come")
    mean, sd = demand.mean or 0.0, demand.sd or 1.0
    numbers = np.arange(int(mean + _SPAN * sd) + 2)
    edges = np.concatenate([numbers - 0.5, [numbers[-1] + 0.5]])
    share = np.diff(stats.norm.cdf(edges, mean, sd))
    return DemandLaw(numbers, share / share.sum(), f"normal: mean {mean:g}, SD {sd:g}")
