"""Flying what a run still lacks, block by block into its folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import RunFolderError
from cgrisk.runs.block_store import BlockStore, Segment, blocks_of
from cgrisk.runs.folder import RunFolder
from cgrisk.sampling import (
    BLOCK,
    Block,
    ChangedContentError,
    PrecisionWatch,
    Sample,
    Tally,
    block_count,
    merge_tallies,
)

__all__ = ["Fly", "Progress", "fly_run", "take_stock"]

#: Flies the blocks with the given numbers, in order; with rows or without.
Fly = Callable[[Iterator[int], bool], Iterator[Block]]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run has come.

    Attributes
    ----------
    flights : int
        Flights done, those of earlier parts included.
    flown : int
        Of them, those flown now.
    hits : dict of str to int
        Flights with each outcome so far.
    seen : dict of str to int
        Hits of each side whose precision decides when to stop.
    """

    flights: int
    flown: int
    hits: dict[str, int]
    seen: dict[str, int]


OnProgress = Callable[[Progress], None]


def take_stock(run: RunFolder) -> list[tuple[int, bytes]]:
    """Check what is saved, drop what was changed, and note it.

    Parameters
    ----------
    run : RunFolder
        Its ``notes`` are set.

    Returns
    -------
    list of (int, bytes)
        Blocks of segments whose rows are missing, with the SHA-256 the rows must have.
    """
    store, lost = run.store, []
    for first in store.segment_starts():
        try:
            segment = store.read_segment(first)
            _check_size(run, segment)
        except (ChangedContentError, OSError, ValueError, KeyError):
            store.segment_path(first).unlink()
            run.notes.append(
                f"{store.segment_path(first)}: changed since it was written, or of another run; "
                "its blocks are flown again"
            )
            continue
        store.remove_blocks(first)
        for place in range(segment.blocks):
            sha256 = segment.rows[place].tobytes()
            if not store.rows_are_whole(first + place, sha256):
                lost.append((first + place, sha256))
                run.notes.append(
                    f"{store.rows_path(first + place)}: missing or changed; flown again"
                )
    for number in store.numbers():
        try:
            block, sha256 = store.read(number)
            size = min(BLOCK, run.inputs.flights - number * BLOCK)
            whole = block.flights == size and store.rows_are_whole(number, sha256)
        except (ChangedContentError, OSError, ValueError, KeyError):
            whole = False
        if not whole:
            store.block_path(number).unlink()
            run.notes.append(
                f"{store.block_path(number)}: changed since it was written, or of another run; "
                "flown again"
            )
    return lost


def _check_size(run: RunFolder, segment: Segment) -> None:
    """Check that a segment has all its blocks; one at which a precision was reached has fewer."""
    flights = run.inputs.flights
    blocks = block_count(flights)
    full = min(run.store.segment_blocks, blocks - segment.first)
    size = min(segment.blocks * BLOCK, flights - segment.first * BLOCK)
    short = segment.blocks != full and run.inputs.precision is None
    if short or not 1 <= segment.blocks <= full or segment.tally.flights != size:
        raise ChangedContentError


def _missing(store: BlockStore, blocks: int) -> Iterator[int]:
    """Yield the numbers of the blocks that are neither in a segment nor on their own."""
    own = set(store.numbers())
    starts = set(store.segment_starts())
    for number in range(blocks):
        if number not in own and number - number % store.segment_blocks not in starts:
            yield number


def _restore_rows(run: RunFolder, lost: list[tuple[int, bytes]], fly: Fly) -> None:
    wanted = dict(lost)
    for block in fly(iter(wanted), True):
        if run.store.write_rows(block) != wanted[block.number]:
            raise RunFolderError(
                f"{run.store.rows_path(block.number)}: expected the rows that were lost; got "
                "others. Repeat the run in another folder."
            )


class _Count:
    """Flights and hits so far, and whether they are enough."""

    def __init__(
        self, run: RunFolder, watch: PrecisionWatch | None, on_progress: OnProgress | None
    ) -> None:
        self.names, self.watch, self.on_progress = run.layout.outcomes, watch, on_progress
        self.hits = np.zeros(len(self.names), dtype=np.int64)
        self.flights = self.flown = 0

    def add(self, tally: Tally, *, fresh: bool) -> None:
        """Count flights and tell of them; of a watched run after :meth:`enough`."""
        self.hits = self.hits + tally.hits
        self.flights += tally.flights
        self.flown += tally.flights if fresh else 0
        if self.on_progress is not None:
            by_name = dict(zip(self.names, self.hits.tolist(), strict=True))
            seen = {} if self.watch is None else dict(self.watch.seen)
            self.on_progress(Progress(self.flights, self.flown, by_name, seen))

    def enough(self, number: int, outcomes: NDArray[np.uint8], flights: int) -> bool:
        """Watch the next block; return whether the run may stop."""
        return self.watch is not None and self.watch.add(
            outcomes, first_flight=number * BLOCK, flights=flights
        )


def _gather(
    run: RunFolder, first: int, flown: Iterator[Block], count: _Count
) -> tuple[Segment, bool]:
    """Make a segment of its blocks, saved or flown now; return whether the run may stop."""
    store, blocks = run.store, block_count(run.inputs.flights)
    tally: Tally | None = None
    outcomes, digests = [], []
    enough = False
    for number in range(first, min(first + store.segment_blocks, blocks)):
        fresh = not store.block_path(number).exists()
        if fresh:
            block = next(flown)
            digest = store.write(block)
        else:
            block, digest = store.read(number)
        tally = block.tally if tally is None else merge_tallies(tally, block.tally)
        outcomes.append(block.outcomes)
        digests.append(digest)
        enough = count.enough(number, block.outcomes, block.flights)
        count.add(block.tally, fresh=fresh)
        if enough:
            break
    assert tally is not None
    return store.write_segment(first, tally, outcomes, digests), enough


def fly_run(run: RunFolder, *, fly: Fly, on_progress: OnProgress | None = None) -> Sample:
    """Fly what a run lacks and return its sample (without rows, which are in the folder).

    Parameters
    ----------
    run : RunFolder
        From :func:`cgrisk.runs.open_run`.
    fly : callable
        Flies blocks by their numbers, in order.
    on_progress : callable, optional
        Called at the end of every block flown and of every segment read.

    Raises
    ------
    OSError
        If a block cannot be written; those before it stay.
    """
    inputs, store = run.inputs, run.store
    precision = inputs.read_precision(shown=str(run.place))
    watch = None if precision is None else PrecisionWatch(precision, run.layout)
    lost = take_stock(run)
    if lost:
        _restore_rows(run, lost, fly)
    blocks = block_count(inputs.flights)
    flown = fly(_missing(store, blocks), inputs.rows)
    count = _Count(run, watch, on_progress)
    starts = set(store.segment_starts())
    total: Tally | None = None
    for first in range(0, blocks, store.segment_blocks):
        if first in starts:
            segment = store.read_segment(first)
            enough = False
            for number, flights, outcomes in blocks_of(segment, flights=inputs.flights):
                enough = count.enough(number, outcomes, flights)
            count.add(segment.tally, fresh=False)
        else:
            segment, enough = _gather(run, first, flown, count)
        total = segment.tally if total is None else merge_tallies(total, segment.tally)
        if enough:
            break
    close = getattr(flown, "close", None)
    if close is not None:  # blocks begun beyond the end are let go
        close()
    assert total is not None
    return Sample(
        model=run.model,
        seed=inputs.seed,
        layout=run.layout,
        tally=total,
        precision=precision,
        reached={} if watch is None else watch.reached,
    )
