"""The random words of one flight, by cause and entity."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel
from cgrisk.randomness.philox import block

__all__ = ["Keys", "flight_number", "version_row", "words"]

Words = tuple[np.uint32, np.uint32, np.uint32, np.uint32]


class Keys(NamedTuple):
    """Seed and versions of a set of flights.

    Attributes
    ----------
    k0, k1 : int
        Key, from ``randomness.split_seed``.
    flights : uint32 array, shape (n, 1) or (n, causes + 1)
        Flight number whose draws each cause uses; one column holds for all causes. Giving a cause
        a number of its own freezes or swaps that cause alone.
    versions : uint32 array, shape (1, 1) or (n, first[-1])
        Versions of every entity of every cause; (1, 1) holds for all (0 in ordinary runs).
    first : int64 array, shape (causes + 2,)
        Column where the entities of each cause number start.
    """

    k0: int
    k1: int
    flights: NDArray[np.uint32]
    versions: NDArray[np.uint32]
    first: NDArray[np.int64]


@kernel
def flight_number(keys: Keys, row: int, cause: int) -> np.uint32:
    """Return the flight number whose draws a cause uses in the row-th flight."""
    number: np.uint32 = keys.flights[row, cause if keys.flights.shape[1] > 1 else 0]
    return number


@kernel
def version_row(keys: Keys, row: int, cause: int) -> NDArray[np.uint32]:
    """Return the versions of a cause's entities in the row-th flight."""
    if keys.versions.shape[1] == 1:
        return keys.versions[0, 0:1]
    return keys.versions[row, keys.first[cause] : keys.first[cause + 1]]


@kernel
def words(keys: Keys, row: int, cause: int, entity: int, draw: int) -> Words:
    """Return the four words of one entity's draw in the row-th flight."""
    versions = version_row(keys, row, cause)
    version = versions[entity] if versions.size > 1 else versions[0]
    return block(flight_number(keys, row, cause), version, cause, entity, draw, keys.k0, keys.k1)
