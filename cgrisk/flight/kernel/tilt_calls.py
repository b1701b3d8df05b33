"""Flights on which somebody is likelier to take much of his party along toward one side.

A call of passenger ``p`` is one of his attempts to get up, with those of his party whose asking
words are low. It has the figure

    g = c exp(sum of e over him and those members),

``e`` by how far each would walk toward the side if all went to the lavatory nearest to him; 0 with
fewer than two members, or where that lavatory lies to the other side. Sizes ``c`` tell attempts
apart. The sum ``G`` of the figures of all passengers has the exact mean ``R``, since members join
independently: with ``b`` the chance of a low word, that over sets of two and more of
``prod b exp(e) prod (1 - b)`` follows from one pass over the members.

Movement of density ``p`` then has the density ``p (a_0 + sum_k a_k G_k / R_k)``, with ``a_k`` the
shares of ordinary flights, of calls before the first stretch seated, of calls later, and of pairs
of later calls of two passengers, whose figure is the product of theirs: a passenger is picked with
chances in proportion to his own mean, and what makes his figure by its own part of it; all else
keeps its law. The weight is one over that sum: no flight counts for more than ``1 / a_0`` times
what it would (T. Hesterberg, Technometrics 37 (1995) 185; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import entry_point, kernel, maker, source_fingerprint
from cgrisk.flight.kernel.data import PlacesData, Program
from cgrisk.flight.kernel.keys import Keys, version_of, words
from cgrisk.flight.kernel.people import CHILD, People, board, change_seats, new_people
from cgrisk.flight.kernel.tilt_data import number
from cgrisk.flight.kernel.told_calls import (
    ASKED,
    ASKED_CHANCE,
    ATTEMPTS,
    asked_word,
    is_low,
    told_call,
)
from cgrisk.flight.kernel.told_words import cell_bounds, cell_of, told_word
from cgrisk.flight.kernel.trips import ASKING, MOVEMENT, PARTY_ROOM

__all__ = ["CallTilt", "lean_calls"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint32]

_WORDS = 1 << 32
#: Numbers by which one walk is chosen, at most.
_NUMBERS = 64
#: Exponent of a child who comes along, of an adult's.
_CHILD = 0.5


class CallTilt(NamedTuple):
    """How calls are leaned."""

    toward: float
    """1 toward the tail, -1 forward."""
    per_m: float
    """Exponent of an adult, and of who calls, for each metre walked toward the side."""
    most: float
    """Exponents of a party's members at most, together."""
    early_s: float
    """Time before the first stretch seated, each second times the factor on the rate of urges."""
    attempts: Floats
    """(4,) sizes of the calls of each attempt that are not early ones."""
    shares: Floats
    """(4,) of ordinary flights, an early call, a later one, two later ones."""


class _Calls(NamedTuple):
    """The calls that may be on one flight, by person, and scratch."""

    own: Floats
    """(P,) exponential of the caller's own exponent; 0 where he has no calls."""
    first: Ints
    """(P,) first member of his party."""
    members: Ints
    """(P,) how many of it are told."""
    odds: Floats
    """(P, 16) exponential of a member's exponent."""
    early: Ints
    """(P,) words of the first urge below this are early."""
    mean: Floats
    """(3, P) means of the figure, early and later; of that of later pairs with him as the first."""
    ways: Floats
    """(17, 3) mean over the members from one on, where so many more must come."""


@maker
def _new_calls(persons: int) -> _Calls:
    return _Calls(
        np.zeros(persons),
        np.zeros(persons, np.int64),
        np.zeros(persons, np.int64),
        np.ones((persons, ASKED)),
        np.zeros(persons, np.int64),
        np.zeros((3, persons)),
        np.zeros((ASKED + 1, 3)),
    )


@kernel
def _nearest(places: PlacesData, travels: int, home_m: float) -> float:
    """Return the arm of the nearest lavatory of a class, or galley if it has none; nan for none."""
    best, arm = math.inf, math.nan
    for g in range(places.lavatory_arm_m.size):
        away = abs(places.lavatory_arm_m[g] - home_m)
        if places.class_lavatory[travels, g] and places.lavatory_count[g] > 0 and away < best:
            best, arm = away, places.lavatory_arm_m[g]
    if best < math.inf:
        return arm
    for g in range(places.galley_arm_m.size):
        away = abs(places.galley_arm_m[g] - home_m)
        if places.class_galley[travels, g] and places.galley_room[g] > 0 and away < best:
            best, arm = away, places.galley_arm_m[g]
    return arm


