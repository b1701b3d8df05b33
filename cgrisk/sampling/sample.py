"""A sample: what many flights of one scenario did, with or without their rows."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, prepare
from cgrisk.randomness import resolve_seed
from cgrisk.sampling.blocks import BATCH, SEGMENT_BLOCKS, Block, check_counts, warm_up
from cgrisk.sampling.layout import Layout, layout_of
from cgrisk.sampling.stopping import Precision, PrecisionWatch
from cgrisk.sampling.tally import Tally, merge_tallies
from cgrisk.sampling.workers import Backend, fly_blocks
from cgrisk.scenario import Scenario

__all__ = ["MOST_ROWS", "Sample", "rows_frame", "simulate"]

#: Most flights whose rows are kept unless asked for.
MOST_ROWS = 1_000_000


@dataclass(frozen=True, slots=True)
class Sample:
    """What flights 0 to n - 1 of one seed did.

    Attributes
    ----------
    model : FlightModel
        What was flown.
    seed : int
        Seed used.
    layout : Layout
        What the tally keeps.
    tally : Tally
        Counts, distributions, extremes and means.
    frame : pandas.DataFrame or None
        One row per flight, index ``flight``, columns ``model.columns``; None if not kept.
    precision : Precision or None
        The precision that decided how many flights were flown, if one did.
    reached : dict of str to int
        Flights up to the hit that made a side's probability precise enough.
    """

    model: FlightModel
    seed: int
    layout: Layout
    tally: Tally
    frame: pd.DataFrame | None = None
    precision: Precision | None = None
    reached: dict[str, int] = field(default_factory=dict)

    @property
    def flights(self) -> int:
        """Number of flights."""
        return self.tally.flights

    @property
    def rows(self) -> pd.DataFrame:
        """One row per flight.

        Raises
        ------
        UsageError
            If they were not kept.
        """
        if self.frame is None:
            raise UsageError(
                argument="rows",
                expected="a sample with one row per flight",
                got="a tally alone",
                cure="Simulate with keep_rows=True, or read the rows of a run that kept them.",
            )
        return self.frame


def rows_frame(
    rows: NDArray[np.float64], model: FlightModel, *, first_flight: int = 0
) -> pd.DataFrame:
    """Return rows of consecutive flights as a frame with their names and numbers."""
    index = pd.RangeIndex(first_flight, first_flight + rows.shape[0], name="flight")
    return pd.DataFrame(rows, columns=list(model.columns), index=index)


def _merged(first: Tally | None, second: Tally) -> Tally:
    return second if first is None else merge_tallies(first, second)


def simulate(
    scenario: Scenario,
    *,
    flights: int = 10_000,
    seed: int | None = None,
    jobs: int = 1,
    batch: int = BATCH,
    backend: Backend = "threading",
    precision: Precision | None = None,
    keep_rows: bool | None = None,
    on_block: Callable[[Block], None] | None = None,
    on_ready: Callable[[FlightModel, float], None] | None = None,
) -> Sample:
    """Fly a scenario many times and return the sample.

    Parameters
    ----------
    scenario : Scenario
        From :func:`cgrisk.load_scenario`.
    flights : int
        How many, 1 to 2**32; with ``precision``, at most.
    seed : int, optional
        0 to 2**64 - 1; none draws one, kept in ``Sample.seed``.
    jobs, batch, backend
        See :func:`cgrisk.sampling.fly_blocks`; they change no result.
    precision : Precision, optional
        Stop at the end of the block in which the probability is precise enough.
    keep_rows : bool, optional
        Whether to hold one row per flight (some 1 kB each); up to 1,000,000 flights if not told.
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
    keep = flights <= MOST_ROWS if keep_rows is None else keep_rows
    start = time.perf_counter()
    model = prepare(scenario)
    layout = layout_of(model)
    warm_up(model)
    if on_ready is not None:
        on_ready(model, time.perf_counter() - start)
    watch = None if precision is None else PrecisionWatch(precision, layout)
    rows: list[NDArray[np.float64]] = []
    total: Tally | None = None
    part: Tally | None = None
    blocks = fly_blocks(
        model,
        seed=seed,
        flights=flights,
        layout=layout,
        jobs=jobs,
        batch=batch,
        backend=backend,
        keep_rows=keep,
    )
    with closing(blocks):
        for block in blocks:
            part = block.tally if part is None else merge_tallies(part, block.tally)
            if (block.number + 1) % SEGMENT_BLOCKS == 0:
                total, part = _merged(total, part), None
            if block.rows is not None:
                rows.append(block.rows)
            if on_block is not None:
                on_block(block)
            if watch is not None and watch.add(
                block.outcomes, first_flight=block.first_flight, flights=block.flights
            ):
                break
    if part is not None:
        total = _merged(total, part)
    assert total is not None
    return Sample(
        model=model,
        seed=seed,
        layout=layout,
        tally=total,
        frame=rows_frame(np.concatenate(rows), model) if rows else None,
        precision=precision,
        reached={} if watch is None else watch.reached,
    )
