"""What is asked of a tail, checked once."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel
from cgrisk.randomness import resolve_seed
from cgrisk.rare.score import Score
from cgrisk.runs.shelf import Shelf
from cgrisk.sampling import check_counts

__all__ = ["Meter", "Question"]

#: Smallest and greatest risk that may be asked for.
LEAST_RISK, GREATEST_RISK = 1e-12, 0.5
_LEAST_ERROR, _GREATEST_ERROR = 0.005, 1.0


def _check(name: str, value: object, low: float, high: float, cure: str) -> None:
    number = isinstance(value, float | int) and not isinstance(value, bool)
    if not number or not low <= value <= high:  # type: ignore[operator]
        raise UsageError(
            argument=name, expected=f"a number from {low:g} to {high:g}", got=value, cure=cure
        )


@dataclass(frozen=True, slots=True)
class Question:
    """A tail that is asked for.

    Attributes
    ----------
    model : FlightModel
        Scenario made ready to fly.
    score : Score
        Whose tail it is.
    target : float
        Probability at which the answer must be precise, 1e-12 to 0.5.
    seed : int
        Resolved seed.
    deepest : float
        Probability down to which the curve goes, at most the target.
    relative_error : float
        Standard error over the estimate that is wanted at the target, 0.005 to 1.
    confidence : float
        Of each interval by itself.
    most_flights : int
        Flights at which to stop, whatever the precision.
    jobs : int
        Threads; changes no result.
    """

    model: FlightModel
    score: Score
    target: float
    seed: int
    deepest: float = 1e-8
    relative_error: float = 0.1
    confidence: float = 0.95
    most_flights: int = 20_000_000
    jobs: int = -1

    def __post_init__(self) -> None:
        """Check the numbers."""
        _check(
            "target",
            self.target,
            LEAST_RISK,
            GREATEST_RISK,
            "Give the probability per flight that you accept; there is no published one.",
        )
        _check(
            "deepest",
            self.deepest,
            LEAST_RISK,
            self.target,
            "End the curve at or below the target.",
        )
        _check(
            "relative-error",
            self.relative_error,
            _LEAST_ERROR,
            _GREATEST_ERROR,
            "Give the standard error over the estimate: 0.1 for 10 %.",
        )
        _check("confidence", self.confidence, 0.5, 0.9999, "Give a fraction: 0.95 for 95 %.")
        resolve_seed(self.seed)
        check_counts(flights=self.most_flights, jobs=self.jobs)

    def no_deeper(self, share: float) -> Question:
        """Return the question with a curve that ends at a share of its target, if not before."""
        return replace(self, deepest=max(self.deepest, share * self.target))


@dataclass(slots=True)
class Meter:
    """Counts flights as they are flown, from any thread; keeps finished pieces.

    Attributes
    ----------
    watch : callable or None
        Told (flights flown, flights expected, what is being done).
    shelf : Shelf or None
        Where finished pieces are kept, so that the same question need not be flown again.
    """

    watch: Callable[[int, int, str], None] | None = None
    shelf: Shelf | None = None
    flown: int = 0
    expected: int = 0
    doing: str = ""
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def kept(
        self, name: str, make: Callable[[], dict[str, NDArray[np.generic]]]
    ) -> dict[str, NDArray[np.generic]]:
        """Return a piece from the shelf, or make it and put it there."""
        if self.shelf is None:
            return make()
        found = self.shelf.get(name)
        if found is None:
            found = make()
            self.shelf.put(name, found)
        return found

    def begin(self, doing: str, *, expected: int) -> None:
        """Say what comes next and about how many flights it takes."""
        with self._lock:
            self.doing, self.expected = doing, self.flown + expected
        self.add(0)

    def add(self, flights: int) -> None:
        """Count flights."""
        with self._lock:
            self.flown += flights
            if self.watch is not None:
                self.watch(self.flown, max(self.expected, self.flown), self.doing)
