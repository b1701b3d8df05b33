"""Blocks flown by any number of workers, handed out in order, a bounded number at a time."""

from __future__ import annotations

import warnings
from collections.abc import Generator, Iterable
from functools import partial
from itertools import islice
from typing import Literal, cast

from joblib import Parallel, delayed, effective_n_jobs

from cgrisk.flight import FlightModel
from cgrisk.sampling.blocks import (
    BATCH,
    Block,
    block_count,
    check_counts,
    fly_one_block,
    warm_up,
)
from cgrisk.sampling.layout import Layout, layout_of

__all__ = ["Backend", "fly_blocks", "shared_jobs"]

Backend = Literal["threading", "loky"]

#: Blocks per worker that may be done but not yet taken: joblib flies on whatever waits.
_AHEAD = 16
#: With rows (some 4 MB a block) so many in all, or this many per worker where there are more.
_AHEAD_WITH_ROWS, _LEAST_AHEAD = 64, 2


def shared_jobs(jobs: int, *, tasks: int) -> tuple[int, int]:
    """Return how many of some long tasks go side by side, and the threads of each.

    Parameters
    ----------
    jobs : int
        Threads in all; -1 for one per processor.
    tasks : int
    """
    total = effective_n_jobs(jobs)
    outer = max(1, min(tasks, total))
    return outer, max(1, total // outer)


def fly_blocks(
    model: FlightModel,
    *,
    seed: int,
    flights: int,
    numbers: Iterable[int] | None = None,
    layout: Layout | None = None,
    jobs: int = 1,
    batch: int = BATCH,
    backend: Backend = "threading",
    keep_rows: bool = True,
) -> Generator[Block, None, None]:
    """Fly blocks of flights 0 to ``flights - 1`` and yield them in order.

    Parameters
    ----------
    model : FlightModel
        From :func:`cgrisk.flight.prepare`.
    seed : int
        Resolved seed.
    flights : int
        How many the blocks are cut from, 1 to 2**32.
    numbers : iterable of int, optional
        Numbers of the blocks wanted; all of them if not given.
    layout : Layout, optional
        What is kept of the flights; made from the model if not given.
    jobs : int
        Workers; -1 for one per processor.
    batch : int
        Flights per call of the kernel; changes no result.
    backend : str
        A joblib back end: threads (the kernel releases the GIL) or processes (loky).
    keep_rows : bool
        Whether blocks carry their rows; without, what comes back of a block is small.

    Raises
    ------
    UsageError
        If a number is out of range.
    """
    check_counts(flights=flights, jobs=jobs, batch=batch)
    layout = layout_of(model) if layout is None else layout
    wanted = iter(range(block_count(flights)) if numbers is None else numbers)
    if jobs != 1 and backend == "threading":
        warm_up(model)  # threads that meet the compiler together would wait on each other anyway
    workers = effective_n_jobs(jobs)
    ahead = _AHEAD * workers
    if keep_rows:
        ahead = min(ahead, max(_AHEAD_WITH_ROWS, _LEAST_AHEAD * workers))
    fly = partial(
        fly_one_block, model, layout, seed=seed, flights=flights, batch=batch, keep_rows=keep_rows
    )
    with Parallel(n_jobs=jobs, backend=backend, return_as="generator", batch_size=1) as pool:
        while window := list(islice(wanted, ahead)):
            tasks = (delayed(fly)(number=number) for number in window)
            done = cast(Generator[Block, None, None], pool(tasks))
            try:
                for block in done:  # noqa: UP028  left early, its warning must be caught
                    yield block
            except GeneratorExit:
                with warnings.catch_warnings():  # blocks begun are let go on purpose
                    warnings.simplefilter("ignore", UserWarning)
                    done.close()
                raise
