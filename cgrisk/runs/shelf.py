"""A shelf for finished pieces of a long computation, so that it can be interrupted and taken up."""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from contextlib import suppress
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import RunFolderError
from cgrisk.runs.files import read_regular, write_whole

__all__ = ["Shelf"]

_DIGEST: Final = 64
#: What reading an archive raises that is none, whatever its digest says.
_NO_ARCHIVE: Final = (ValueError, TypeError, KeyError, EOFError, OSError)


class Shelf:
    """Arrays by name in a folder, each piece whole or absent, for one computation alone.

    Parameters
    ----------
    folder : Path
        Made when the first piece is put.
    key : str
        Says all that the pieces depend on; pieces of another key are not found.
    """

    def __init__(self, folder: Path, *, key: str) -> None:
        self.folder = folder
        self._key = hashlib.sha256(key.encode()).hexdigest()

    def _path(self, name: str) -> Path:
        piece = hashlib.sha256(f"{self._key}\n{name}".encode()).hexdigest()
        return self.folder / f"{piece[:24]}.piece"

    def get(self, name: str) -> dict[str, NDArray[np.generic]] | None:
        """Return a piece, or None where there is none or it was changed on the disk."""
        try:
            content = read_regular(self._path(name))
        except OSError:
            return None
        digest, body = content[:_DIGEST], content[_DIGEST:]
        if digest != hashlib.sha256(body).hexdigest().encode():
            return None
        try:
            with np.load(io.BytesIO(body), allow_pickle=False) as found:
                return {key: found[key] for key in found.files}
        except (*_NO_ARCHIVE, zipfile.BadZipFile, zlib.error):
            return None

    def put(self, name: str, arrays: dict[str, NDArray[np.generic]]) -> None:
        """Put a piece.

        Raises
        ------
        OSError
            If the disk refuses it.
        RunFolderError
            If a link stands in the folder's place, which would lead elsewhere.
        """
        if self.folder.is_symlink():
            raise RunFolderError(
                f"{self.folder}: expected a folder of its own for finished pieces; got a link. "
                "Remove the link, or name another folder with --out."
            )
        self.folder.mkdir(parents=True, exist_ok=True)
        body = io.BytesIO()
        np.savez_compressed(body, **arrays)  # type: ignore[arg-type]
        content = body.getvalue()
        digest = hashlib.sha256(content).hexdigest().encode()
        write_whole(self._path(name), digest + content)

    def pieces(self) -> int:
        """Return how many pieces there are, of any key."""
        return len(list(self.folder.glob("*.piece"))) if self.folder.is_dir() else 0

    def clear(self) -> None:
        """Remove all pieces, and the folder if nothing else is in it."""
        for piece in self.folder.glob("*.piece"):
            if piece.is_symlink() or not piece.is_dir():
                piece.unlink()
        with suppress(OSError):
            self.folder.rmdir()