@kernel
def _fill_ways(calls: _Calls, p: int) -> None:
    """Write the means over the members of a caller's party, from the last one back."""
    last = calls.members[p]
    calls.ways[last, 0] = 1.0
    calls.ways[last, 1] = 0.0
    calls.ways[last, 2] = 0.0
    for i in range(last - 1, -1, -1):
        come = ASKED_CHANCE * calls.odds[p, i]
        stay = 1.0 - ASKED_CHANCE
        if calls.first[p] + i == p:
            come, stay = 0.0, 1.0
        for still in range(3):
            after = calls.ways[i + 1, max(still - 1, 0)]
            calls.ways[i, still] = come * after + stay * calls.ways[i + 1, still]


@kernel
def _list_calls(program: Program, data: CallTilt, people: People, calls: _Calls) -> None:
    """Find everybody's calls and their means."""
    cabin, places, urge = program.cabin, program.places, program.urge
    persons = people.seat.size
    rest = 0.0
    for i in range(1, ATTEMPTS):
        rest += data.attempts[i]
    for p in range(persons):
        calls.own[p] = 0.0
        calls.mean[0, p] = 0.0
        calls.mean[1, p] = 0.0
        if people.seat[p] < 0:
            continue
        leader = people.party[p]
        size = 1
        while (
            leader + size < persons
            and people.seat[leader + size] >= 0
            and people.party[leader + size] == leader
        ):
            size += 1
        if size < 3:
            continue
        seat = people.seat[p]
        arm = _nearest(places, places.seat_class[seat], cabin.arm_m[seat])
        # False where there is no place at all.
        if not data.toward * (arm - cabin.arm_m[seat]) > 0.0:
            continue
        calls.first[p] = leader
        calls.members[p] = min(size, ASKED)
        total = 0.0
        for i in range(calls.members[p]):
            q = leader + i
            lean = data.per_m * max(data.toward * (arm - cabin.arm_m[people.seat[q]]), 0.0)
            lean *= _CHILD if people.population[q] == CHILD else 1.0
            calls.odds[p, i] = lean
            total += lean
        own = data.per_m * data.toward * (arm - cabin.arm_m[seat])
        scale = min(1.0, data.most / total) if total > 0.0 else 1.0
        for i in range(calls.members[p]):
            calls.odds[p, i] = math.exp(scale * calls.odds[p, i])
        calls.own[p] = math.exp(min(own, data.most))
        chance = -math.expm1(-urge.seat_rate_per_s[seat] * data.early_s)
        calls.early[p] = 0
        if chance > 0.0:
            _low, calls.early[p] = cell_bounds(cell_of(min(int(chance * _WORDS), _WORDS - 1)))
        _fill_ways(calls, p)
        mean = calls.own[p] * calls.ways[0, 2]
        early = calls.early[p] / _WORDS
        calls.mean[0, p] = mean * early
        calls.mean[1, p] = mean * ((1.0 - early) * data.attempts[0] + rest)
    total = calls.mean[1].sum()
    for p in range(persons):
        calls.mean[2, p] = calls.mean[1, p] * max(total - calls.mean[1, p], 0.0)


@kernel
def _figure(keys: Keys, row: int, calls: _Calls, p: int, version: int, attempt: int) -> float:
    """Return the figure of one of a passenger's attempts, of size 1."""
    figure, came = calls.own[p], 0
    for i in range(calls.members[p]):
        if calls.first[p] + i == p:
            continue
        w0, _w1, _w2, _w3 = words(keys, row, MOVEMENT, p, ASKING + attempt * PARTY_ROOM + i)
        if is_low(asked_word(version, attempt, i, w0)):
            figure *= calls.odds[p, i]
            came += 1
    return figure if came >= 2 else 0.0


@kernel
def _figures(data: CallTilt, keys: Keys, row: int, calls: _Calls) -> tuple[float, float, float]:
    """Return the sums of the figures of all early calls, of later ones, of pairs of later ones."""
    early, later, squares = 0.0, 0.0, 0.0
    for p in range(calls.own.size):
        if calls.own[p] == 0.0:
            continue
        version = int(version_of(keys, row, MOVEMENT, p))
        w0, _w1, _w2, _w3 = words(keys, row, MOVEMENT, p, 0)
        first = _figure(keys, row, calls, p, version, 1)
        own = 0.0
        if np.int64(told_word(version, w0)) < calls.early[p]:
            early += first
        else:
            own += data.attempts[0] * first
        for i in range(1, ATTEMPTS):
            if data.attempts[i] > 0.0:
                own += data.attempts[i] * _figure(keys, row, calls, p, version, i + 1)
        later += own
        squares += own * own
    return early, later, later * later - squares


