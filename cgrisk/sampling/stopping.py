"""When to stop: at the k-th flight past the limit, k fixed beforehand by the precision asked for.

With k fixed, the number N of flights up to the k-th hit is negative binomial, and its exact
interval has nearly the same relative width whatever the probability. Precision is thus known
before the first flight, and looking at every block spoils nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from cgrisk.errors import UsageError
from cgrisk.flight import SIDES
from cgrisk.sampling.layout import AT_LIMIT, Layout, outcome_name
from cgrisk.sampling.tally import unpack_outcomes

__all__ = ["CONFIDENCE", "Precision", "PrecisionWatch", "hits_needed"]

#: Of stated intervals.
CONFIDENCE: Final = 0.95
_FINEST = 0.003


def _relative_half_width(hits: int, tail: float) -> float:
    """Return the half-width of the interval of a rare event over its estimate, stopped at hits."""
    low, high = special.gammaincinv(hits, tail), special.gammainccinv(hits, tail)
    return 0.5 * float(high - low) / (hits - 1)


def hits_needed(relative_half_width: float, *, confidence: float = CONFIDENCE) -> int:
    """Return the fewest hits at which the interval's half-width over the estimate is small enough.

    Parameters
    ----------
    relative_half_width : float
        From 0.003 to 1.
    confidence : float
        Of the interval, between 0 and 1.

    Returns
    -------
    int
        At least 2; 386 for 0.1 at 95 %. The width is that of a rare event, the greatest there is.
    """
    tail = 0.5 * (1.0 - confidence)
    below, enough = 1, 2
    while _relative_half_width(enough, tail) > relative_half_width:
        below, enough = enough, 2 * enough
    while enough - below > 1:
        middle = (below + enough) // 2
        if _relative_half_width(middle, tail) > relative_half_width:
            below = middle
        else:
            enough = middle
    return enough


@dataclass(frozen=True, slots=True)
class Precision:
    """A wish for precision of the probability of leaving the envelope at the operational limit.

    Attributes
    ----------
    relative_half_width : float
        Half of the interval's width over the estimate, 0.003 to 1.
    sides : tuple of str
        Sides on which it is wanted.
    confidence : float
        Of the interval.
    """

    relative_half_width: float
    sides: tuple[str, ...] = SIDES
    confidence: float = CONFIDENCE

    def __post_init__(self) -> None:
        """Check the numbers."""
        value: object = self.relative_half_width
        number = isinstance(value, float | int) and not isinstance(value, bool)
        if not number or not _FINEST <= self.relative_half_width <= 1.0:
            raise UsageError(
                argument="precision",
                expected=f"a number from {_FINEST} to 1",
                got=value,
                cure="Give the half-width of the interval over the estimate: 0.1 for 10 %.",
            )
        if not self.sides or not set(self.sides) <= set(SIDES):
            raise UsageError(
                argument="side",
                expected="forward, aft or both",
                got=self.sides,
                cure="Name the side whose probability is to be that precise.",
            )

    @property
    def hits(self) -> int:
        """Flights past the limit at which to stop."""
        return hits_needed(self.relative_half_width, confidence=self.confidence)


@dataclass(slots=True)
class PrecisionWatch:
    """Counts hits block by block and notes the flight of the k-th on each side.

    Attributes
    ----------
    precision : Precision
        What is wanted.
    layout : Layout
        Where the outcomes are.
    seen : dict of str to int
        Hits so far by side.
    reached : dict of str to int
        Flights up to and with the k-th hit, for the sides that have come to it.
    """

    precision: Precision
    layout: Layout
    seen: dict[str, int] = field(default_factory=dict)
    reached: dict[str, int] = field(default_factory=dict)

    def add(self, outcomes: NDArray[np.uint8], *, first_flight: int, flights: int) -> bool:
        """Count the next block; return whether all sides wanted are precise enough.

        Parameters
        ----------
        outcomes : uint8 array, shape (outcomes, bytes)
            Which flight of the block had which outcome.
        first_flight, flights : int
            Number of its first flight, and how many it has.
        """
        wanted = self.precision.hits
        for side in self.precision.sides:
            place = self.layout.outcomes.index(outcome_name(side, "any", AT_LIMIT))
            past = unpack_outcomes(outcomes[place : place + 1], flights=flights)[0]
            before = self.seen.get(side, 0)
            now = before + int(past.sum())
            self.seen[side] = now
            if before < wanted <= now:
                last = int(np.flatnonzero(past)[wanted - before - 1])
                self.reached[side] = first_flight + last + 1
        return self.done

    @property
    def done(self) -> bool:
        """Whether all sides wanted are precise enough."""
        return set(self.reached) == set(self.precision.sides)
