"""Flights in fixed blocks of 4,096: the unit of work, of writing and of stopping."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, fly_block
from cgrisk.randomness import MAX_FLIGHTS
from cgrisk.sampling.layout import Layout
from cgrisk.sampling.tally import Tally, pack_outcomes, tally_rows

__all__ = [
    "BATCH",
    "BLOCK",
    "SEGMENT_BLOCKS",
    "Block",
    "aside",
    "block_count",
    "check_counts",
    "fly_one_block",
    "warm_up",
]

#: Flights per block. Tallies are merged block by block and stopping is decided at block ends,
#: whatever the batch, so that neither depends on how the work was spread.
BLOCK = 4096
#: Blocks per segment, about a million flights: tallies are merged within segments, in order, then
#: segment by segment.
SEGMENT_BLOCKS = 256
#: Flights per call of the kernel, which cannot be interrupted within.
BATCH = 512

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive flights, flown.

    Attributes
    ----------
    number : int
        Number of the block; it starts at flight ``number * BLOCK``.
    tally : Tally
        What its flights did.
    outcomes : uint8 array, shape (outcomes, ceil(flights / 8))
        Which flight had which outcome, eight flights a byte.
    rows : float64 array, shape (flights, columns), or None
        One row per flight, in the order of their numbers, if they were asked for.
    """

    number: int
    tally: Tally
    outcomes: NDArray[np.uint8]
    rows: NDArray[np.float64] | None

    @property
    def first_flight(self) -> int:
        """Number of the first flight."""
        return self.number * BLOCK

    @property
    def flights(self) -> int:
        """Number of flights."""
        return self.tally.flights


def _check(name: str, value: object, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise UsageError(
            argument=name,
            expected=f"a whole number from {low} to {high}",
            got=value,
            cure="Give a number in that range.",
        )


def check_counts(*, flights: int = 1, jobs: int = 1, batch: int = BATCH) -> None:
    """Check numbers of flights, workers (-1: one a processor) and flights per batch.

    Raises
    ------
    UsageError
        If one is out of range.
    """
    _check("flights", flights, 1, MAX_FLIGHTS)
    _check("batch", batch, 1, 1_000_000)
    if jobs != -1:
        _check("jobs", jobs, 1, 1024)


def block_count(flights: int) -> int:
    """Return how many blocks hold so many flights."""
    return -(-flights // BLOCK)


def aside(function: Callable[[], T]) -> T:
    """Run a function in a thread of its own, so that whoever waits can be interrupted.

    The main thread of Python hears of an interrupt only between its own steps, and the compiler
    takes seconds for one.
    """
    results: list[T] = []
    errors: list[BaseException] = []

    def run() -> None:
        try:
            results.append(function())
        except BaseException as error:
            errors.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    while thread.is_alive():
        thread.join(0.05)
    if errors:
        raise errors[0]
    return results[0]


def warm_up(model: FlightModel) -> float:
    """Compile the kernel, or load it from its cache; return the seconds it took."""
    start = time.perf_counter()
    aside(lambda: fly_block(model, seed=0, flights=np.zeros(1, dtype=np.uint32)))
    return time.perf_counter() - start


def fly_one_block(
    model: FlightModel,
    layout: Layout,
    *,
    seed: int,
    number: int,
    flights: int,
    batch: int = BATCH,
    keep_rows: bool = True,
) -> Block:
    """Fly one block of flights 0 to ``flights - 1`` and tally it.

    Parameters
    ----------
    model, layout
        What is flown, and what is kept of it.
    seed : int
        Resolved seed.
    number : int
        Number of the block.
    flights : int
        Flights of the whole run: the last block is cut short.
    batch : int
        Flights per call of the kernel; changes no result.
    keep_rows : bool
        Whether the block carries its rows.
    """
    first = number * BLOCK
    last = min(first + BLOCK, flights)
    rows = np.empty((last - first, len(model.columns)))
    for start in range(first, last, batch):
        end = min(start + batch, last)
        rows[start - first : end - first] = fly_block(
            model, seed=seed, flights=np.arange(start, end, dtype=np.uint32)
        )
    tally, outcomes = tally_rows(rows, layout=layout, first_flight=first)
    return Block(number, tally, pack_outcomes(outcomes), rows if keep_rows else None)
