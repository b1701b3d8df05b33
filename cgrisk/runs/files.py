"""Files that are whole or absent, and that say when they were changed."""

from __future__ import annotations

import errno
import hashlib
import json
import os
from pathlib import Path
from typing import Any

from cgrisk.errors import RunFolderError

__all__ = [
    "PARTIAL",
    "digest_inside",
    "digest_of",
    "read_sealed_json",
    "remove_partial",
    "sealed_json",
    "sync_folder",
    "write_refusal",
    "write_whole",
]

#: Ends the name of a file that is being written.
PARTIAL = ".partial"


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
    """Write a file under another name, hand it to the disk, then give it its name."""
    partial = path.with_name(path.name + PARTIAL)
    with partial.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    partial.replace(path)
    sync_folder(path.parent)


def remove_partial(folder: Path) -> None:
    """Remove what a writer that was cut off left below a folder."""
    for path in folder.rglob(f"*{PARTIAL}"):
        path.unlink()


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
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
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise RunFolderError(f"{shown}: expected JSON; got {error}. {cure}") from error
    if not isinstance(data, dict):
        raise RunFolderError(f"{shown}: expected a JSON object; got another value. {cure}")
    if isinstance(data.get("format"), int) and data["format"] != form:
        raise RunFolderError(
            f"{shown}: expected format {form}; got {data['format']!r}, of another version of "
            f"cgrisk. {cure}"
        )
    for name, kind in kinds.items():
        value = data.get(name)
        wants_truth = kind is bool or (isinstance(kind, tuple) and bool in kind)
        if not isinstance(value, kind) or (isinstance(value, bool) and not wants_truth):
            raise RunFolderError(f"{shown}: expected {name!r} of its kind; got {value!r}. {cure}")
    content = {name: data[name] for name in kinds}
    if data.get("sha256") != _content_digest(content):
        raise RunFolderError(
            f"{shown}: expected the content its sha256 stands for; got another. "
            f"The file was changed after it was written. {cure}"
        )
    return content


def write_refusal(error: OSError) -> tuple[str, str]:
    """Return what stands in the way of writing, and the cure."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return f"no room ({error.strerror})", "Make room"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"no permission to write ({error.strerror})", "Make the folder writable"
    return error.strerror or str(error), "Mend that"


def digest_inside(place: Path, name: str) -> str:
    """Return the SHA-256 of a file of a folder by its relative name, or what is amiss, in words."""
    path = place / name
    if not path.resolve().is_relative_to(place.resolve()):
        return "outside the folder"
    try:
        return digest_of(path)
    except OSError:
        return "no such file"
