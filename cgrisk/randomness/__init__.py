"""Randomness that belongs to a person, a cart or a bag, never to the order of the computation.

Every random number is a pure function of five whole numbers (flight, version, cause, entity,
draw) and of the seed. Any flight can therefore be replayed alone, two policies share every draw
that is not theirs, and results do not depend on workers, batches or order.

``keys`` (causes and seeds, plain Python) is re-exported here. The compiled kernels are imported
from their own modules, ``cgrisk.randomness.philox`` and ``cgrisk.randomness.variates``, so that
looking up a seed never loads the compiler.
"""

from cgrisk.randomness.keys import (
    CAUSES,
    MAX_DRAWS,
    MAX_ENTITIES,
    MAX_FLIGHTS,
    MAX_VERSIONS,
    Cause,
    resolve_seed,
    split_seed,
)

__all__ = [
    "CAUSES",
    "MAX_DRAWS",
    "MAX_ENTITIES",
    "MAX_FLIGHTS",
    "MAX_VERSIONS",
    "Cause",
    "resolve_seed",
    "split_seed",
]
