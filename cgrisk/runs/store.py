"""Run folders: built beside their final name, renamed when whole, checked when read."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import time
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import ValidationError

from cgrisk.errors import CgriskError
from cgrisk.flight import FlightModel, prepare
from cgrisk.runs.faults import RunInputError, disk_refused
from cgrisk.runs.fly import FlownRun
from cgrisk.runs.manifest import (
    MANIFEST_FILE,
    FileEntry,
    Manifest,
    make_manifest,
    read_manifest,
)
from cgrisk.sampling import BLOCK, Sample
from cgrisk.scenario import Scenario

__all__ = [
    "SAMPLES_FILE",
    "Run",
    "check_folder_is_free",
    "new_run_folder",
    "read_run",
    "run_folder_name",
    "write_run",
    "write_samples",
]

SAMPLES_FILE: Final = "samples.parquet"
SUMMARIES: Final = "summaries"
_CHUNK: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Run:
    """A run read back from its folder, every file checked against the manifest.

    Attributes
    ----------
    manifest : Manifest
        How it was made.
    frame : pandas.DataFrame
        One row per flight, index ``flight``, one float64 column per figure.
    """

    manifest: Manifest
    frame: pd.DataFrame

    def scenario(self) -> Scenario:
        """Return the scenario that was flown.

        Raises
        ------
        RunInputError
            If this version of cgrisk does not read the scenario of the one that wrote it.
        """
        return scenario_of(self.manifest)

    def sample(self) -> Sample:
        """Return the sample, ready for the readings of :mod:`cgrisk.risk`.

        Raises
        ------
        RunInputError
            If this version of cgrisk keeps other figures of a flight than the run has.
        """
        model = model_of(self.manifest)
        if tuple(self.frame.columns) != model.columns:
            raise RunInputError(
                "expected the figures of a flight that this cgrisk keeps; got those of "
                f"cgrisk {self.manifest.cgrisk}. Run the scenario again."
            )
        return Sample(model=model, seed=self.manifest.seed, frame=self.frame)


def scenario_of(manifest: Manifest) -> Scenario:
    """Return the scenario of a manifest, or raise RunInputError."""
    try:
        return Scenario.from_resolved(manifest.scenario, origin=MANIFEST_FILE)
    except (ValidationError, KeyError, TypeError) as error:
        raise RunInputError(
            "The manifest's scenario: expected one that this cgrisk reads; got one of cgrisk "
            f"{manifest.cgrisk} that it does not ({type(error).__name__}). Use that version, or "
            "run the scenario again."
        ) from None


def model_of(manifest: Manifest) -> FlightModel:
    """Return the scenario of a manifest made ready to fly, or raise RunInputError."""
    scenario = scenario_of(manifest)
    try:
        return prepare(scenario)
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        raise RunInputError(
            "The manifest's scenario: expected one that hangs together; got one that cannot be "
            f"flown ({type(error).__name__}: {error}). Run the scenario's own files again."
        ) from None


def run_folder_name(scenario_name: str, *, seed: int) -> str:
    """Return a plain folder name for a run: the scenario's name in small letters, and the seed."""
    plain = unicodedata.normalize("NFKD", scenario_name).encode("ascii", "ignore").decode()
    slug = re.sub(r"[^a-z0-9]+", "-", plain.lower())[:48].strip("-")
    return f"{slug or 'scenario'}-seed{seed}"


def check_folder_is_free(folder: str | Path) -> None:
    """Raise RunInputError where a folder's name is taken by anything but an empty folder."""
    place = Path(folder)
    try:
        if not os.path.lexists(place) or (place.is_dir() and not any(place.iterdir())):
            return
        if not place.is_dir():
            got, cure = "a file of that name", "Choose another name with --out."
        elif (place / MANIFEST_FILE).is_file():
            got = "a run"
            cure = "Choose another name with --out, or take that run away; none is overwritten."
        else:
            got, cure = "a folder that holds other files", "Choose another name with --out."
    except ValueError:
        got, cure = "a name with a null byte", "Choose another name with --out."
    except OSError as error:
        raise disk_refused(error, folder=folder, doing="written") from error
    raise RunInputError(
        f"{folder}: expected a new or empty folder to write the run to; got {got}. {cure}"
    )


