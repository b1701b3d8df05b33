"""The random words of one flight, by cause and entity."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel
from cgrisk.randomness.philox import block, philox_fill

__all__ = ["Keys", "fill_words", "flight_number", "version_of", "words"]

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
def version_of(keys: Keys, row: int, cause: int, entity: int) -> np.uint32:
    """Return the version of one entity in the row-th flight."""
    version: np.uint32 = keys.versions[0, 0]
    if keys.versions.shape[1] > 1:
        version = keys.versions[row, keys.first[cause] + entity]
    return version


@kernel
def words(keys: Keys, row: int, cause: int, entity: int, draw: int) -> Words:
    """Return the four words of one entity's draw in the row-th flight."""
    version = version_of(keys, row, cause, entity)
    return block(flight_number(keys, row, cause), version, cause, entity, draw, keys.k0, keys.k1)


@kernel
def fill_words(
    keys: Keys, row: int, cause: int, first: int, entities: int, draw: int, out: NDArray[np.uint32]
) -> None:
    """Write the words of consecutive entities into ``out`` (4, >= entities), a column each."""
    flight = flight_number(keys, row, cause)
    if keys.versions.shape[1] > 1:
        start = keys.first[cause]
        versions = keys.versions[row, start : start + first + entities]
        philox_fill(out, flight, versions, cause, first, entities, draw, keys.k0, keys.k1)
    else:
        versions = keys.versions[0, 0:1]
        philox_fill(out, flight, versions, cause, first, entities, draw, keys.k0, keys.k1)
