"""How often each leaned load is flown, with other movement of its passengers each time.

A flight takes less time than leaning its load does, and how far people move is most of what
scatters once loads are leaned. A load's share of flights above a threshold has the chance of that
as its mean, however often it is flown, so loads alone may decide how often.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight import FlightModel

__all__ = ["MOST_WALKS", "Walks", "people_walk", "same_for_all"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: How often a load is flown at most.
MOST_WALKS = 64


def people_walk(model: FlightModel) -> bool:
    """Return whether passengers move."""
    urge, crowd = model.program.urge, model.program.crowd
    return (
        bool((urge.seat_rate_per_s > 0.0).any())
        or crowd.sign_off_share > 0.0
        or crowd.surge_probability > 0.0
    )


class Walks(NamedTuple):
    """How often loads are flown.

    Attributes
    ----------
    edges : tuple of float
        Loads, rising.
    times : tuple of int
        How often, below, between and above them: powers of two.
    """

    edges: tuple[float, ...]
    times: tuple[int, ...]

    @property
    def most(self) -> int:
        """The most times: columns of what is told of each load."""
        return max(self.times)

    def stamp(self) -> str:
        """Return a name for what is kept of flights flown so."""
        return hashlib.sha256(repr(tuple(self)).encode()).hexdigest()[:16]

    def of(self, loads: Floats) -> Ints:
        """Return the times for loads (n,)."""
        times: Ints = np.array(self.times, dtype=np.int64)[np.searchsorted(self.edges, loads)]
        return times

    def spread(self, scores: Floats, times: Ints) -> Floats:
        """Return scores (n, most) of which each load has its first times, each as often as fits."""
        out = scores.copy()
        for number in set(self.times):
            here = times == number
            out[here] = np.repeat(scores[here, :number], self.most // number, axis=1)
        return out

    def walk_at(self, column: Ints, times: Ints) -> NDArray[np.uint32]:
        """Return which walk the columns (n,) of such scores hold, of loads flown so often (n,)."""
        return (column * times // self.most).astype(np.uint32)


def same_for_all(times: int) -> Walks:
    """Return that all loads are flown so often."""
    return Walks((), (times,))
