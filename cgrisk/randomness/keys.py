"""Causes of randomness, their numbers for ever, and seeds. Plain Python: loads no compiler."""

from __future__ import annotations

import secrets
from enum import IntEnum, unique

from cgrisk.errors import UsageError

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

#: Flights are numbered 0 to 2**32 - 1 under one seed.
MAX_FLIGHTS = 2**32
#: Versions of one cause's or one entity's draws; 0 in ordinary runs.
MAX_VERSIONS = 2**32
#: Entities (passengers, carts, holds, ...) of one cause in one flight.
MAX_ENTITIES = 2**24
#: Blocks of four words that one entity may draw in one flight.
MAX_DRAWS = 2**32

_WORD_MASK = 2**32 - 1


@unique
class Cause(IntEnum):
    """What a random number is drawn for.

    The numbers enter the random counter. They are fixed for ever: never renumber or reuse one,
    or a recorded seed no longer replays its flights. New causes take new numbers, up to 255.
    """

    DRY = 1
    COUNT = 2
    PARTY = 3
    SEATING = 4
    MASS = 5
    MOVEMENT = 6
    CROWD = 7
    SERVICE = 8
    CARGO = 9
    FUEL = 10
    ENTRY = 11


#: Lower-case names of all causes, in the order of their numbers.
CAUSES: tuple[str, ...] = tuple(cause.name.lower() for cause in Cause)


def resolve_seed(seed: int | None) -> int:
    """Return the seed to use and to record.

    Parameters
    ----------
    seed : int or None
        A whole number from 0 to 2**64 - 1; 0 is a seed like any other. None asks for a fresh
        one from the operating system's entropy.

    Returns
    -------
    int
        ``seed``, or a fresh seed from 0 to 2**63 - 1 (so that it fits a signed 64-bit column).

    Raises
    ------
    UsageError
        If ``seed`` is negative, 2**64 or more, a boolean, or not an int.
    """
    if seed is None:
        return secrets.randbits(63)
    if type(seed) is not int or not 0 <= seed < 2**64:  # a bool is not a seed
        raise UsageError(
            argument="seed",
            expected="a whole number from 0 to 2**64 - 1, or none for a fresh seed",
            got=seed,
            cure="Give a seed in that range, or leave it out.",
        )
    return seed


def split_seed(seed: int) -> tuple[int, int]:
    """Return the key (low 32 bits, high 32 bits) of a seed.

    Parameters
    ----------
    seed : int
        A resolved seed, 0 to 2**64 - 1.

    Raises
    ------
    UsageError
        As :func:`resolve_seed`; None is refused too, since a fresh seed would go unrecorded.
    """
    if seed is None:
        raise UsageError(
            argument="seed",
            expected="a resolved seed",
            got=seed,
            cure="Call resolve_seed first, and record the seed it returns.",
        )
    seed = resolve_seed(seed)
    return seed & _WORD_MASK, seed >> 32