@kernel
def _pick_caller(mean: Floats, but: int, share: float) -> int:
    """Return whose calls a share of the sum falls on, of all means but one in order."""
    total = 0.0
    for p in range(mean.size):
        total += mean[p] if p != but else 0.0
    target = share * total
    running, last = 0.0, -1
    for p in range(mean.size):
        if mean[p] > 0.0 and p != but:
            running += mean[p]
            last = p
            if target < running:
                break
    return last


@kernel
def _choose_call(
    data: CallTilt, calls: _Calls, p: int, later: bool, draw: int, four: Words, place: Ints
) -> int:
    """Choose a caller's call; return the version that tells it."""
    attempt, low, high = 1, 0, calls.early[p]
    if later:
        sizes = (1.0 - calls.early[p] / _WORDS) * data.attempts[0]
        for i in range(1, ATTEMPTS):
            sizes += data.attempts[i]
        target = number(four, place) * sizes
        running = (1.0 - calls.early[p] / _WORDS) * data.attempts[0]
        while target >= running and attempt < ATTEMPTS:
            running += data.attempts[attempt]
            attempt += 1
        low, high = (calls.early[p], _WORDS) if attempt == 1 else (0, _WORDS)
    word = low + int(number(four, place) * (high - low))
    _fill_ways(calls, p)
    members, still = 0, 2
    for i in range(ASKED):
        chance = ASKED_CHANCE
        if i < calls.members[p] and calls.first[p] + i != p:
            after = calls.ways[i + 1, max(still - 1, 0)]
            chance *= calls.odds[p, i] * after / calls.ways[i, still]
        if number(four, place) < chance:
            members |= 1 << i
            if i < calls.members[p] and calls.first[p] + i != p:
                still = max(still - 1, 0)
    return told_call(cell_of(word), attempt, members, draw)


def _make_lean_calls(
    fingerprint: int,
) -> Callable[[Program, Keys, CallTilt, int, int, Ints, Ints, Floats], int]:
    def lean_calls(
        program: Program,
        keys: Keys,
        data: CallTilt,
        k0: int,
        k1: int,
        load: Ints,
        walk: Ints,
        log_weight: Floats,
    ) -> int:
        """Set the versions of those who call, and write log weights; return 0.

        ``k0`` and ``k1`` are the key of the choices, not the flights' own.

        Flights of the same ``load`` follow one another and board alike; ``walk`` tells them apart.
        """
        if fingerprint < 0:  # never; puts the fingerprint of the sources into the cache key
            return -1
        cabin = program.cabin
        persons = cabin.arm_m.size
        people = new_people(persons, cabin.region_start.size - 1, cabin.zone_region.size)
        calls = _new_calls(persons)
        four, place = np.empty(4, np.uint32), np.zeros(4, np.int64)
        place[2] = k0
        place[3] = k1
        means, shares = np.zeros(3), np.zeros(3)
        for row in range(load.size):
            if row == 0 or load[row] != load[row - 1]:
                board(cabin, program.party, keys, row, people)
                change_seats(cabin, keys, row, people)
                _list_calls(program, data, people, calls)
                for i in range(3):
                    means[i] = calls.mean[i].sum()
                    shares[i] = data.shares[1 + i] if means[i] > 0.0 else 0.0
            ordinary, leaned = data.shares[0], shares.sum()
            log_weight[row] = 0.0
            if leaned == 0.0:
                continue
            place[0] = keys.flights[row, 0]
            place[1] = _NUMBERS * walk[row]
            target = number(four, place) * (ordinary + leaned) - ordinary
            if target >= 0.0:
                which = 0
                while which < 2 and target >= shares[which]:
                    target -= shares[which]
                    which += 1
                p = _pick_caller(calls.mean[which], -1, number(four, place))
                version = _choose_call(data, calls, p, which > 0, walk[row], four, place)
                keys.versions[row, keys.first[MOVEMENT] + p] = np.uint32(version)
                if which == 2:
                    p = _pick_caller(calls.mean[1], p, number(four, place))
                    version = _choose_call(data, calls, p, True, walk[row], four, place)
                    keys.versions[row, keys.first[MOVEMENT] + p] = np.uint32(version)
            figures = _figures(data, keys, row, calls)
            times = ordinary
            for i in range(3):
                if shares[i] > 0.0:
                    times += shares[i] * figures[i] / means[i]
            log_weight[row] = -math.log(times / (ordinary + leaned))
        return 0

    return entry_point(lean_calls)


lean_calls = _make_lean_calls(source_fingerprint())
