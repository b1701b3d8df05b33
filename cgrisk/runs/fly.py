"""Fly a scenario and keep the times apart: preparing with compilation, and flying."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from cgrisk.flight import FlightModel, prepare
from cgrisk.randomness import resolve_seed
from cgrisk.sampling import BLOCK, Block, Sample, fly_blocks, warm_up
from cgrisk.sampling.blocks import Backend
from cgrisk.sampling.sample import collect
from cgrisk.scenario import Scenario

__all__ = ["FlownRun", "fly_run"]


@dataclass(frozen=True, slots=True)
class FlownRun:
    """A sample, how it was flown, and how long that took.

    Attributes
    ----------
    sample : Sample
        The flights.
    prepare_s, fly_s : float
        Seconds to prepare (the compilation, or loading its cache, included) and to fly.
    jobs, batch : int
        Workers, and flights handed to one at a time.
    backend : str
        joblib back end.
    """

    sample: Sample
    prepare_s: float
    fly_s: float
    jobs: int
    batch: int
    backend: Backend

    @property
    def flights_per_second(self) -> float:
        """Flights flown a second, compilation apart."""
        return self.sample.flights / max(self.fly_s, 1e-9)


def fly_run(
    scenario: Scenario,
    *,
    flights: int = 10_000,
    seed: int | None = None,
    jobs: int = 1,
    batch: int = BLOCK,
    backend: Backend = "threading",
    on_ready: Callable[[FlightModel, float], None] | None = None,
    on_block: Callable[[Block], None] | None = None,
) -> FlownRun:
    """Prepare and compile, then fly; the sample is that of :func:`cgrisk.sampling.simulate`.

    Parameters
    ----------
    scenario : Scenario
        Checked scenario.
    flights : int
        How many, 1 to 2**32.
    seed : int, optional
        0 to 2**64 - 1; none draws one, kept in ``sample.seed``.
    jobs, batch, backend
        See :func:`cgrisk.sampling.fly_blocks`; they change no result.
    on_ready : callable, optional
        Called once, before the first flight, with the model and the seconds preparing took.
    on_block : callable, optional
        Called with every block as it is done, in order.

    Raises
    ------
    UsageError
        If a number is out of range.
    """
    resolved = resolve_seed(seed)
    start = time.perf_counter()
    model = prepare(scenario)
    warm_up(model)
    ready = time.perf_counter()
    if on_ready is not None:
        on_ready(model, ready - start)
    first_flight = time.perf_counter()
    rows = []
    for block in fly_blocks(
        model, seed=resolved, flights=flights, jobs=jobs, batch=batch, backend=backend
    ):
        rows.append(block.rows)
        if on_block is not None:
            on_block(block)
    sample = collect(model, seed=resolved, rows=rows)
    fly_s = time.perf_counter() - first_flight
    return FlownRun(sample, ready - start, fly_s, jobs, batch, backend)
