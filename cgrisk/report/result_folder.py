"""A folder of results that is whole or absent, and that says when it was changed."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from cgrisk.errors import RunFolderError
from cgrisk.runs.files import (
    PARTIAL,
    digest_inside,
    digest_of,
    make_parents,
    read_sealed_json,
    read_small,
    remove_empty,
    sealed_json,
    try_writing,
)

__all__ = ["SEAL", "check_free", "check_seal", "result_folder"]

#: Names every file of a folder of results with its SHA-256; written last.
SEAL: Final = "seal.json"
_FORMAT: Final = 1


def check_free(folder: str | Path) -> Path:
    """Return a folder as a path if nothing stands there yet and it can be written; leave nothing.

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
        try_writing(path)
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

    What was written is sealed: :func:`check_seal` tells whether it was changed.

    Raises
    ------
    RunFolderError
        If the folder is there already, or cannot be written.
    """
    path = check_free(folder)
    try:
        new = make_parents(path)
        partial = Path(tempfile.mkdtemp(prefix=f"{path.name}{PARTIAL}-", dir=path.parent))
        partial.chmod(0o777 & ~_umask())
    except OSError as error:
        raise _unwritable(folder, error) from error
    try:
        yield partial
        _seal(partial)
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        remove_empty(new)
        raise
    if path.exists():
        path.rmdir()
    partial.replace(path)


def _seal(folder: Path) -> None:
    files = {
        path.relative_to(folder).as_posix(): digest_of(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
    text = sealed_json({"format": _FORMAT, "files": files})
    (folder / SEAL).write_text(text, encoding="utf-8")


def check_seal(folder: str | Path) -> tuple[str, ...]:
    """Return the files of a folder of results, every one checked against its hash.

    Raises
    ------
    RunFolderError
        If the folder has no seal, or a file is missing or changed.
    """
    place = Path(folder)
    try:
        text = read_small(place / SEAL).decode()
    except (OSError, ValueError) as error:
        raise RunFolderError(
            f"{folder}: expected a folder of results with a {SEAL}; got none that can be read. "
            "Repeat the command that made it."
        ) from error
    kinds: dict[str, type | tuple[type, ...]] = {"format": int, "files": dict}
    sealed = read_sealed_json(text, shown=str(place / SEAL), kinds=kinds, form=_FORMAT)
    for name, wanted in sealed["files"].items():
        found = digest_inside(place, name)
        if found != wanted:
            got = found if " " in found else found[:12]
            raise RunFolderError(
                f"{place / name}: expected the file with SHA-256 {str(wanted)[:12]}; got {got}. "
                "It was changed after it was written: repeat the command that made it."
            )
    return tuple(sealed["files"])
