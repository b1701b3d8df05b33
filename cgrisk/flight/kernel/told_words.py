"""Versions that tell where a word lies, so that a rare word need not be looked for.

Versions of an entity are other draws of all its words: to find one whose words are rare, each for
itself, takes as many as the product of their chances says. The highest versions therefore tell a
cell of one word, which has the law of any word within that cell; its other words are those of any
version. The bits of such a version: 1, the cell (7), the number of the draw (24).

Cells are halves of octaves: of the words below the middle, those of octave ``k`` have chances of
``2^-(k + 2)`` together, the last octave all that is left; the cells above the middle mirror them.
"""

from __future__ import annotations

import numpy as np

from cgrisk.compiled import kernel

__all__ = ["CELLS", "DRAWS", "TOLD", "cell_bounds", "cell_of", "first_told", "told_word"]

#: First version that tells a cell; draws under each.
TOLD, DRAWS = 1 << 31, 1 << 24
#: Cells, both sides of the middle.
CELLS = 94

_LAST_OCTAVE = 23
_SIDE = CELLS // 2
_LAST_WORD = (1 << 32) - 1


@kernel
def _cell_below(cell: int) -> tuple[int, int]:
    """Return the first word of a cell below the middle, and how many bits are free there."""
    octave, half = cell // 2, cell % 2
    if octave == _LAST_OCTAVE:
        return 0, 31 - _LAST_OCTAVE
    bits = 29 - octave
    return (1 << (30 - octave)) + (half << bits), bits


@kernel
def cell_bounds(cell: int) -> tuple[int, int]:
    """Return the first word of a cell, 0 to ``CELLS`` - 1, and the first past its words."""
    first, bits = _cell_below(cell % _SIDE)
    past = first + (1 << bits)
    if cell < _SIDE:
        return first, past
    return _LAST_WORD + 1 - past, _LAST_WORD + 1 - first


@kernel
def cell_of(word: int) -> int:
    """Return the cell in which a word lies."""
    upper = word > _LAST_WORD // 2
    below = _LAST_WORD - word if upper else word
    octave = 0
    while octave < _LAST_OCTAVE and below < 1 << (30 - octave):
        octave += 1
    cell = 2 * octave
    if octave < _LAST_OCTAVE:
        cell += (below >> (29 - octave)) & 1
    return cell + _SIDE if upper else cell


@kernel
def first_told(cell: int) -> int:
    """Return the first of the ``DRAWS`` versions that tell a cell."""
    return TOLD + cell * DRAWS


@kernel
def told_word(version: int, word: np.uint32) -> np.uint32:
    """Return the word of a version, by the word that it draws."""
    if version < TOLD:
        return word
    cell = (version - TOLD) // DRAWS
    first, bits = _cell_below(cell % _SIDE)
    told = first + (np.int64(word) >> (32 - bits))
    if cell >= _SIDE:
        told = _LAST_WORD - told
    return np.uint32(told)
