"""The page written to the disk, whole or not at all."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from cgrisk.errors import RunFolderError, UsageError
from cgrisk.runs.files import PARTIAL, try_writing, write_whole

__all__ = ["check_page", "publish_replay"]


def check_page(*, out: str | None, default: Path) -> Path:
    """Return where a page will be written, if it can be.

    Parameters
    ----------
    out : str or None
        File asked for, which must be new.
    default : Path
        Where to write if none was asked for; a page that is there is replaced.

    Raises
    ------
    UsageError
        If something stands where it was asked for.
    RunFolderError
        If it cannot be written.
    """
    path = default if out is None else Path(out)
    try:
        if out is not None and (path.exists() or path.is_symlink()):
            raise UsageError(
                argument="out",
                expected="a file that is new",
                got=out,
                cure="Name another, or remove it.",
            )
        try_writing(path)
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from error
    return path


def _unwritable(path: Path, error: Exception) -> RunFolderError:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else error
    return RunFolderError(
        f"{path}: expected a file that can be written; got: {reason}. Name another with --out."
    )


def publish_replay(page: str, *, out: str | None, default: Path) -> Path:
    """Write a page and return where; parameters and errors as of :func:`check_page`.

    Parameters
    ----------
    page : str
        The page.
    out : str or None
    default : Path
    """
    path = check_page(out=out, default=default)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, page.encode())
    except (OSError, ValueError) as error:
        with suppress(OSError, ValueError):
            path.with_name(path.name + PARTIAL).unlink(missing_ok=True)
        raise _unwritable(path, error) from error
    return path
