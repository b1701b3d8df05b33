"""Files of a run. A folder is built under another name and renamed when it is whole."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from cgrisk.errors import RunFolderError, UsageError
from cgrisk.runs.manifest import Manifest
from cgrisk.sampling import BLOCK

__all__ = [
    "MANIFEST",
    "SAMPLES",
    "Run",
    "new_run_folder",
    "read_run",
    "write_manifest",
    "write_samples",
]

MANIFEST = "manifest.json"
SAMPLES = "samples.parquet"


@dataclass(frozen=True, slots=True)
class Run:
    """A run read back: its folder, manifest and flights."""

    folder: Path
    manifest: Manifest
    frame: pd.DataFrame


def _sync(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _digest(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()


@contextmanager
def new_run_folder(folder: str | Path) -> Iterator[Path]:
    """Give a working folder; on leaving without an error it becomes ``folder``, else it goes.

    Raises
    ------
    UsageError
        If ``folder`` holds anything already, or is no name of a folder.
    RunFolderError
        If it cannot be written.
    """
    target = Path(folder)
    if target.name in ("", "..") or "\0" in str(folder):
        raise UsageError(
            argument="out",
            expected="the name of a folder to make",
            got=str(folder),
            cure="Choose a name of its own, for instance results/mine.",
        )
    partial = target.with_name(f".{target.name}.partial-{os.getpid()}")
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise UsageError(
                argument="out",
                expected="a new or empty folder",
                got=str(folder),
                cure="It holds files: choose another --out, or remove it first.",
            )
        partial.mkdir(parents=True)
        yield partial
        for path in sorted(partial.rglob("*")):
            if path.is_file():
                _sync(path)
        if target.exists():
            target.rmdir()
        partial.rename(target)
    except OSError as error:
        reason = error.strerror or str(error)
        raise RunFolderError(
            f"{folder}: expected a folder that can be written; got {reason}. "
            "Nothing was kept. Choose another --out or make room."
        ) from error
    finally:
        if partial.exists():
            shutil.rmtree(partial, ignore_errors=True)


def write_samples(folder: Path, frame: pd.DataFrame) -> None:
    """Write the flights as Parquet: flight number, then every figure; one row group a block."""
    table = pa.table(
        {"flight": pa.array(frame.index.to_numpy(), type=pa.uint32())}
        | {name: pa.array(frame[name].to_numpy(), type=pa.float64()) for name in frame.columns}
    )
    pq.write_table(table, folder / SAMPLES, compression="zstd", row_group_size=BLOCK)


def file_digests(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file below a folder but the manifest, by relative name."""
    return {
        path.relative_to(folder).as_posix(): _digest(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != MANIFEST
    }


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Write the manifest, last of all files."""
    (folder / MANIFEST).write_text(manifest.to_json(), encoding="utf-8")


def read_run(folder: str | Path) -> Run:
    """Read a run back, every file against its hash.

    Raises
    ------
    RunFolderError
        If the folder is no complete run, or a file is missing or changed.
    """
    place = Path(folder)
    try:
        text = (place / MANIFEST).read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise RunFolderError(
            f"{folder}: expected a run's folder with a {MANIFEST}; got none that can be read. "
            "Name the folder that `cgrisk run --out` wrote."
        ) from error
    manifest = Manifest.from_json(text, shown=str(place / MANIFEST))
    for name, wanted in manifest.files.items():
        path = place / name
        inside = path.resolve().is_relative_to(place.resolve())
        try:
            found = _digest(path) if inside else "outside the folder"
        except OSError:
            found = "no such file"
        if found != wanted:
            raise RunFolderError(
                f"{path}: expected the file with SHA-256 {str(wanted)[:12]}; got {found[:18]}. "
                "The run was changed after it was written; repeat it."
            )
    if SAMPLES not in manifest.files:
        raise RunFolderError(f"{folder}: expected {SAMPLES} in the manifest; got none. Repeat it.")
    try:
        frame = pq.read_table(place / SAMPLES).to_pandas().set_index("flight")
    except (pa.ArrowException, OSError, KeyError) as error:
        reason = str(error).splitlines()[0]
        raise RunFolderError(f"{place / SAMPLES}: expected Parquet; got {reason}.") from error
    if len(frame) != manifest.flights:
        raise RunFolderError(
            f"{place / SAMPLES}: expected {manifest.flights} flights, as the manifest says; got "
            f"{len(frame)}. Repeat the run."
        )
    return Run(folder=place, manifest=manifest, frame=frame)
