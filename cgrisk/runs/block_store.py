"""Blocks of a run on disk: one file each while it runs, gathered into segments of 256.

A block's tally, outcomes and, if kept, rows are written as it is done, each file whole or absent.
The rows come first and their digest stands in the block's file, so that the block's file alone
says that the block is there. A segment is written before its blocks' files are removed. What is
read back is checked against its checksum; a block that was changed counts as missing.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from cgrisk.runs.files import digest_of, read_regular, sync_folder, write_whole
from cgrisk.sampling import (
    BLOCK,
    SEGMENT_BLOCKS,
    Block,
    ChangedContentError,
    Layout,
    Tally,
    pack_arrays,
    unpack_arrays,
)

__all__ = ["BLOCKS", "SAMPLES", "BlockStore", "Segment", "blocks_of", "rows_content"]

BLOCKS = "blocks"
SAMPLES = "samples"
#: Stands for the SHA-256 of rows that are not kept.
_NO_ROWS = bytes(32)

Bits = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Segment:
    """Up to 256 consecutive blocks, merged in their order.

    Attributes
    ----------
    first : int
        Number of the first block.
    blocks : int
        How many.
    tally : Tally
        Of all their flights.
    outcomes : uint8 array, shape (outcomes, bytes)
        Which flight had which outcome, eight flights a byte.
    rows : uint8 array, shape (blocks, 32)
        SHA-256 of each block's rows; zeros where none are kept.
    """

    first: int
    blocks: int
    tally: Tally
    outcomes: Bits
    rows: Bits


def rows_content(block: Block, columns: tuple[str, ...]) -> bytes:
    """Return a block's rows as Parquet: flight number, then every figure."""
    assert block.rows is not None
    numbers = np.arange(block.first_flight, block.first_flight + block.flights, dtype=np.uint32)
    table = pa.table(
        {"flight": pa.array(numbers)}
        | {name: pa.array(block.rows[:, i]) for i, name in enumerate(columns)}
    )
    content = io.BytesIO()
    pq.write_table(table, content, compression="zstd", row_group_size=BLOCK)
    return content.getvalue()


