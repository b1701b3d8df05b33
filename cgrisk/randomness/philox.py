"""Philox4x32-10 counter-based random words, as compiled kernels.

Source: J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, "Parallel random numbers: as easy as
1, 2, 3", SC11 (2011). A keyed bijection of 128-bit counters: under one key, distinct counters
give distinct blocks of four 32-bit words, and there is no state to carry or to hand on.

Counter layout, fixed for ever (a change would make every recorded seed replay other flights):

====== ========================= ========================================================
word   holds                     range
====== ========================= ========================================================
c0     flight number             0 to 2**32 - 1
c1     version                   0 to 2**32 - 1; 0 in ordinary runs. From 2**31 on those of a
                                 party and of a passenger's movement tell where some words lie
                                 (``flight.kernel.told_words``, ``flight.kernel.told_calls``)
c2     cause << 24 | entity      cause 1 to 255 (``keys.Cause``), entity 0 to 2**24 - 1
c3     draw number               0 to 2**32 - 1; one draw is one block of four words
key    seed                      k0 its low 32 bits, k1 its high 32 bits
====== ========================= ========================================================

All arithmetic is on uint64 values below 2**32: a 32 x 32 bit product then never overflows, and
numba never meets a mixture of signed and unsigned, which it would turn into float64. Nothing
here checks ranges; callers keep to the table.
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel

__all__ = ["block", "entity_word", "philox4x32", "philox_fill", "philox_versions"]

Number = int | np.uint32 | np.uint64
Words = tuple[np.uint32, np.uint32, np.uint32, np.uint32]
_Wide = tuple[np.uint64, np.uint64, np.uint64, np.uint64]

_ROUNDS = 10
_MULTIPLIER_0 = np.uint64(0xD2511F53)
_MULTIPLIER_1 = np.uint64(0xCD9E8D57)
_WEYL_0 = np.uint64(0x9E3779B9)  # golden ratio
_WEYL_1 = np.uint64(0xBB67AE85)  # sqrt(3) - 1
_LOW = np.uint64(0xFFFFFFFF)
_WORD_BITS = np.uint64(32)
_ENTITY_BITS = np.uint64(24)

# As kernel(), but inlined before the loops around it are optimised, not after: only then are
# they vectorised. Without it philox_fill takes eight times as long.
_inlined_kernel = numba.njit(nogil=True, error_model="numpy", forceinline=True)


@_inlined_kernel
def _ten_rounds(
    c0: np.uint64, c1: np.uint64, c2: np.uint64, c3: np.uint64, k0: np.uint64, k1: np.uint64
) -> _Wide:
    """Scramble one counter; every value in and out is a uint64 below 2**32."""
    for _ in range(_ROUNDS):
        product_0 = _MULTIPLIER_0 * c0
        product_1 = _MULTIPLIER_1 * c2
        c0 = (product_1 >> _WORD_BITS) ^ c1 ^ k0
        c2 = (product_0 >> _WORD_BITS) ^ c3 ^ k1
        c1 = product_1 & _LOW
        c3 = product_0 & _LOW
        k0 = (k0 + _WEYL_0) & _LOW
        k1 = (k1 + _WEYL_1) & _LOW
    return c0, c1, c2, c3


@kernel
def _low_word(value: Number) -> np.uint64:
    """Widen to uint64 and keep the low 32 bits."""
    return np.uint64(value) & _LOW


@kernel
def entity_word(cause: Number, entity: Number) -> np.uint64:
    """Return counter word c2: the cause in the top 8 bits, the entity in the low 24."""
    return (np.uint64(cause) << _ENTITY_BITS) | np.uint64(entity)


@kernel
def philox4x32(c0: Number, c1: Number, c2: Number, c3: Number, k0: Number, k1: Number) -> Words:
    """Return the four uint32 words of one counter under one key."""
    w0, w1, w2, w3 = _ten_rounds(
        _low_word(c0), _low_word(c1), _low_word(c2), _low_word(c3), _low_word(k0), _low_word(k1)
    )
    return np.uint32(w0), np.uint32(w1), np.uint32(w2), np.uint32(w3)


@kernel
def block(
    flight: Number,
    version: Number,
    cause: Number,
    entity: Number,
    draw: Number,
    k0: Number,
    k1: Number,
) -> Words:
    """Return the four words of one (flight, version, cause, entity, draw)."""
    return philox4x32(flight, version, entity_word(cause, entity), draw, k0, k1)


@kernel
def philox_fill(
    out: NDArray[np.uint32],
    flight: Number,
    version_row: NDArray[np.uint32],
    cause: Number,
    first_entity: int,
    n_entities: int,
    draw: Number,
    k0: Number,
    k1: Number,
) -> None:
    """Write the blocks of consecutive entities into ``out``, one entity a column.

    Column ``i`` becomes ``block(flight, version, cause, first_entity + i, draw, k0, k1)``.

    Parameters
    ----------
    out : uint32 array, shape (4, capacity), C-contiguous, capacity >= n_entities
        Row ``j`` receives word ``j`` of every entity. Words lie in rows, not in columns, since
        only then does the compiler work on many entities at once (about seven times faster).
    flight, draw : int
        Counter words c0 and c3.
    version_row : uint32 array, shape (1,) or (>= first_entity + n_entities,), C-contiguous
        Versions by entity number; a single one holds for all entities.
    cause : int
        Number of a ``keys.Cause``.
    first_entity, n_entities : int
        Entities ``first_entity`` to ``first_entity + n_entities - 1``, all below 2**24.
    k0, k1 : int
        Key, from ``keys.split_seed``.
    """
    c0 = _low_word(flight)
    c3 = _low_word(draw)
    key_0 = _low_word(k0)
    key_1 = _low_word(k1)
    first_word = entity_word(cause, first_entity)
    # Two loops, not one with a stride: each then has a form the compiler can vectorise.
    if version_row.size == 1:
        c1 = np.uint64(version_row[0])
        for i in range(n_entities):
            w0, w1, w2, w3 = _ten_rounds(c0, c1, first_word + np.uint64(i), c3, key_0, key_1)
            out[0, i] = np.uint32(w0)
            out[1, i] = np.uint32(w1)
            out[2, i] = np.uint32(w2)
            out[3, i] = np.uint32(w3)
    else:
        versions = version_row[first_entity : first_entity + n_entities]
        for i in range(n_entities):
            c1 = np.uint64(versions[i])
            w0, w1, w2, w3 = _ten_rounds(c0, c1, first_word + np.uint64(i), c3, key_0, key_1)
            out[0, i] = np.uint32(w0)
            out[1, i] = np.uint32(w1)
            out[2, i] = np.uint32(w2)
            out[3, i] = np.uint32(w3)


@kernel
def philox_versions(
    out: NDArray[np.uint32],
    flight: Number,
    first_version: int,
    n_versions: int,
    cause: int,
    entity: int,
    draw: Number,
    k0: Number,
    k1: Number,
) -> None:
    """Write the blocks of consecutive versions of one entity into ``out``, one version a column.

    Column ``i`` becomes ``block(flight, first_version + i, cause, entity, draw, k0, k1)``; the
    rest is as for :func:`philox_fill`.
    """
    c0 = _low_word(flight)
    c3 = _low_word(draw)
    key_0 = _low_word(k0)
    key_1 = _low_word(k1)
    c2 = entity_word(cause, entity)
    first = np.uint64(first_version)
    for i in range(n_versions):
        w0, w1, w2, w3 = _ten_rounds(c0, first + np.uint64(i), c2, c3, key_0, key_1)
        out[0, i] = np.uint32(w0)
        out[1, i] = np.uint32(w1)
        out[2, i] = np.uint32(w2)
        out[3, i] = np.uint32(w3)
