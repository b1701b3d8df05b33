"""A folder of results that is whole or absent."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cgrisk.errors import RunFolderError

__all__ = ["check_free", "result_folder"]

_PARTIAL = ".partial"


def check_free(folder: str | Path) -> Path:
    """Return a folder as a path if nothing stands there yet and it can be written.

    Raises
    ------
    RunFolderError
        If something does, or if it cannot.
    """
    path = Path(folder)
    try:
        if path.exists() and (not path.is_dir() or any(path.iterdir())):
            raise RunFolderError(
                f"{folder}: expected a folder that is new or empty; it has content. Name another "
                "with --out, or remove it."
            )
        path.parent.mkdir(parents=True, exist_ok=True)
        tempfile.TemporaryDirectory(prefix=f"{path.name}{_PARTIAL}-", dir=path.parent).cleanup()
    except (OSError, ValueError) as error:
        raise _unwritable(folder, error) from error
    return path


def _unwritable(folder: str | Path, error: Exception) -> RunFolderError:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else error
    return RunFolderError(
        f"{folder}: expected a folder that can be written; got: {reason}. Name another with --out."
    )


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


@contextmanager
def result_folder(folder: str | Path) -> Iterator[Path]:
    """Give a folder to write into; it gets its name when all is written, and not before.

    Raises
    ------
    RunFolderError
        If the folder is there already, or cannot be written.
    """
    path = check_free(folder)
    try:
        partial = Path(tempfile.mkdtemp(prefix=f"{path.name}{_PARTIAL}-", dir=path.parent))
        partial.chmod(0o777 & ~_umask())
    except OSError as error:
        raise _unwritable(folder, error) from error
    try:
        yield partial
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    if path.exists():
        path.rmdir()
    partial.replace(path)
