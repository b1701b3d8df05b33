"""Files that are whole or absent, and that say when they were changed."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import stat
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO, Final

from cgrisk.errors import RunFolderError

__all__ = [
    "PARTIAL",
    "digest_inside",
    "digest_of",
    "make_parents",
    "read_regular",
    "read_sealed_json",
    "read_small",
    "remove_empty",
    "remove_partial",
    "sealed_json",
    "sync_folder",
    "try_writing",
    "write_refusal",
    "write_whole",
]

#: Ends the name of a file that is being written.
PARTIAL = ".partial"
#: Longest value that a message repeats.
_LONGEST_SHOWN: Final = 60
#: Largest sealed JSON file that is read. A manifest has 30 kB, and 100 bytes a file of rows.
_MOST_BYTES: Final = 256_000_000


def sync_folder(folder: Path) -> None:
    """Hand a folder's own entries to the disk."""
    if os.name != "posix":  # elsewhere a folder cannot be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under another name, hand it to the disk, then give it its name.

    What stands under the other name is taken away first: a link there would lead elsewhere.
    """
    partial = path.with_name(path.name + PARTIAL)
    partial.unlink(missing_ok=True)
    with partial.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    partial.replace(path)
    sync_folder(path.parent)


def make_parents(path: Path) -> list[Path]:
    """Make the folders above a path; return those that were not there, deepest first."""
    new = [parent for parent in path.parents if not parent.exists()]
    path.parent.mkdir(parents=True, exist_ok=True)
    return new


def remove_empty(folders: list[Path]) -> None:
    """Remove folders that :func:`make_parents` made, up to one in which something was put."""
    with suppress(OSError):
        for folder in folders:
            folder.rmdir()


def try_writing(path: Path) -> None:
    """Try whether something can be made under a path's name, and leave nothing.

    Raises
    ------
    OSError, ValueError
        If it cannot.
    """
    new = make_parents(path)
    try:
        tempfile.TemporaryDirectory(prefix=f"{path.name}{PARTIAL}-", dir=path.parent).cleanup()
    finally:
        remove_empty(new)


def remove_partial(folder: Path) -> None:
    """Remove what a writer that was cut off left below a folder."""
    for path in folder.rglob(f"*{PARTIAL}"):
        path.unlink()


def _open_regular(path: Path) -> BinaryIO:
    """Open a file for reading; a pipe, which would be waited for, or a device is refused."""
    # Without it, opening a pipe waits until somebody writes into it.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, "not a regular file", str(path))
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_regular(path: Path) -> bytes:
    """Return the content of a file.

    Raises
    ------
    OSError
        If it is not there, cannot be read, or is no regular file.
    """
    with _open_regular(path) as file:
        return file.read()


def read_small(path: Path) -> bytes:
    """Return the content of a JSON file of a folder that cgrisk wrote, if it is no monster.

    Raises
    ------
    OSError
        As :func:`read_regular`.
    RunFolderError
        If it is larger than any that is written.
    """
    with _open_regular(path) as file:
        size = os.fstat(file.fileno()).st_size
        if size > _MOST_BYTES:
            raise RunFolderError(
                f"{path}: expected at most {_MOST_BYTES:,} bytes; got {size:,}. It was changed "
                "after it was written: repeat the command that made it."
            )
        return file.read(_MOST_BYTES)


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a regular file."""
    digest = hashlib.sha256()
    with _open_regular(path) as file:
        while chunk := file.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()


def _content_digest(content: dict[str, Any]) -> str:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def sealed_json(content: dict[str, Any]) -> str:
    """Return plain data as JSON text that holds the SHA-256 of its own content."""
    data = content | {"sha256": _content_digest(content)}
    return json.dumps(data, indent=2, sort_keys=True, allow_nan=False) + "\n"


def read_sealed_json(
    text: str, *, shown: str, kinds: dict[str, type | tuple[type, ...]], form: int
) -> dict[str, Any]:
    """Read what :func:`sealed_json` wrote, trusting nothing.

    Parameters
    ----------
    text : str
        Content of the file.
    shown : str
        The file as the user knows it.
    kinds : dict of str to types
        Keys that must be there; true and false count as no numbers.
    form : int
        Version of the file's form, its key ``format``.

    Raises
    ------
    RunFolderError
        If it is no such file, of another form, or changed.
    """
    cure = "Repeat the run; do not edit its files."
    try:
        data = json.loads(text, parse_constant=_no_number)
        digest = _content_digest({name: data[name] for name in kinds if name in data})
    except (ValueError, RecursionError) as error:
        raise RunFolderError(f"{shown}: expected JSON; got {error}. {cure}") from error
    except TypeError:
        digest = ""  # no object, which is told below
    if not isinstance(data, dict):
        raise RunFolderError(f"{shown}: expected a JSON object; got another value. {cure}")
    if isinstance(data.get("format"), int) and data["format"] != form:
        raise RunFolderError(
            f"{shown}: expected format {form}; got {_short(data['format'])}, of another "
            f"version of cgrisk. {cure}"
        )
    for name, kind in kinds.items():
        if name not in data:
            raise RunFolderError(f"{shown}: expected {name!r}; got no such key. {cure}")
        value = data[name]
        wants_truth = kind is bool or (isinstance(kind, tuple) and bool in kind)
        if not isinstance(value, kind) or (isinstance(value, bool) and not wants_truth):
            raise RunFolderError(
                f"{shown}: expected {name!r} of its kind; got {_short(value)}. {cure}"
            )
    content = {name: data[name] for name in kinds}
    if data.get("sha256") != digest:
        raise RunFolderError(
            f"{shown}: expected the content its sha256 stands for; got another. "
            f"The file was changed after it was written. {cure}"
        )
    return content


def _no_number(name: str) -> float:
    """Refuse NaN and infinities, which JSON does not have."""
    raise ValueError(f"{name}, which is no number of JSON")


def _short(value: object) -> str:
    """Return a value as a message repeats it."""
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


def write_refusal(error: OSError) -> tuple[str, str]:
    """Return what stands in the way of writing, and the cure."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return f"no room ({error.strerror})", "Make room"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"no permission to write ({error.strerror})", "Make the folder writable"
    return error.strerror or str(error), "Mend that"


def digest_inside(place: Path, name: str) -> str:
    """Return the SHA-256 of a file of a folder by its relative name, or what is amiss, in words."""
    try:
        path = place / name
        if not path.resolve().is_relative_to(place.resolve()):
            return "outside the folder"
        return digest_of(path)
    except FileNotFoundError:
        return "no such file"
    except (OSError, RuntimeError, ValueError, TypeError):  # a loop of links, a name with NUL
        return "no regular file that can be read"