@contextlib.contextmanager
def new_run_folder(folder: str | Path) -> Iterator[Path]:
    """Build a run folder: yields a hidden folder beside it, which takes its name at the end.

    The hidden folder ``.<name>.partial-<process>`` is made at once, so that a name that is taken
    or a disk that cannot be written to is found before the flights are flown. Leaving the block
    with an error removes it; a killed process leaves only the hidden folder.

    Raises
    ------
    RunInputError
        If the folder exists and is not empty.
    RunFolderError
        If the disk refuses.
    """
    check_folder_is_free(folder)
    final = Path(folder).resolve()
    try:
        final.parent.mkdir(parents=True, exist_ok=True)
        partial = _fresh_partial(final)
    except OSError as error:
        raise disk_refused(error, folder=folder, doing="written") from error
    try:
        yield partial
        _sync(partial)
        check_folder_is_free(folder)
        if final.is_dir():
            final.rmdir()  # an empty one; some systems do not rename onto it
        partial.rename(final)
        _sync_folder(final.parent)
    except BaseException as error:
        shutil.rmtree(partial, ignore_errors=True)
        refused = _refusal(error, folder)
        if refused is None:
            raise
        raise refused from error


def _refusal(error: BaseException, folder: object) -> CgriskError | None:
    """Return the run folder's error for an error of the disk; None for any other error."""
    if isinstance(error, OSError | pa.ArrowException):
        system = error if isinstance(error, OSError) else OSError(str(error))
        return disk_refused(system, folder=folder, doing="written")
    return None


def _fresh_partial(final: Path) -> Path:
    for count in range(1000):
        suffix = "" if count == 0 else f"-{count}"
        partial = final.parent / f".{final.name}.partial-{os.getpid()}{suffix}"
        try:
            partial.mkdir()
        except FileExistsError:
            continue
        return partial
    raise OSError(f"too many unfinished runs beside {final.name}")


def _sync(folder: Path) -> None:
    for path in [*folder.rglob("*"), folder]:
        if path.is_dir():
            _sync_folder(path)
        else:
            with path.open("rb+") as file:
                os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":  # elsewhere folders cannot be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_run(
    partial: Path,
    *,
    flown: FlownRun,
    tables: Mapping[str, pd.DataFrame],
    confidence: float,
    publish: Callable[[Path], object] | None = None,
    command: tuple[str, ...] = (),
    timings_s: Mapping[str, float] | None = None,
) -> Manifest:
    """Write a run into the folder that :func:`new_run_folder` yields; the manifest comes last.

    Parameters
    ----------
    partial : pathlib.Path
        Folder to fill.
    flown : FlownRun
        The flights.
    tables : mapping of str to pandas.DataFrame
        Summaries by file stem; each becomes ``summaries/<stem>.csv``.
    confidence : float
        Of the intervals in the summaries.
    publish : callable, optional
        Writes charts and other files for people into the folder.
    command : tuple of str
        The command as given.
    timings_s : mapping of str to float, optional
        Seconds of further stages.

    Returns
    -------
    Manifest
        As written.
    """
    start = time.perf_counter()
    write_samples(partial / SAMPLES_FILE, flown.sample.frame)
    (partial / SUMMARIES).mkdir()
    for stem, table in tables.items():
        path = partial / SUMMARIES / f"{stem}.csv"
        path.write_text(table.to_csv(index=False, lineterminator="\n"), "utf-8", newline="")
    if publish is not None:
        publish(partial)
    files = {
        path.relative_to(partial).as_posix(): _entry(path)
        for path in sorted(partial.rglob("*"))
        if path.is_file()
    }
    spent = {**(timings_s or {}), "write": time.perf_counter() - start}
    manifest = make_manifest(
        flown, confidence=confidence, command=command, timings_s=spent, files=files
    )
    (partial / MANIFEST_FILE).write_text(manifest.to_json(), "utf-8", newline="")
    return manifest


