"""Reading a complete run back, every file against its hash."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from cgrisk.errors import RunFolderError
from cgrisk.flight import FlightModel, prepare
from cgrisk.runs.block_store import BLOCKS, SAMPLES, BlockStore, Segment
from cgrisk.runs.files import digest_inside, read_small
from cgrisk.runs.folder import MANIFEST, go_on, refuse_nothing, refuse_unfinished
from cgrisk.runs.inputs import RunInputs
from cgrisk.runs.manifest import Manifest
from cgrisk.sampling import (
    BLOCK,
    ChangedContentError,
    Layout,
    Sample,
    Tally,
    block_count,
    layout_of,
    merge_tallies,
)

__all__ = ["Run", "read_run"]


@dataclass(frozen=True)
class Run:
    """A complete run.

    Attributes
    ----------
    folder : Path
        Where it is.
    manifest : Manifest
        What was run, and what came out.
    model : FlightModel
        What was flown.
    """

    folder: Path
    manifest: Manifest
    model: FlightModel

    @property
    def inputs(self) -> RunInputs:
        """What it was given."""
        return self.manifest.inputs

    @cached_property
    def layout(self) -> Layout:
        """What its tallies keep."""
        return layout_of(self.model)

    @cached_property
    def store(self) -> BlockStore:
        """Its blocks."""
        return BlockStore(
            self.folder,
            layout=self.layout,
            keep_rows=self.inputs.rows,
            identity=self.inputs.identity(),
        )

    def segments(self) -> Iterator[Segment]:
        """Read all segments in order.

        Raises
        ------
        RunFolderError
            If one is not as it was written.
        """
        try:
            yield from self.store.segments()
        except (ChangedContentError, OSError, ValueError, KeyError, zipfile.BadZipFile) as error:
            raise RunFolderError(
                f"{self.folder / BLOCKS}: expected segments as they were written; got others. "
                "Repeat the run."
            ) from error

    def sample(self) -> Sample:
        """Return what its flights did, from the tallies.

        Raises
        ------
        RunFolderError
            If they are not those of all flights.
        """
        total: Tally | None = None
        for segment in self.segments():
            total = segment.tally if total is None else merge_tallies(total, segment.tally)
        if total is None or total.flights != self.manifest.flown:
            raise RunFolderError(
                f"{self.folder / BLOCKS}: expected {self.manifest.flown} flights, as the manifest "
                f"says; got {0 if total is None else total.flights}. Repeat the run."
            )
        return Sample(
            model=self.model,
            seed=self.inputs.seed,
            layout=self.layout,
            tally=total,
            precision=self.inputs.read_precision(shown=str(self.folder / MANIFEST)),
            reached=dict(self.manifest.reached),
        )

    def block_rows(self, number: int) -> pd.DataFrame:
        """Return the rows of a block, index ``flight``, from a run that kept them.

        Raises
        ------
        RunFolderError
            If they cannot be read or are not those of the block.
        """
        path = self.store.rows_path(number)
        try:
            frame: pd.DataFrame = pq.read_table(path).to_pandas().set_index("flight")
        except (pa.ArrowException, OSError, KeyError, ValueError, TypeError) as error:
            reason = (str(error).splitlines() or [type(error).__name__])[0]
            raise RunFolderError(f"{path}: expected Parquet; got {reason}.") from error
        wanted = min(BLOCK, self.manifest.flown - number * BLOCK)
        if len(frame) != wanted:
            raise RunFolderError(
                f"{path}: expected {wanted} flights; got {len(frame)}. Repeat the run."
            )
        faulty = [
            name
            for name in self.model.columns
            if name not in frame or frame[name].dtype != np.float64
        ]
        if faulty:
            raise RunFolderError(
                f"{path}: expected the columns of a run, all of 64-bit numbers; got others "
                f"({', '.join(faulty[:4])}). Repeat the run."
            )
        return frame

    def rows(self) -> pd.DataFrame:
        """Return one row per flight, index ``flight``.

        Raises
        ------
        RunFolderError
            If the run kept none, or they cannot be read.
        """
        if not self.inputs.rows:
            raise RunFolderError(
                f"{self.folder}: expected a run that kept one row per flight; got one without. "
                "Repeat it with --rows."
            )
        numbers = range(block_count(self.manifest.flown))
        return pd.concat([self.block_rows(number) for number in numbers])


def read_run(folder: str | Path) -> Run:
    """Read a complete run back, every file against its hash.

    Raises
    ------
    RunFolderError
        If the folder is no complete run, or a file is missing or changed.
    """
    place = Path(folder)
    refuse_nothing(place)
    refuse_unfinished(place)
    try:
        text = read_small(place / MANIFEST).decode()
    except (OSError, ValueError) as error:
        raise RunFolderError(
            f"{folder}: expected a run's folder with a {MANIFEST}; got none that can be read. "
            "Name the folder that `cgrisk run --out` wrote."
        ) from error
    manifest = Manifest.from_json(text, shown=str(place / MANIFEST))
    _check_files(place, manifest)
    scenario = manifest.inputs.read_scenario(shown=str(place / MANIFEST))
    return Run(folder=place, manifest=manifest, model=prepare(scenario))


def _check_files(place: Path, manifest: Manifest) -> None:
    for name, wanted in manifest.files.items():
        found = digest_inside(place, name)
        if found != wanted:
            got = found if " " in found else found[:12]
            raise RunFolderError(
                f"{place / name}: expected the file with SHA-256 {str(wanted)[:12]}; got "
                f"{got}. The run was changed after it was written: what is amiss is made "
                f"again by: {go_on(place)}"
            )
    blocks = block_count(manifest.flown)
    needed = [
        f"{BLOCKS}/{first:08d}.segment" for first in range(0, blocks, BlockStore.segment_blocks)
    ]
    if manifest.inputs.rows:
        needed += [f"{SAMPLES}/{number:08d}.parquet" for number in range(blocks)]
    for name in needed:
        if name not in manifest.files:
            raise RunFolderError(
                f"{place}: expected {name} in the manifest; got none. Repeat the run."
            )
