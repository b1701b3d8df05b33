"""Those who change seats, leaned through versions of their keys.

One after another, each stays with chance ``1 - m`` or takes one of the ``f`` free seats of his
class with chance ``m / f`` each; both are leaned by what his new seat adds, with the exact mean.
"""

from __future__ import annotations

import math

import numpy as np

from cgrisk.compiled import inlined_kernel, kernel
from cgrisk.flight.kernel.data import CabinData
from cgrisk.flight.kernel.keys import Keys, fill_words, flight_number, words
from cgrisk.flight.kernel.people import People
from cgrisk.flight.kernel.tilt_boardings import EXPONENT, PRODUCT, Boardings
from cgrisk.flight.kernel.tilt_data import (
    LOOK_FAR,
    MOST_TRIED,
    SEATING,
    Choices,
    TiltData,
    number,
)
from cgrisk.randomness.philox import philox_versions
from cgrisk.randomness.variates import index, uniform

__all__ = ["begin_changes", "change_seat", "changes_ahead", "seats_change", "write_changes"]

SERVICE = 8  # randomness.keys.Cause


@kernel
def seats_change(cabin: CabinData, keys: Keys, row: int) -> bool:
    """Return whether people change seats on a flight, as ``people.change_seats`` decides it."""
    if cabin.movers_share == 0.0:
        return False
    if cabin.reseating_share > 0.0:
        w0, _w1, _w2, _w3 = words(keys, row, SERVICE, cabin.reseating_entity, 0)
        return uniform(w0) >= cabin.reseating_share
    return True


@inlined_kernel
def begin_changes(
    data: TiltData, cabin: CabinData, boardings: Boardings, one: int, choices: Choices
) -> None:
    """List the free seats of a boarding, in the order of ``people.change_seats``."""
    taken, odds = choices.taken, data.seat_odds
    for seat in range(taken.size):
        taken[seat] = False
    for p in range(taken.size):
        if boardings.seat[one, p] >= 0:
            taken[boardings.seat[one, p]] = True
    for travels in range(boardings.frees.shape[1]):
        boardings.frees[one, travels] = 0
        boardings.sums[one, 2 * travels] = 0.0
        boardings.sums[one, 2 * travels + 1] = 0.0
    free = 0
    for i in range(cabin.region_seats.size):
        seat = cabin.region_seats[i]
        if taken[seat]:
            continue
        travels = cabin.seat_class[seat]
        boardings.free[one, free] = seat
        free += 1
        boardings.frees[one, travels] += 1
        boardings.sums[one, 2 * travels] += odds[0, seat]
        boardings.sums[one, 2 * travels + 1] += odds[1, seat]
    boardings.still[one, 3] = free


@inlined_kernel
def changes_ahead(
    data: TiltData, cabin: CabinData, boardings: Boardings, one: int, first: int
) -> float:
    """Return what the changes of persons from one on are expected to add, the free seats given."""
    share, total, product = cabin.movers_share, 0.0, 1.0
    for p in range(first, boardings.seat.shape[1]):
        seat = boardings.seat[one, p]
        if seat < 0:
            continue
        travels = cabin.seat_class[seat]
        frees = boardings.frees[one, travels]
        if frees == 0:
            continue
        child = boardings.child[one, p]
        mean = boardings.sums[one, 2 * travels + child] / frees
        product *= 1.0 - share + share * mean / data.seat_odds[child, seat]
        if product > 1e100:
            total += math.log(product)
            product = 1.0
    return total + math.log(product)


@inlined_kernel
def change_seat(
    data: TiltData, cabin: CabinData, boardings: Boardings, one: int, p: int, choices: Choices
) -> None:
    """Choose whether a person changes seats, and to which."""
    seat = boardings.seat[one, p]
    if seat < 0:
        return
    travels = cabin.seat_class[seat]
    choice = boardings.frees[one, travels]
    if choice == 0:
        return
    child = boardings.child[one, p]
    odds, share = data.seat_odds[child], cabin.movers_share
    sums = boardings.sums[one, 2 * travels + child]
    moving = share / choice * sums / odds[seat]
    mean = 1.0 - share + moving
    drawn = number(choices.four, choices.place) * mean
    boardings.among[one, p] = choice
    boardings.figure[one, PRODUCT] += math.log(mean)
    if drawn >= moving:
        return
    target = drawn / moving * sums
    running, place, at, other = 0.0, -1, -1, -1
    for i in range(boardings.still[one, 3]):
        here = boardings.free[one, i]
        if cabin.seat_class[here] == travels:
            place += 1
            at, other = i, here
            running += odds[other]
            if running >= target:
                break
    boardings.place[one, p] = place
    boardings.free[one, at] = seat
    boardings.seat[one, p] = other
    for young in range(2):
        change = data.seat_odds[young, seat] - data.seat_odds[young, other]
        boardings.sums[one, 2 * travels + young] += change
    # His own mass is known better than the odds say.
    adds = math.log(data.seat_odds[0, other] / data.seat_odds[0, seat])
    more, arm, who = data.party.more, data.arm_class, boardings.profile[one, p]
    adds += more[who, arm[other]] - more[who, arm[seat]]
    boardings.figure[one, EXPONENT] += adds
    boardings.figure[one, PRODUCT] += adds - math.log(odds[other] / odds[seat])


@kernel
def _put_move(
    keys: Keys, row: int, person: int, share: float, place: int, free: int, choices: Choices
) -> bool:
    """Set the version of a person's change of seat: none (place -1), or to a free place."""
    flight = flight_number(keys, row, SEATING)
    tried = choices.many
    version, look = 0, 1
    while version < MOST_TRIED:
        philox_versions(tried, flight, version, look, SEATING, person, 0, keys.k0, keys.k1)
        for i in range(look):
            moves = uniform(tried[0, i]) < share
            fits = not moves
            if place >= 0:
                fits = moves and index(uniform(tried[1, i]), free) == place
            if fits:
                keys.versions[row, keys.first[SEATING] + person] = np.uint32(version + i)
                return True
        version += look
        look = LOOK_FAR
    return False


@kernel
def write_changes(
    cabin: CabinData,
    keys: Keys,
    row: int,
    people: People,
    boardings: Boardings,
    one: int,
    choices: Choices,
) -> bool:
    """Write the versions of a boarding's changes of seat; return whether they were found."""
    persons, share = boardings.seat.shape[1], cabin.movers_share
    fill_words(keys, row, SEATING, persons, persons, 0, people.words)
    for p in range(persons):
        place, choice = boardings.place[one, p], boardings.among[one, p]
        if boardings.seat[one, p] < 0 or choice == 0:
            continue
        anew = place >= 0 or uniform(people.words[0, p]) < share
        if anew and not _put_move(keys, row, persons + p, share, place, choice, choices):
            return False
    return True
