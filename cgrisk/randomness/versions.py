"""Raise the versions of some entities of many flights: those whose number falls below a rate."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import entry_point, source_fingerprint

__all__ = ["raise_versions"]

Ints = NDArray[np.int64]
Singles = NDArray[np.float32]
Words = NDArray[np.uint32]


def _make_raise(
    fingerprint: int,
) -> Callable[[Words, Words, Ints, Ints, Singles, Ints, Ints, Singles], int]:
    def raise_versions(
        versions: Words,
        fresh: Words,
        rows: Ints,
        causes: Ints,
        rates: Singles,
        first: Ints,
        entities: Ints,
        numbers: Singles,
    ) -> int:
        """Write a row's fresh version over those of its entities whose number is below the rate.

        Parameters
        ----------
        versions : uint32 array, shape (n, entities)
            Changed in place.
        fresh : uint32 array, shape (n,)
            By row.
        rows, causes : int64 arrays, shape (k,)
            Which row is touched in which cause.
        rates : float32 array, shape (k,)
        first : int64 array, shape (causes + 1,)
            Where each cause's entities start in ``entities``.
        entities : int64 array, shape (entities,)
            Columns, cause by cause.
        numbers : float32 array
            In [0, 1): one for every entity of the cause of each of the ``k``, in order.

        Returns
        -------
        int
            How many numbers were used.
        """
        if fingerprint < 0:
            return -1
        used = 0
        for i in range(rows.size):
            row, cause, rate = rows[i], causes[i], rates[i]
            for place in range(first[cause], first[cause + 1]):
                if numbers[used] < rate:
                    versions[row, entities[place]] = fresh[row]
                used += 1
        return used

    return entry_point(raise_versions)


raise_versions = _make_raise(source_fingerprint())
