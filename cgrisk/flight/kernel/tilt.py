"""Versions of a flight's keys that lean it toward one side, with the weight that undoes it.

An outcome ``x`` that has probability ``p(x)`` under the ordinary law of a flight has
``q(x) = p(x) exp(e(x)) / Z`` here, ``Z`` being the exact mean of ``exp(e)`` under ``p``; versions
are then chosen so that everything else in the flight's words keeps its law given the outcome. The
weight is the product of ``Z / exp(e(x))`` over outcomes, and for any figure ``f``

    E_q[f Z / exp(e)] = sum_x p(x) exp(e(x)) / Z * f(x) * Z / exp(e(x)) = E_p[f]

whatever the exponents: they decide how much the weights vary, never what is estimated. Exponents
may depend on what was settled before (the tower rule): numbers aboard, then seats, then masses.

Seats. People who travel alone take the ``n`` seats with the lowest scores out of a class of ``N``
seats, whose scores are independent and uniform. So the set ``T`` of seats taken has probability
``1 / C(N, n)``. Here it is drawn with probability ``exp(sum of e over T) / E``, where ``E`` is the
elementary symmetric function of order ``n`` of the ``exp(e)``, seat after seat: with ``W(i, k)``
the function of order ``k`` of seats ``i`` and later, seat ``i`` is taken with probability
``exp(e_i) W(i + 1, k - 1) / W(i, k)`` when ``k`` are still to come (conditional Bernoulli
sampling: S. X. Chen, A. P. Dempster, J. S. Liu, Biometrika 81 (1994) 457; from memory).

Scores given ``T``. ``T`` is the set taken if and only if all its scores are below all others. Call
pivot the seat of ``T`` with the highest score ``u``. By symmetry it is any of the ``n`` with equal
chances, whatever ``T``; given which, the joint density of all scores is 1 where the other ``n - 1``
lie below ``u`` and the ``N - n`` others above it. So ``u`` has a density proportional to
``u^(n - 1) (1 - u)^(N - n)`` (that of the n-th smallest of N uniforms), and given ``u`` the others
are independent and uniform on their sides of it. This is what is done, word by word: the versions
of an entity have independent words, so the first one that passes a test has the law of a word
given that it passes. Comparisons are strict, as if no other word equalled the pivot's: one does in
about ``N`` of ``2^32`` flights, and then another of two equal seats is taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import entry_point, kernel, source_fingerprint
from cgrisk.flight.kernel.data import CabinData, MassData, Program
from cgrisk.flight.kernel.keys import Keys, flight_number, words
from cgrisk.flight.kernel.people import CHILD, MEN, WOMEN, People, board, count_aboard, new_people
from cgrisk.flight.kernel.tilt_boardings import new_boardings
from cgrisk.flight.kernel.tilt_changes import seats_change, write_changes
from cgrisk.flight.kernel.tilt_data import (
    MOST_TRIED,
    SEATING,
    Choices,
    TiltData,
    divide_words,
    new_choices,
    number,
    put,
    table_of,
)
from cgrisk.flight.kernel.tilt_people import (
    lean_changes,
    lean_parties,
    take_seats,
    write_boarding,
)
from cgrisk.randomness.philox import block
from cgrisk.randomness.variates import uniform

__all__ = ["SEATING", "TiltData", "draw_words", "tilt"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint32]

MASS = 5  # randomness.keys.Cause
_DRAWN = 3  # column of the tables of means: an adult whose sex is his own draw

_WORD = 2.0**32
_LAST_WORD = 2.0**32 - 1.0


@kernel
def _lean_entities(data: TiltData, keys: Keys, row: int, choices: Choices) -> float:
    """Lean the entities that stand alone; return the logarithm of the weight."""
    cells = data.exponent.shape[1]
    scale = cells / _WORD
    total = 0.0
    for i in range(data.cause.size):
        cause, entity = data.cause[i], data.entity[i]
        flight = flight_number(keys, row, cause)
        version = 0
        while True:
            w0, w1, w2, w3 = block(flight, version, cause, entity, 0, keys.k0, keys.k1)
            lean = 0.0
            if data.table[i, 0] >= 0:
                lean += data.exponent[data.table[i, 0], int(w0 * scale)]
            if data.table[i, 1] >= 0:
                lean += data.exponent[data.table[i, 1], int(w1 * scale)]
            if data.table[i, 2] >= 0:
                lean += data.exponent[data.table[i, 2], int(w2 * scale)]
            if data.table[i, 3] >= 0:
                lean += data.exponent[data.table[i, 3], int(w3 * scale)]
            if number(choices.four, choices.place) < math.exp(lean - data.log_most[i]):
                break
            version += 1
            if version == MOST_TRIED:
                return math.nan
        keys.versions[row, keys.first[cause] + entity] = np.uint32(version)
        total += data.log_mean[i] - lean
    return total


@kernel
def _put_pivot(keys: Keys, row: int, seat: int, below: int, above: int, choices: Choices) -> int:
    """Choose the version of the last seat taken, ``above`` >= 1; return its word, -1 for none.

    A word ``w`` is accepted with a chance in proportion to that of ``below`` words less than it
    and ``above`` words greater than it.
    """
    mode = below / (below + above)
    most = above * math.log1p(-mode)
    if below > 0:
        most += below * math.log(mode)
    flight = flight_number(keys, row, SEATING)
    for version in range(MOST_TRIED):
        w0, _w1, _w2, _w3 = block(flight, version, SEATING, seat, 0, keys.k0, keys.k1)
        height = above * math.log((_LAST_WORD - w0) / _WORD)
        if below > 0:
            height += below * math.log(w0 / _WORD)
        if number(choices.four, choices.place) < math.exp(height - most):
            keys.versions[row, keys.first[SEATING] + seat] = np.uint32(version)
            return int(w0)
    return -1


@kernel
def _lean_class(
    data: TiltData, keys: Keys, row: int, group: int, people: int, choices: Choices
) -> float:
    """Choose which seats of a class so many people take; return the log of the weight."""
    start = data.class_start[group]
    seats = data.class_start[group + 1] - start
    if people == 0 or people == seats:
        return 0.0
    table, width = data.ways_start[group], seats + 1
    total: float = data.ways[table + people]
    total -= math.lgamma(seats + 1.0) - math.lgamma(people + 1.0)
    total += math.lgamma(seats - people + 1.0)
    left = people
    for i in range(seats):
        choices.taken[i] = False
        if left == 0:
            continue
        lean = data.seat[data.class_seats[start + i]]
        here, later = table + i * width, table + (i + 1) * width
        chance = math.exp(lean + data.ways[later + left - 1] - data.ways[here + left])
        if number(choices.four, choices.place) < chance:
            choices.taken[i] = True
            left -= 1
            total -= lean
    # The pivot, then everybody else on his side of it.
    turn = min(int(number(choices.four, choices.place) * people), people - 1)
    pivot = -1
    for i in range(seats):
        if choices.taken[i]:
            if turn == 0:
                pivot = i
            turn -= 1
    seat = data.class_seats[start + pivot]
    word = _put_pivot(keys, row, seat, people - 1, seats - people, choices)
    if word < 0:
        return math.nan
    for i in range(seats):
        if i == pivot:
            continue
        low, high = (0, word) if choices.taken[i] else (word + 1, 1 << 32)
        if not put(keys, row, data.class_seats[start + i], low, high, choices.tried):
            return math.nan
    return total


@kernel
def _lean_masses(
    data: TiltData,
    mass: MassData,
    keys: Keys,
    row: int,
    people: People,
    persons: int,
    choices: Choices,
) -> float:
    """Choose everyone's mass by where he sits; return the log of the weight."""
    scale = data.bag.shape[1] / _WORD
    flight = flight_number(keys, row, MASS)
    total = 0.0
    region, adults, men = -1, 0, 0  # of those on the load sheet, left to choose; as in weigh()
    for p in range(persons):
        while p >= mass.first_person[region + 1]:
            region += 1
            adults, men = mass.listed_adults[region], mass.listed_men[region]
        if people.seat[p] < 0:
            continue
        arm = data.arm_class[people.seat[p]]
        table = table_of(data.party, people.kind[p], people.common[p])
        body, bag = data.body[table, arm], data.bag[arm]
        means, tops = data.log_mean_mass[table, arm], data.most_mass[table, arm]
        share, counted = mass.male_share, men >= 0 and adults > 0
        if counted:
            share = men / adults
        column = _DRAWN
        if people.population[p] == CHILD:
            column = CHILD
        elif people.population[p] == -1:  # one sex for his party
            column = MEN if people.bag_kg[p] < share else WOMEN
        if column == _DRAWN and counted:
            most = max(tops[MEN], tops[WOMEN])
            total += math.log(share * math.exp(means[MEN]) + (1.0 - share) * math.exp(means[WOMEN]))
        else:
            most = tops[column]
            total += means[column]
        sex = column
        version = 0
        while True:
            w0, w1, w2, _w3 = block(flight, version, MASS, p, 0, keys.k0, keys.k1)
            if column == _DRAWN:
                sex = MEN if uniform(w0) < share else WOMEN
            lean = body[sex, int(w1 * scale)]
            if column != CHILD:
                lean += bag[int(w2 * scale)]
            if number(choices.four, choices.place) < math.exp(lean - most):
                break
            version += 1
            if version == MOST_TRIED:
                return math.nan
        keys.versions[row, keys.first[MASS] + p] = np.uint32(version)
        total -= lean
        if column != CHILD:
            adults -= 1
            if sex == MEN and men > 0:
                men -= 1
    return total


