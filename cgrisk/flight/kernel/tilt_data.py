"""What leaning a flight is given, the numbers by which it chooses, and the search for a word."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import inlined_kernel, kernel, maker
from cgrisk.flight.kernel.keys import Keys, flight_number
from cgrisk.randomness.philox import block, philox_versions
from cgrisk.randomness.variates import categorical, uniform

__all__ = [
    "LOOK",
    "LOOK_FAR",
    "MOST_PARTIES_TRIED",
    "MOST_TRIED",
    "REACH",
    "SEATING",
    "Choices",
    "PartyTilt",
    "TiltData",
    "divide_words",
    "new_choices",
    "number",
    "put",
    "table_of",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint32]

SEATING = 4  # randomness.keys.Cause

#: Scores shared by a party up to which its members' masses are laid down.
REACH = 5.0
#: Versions tried before a search is given up: half a second's worth, met never in practice; and of
#: a party, whose outcomes may be rare.
MOST_TRIED, MOST_PARTIES_TRIED = 1 << 24, 1 << 31
#: Versions looked at together: of a seat; of a person who changes seats.
LOOK, LOOK_FAR = 8, 64


class PartyTilt(NamedTuple):
    """How seats are leaned that parties take one after another. ``V`` classes of seats.

    A seat's value is what an adult on it adds to the exponent, about the mean of the region's
    seats in doubt.
    """

    by_party: bool
    """Whether seats are taken party by party; else as whole sets."""
    value: Floats
    """(S,)"""
    at_last: Floats
    """(S,) the same once seats are changed no more."""
    seat_class: Ints
    """(S,) class of a seat, among those of its region and preference."""
    vacancy: Floats
    """(V, S + 1) chance that a free seat stays empty when so many people are still to come."""
    first: Ints
    bins: Ints
    """(K + 1,) first table of masses of a kind, and how many it has, by the score shared."""
    outcomes: Ints
    """(3,) where the outcomes of a party without children, with children begin, and end."""
    kind: Ints
    adults: Ints
    young: Ints
    column: Ints
    """(O,) kind, adults and children as drawn, and whether all adults are men, women, or of the sex
    that each draws for himself."""
    cell: Ints
    """(O,) cell of the word of the score shared; -1 where it is not told."""
    adult: Ints
    child: Ints
    """(O,) profiles of the adults and children."""
    level: Ints
    """(S + 1,) by people still to come in the region."""
    running: Floats
    """(R, L, O) running sums of chance and figure of the outcomes, by region and level."""
    log_figure: Floats
    """(R, L, O) logarithm of the figure by which an outcome is chosen."""
    more: Floats
    """(P, A) what one of a profile adds to the exponent beyond an adult who is alone; the first two
    are an adult and a child who are alone."""
    boardings: int
    """How many boardings go on side by side."""


class TiltData(NamedTuple):
    """How a flight is leaned. ``A`` distinct arms of seats, ``G`` classes of seats, ``C`` cells.

    Tables of exponents hold one for each of the ``C`` equal cells of a word, by its top bits.
    """

    k0: int
    k1: int
    """Key of the choices; not the flights' own."""
    cause: Ints
    entity: Ints
    """(E,) entities leaned one by one."""
    table: Ints
    """(E, 4) the table of each word's exponents; -1 for none."""
    exponent: Floats
    """(tables, C)"""
    log_mean: Floats
    log_most: Floats
    """(E,) of the exponential of the sum of an entity's exponents."""
    region_class: Ints
    """(R + 1,) where each region's classes start; its people fill them in this order."""
    class_start: Ints
    """(G + 1,) where each class's seats start."""
    class_seats: Ints
    seat: Floats
    """(S,) exponent of a seat that is taken, by who sits in its region."""
    ways_start: Ints
    """(G,) where the table of a class starts."""
    ways: Floats
    """For each class (N + 1, N + 1): log of the sum over all sets of k of the seats from i on."""
    arm_class: Ints
    """(S,) number of a seat's arm among the distinct ones."""
    party: PartyTilt
    body: Floats
    """(T, A, 3, C) exponents of the mass of a man, woman, child; tables by party and score."""
    bag: Floats
    """(A, C)"""
    log_mean_mass: Floats
    most_mass: Floats
    """(T, A, 4) of a man, a woman, a child, and an adult whose sex is drawn, bags included; and the
    greatest exponent."""
    seat_odds: Floats
    """(2, S) mean exponential of what an adult, a child on a seat adds to the exponent."""


class Choices(NamedTuple):
    """The numbers by which outcomes are chosen, flight by flight, and scratch."""

    four: Words
    place: Ints
    """Flight; how many numbers it has used; the two words of the key of the choices."""
    tried: Words
    """(4, versions looked at together)"""
    taken: NDArray[np.bool_]
    """Seats of a class."""
    chance: Floats
    """(S + 2,) weights of the places of a region."""
    lean: Floats
    """(S + 2,) their exponents."""
    base: Floats
    """(1,) base of the scores of all seats of the region, nan where they have several."""
    many: Words
    """(4, LOOK_FAR)"""
    taken_at: Ints
    """(S,) people still to come in the region when a seat was taken; 0 where none was."""
    kind_words: Ints
    """(2, K + 2) first word of each kind of party, without and with children still to come; then
    2**32."""


@maker
def new_choices(seats: int, kinds: int) -> Choices:
    """Return scratch for a cabin of that size, and so many kinds of party."""
    return Choices(
        np.empty(4, np.uint32),
        np.zeros(4, np.int64),
        np.empty((4, LOOK), np.uint32),
        np.empty(seats, np.bool_),
        np.empty(seats + 2, np.float64),
        np.empty(seats + 2, np.float64),
        np.empty(1, np.float64),
        np.empty((4, LOOK_FAR), np.uint32),
        np.empty(seats, np.int64),
        np.empty((2, kinds + 1), np.int64),
    )


@kernel
def divide_words(cumulative: Floats, first: Ints) -> None:
    """Write the first word of each class, and 2**32: words rise with the class they fall in."""
    first[0] = 0
    for kind in range(1, cumulative.size):
        low, high = first[kind - 1], 1 << 32
        while low < high:
            middle = (low + high) // 2
            if categorical(uniform(np.uint32(middle)), cumulative) >= kind:
                high = middle
            else:
                low = middle + 1
        first[kind] = low
    first[cumulative.size] = 1 << 32


@kernel
def number(four: Words, place: Ints) -> float:
    """Return the flight's next number in (0, 1), from the first two of ``Choices``."""
    used = place[1]
    if used % 4 == 0:
        four[0], four[1], four[2], four[3] = block(place[0], 0, 0, used // 4, 0, place[2], place[3])
    place[1] = used + 1
    return uniform(four[used % 4])


@kernel
def put(keys: Keys, row: int, seat: int, low: int, high: int, tried: Words) -> bool:
    """Set a seat's version to the first whose word lies in [low, high)."""
    flight = flight_number(keys, row, SEATING)
    version = 0
    while version < MOST_TRIED:
        philox_versions(tried, flight, version, LOOK, SEATING, seat, 0, keys.k0, keys.k1)
        for i in range(LOOK):
            if low <= np.int64(tried[0, i]) < high:
                keys.versions[row, keys.first[SEATING] + seat] = np.uint32(version + i)
                return True
        version += LOOK
    return False


@inlined_kernel
def table_of(lean: PartyTilt, kind: int, common: float) -> int:
    """Return the table of masses that holds for a member of a party."""
    bins = lean.bins[kind]
    step = int((common + REACH) / (2.0 * REACH) * bins)
    table: int = lean.first[kind] + min(max(step, 0), bins - 1)
    return table
