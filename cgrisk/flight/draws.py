"""The words that a flight draws for an entity, without flying it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.tilt import draw_words
from cgrisk.randomness import split_seed
from cgrisk.randomness.keys import CAUSES, Cause

__all__ = ["entity_words"]

Words = NDArray[np.uint32]


def entity_words(
    cause: Cause, entity: int, *, seed: int, flights: Words, versions: Words | None = None
) -> Words:
    """Return the first four words of an entity on some flights, shape (4, n).

    Parameters
    ----------
    cause : Cause
    entity : int
        Its number among those of the cause.
    seed : int
        Resolved seed.
    flights : uint32 array, shape (n,)
    versions : uint32 array, shape (n,), optional
        Of the entity; 0 where not given.
    """
    k0, k1 = split_seed(seed)
    # The kernel takes a table of one column for one version that holds for all: so two of them.
    table = np.zeros((1, 1), dtype=np.uint32)
    if versions is not None:
        table = np.zeros((flights.size, entity + 2), dtype=np.uint32)
        table[:, entity] = versions
    first = np.zeros(len(CAUSES) + 2, dtype=np.int64)
    found = np.empty((4, flights.size), dtype=np.uint32)
    draw_words(
        Keys(k0, k1, np.ascontiguousarray(flights.reshape(-1, 1)), table, first),
        int(cause),
        entity,
        found,
    )
    return found
