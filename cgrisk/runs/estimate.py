"""What a run would do and about how long, from a few flights flown for it."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from joblib import effective_n_jobs

from cgrisk.flight import fly_block, prepare
from cgrisk.runs.block_store import BLOCKS, BlockStore
from cgrisk.runs.folder import state_of
from cgrisk.runs.inputs import RunInputs
from cgrisk.sampling import BLOCK, block_count, layout_of, warm_up

__all__ = ["Estimate", "estimate_run"]

_TRIAL = 1024
#: Flights flown again for the shares of the causes, and time for replays and charts (s).
_AGAIN, _CHARTS_S = 13 * 4096, 5.0
#: On disk: a row, a block's tally, a segment (bytes; as seen on the shipped case).
_ROW, _TALLY, _SEGMENT = 940, 50_000, 150_000


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a run would do.

    Attributes
    ----------
    scenario : str
        Its name.
    folder, state : str
        Where it would write, and what stands there now: free, unfinished, complete or other.
    seed, flights, blocks : int
        Seed (drawn if none was given), flights (at most), blocks.
    saved_blocks : int
        Blocks that are there already.
    stops_at_hits : int or None
        Flights past the limit at which each side is precise enough, if a precision is asked for.
    rows : bool
        Whether one row per flight is kept.
    workers : int
        Threads.
    seconds_ready, microseconds_per_flight, seconds, bytes : float
        To make the kernel ready (measured now), per flight on one thread (measured now), in all,
        and on disk: about.
    """

    scenario: str
    folder: str
    state: str
    seed: int
    flights: int
    blocks: int
    saved_blocks: int
    stops_at_hits: int | None
    rows: bool
    workers: int
    seconds_ready: float
    microseconds_per_flight: float
    seconds: float
    bytes: float

    def answer(self) -> dict[str, Any]:
        """Return it as plain data."""
        return asdict(self)

    def text(self) -> str:
        """Return it in words."""
        most = "at most " if self.stops_at_hits else ""
        lines = [
            f"{self.scenario}: {most}{self.flights:,} flights in {self.blocks:,} blocks of "
            f"{BLOCK:,}, seed {self.seed}",
            f"into {self.folder} ({self.state}{self._saved()}), "
            f"{'one row a flight' if self.rows else 'no rows'}, about {_size(self.bytes)}",
            f"{self.microseconds_per_flight:.0f} us a flight on one thread, measured on "
            f"{_TRIAL:,}; {self.workers} threads; kernel ready in {self.seconds_ready:.1f} s",
            f"about {_time(self.seconds)} in all",
        ]
        if self.stops_at_hits:
            lines.insert(
                1, f"stops when {self.stops_at_hits} flights are past the limit on each side asked"
            )
        return "\n".join([*lines, "Nothing was written."])

    def _saved(self) -> str:
        return f", {self.saved_blocks:,} blocks saved" if self.saved_blocks else ""


def _size(count: float) -> str:
    for unit in ("B", "kB", "MB"):
        if count < 1000.0:
            return f"{count:.0f} {unit}"
        count /= 1000.0
    return f"{count:.1f} GB"


def _time(seconds: float) -> str:
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


def estimate_run(inputs: RunInputs, *, folder: str | Path, jobs: int = -1) -> Estimate:
    """Fly a few flights and say what the run would do; nothing is written.

    Parameters
    ----------
    inputs : RunInputs
        What the run is to do.
    folder : str or Path
        Where it would write.
    jobs : int
        Threads; -1 for one per processor.
    """
    model = prepare(inputs.read_scenario(shown="the scenario"))
    ready = warm_up(model)
    start = time.perf_counter()
    fly_block(model, seed=inputs.seed, flights=np.arange(_TRIAL, dtype=np.uint32))
    each = (time.perf_counter() - start) / _TRIAL
    workers = effective_n_jobs(jobs)
    blocks = block_count(inputs.flights)
    store = BlockStore(
        Path(folder), layout=layout_of(model), keep_rows=inputs.rows, identity=inputs.identity()
    )
    saved = 0
    if (Path(folder) / BLOCKS).is_dir():
        segments = len(store.segment_starts())
        saved = min(len(store.numbers()) + store.segment_blocks * segments, blocks)
    precision = inputs.read_precision(shown="the precision")
    left = (blocks - saved) / blocks * inputs.flights
    return Estimate(
        scenario=model.scenario.name,
        folder=str(folder),
        state=state_of(folder),
        seed=inputs.seed,
        flights=inputs.flights,
        blocks=blocks,
        saved_blocks=saved,
        stops_at_hits=None if precision is None else precision.hits,
        rows=inputs.rows,
        workers=workers,
        seconds_ready=ready,
        microseconds_per_flight=1e6 * each,
        seconds=ready + (left + _AGAIN) * each / workers + _CHARTS_S,
        bytes=(_ROW * inputs.flights if inputs.rows else 0)
        + _TALLY * min(blocks, store.segment_blocks)
        + _SEGMENT * (blocks // store.segment_blocks + 1),
    )