def write_samples(path: Path, frame: pd.DataFrame) -> None:
    """Write figures as Parquet, a row group a block; equal figures give equal bytes."""
    names = [str(name) for name in frame.columns]
    schema = pa.schema([("flight", pa.int64()), *((name, pa.float64()) for name in names)])
    with pq.ParquetWriter(path, schema, compression="zstd", store_schema=False) as writer:
        for first in range(0, len(frame), BLOCK):
            part = frame.iloc[first : first + BLOCK]
            flights = pa.array(part.index.to_numpy(dtype=np.int64))
            columns = [pa.array(part[name].to_numpy(dtype=np.float64)) for name in names]
            table = pa.Table.from_arrays([flights, *columns], schema=schema)
            writer.write_table(table, row_group_size=BLOCK)


def _entry(path: Path) -> FileEntry:
    digest = hashlib.sha256()
    size = 0
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
            size += len(chunk)
    return FileEntry(sha256=digest.hexdigest(), bytes=size)


def read_run(folder: str | Path) -> Run:
    """Read a run and check every file of it.

    Parameters
    ----------
    folder : str or pathlib.Path
        Folder of a complete run.

    Raises
    ------
    RunInputError
        If it is no complete run, or a file is missing, was changed, or cannot be made sense of.
    RunFolderError
        If the disk refuses.
    """
    place = Path(folder)
    manifest = read_manifest(place)
    try:
        faults = list(_file_faults(place, manifest))
        if faults:
            raise RunInputError("\n".join(faults))
        return Run(manifest, _read_samples(place / SAMPLES_FILE, manifest))
    except OSError as error:
        raise disk_refused(error, folder=folder, doing="read") from error


def _file_faults(place: Path, manifest: Manifest) -> Iterator[str]:
    cure = "Restore it, or run the scenario again."
    names = manifest.files if SAMPLES_FILE in manifest.files else (SAMPLES_FILE, *manifest.files)
    root = place.resolve()
    for name in names:
        path = place / name
        stated = manifest.files.get(name)
        if stated is None:
            yield f"{path}: expected in the manifest's list of files; got no entry. {cure}"
        elif not path.is_file() or not path.resolve().is_relative_to(root):
            yield f"{path}: expected a file of the run; got none. {cure}"
        elif (found := _entry(path)) != stated:
            what = (
                f"{found.bytes} bytes"
                if found.bytes != stated.bytes
                else f"SHA-256 {found.sha256[:12]}..."
            )
            kept = (
                f"{stated.bytes} bytes"
                if found.bytes != stated.bytes
                else f"SHA-256 {stated.sha256[:12]}..."
            )
            yield f"{path}: expected {kept} as the manifest says; got {what}: changed. {cure}"


def _read_samples(path: Path, manifest: Manifest) -> pd.DataFrame:
    try:
        table = pq.read_table(path)
    except (pa.ArrowException, UnicodeDecodeError) as error:
        raise _no_samples(path, f"what is no Parquet file ({error})") from None
    names = [field.name for field in table.schema if field.name != "flight"]
    if len(set(table.schema.names)) != len(names) + 1:
        raise _no_samples(path, "columns without 'flight', or of the same name")
    if any(table.schema.field(name).type != pa.float64() for name in names):
        raise _no_samples(path, "columns that are not 64-bit floats")
    flights = table.column("flight").to_numpy()
    if not np.array_equal(flights, np.arange(manifest.flights)):
        raise _no_samples(path, f"{flights.size} rows for {manifest.flights} flights, in order")
    frame = pd.DataFrame({name: table.column(name).to_numpy() for name in names})
    frame.index.name = "flight"
    return frame


def _no_samples(path: Path, got: str) -> RunInputError:
    return RunInputError(
        f"{path}: expected one row of 64-bit floats per flight; got {got}. Run the scenario again."
    )
