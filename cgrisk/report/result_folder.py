"""A folder of results that is whole or absent."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cgrisk.errors import RunFolderError

__all__ = ["check_free", "result_folder"]

_PARTIAL = ".partial"


def check_free(folder: str | Path) -> Path:
    """Return a folder as a path if nothing stands there yet.

    Raises
    ------
    RunFolderError
        If something does.
    """
    path = Path(folder)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise RunFolderError(
            f"{folder}: expected a folder that is new or empty; it has content. Name another with "
            "--out, or remove it."
        )
    return path


@contextmanager
def result_folder(folder: str | Path) -> Iterator[Path]:
    """Give a folder to write into; it gets its name when all is written, and not before.

    Raises
    ------
    RunFolderError
        If the folder is there already, or cannot be written.
    """
    path = check_free(folder)
    partial = path.with_name(path.name + _PARTIAL)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if partial.exists():
            shutil.rmtree(partial)
        partial.mkdir()
    except OSError as error:
        raise RunFolderError(
            f"{folder}: cannot be written ({error.strerror or error}). Name another with --out."
        ) from error
    try:
        yield partial
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    if path.exists():
        path.rmdir()
    partial.replace(path)
