"""A sample: the figures of many flights in memory."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.flight import FlightModel, prepare
from cgrisk.randomness import resolve_seed
from cgrisk.sampling.blocks import BLOCK, Backend, Block, check_counts, fly_blocks, warm_up
from cgrisk.scenario import Scenario

__all__ = ["Sample", "collect", "simulate"]


@dataclass(frozen=True, slots=True)
class Sample:
    """Figures of flights 0 to n - 1 of one seed.

    Attributes
    ----------
    model : FlightModel
        What was flown.
    seed : int
        Seed used.
    frame : pandas.DataFrame
        One row per flight, index ``flight``, columns ``model.columns``.
    """

    model: FlightModel
    seed: int
    frame: pd.DataFrame

    @property
    def flights(self) -> int:
        """Number of flights."""
        return len(self.frame)


def collect(
    model: FlightModel, *, seed: int, rows: list[NDArray[np.float64]] | NDArray[np.float64]
) -> Sample:
    """Return the sample made of rows of consecutive flights from flight 0."""
    table = np.concatenate(rows) if isinstance(rows, list) else rows
    frame = pd.DataFrame(table, columns=list(model.columns))
    frame.index.name = "flight"
    return Sample(model=model, seed=seed, frame=frame)


def simulate(
    scenario: Scenario,
    *,
    flights: int = 10_000,
    seed: int | None = None,
    jobs: int = 1,
    batch: int = BLOCK,
    backend: Backend = "threading",
    on_block: Callable[[Block], None] | None = None,
    on_ready: Callable[[FlightModel, float], None] | None = None,
) -> Sample:
    """Fly a scenario many times and return the sample.

    Parameters
    ----------
    scenario : Scenario
        From :func:`cgrisk.load_scenario`.
    flights : int
        How many, 1 to 2**32 (memory: some 800 bytes each).
    seed : int, optional
        0 to 2**64 - 1; none draws one, kept in ``Sample.seed``.
    jobs, batch, backend
        See :func:`cgrisk.sampling.fly_blocks`; they change no result.
    on_block : callable, optional
        Called with every block as it is done, in order.
    on_ready : callable, optional
        Called with the model and the seconds it took to make the kernel ready, before the first
        flight.

    Raises
    ------
    UsageError
        If a number is out of range.
    """
    check_counts(flights=flights, jobs=jobs, batch=batch)
    seed = resolve_seed(seed)
    start = time.perf_counter()
    model = prepare(scenario)
    warm_up(model)
    if on_ready is not None:
        on_ready(model, time.perf_counter() - start)
    rows = []
    for block in fly_blocks(
        model, seed=seed, flights=flights, jobs=jobs, batch=batch, backend=backend
    ):
        rows.append(block.rows)
        if on_block is not None:
            on_block(block)
    return collect(model, seed=seed, rows=rows)