class BlockStore:
    """Blocks of one run below its folder.

    Attributes
    ----------
    folder : Path
        The run's folder.
    layout : Layout
        What tallies keep.
    keep_rows : bool
        Whether rows are kept beside them.
    identity : bytes
        32 bytes that tell this run's blocks from those of others.
    """

    #: Blocks per segment: about a million flights. Part of the form of a run: sums within a
    #: segment come before those of segments.
    segment_blocks: ClassVar[int] = SEGMENT_BLOCKS

    def __init__(self, folder: Path, *, layout: Layout, keep_rows: bool, identity: bytes) -> None:
        self.folder, self.layout, self.keep_rows = folder, layout, keep_rows
        self.identity = identity

    def make(self) -> None:
        """Make the folders."""
        (self.folder / BLOCKS).mkdir(exist_ok=True)
        if self.keep_rows:
            (self.folder / SAMPLES).mkdir(exist_ok=True)
        sync_folder(self.folder)

    def saved_flights(self, flights: int) -> int:
        """Return how many flights of a run of so many are there."""
        saved = set(self.numbers())
        for first in self.segment_starts():
            with suppress(ChangedContentError, OSError, ValueError, KeyError):
                saved.update(range(first, first + self.read_segment(first).blocks))
        return sum(max(0, min(BLOCK, flights - number * BLOCK)) for number in saved)

    def is_of_another_run(self) -> bool:
        """Return whether the first block or segment that can be read is signed by another run."""
        for path in sorted((self.folder / BLOCKS).glob("*")):
            try:
                identity = unpack_arrays(read_regular(path))["identity"]
            except (ChangedContentError, OSError, ValueError, KeyError):
                continue
            return identity.tobytes() != self.identity
        return False

    def block_path(self, number: int) -> Path:
        """Return the file of a block."""
        return self.folder / BLOCKS / f"{number:08d}.block"

    def segment_path(self, first: int) -> Path:
        """Return the file of the segment that starts with a block."""
        return self.folder / BLOCKS / f"{first:08d}.segment"

    def rows_path(self, number: int) -> Path:
        """Return the file of a block's rows."""
        return self.folder / SAMPLES / f"{number:08d}.parquet"

    def numbers(self) -> list[int]:
        """Return the numbers of the blocks that have a file of their own, ascending."""
        return _numbers(self.folder / BLOCKS, ".block")

    def segment_starts(self) -> list[int]:
        """Return the first blocks of the segments, ascending."""
        return _numbers(self.folder / BLOCKS, ".segment")

    def write(self, block: Block) -> bytes:
        """Write a block: its rows, then its own file; return the SHA-256 of its rows."""
        digest = self.write_rows(block) if self.keep_rows else _NO_ROWS
        self._write_arrays(
            self.block_path(block.number), block.number, block.tally, block.outcomes, [digest]
        )
        return digest

    def write_rows(self, block: Block) -> bytes:
        """Write a block's rows alone; return their SHA-256."""
        content = rows_content(block, self.layout.columns)
        write_whole(self.rows_path(block.number), content)
        return hashlib.sha256(content).digest()

    def read(self, number: int) -> tuple[Block, bytes]:
        """Read a block (without rows) and the SHA-256 of its rows.

        Raises
        ------
        ChangedContentError
            If the file was changed, or is another run's.
        OSError
            If it cannot be read.
        """
        arrays = self._read_arrays(self.block_path(number), number)
        tally = Tally.from_arrays(arrays, layout=self.layout)
        return Block(number, tally, arrays["outcomes"], None), arrays["rows"].tobytes()

    def _write_arrays(
        self, path: Path, number: int, tally: Tally, outcomes: Bits, rows_sha256: list[bytes]
    ) -> Bits:
        """Write tally and outcomes, signed with run and first block; return the rows' digests."""
        rows = np.frombuffer(b"".join(rows_sha256), dtype=np.uint8).reshape(-1, 32)
        own = {
            "identity": np.frombuffer(self.identity, dtype=np.uint8),
            "number": np.array([number]),
        }
        write_whole(path, pack_arrays(tally.arrays() | own | {"outcomes": outcomes, "rows": rows}))
        return rows

    def _read_arrays(self, path: Path, number: int) -> dict[str, NDArray[Any]]:
        arrays = unpack_arrays(read_regular(path))
        if arrays["identity"].tobytes() != self.identity or int(arrays["number"][0]) != number:
            raise ChangedContentError
        return arrays

    def write_segment(
        self, first: int, tally: Tally, outcomes: list[Bits], rows_sha256: list[bytes]
    ) -> Segment:
        """Gather consecutive blocks into a segment, then remove their own files.

        Parameters
        ----------
        first : int
            Number of the first block.
        tally : Tally
            Of all of them, merged in their order.
        outcomes, rows_sha256 : list
            Of each block.
        """
        bits = np.concatenate(outcomes, axis=1)
        rows = self._write_arrays(self.segment_path(first), first, tally, bits, rows_sha256)
        self.remove_blocks(first)
        return Segment(first, rows.shape[0], tally, bits, rows)

    def remove_blocks(self, first: int) -> None:
        """Remove the files of blocks that a segment holds."""
        for number in self.numbers():
            if first <= number < first + self.segment_blocks:
                self.block_path(number).unlink()

    def read_segment(self, first: int) -> Segment:
        """Read a segment.

        Raises
        ------
        ChangedContentError
            If the file was changed, or is another run's.
        OSError
            If it cannot be read.
        """
        arrays = self._read_arrays(self.segment_path(first), first)
        tally = Tally.from_arrays(arrays, layout=self.layout)
        rows = arrays["rows"]
        return Segment(first, rows.shape[0], tally, arrays["outcomes"], rows)

    def rows_are_whole(self, number: int, sha256: bytes) -> bool:
        """Return whether a block's rows are there and unchanged (or none are kept)."""
        if not self.keep_rows:
            return True
        try:
            return digest_of(self.rows_path(number)) == sha256.hex()
        except OSError:
            return False

    def segments(self) -> Iterator[Segment]:
        """Read all segments in order.

        Raises
        ------
        ChangedContentError
            If one was changed.
        """
        for first in self.segment_starts():
            yield self.read_segment(first)


def _numbers(folder: Path, suffix: str) -> list[int]:
    names = (path.name.removesuffix(suffix) for path in folder.glob(f"*{suffix}"))
    return sorted(int(name) for name in names if len(name) == 8 and name.isdecimal())


def blocks_of(segment: Segment, *, flights: int) -> Iterator[tuple[int, int, Bits]]:
    """Return (number, flights, outcomes) of the blocks of a segment of a run of so many flights."""
    for place in range(segment.blocks):
        number = segment.first + place
        size = min(BLOCK, flights - number * BLOCK)
        start = place * (BLOCK // 8)
        yield number, size, segment.outcomes[:, start : start + (size + 7) // 8]
