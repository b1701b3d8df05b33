"""Who is aboard, in which party, on which seat, and how heavy.

Seats are filled region by region. A region is a zone, or the whole cabin where people may sit
anywhere. Each seat gets a random score by the seating rule; parties come one after another, take
the seat with the lowest score left, and their other members the free seats nearest to it in the
order of ``region_seats``, or where parties sit apart the lowest scores left. With everyone alone
this is simple random sampling of seats without replacement (or weighted by preference: Efraimidis
and Spirakis 2006).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel, maker
from cgrisk.flight.kernel.data import CabinData, MassData, PartyData
from cgrisk.flight.kernel.keys import Keys, fill_words, version_of, words
from cgrisk.flight.kernel.order import deal_by_score, nearest_free, sort_by_score, take
from cgrisk.flight.kernel.told_words import told_word
from cgrisk.randomness.variates import categorical, exponential, index, normal, poisson, uniform

__all__ = [
    "CHILD",
    "MEN",
    "SCORE_END",
    "WOMEN",
    "People",
    "board",
    "change_seats",
    "count_aboard",
    "draw_party",
    "new_people",
    "weigh",
]

COUNT, PARTY, SEATING, MASS, SERVICE = 2, 3, 4, 5, 8  # randomness.keys.Cause
MEN, WOMEN, CHILD, DRAWN = 0, 1, 2, 3  # population of a person; DRAWN: by his own draw

SCORE_END = 6.0  # normal scores at which tables of body masses end

_HALF_WORD = np.uint64(16)
_LOW_HALF = np.uint64(0xFFFF)
_TO_UNIT = 2.0**-16


class People(NamedTuple):
    """The people of one flight, by person number, and scratch; arrays are reused flight by flight.

    ``seat`` is -1 where nobody has that number.
    """

    seat: NDArray[np.int64]
    population: NDArray[np.int64]
    party: NDArray[np.int64]
    """Person number of the first member of his party."""
    kind: NDArray[np.int64]
    common: NDArray[np.float64]
    """Normal score that the party shares."""
    body_kg: NDArray[np.float64]
    bag_kg: NDArray[np.float64]
    region_adults: NDArray[np.int64]
    region_children: NDArray[np.int64]
    zone_change: NDArray[np.int64]
    """Adults aboard less adults on the load sheet, by zone."""
    words: NDArray[np.uint32]
    score: NDArray[np.float64]
    order: NDArray[np.int64]
    left: NDArray[np.int64]
    right: NDArray[np.int64]
    stack: NDArray[np.int64]
    free: NDArray[np.int64]


@maker
def new_people(seats: int, regions: int, zones: int) -> People:
    """Return empty people for a cabin of that size."""
    return People(
        np.full(seats, -1, np.int64),
        np.empty(seats, np.int64),
        np.empty(seats, np.int64),
        np.empty(seats, np.int64),
        np.empty(seats, np.float64),
        np.zeros(seats, np.float64),
        np.zeros(seats, np.float64),
        np.empty(regions, np.int64),
        np.empty(regions, np.int64),
        np.empty(zones, np.int64),
        np.empty((4, seats + 1), np.uint32),
        np.empty(seats, np.float64),
        np.empty(seats + 2, np.int64),
        np.empty(seats + 2, np.int64),
        np.empty(seats + 2, np.int64),
        np.empty(128, np.int64),
        np.empty(seats, np.int64),
    )


@kernel
def count_aboard(cabin: CabinData, keys: Keys, row: int, people: People) -> None:
    """Last-minute changes: who is on the load sheet but not aboard, and the other way round."""
    regions = cabin.region_start.size - 1
    for r in range(regions):
        people.region_adults[r] = 0
        people.region_children[r] = 0
    for z in range(cabin.zone_region.size):
        r = cabin.zone_region[z]
        people.region_adults[r] += cabin.zone_adults[z]
        people.region_children[r] += cabin.zone_children[z]
        people.zone_change[z] = 0
    if cabin.last_minute_off == 0.0 and cabin.last_minute_on == 0.0:
        return
    for z in range(cabin.zone_region.size):
        r = cabin.zone_region[z]
        w0, w1, _w2, _w3 = words(keys, row, COUNT, z, 0)
        off = min(poisson(uniform(w0), cabin.last_minute_off), cabin.zone_adults[z])
        on = poisson(uniform(w1), cabin.last_minute_on)
        seats = cabin.region_start[r + 1] - cabin.region_start[r]
        taken = people.region_adults[r] + people.region_children[r]
        change = min(on - off, seats - taken)
        people.zone_change[z] = change
        people.region_adults[r] += change


@kernel
def _score_seats(cabin: CabinData, keys: Keys, row: int, people: People) -> None:
    seats = cabin.arm_m.size
    fill_words(keys, row, SEATING, 0, seats, 0, people.words)
    for s in range(seats):
        u = uniform(people.words[0, s])
        if cabin.exponential_score:
            u = exponential(u)
        people.score[s] = cabin.score_base[s] + cabin.score_scale[s] * u


@kernel
def draw_party(
    party: PartyData,
    kind_u: float,
    size_u: float,
    halves: np.uint64,
    young_word: np.uint32,
    adults: int,
    children: int,
) -> tuple[int, int, int, bool, float]:
    """Return (kind, adults, children, whether all are of one sex, the number that says which).

    ``adults`` and ``children`` are those of the region still to be seated; ``halves`` are the two
    halves of a word, ``young_word`` the word of the number of children.
    """
    with_children = children > 0
    if with_children:
        kind = categorical(kind_u, party.family_cumulative)
    elif party.adults_low.size > 1:
        kind = categorical(kind_u, party.adult_cumulative)
    else:
        kind = party.adults_low.size - 1
    low, high = party.adults_low[kind], party.adults_high[kind]
    size = min(low + index(size_u, high - low + 1), adults)
    young = 0
    if with_children:
        least = max(party.children_low[kind], 1)
        most = max(party.children_high[kind], least)
        young = min(least + index(uniform(young_word), most - least + 1), children)
    # One sex for all with the chance of the kind; which one, the upper half tells.
    one_sex = (float(halves & _LOW_HALF) + 0.5) * _TO_UNIT < party.same_sex[kind]
    sex_u = (float(halves >> _HALF_WORD) + 0.5) * _TO_UNIT
    return kind, size, young, one_sex, sex_u


@kernel
def _board_region(
    cabin: CabinData, party: PartyData, keys: Keys, row: int, people: People, region: int
) -> None:
    start = cabin.region_start[region]
    seats = cabin.region_start[region + 1] - start
    first = cabin.region_first_person[region]
    adults = people.region_adults[region]
    children = people.region_children[region]
    for i in range(seats):
        people.seat[first + i] = -1
    if adults + children == 0:
        return
    # Places 1..seats of this region, in the order of their scores, and all of them free.
    order, left, right = people.order, people.left, people.right
    for i in range(seats):
        order[i] = cabin.region_seats[start + i]
    deal_by_score(order, people.score, seats, people.free, left)  # both scratch until then
    sort_by_score(order, people.score, seats, people.stack)
    for i in range(seats + 2):
        left[i] = i
        right[i] = i
    place_of = people.free  # scratch: seat -> place in this region
    for i in range(seats):
        place_of[cabin.region_seats[start + i]] = i + 1
    fill_words(keys, row, PARTY, first, seats, 0, people.words)
    person = first
    number = 0
    cursor = 0
    while adults + children > 0:
        kind_u = uniform(people.words[0, number])
        size_u = uniform(people.words[1, number])
        version = int(version_of(keys, row, PARTY, first + number))
        common = normal(uniform(told_word(version, people.words[2, number])))
        halves = np.uint64(people.words[3, number])
        number += 1
        young_word = np.uint32(0)
        if children > 0:
            young_word, _w1, _w2, _w3 = words(keys, row, PARTY, first + number - 1, 1)
        kind, size, young, one_sex, sex_u = draw_party(
            party, kind_u, size_u, halves, young_word, adults, children
        )
        leader = person
        anchor = 0
        for member in range(size + young):
            if member == 0 or cabin.parties_apart:
                while right[place_of[order[cursor]]] != place_of[order[cursor]]:
                    cursor += 1
                anchor = place_of[order[cursor]]
                place = anchor
            else:
                place = nearest_free(left, right, anchor, seats)
            take(left, right, place)
            people.seat[person] = cabin.region_seats[start + place - 1]
            people.party[person] = leader
            people.kind[person] = kind
            people.common[person] = common
            if member >= size:
                people.population[person] = CHILD
            elif one_sex:
                people.population[person] = -1
                people.bag_kg[person] = sex_u  # kept here until weigh() reads it
            else:
                people.population[person] = DRAWN
            person += 1
        adults -= size
        children -= young


@kernel
def board(cabin: CabinData, party: PartyData, keys: Keys, row: int, people: People) -> None:
    """Count, group and seat everyone (causes count, party, seating)."""
    count_aboard(cabin, keys, row, people)
    _score_seats(cabin, keys, row, people)
    for region in range(cabin.region_start.size - 1):
        _board_region(cabin, party, keys, row, people, region)


@kernel
def change_seats(cabin: CabinData, keys: Keys, row: int, people: People) -> None:
    """Let a share of the people change to a free seat of their class, each equally likely, in turn.

    On some flights the crew sends them all back.
    """
    if cabin.movers_share == 0.0:
        return
    if cabin.reseating_share > 0.0:
        w0, _w1, _w2, _w3 = words(keys, row, SERVICE, cabin.reseating_entity, 0)
        if uniform(w0) < cabin.reseating_share:
            return
    seats = cabin.arm_m.size
    taken = people.left
    taken[:seats] = 0
    persons = seats
    for p in range(persons):
        if people.seat[p] >= 0:
            taken[people.seat[p]] = 1
    free = 0
    for i in range(cabin.region_seats.size):
        seat = cabin.region_seats[i]
        if taken[seat] == 0:
            people.free[free] = seat
            free += 1
    if free == 0:
        return
    fill_words(keys, row, SEATING, seats, persons, 0, people.words)
    for p in range(persons):
        if people.seat[p] >= 0 and uniform(people.words[0, p]) < cabin.movers_share:
            choice = free
            if cabin.classes > 1:
                choice = 0
                for i in range(free):
                    if cabin.seat_class[people.free[i]] == cabin.seat_class[people.seat[p]]:
                        choice += 1
                if choice == 0:
                    continue
            i = index(uniform(people.words[1, p]), choice)
            if cabin.classes > 1:
                left, i = i, -1
                while left >= 0:
                    i += 1
                    if cabin.seat_class[people.free[i]] == cabin.seat_class[people.seat[p]]:
                        left -= 1
            people.free[i], people.seat[p] = people.seat[p], people.free[i]


@kernel
def _from_table(mass: MassData, population: int, z: float) -> float:
    """Return the body mass of a normal score, straight between the nodes of the table."""
    last = mass.quantile_kg.shape[1] - 1
    place = min(max((z + SCORE_END) * last / (2.0 * SCORE_END), 0.0), float(last))
    i = min(int(place), last - 1)
    low, high = mass.quantile_kg[population, i], mass.quantile_kg[population, i + 1]
    return float(low + (place - i) * (high - low))


@kernel
def _weigh_in(mass: MassData, keys: Keys, row: int, people: People) -> None:
    """Let the people of each region weigh together what the scale said, less its error."""
    w0, _w1, _w2, _w3 = words(keys, row, MASS, 0, 1)
    true_share = 1.0 + mass.scale_sd * normal(uniform(w0))
    for r in range(mass.weighed_kg.size):
        if mass.weighed_kg[r] < 0.0 or mass.listed_people[r] == 0:
            continue
        total = 0.0
        aboard = 0
        for p in range(mass.first_person[r], mass.first_person[r + 1]):
            if people.seat[p] >= 0:
                total += people.body_kg[p] + people.bag_kg[p]
                aboard += 1
        if aboard == 0:
            continue
        # Those who come late or stay away are weighed, or not, with the others.
        factor = mass.weighed_kg[r] * aboard / mass.listed_people[r] * true_share / total
        for p in range(mass.first_person[r], mass.first_person[r + 1]):
            people.body_kg[p] *= factor
            people.bag_kg[p] *= factor


@kernel
def weigh(
    party: PartyData, mass: MassData, keys: Keys, row: int, people: People, persons: int
) -> None:
    """Draw body and bag of everyone; members of a party share a part of their normal score."""
    fill_words(keys, row, MASS, 0, persons, 0, people.words)
    region = -1
    adults, men, infants = 0, 0, 0  # of those on the load sheet, left to choose
    for p in range(persons):
        while p >= mass.first_person[region + 1]:
            region += 1
            adults, infants = mass.listed_adults[region], mass.listed_infants[region]
            men = mass.listed_men[region]
        if people.seat[p] < 0:
            people.body_kg[p] = 0.0
            people.bag_kg[p] = 0.0
            continue
        kind = people.kind[p]
        population = people.population[p]
        if population != CHILD:
            u = people.bag_kg[p] if population == -1 else uniform(people.words[0, p])
            share = mass.male_share
            if men >= 0 and adults > 0:
                share = men / adults
            population = MEN if u < share else WOMEN
            people.population[p] = population
            if population == MEN and men > 0:
                men -= 1
        correlation = party.correlation[kind]
        z = normal(uniform(people.words[1, p]))
        if correlation > 0.0:
            z = math.sqrt(correlation) * people.common[p] + math.sqrt(1.0 - correlation) * z
        shape = mass.shape[population]
        if shape < 0.0:
            body = _from_table(mass, population, z)
        elif shape > 0.0:
            body = mass.shift_kg[population] + mass.scale_kg[population] * math.exp(shape * z)
        else:
            body = mass.shift_kg[population] + mass.scale_kg[population] * z
        bag = 0.0
        if population != CHILD:
            body += party.shift_kg[kind]
            u = uniform(people.words[2, p])
            if u >= mass.bag_none:
                rest = (u - mass.bag_none) / (1.0 - mass.bag_none)
                bag = mass.bag_scale_kg * math.exp(mass.bag_shape * normal(rest))
            if infants > 0 and adults > 0:
                u, share = uniform(people.words[3, p]), infants / adults
                if u < share:
                    body += max(mass.infant_kg + mass.infant_sd_kg * normal(u / share), 2.0)
                    infants -= 1
            adults -= 1
        people.body_kg[p] = max(body, 2.0)
        people.bag_kg[p] = bag
    if mass.weighed_kg[0] >= 0.0:
        _weigh_in(mass, keys, row, people)
