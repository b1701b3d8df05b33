"""Blocks as bytes, small and with a checksum: for files and for the way back from a worker."""

from __future__ import annotations

import hashlib
import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cgrisk.sampling.blocks import Block
from cgrisk.sampling.layout import Layout
from cgrisk.sampling.tally import Tally

__all__ = [
    "ChangedContentError",
    "pack_arrays",
    "pack_block",
    "unpack_arrays",
    "unpack_block",
]

_MAGIC = b"cgrisk arrays 1 sha256 "
_HEAD = len(_MAGIC) + 64 + 1


class ChangedContentError(Exception):
    """Content is not what its checksum stands for."""


def pack_arrays(arrays: dict[str, NDArray[Any]]) -> bytes:
    """Return arrays as bytes: a line with the SHA-256 of the rest, then the arrays compressed."""
    packed = io.BytesIO()
    np.savez_compressed(packed, allow_pickle=False, **arrays)
    payload = packed.getvalue()
    return _MAGIC + hashlib.sha256(payload).hexdigest().encode() + b"\n" + payload


def unpack_arrays(content: bytes) -> dict[str, NDArray[Any]]:
    """Return the arrays that :func:`pack_arrays` packed.

    Raises
    ------
    ChangedContentError
        If the content is not what its checksum stands for.
    """
    payload = content[_HEAD:]
    if content[:_HEAD] != _MAGIC + hashlib.sha256(payload).hexdigest().encode() + b"\n":
        raise ChangedContentError
    with np.load(io.BytesIO(payload), allow_pickle=False) as packed:
        return {name: packed[name] for name in packed.files}


def pack_block(block: Block) -> bytes:
    """Return a block's number, tally and outcomes, without its rows, as bytes."""
    number = np.array([block.number])
    return pack_arrays(block.tally.arrays() | {"outcomes": block.outcomes, "number": number})


def unpack_block(content: bytes, *, layout: Layout) -> Block:
    """Return the block that :func:`pack_block` packed.

    Raises
    ------
    ChangedContentError
        If the content is not what its checksum stands for.
    """
    arrays = unpack_arrays(content)
    tally = Tally.from_arrays(arrays, layout=layout)
    return Block(int(arrays["number"][0]), tally, arrays["outcomes"], None)