@kernel
def _lean_sets(
    data: TiltData, cabin: CabinData, keys: Keys, row: int, people: People, choices: Choices
) -> float:
    """Choose which seats people who travel alone take; return the log of the weight."""
    total = 0.0
    for region in range(cabin.region_start.size - 1):
        left = people.region_adults[region] + people.region_children[region]
        for group in range(data.region_class[region], data.region_class[region + 1]):
            here = min(left, data.class_start[group + 1] - data.class_start[group])
            total += _lean_class(data, keys, row, group, here, choices)
            left -= here
    return total


def _make_tilt(fingerprint: int) -> Callable[[Program, Keys, TiltData, Floats, Ints, Ints], int]:
    def tilt(
        program: Program,
        keys: Keys,
        data: TiltData,
        log_weight: Floats,
        seated: Ints,
        taken_at: Ints,
    ) -> int:
        """Write versions, log weights, seats by person and when each was taken.

        See ``flight.leaning.lean_block``. Return the number of flights, or of those before the one
        whose search was given up.
        """
        if fingerprint < 0:
            return -1
        cabin, mass, party = program.cabin, program.mass, program.party
        seats = cabin.arm_m.size
        persons = seats
        regions = cabin.region_start.size - 1
        people = new_people(seats, regions, cabin.zone_region.size)
        choices = new_choices(seats, party.adults_low.size)
        boardings = new_boardings(data.party.boardings, seats, max(cabin.classes, 1))
        choices.place[2] = data.k0
        choices.place[3] = data.k1
        divide_words(party.adult_cumulative, choices.kind_words[0])
        divide_words(party.family_cumulative, choices.kind_words[1])
        for row in range(log_weight.size):
            choices.place[0] = keys.flights[row, 0]
            choices.place[1] = 0
            choices.taken_at[:] = 0
            total = _lean_entities(data, keys, row, choices)
            count_aboard(cabin, keys, row, people)
            if data.party.by_party:
                total += lean_parties(data, cabin, people, boardings, choices)
            else:
                total += _lean_sets(data, cabin, keys, row, people, choices)
                board(cabin, party, keys, row, people)
                take_seats(data, people, boardings)
            if not math.isnan(total):
                changing = seats_change(cabin, keys, row)
                weight, kept = lean_changes(data, cabin, boardings, changing, choices)
                total += weight
                found = True
                if data.party.by_party:
                    found = write_boarding(
                        data, cabin, party, mass.male_share, keys, row, boardings, kept, choices
                    )
                    board(cabin, party, keys, row, people)
                if changing:
                    found = found and write_changes(
                        cabin, keys, row, people, boardings, kept, choices
                    )
                    for p in range(persons):
                        people.seat[p] = boardings.seat[kept, p]
                if not found:
                    total = math.nan
            if not math.isnan(total):
                total += _lean_masses(data, mass, keys, row, people, persons, choices)
            log_weight[row] = total
            if math.isnan(total):
                return row
            for p in range(persons):
                seated[row, p] = people.seat[p]
            taken_at[row] = choices.taken_at
        return log_weight.size

    return entry_point(tilt)


tilt = _make_tilt(source_fingerprint())


def _make_draw_words(fingerprint: int) -> Callable[[Keys, int, int, Words], int]:
    def draw_words(keys: Keys, cause: int, entity: int, out: Words) -> int:
        """Write the words (4, flights) of one entity."""
        if fingerprint < 0:
            return -1
        for row in range(out.shape[1]):
            w0, w1, w2, w3 = words(keys, row, cause, entity, 0)
            out[0, row] = w0
            out[1, row] = w1
            out[2, row] = w2
            out[3, row] = w3
        return 0

    return entry_point(draw_words)


draw_words = _make_draw_words(source_fingerprint())
