"""Flights in fixed blocks of 4,096, flown by any number of workers, handed out in order."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, fly_block
from cgrisk.randomness import MAX_FLIGHTS

__all__ = ["BLOCK", "Backend", "Block", "check_counts", "fly_blocks", "warm_up"]

#: Flights per block. Sums are reduced block by block and stopping is decided at block ends,
#: whatever the batch, so that neither depends on how the work was spread.
BLOCK = 4096

Backend = Literal["threading", "loky"]


@dataclass(frozen=True, slots=True)
class Block:
    """Rows of consecutive flights.

    Attributes
    ----------
    number : int
        Number of the block; it starts at flight ``number * BLOCK``.
    rows : float64 array, shape (<= BLOCK, columns)
        One row per flight, in the order of their numbers.
    """

    number: int
    rows: NDArray[np.float64]

    @property
    def first_flight(self) -> int:
        """Number of the first flight."""
        return self.number * BLOCK


def _check(name: str, value: object, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise UsageError(
            argument=name,
            expected=f"a whole number from {low} to {high}",
            got=value,
            cure="Give a number in that range.",
        )


def check_counts(*, flights: int = 1, jobs: int = 1, batch: int = BLOCK) -> None:
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


def warm_up(model: FlightModel) -> float:
    """Compile the kernel, or load it from its cache; return the seconds it took."""
    start = time.perf_counter()
    fly_block(model, seed=0, flights=np.zeros(1, dtype=np.uint32))
    return time.perf_counter() - start


def _fly_range(model: FlightModel, seed: int, first: int, last: int) -> NDArray[np.float64]:
    return fly_block(model, seed=seed, flights=np.arange(first, last, dtype=np.uint32))


def fly_blocks(
    model: FlightModel,
    *,
    seed: int,
    flights: int,
    jobs: int = 1,
    batch: int = BLOCK,
    backend: Backend = "threading",
) -> Iterator[Block]:
    """Fly flights 0 to ``flights - 1`` and yield them block by block, in order.

    Parameters
    ----------
    model : FlightModel
        From :func:`cgrisk.flight.prepare`.
    seed : int
        Resolved seed.
    flights : int
        How many, 1 to 2**32.
    jobs : int
        Workers; -1 for one per processor.
    batch : int
        Flights handed to a worker at a time; changes no result.
    backend : str
        A joblib back end: threads (the kernel releases the GIL) or processes (loky).

    Raises
    ------
    UsageError
        If a number is out of range.
    """
    check_counts(flights=flights, jobs=jobs, batch=batch)
    if jobs != 1 and backend == "threading":
        warm_up(model)  # threads that meet the compiler together would wait on each other anyway
    tasks = (
        delayed(_fly_range)(model, seed, first, min(first + batch, flights))
        for first in range(0, flights, batch)
    )
    results = Parallel(n_jobs=jobs, backend=backend, return_as="generator", batch_size=1)(tasks)
    pending: list[NDArray[np.float64]] = []
    held, number = 0, 0
    for rows in results:
        pending.append(rows)
        held += rows.shape[0]
        if held >= BLOCK or number * BLOCK + held == flights:
            ready = np.concatenate(pending) if len(pending) > 1 else pending[0]
            done = number * BLOCK + held == flights
            start = 0
            while held - start >= BLOCK or (done and start < held):
                yield Block(number, ready[start : start + BLOCK])
                number += 1
                start = min(start + BLOCK, held)
            pending, held = [ready[start:]], held - start
