"""Versions of a passenger that tell when he first gets up and whom he asks along.

A big move is somebody who gets up early and many of his party who come along: each of these words
is common enough, all together are not. The highest versions of a passenger's movement therefore
tell a cell of the word of his first urge (``flight.kernel.told_words``) and, for one of his
attempts, which of the first 16 members of his party have asking words below an eighth of all words;
the others have theirs above it. All words have the law of any word within what is told.

The bits of such a version: 1, the cell (7), the attempt less one (2), the members (16), the number
of the draw (6).
"""

from __future__ import annotations

import numpy as np

from cgrisk.compiled import kernel
from cgrisk.flight.kernel.told_words import TOLD

__all__ = ["ASKED", "ASKED_CHANCE", "ATTEMPTS", "asked_word", "is_low", "told_call"]

#: Members told; attempts that may be; chance of a low word.
ASKED, ATTEMPTS, ASKED_CHANCE = 16, 4, 0.125

_LOW_BITS = 3
_LOW_END = 1 << (32 - _LOW_BITS)


@kernel
def told_call(cell: int, attempt: int, members: int, draw: int) -> int:
    """Return a version; ``attempt`` from 1, bit ``i`` of ``members`` for the i-th of the party."""
    return TOLD + (cell << 24) + ((attempt - 1) << 22) + (members << 6) + draw


@kernel
def is_low(word: np.uint32) -> bool:
    """Return whether an asking word is below an eighth of all words."""
    return bool(np.int64(word) < _LOW_END)


@kernel
def asked_word(version: int, attempt: int, member: int, word: np.uint32) -> np.uint32:
    """Return the asking word of a member on an attempt, by the word that the version draws."""
    if version < TOLD or member >= ASKED or attempt != ((version >> 22) & 3) + 1:
        return word
    drawn = np.int64(word)
    if (version >> (6 + member)) & 1:
        return np.uint32(drawn >> _LOW_BITS)
    return np.uint32(_LOW_END + drawn - ((drawn + (1 << _LOW_BITS) - 1) >> _LOW_BITS))
