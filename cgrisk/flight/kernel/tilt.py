"""Versions of a flight's keys that lean it toward one side, with the weight that undoes it.

Under the ordinary law of a flight, entity by entity, some outcome ``x`` (a mass, the next seat
taken) has probability ``p(x)``. Here it has ``q(x) = p(x) exp(e(x)) / Z``, with an exponent ``e``
that may depend on what was settled before and ``Z`` its exact mean under ``p``; the entity's
version is the first one whose words give the chosen outcome, so that all else in those words keeps
its law. The flight's weight is the product of ``Z / exp(e(x))``, and for any figure ``f``

    E_q[f Z / exp(e)] = sum_x p(x) exp(e(x)) / Z * f(x) * Z / exp(e(x)) = E_p[f]

whatever the exponents: they decide how much the weights vary, never what is estimated. (An
outcome with several entities takes them one after another: the tower rule.)

Exponents are ``theta`` times the change of the expected moment when the outcome becomes known, so
that the weight comes near ``exp(-theta moment)`` times a constant. For seats taken one after
another that change shrinks as the region fills: who takes a seat that somebody would take anyway
changes nothing. With weights of preference ``w``, the next seat is ``s`` with probability
``w_s / sum w`` over the free seats, whatever was taken before (R. D. Luce, Individual Choice
Behavior, 1959; from memory); ordered rules do this within their present class.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import entry_point, kernel, source_fingerprint
from cgrisk.flight.kernel.data import CabinData, MassData, PartyData, Program
from cgrisk.flight.kernel.keys import Keys, fill_words, flight_number, words
from cgrisk.flight.kernel.order import nearest_free, take
from cgrisk.flight.kernel.people import (
    CHILD,
    DRAWN,
    People,
    board,
    change_seats,
    count_aboard,
    draw_party,
    new_people,
)
from cgrisk.randomness.philox import block, philox_versions
from cgrisk.randomness.variates import uniform

__all__ = ["TiltData", "draw_words", "tilt"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint32]

PARTY, SEATING, MASS, SERVICE = 3, 4, 5, 8  # randomness.keys.Cause
MEN, WOMEN = 0, 1

#: Versions tried before a search is given up: half a second's worth, met never in practice.
_MOST_TRIED = 1 << 24
_FIRST_LOOK, _LOOK = 8, 64
#: Least chance of a kind and size of party that is leaned, and how much likelier (as a logarithm)
#: what it has in common may become: both keep the search for it short.
_RAREST_PARTY, _MOST_OF_A_PARTY = 1e-4, 5.0
_WORD, _HALF = 2.0**32, 2.0**-16
_HALF_WORD, _LOW_HALF = np.uint64(16), np.uint64(0xFFFF)


class TiltData(NamedTuple):
    """How a flight is leaned. ``A`` distinct arms of seats, ``Q`` kinds of party, ``C`` cells.

    Tables of exponents hold one for each of the ``C`` equal cells of a word, by its top bits.
    """

    theta: float
    """Per kg m of moment, positive toward the tail."""
    adult_kg: float
    child_kg: float
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
    arm_class: Ints
    """(S,) number of a seat's arm among the distinct ones."""
    body: Floats
    """(A, Q, 3, C) exponents of the mass of a man, woman, child."""
    body_log_mean: Floats
    body_most: Floats
    """(A, Q, 3)"""
    adult_log_mean: Floats
    """(A, Q) for an adult whose sex is drawn."""
    bag: Floats
    """(A, C)"""
    bag_log_mean: Floats
    bag_most: Floats
    """(A,)"""
    reference_arm_m: float
    common: Floats
    """(Q, 2, D) mass of an adult, a child by what the party has in common, less its mean (kg)."""
    male_kg: float
    female_kg: float
    """Mass of a man, of a woman, less an adult's mean."""
    one_sex: Floats
    """(Q,) chance, to the word, that a party is of one sex."""
    mass_ahead: Floats
    """(Q, N, A) log mean of what masses will add, by kind, adults of a party and where it sits."""
    party_lean: Floats
    """(R, Q, N) exponent of a kind and number of adults, by region."""
    male_share: float
    male_of_one_sex: float
    """Chance, to the word, that such a party is one of men."""


class Choices(NamedTuple):
    """The numbers by which outcomes are chosen, flight by flight, and scratch."""

    four: Words
    place: Ints
    """Flight; how many numbers it has used."""
    tried: Words
    """(4, versions looked at together)"""
    weight: Floats
    """(S,) chance of each seat to be next, times a constant."""
    lean: Floats
    """(S,) exponent of each seat."""
    sums: Floats
    """(S + 1,) running sums over free seats."""
    common: Floats
    """(D,) exponents of what a party has in common."""


@kernel
def _number(data: TiltData, choices: Choices) -> float:
    """Return the flight's next number in (0, 1)."""
    used = choices.place[1]
    if used % 4 == 0:
        w0, w1, w2, w3 = block(choices.place[0], 0, 0, used // 4, 0, data.k0, data.k1)
        choices.four[0] = w0
        choices.four[1] = w1
        choices.four[2] = w2
        choices.four[3] = w3
    choices.place[1] = used + 1
    return uniform(choices.four[used % 4])


@kernel
def _find(
    keys: Keys,
    row: int,
    cause: int,
    entity: int,
    low_0: float,
    high_0: float,
    low_1: float,
    high_1: float,
    choices: Choices,
) -> bool:
    """Set an entity's version to the first whose first two words lie in [low, high)."""
    flight = flight_number(keys, row, cause)
    tried = choices.tried
    version = 0
    look = _FIRST_LOOK
    while version < _MOST_TRIED:
        philox_versions(tried, flight, version, look, cause, entity, 0, keys.k0, keys.k1)
        for i in range(look):
            if low_0 <= uniform(tried[0, i]) < high_0 and low_1 <= uniform(tried[1, i]) < high_1:
                keys.versions[row, keys.first[cause] + entity] = np.uint32(version + i)
                return True
        version += look
        look = _LOOK
    return False


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
            if _number(data, choices) < math.exp(lean - data.log_most[i]):
                break
            version += 1
            if version == _MOST_TRIED:
                return math.nan
        keys.versions[row, keys.first[cause] + entity] = np.uint32(version)
        total += data.log_mean[i] - lean
    return total


@kernel
def _lean_region(
    data: TiltData,
    cabin: CabinData,
    party: PartyData,
    keys: Keys,
    row: int,
    people: People,
    region: int,
    choices: Choices,
) -> float:
    """Choose the versions of a region's seats, party by party; return the log of the weight.

    The scores of seats taken in turn are put into windows that rise in turn, those of the other
    seats above the last window before they were taken, or above all: only their order counts.
    """
    start = cabin.region_start[region]
    seats = cabin.region_start[region + 1] - start
    first = cabin.region_first_person[region]
    adults, children = people.region_adults[region], people.region_children[region]
    if adults + children == 0 or adults + children == seats:
        return 0.0
    left, right = people.left, people.right
    for i in range(seats + 2):
        left[i] = i
        right[i] = i
    fill_words(keys, row, PARTY, first, seats, 0, people.words)
    weight, lean, sums, open_place = choices.weight, choices.lean, choices.sums, people.free
    centre = 0.0
    for i in range(seats):
        centre += cabin.arm_m[cabin.region_seats[start + i]] / seats
    number = 0
    total = 0.0
    clock, last_class = 0.0, -math.inf
    rest_of_time = 0.0  # until as many seats are taken as there are people, if preference rules
    while adults + children > 0:
        total += _lean_kind(
            data, party, keys, row, people, region, first, number, adults, children, choices
        )
        kind, size, young = draw_party(party, keys, row, people, first, number, adults, children)
        number += 1
        group = size + young
        alone = party.adults_low.size - 1
        kg = (size * data.adult_kg + young * data.child_kg) / group
        lowest = math.inf
        for i in range(seats):
            if right[i + 1] == i + 1:
                lowest = min(lowest, cabin.score_base[cabin.region_seats[start + i]])
        if lowest != last_class:
            clock, last_class = 0.0, lowest
        free, eligible = 0, 0
        for i in range(seats):
            if right[i + 1] == i + 1:
                free += 1
                if cabin.score_base[cabin.region_seats[start + i]] == lowest:
                    eligible += 1
        after = adults + children - group
        # The chance that a seat stays free otherwise: of the present class, and of later ones.
        staying = max(1.0 - after / (eligible - group), 0.0) if eligible > group else 0.0
        over = max(after - max(eligible - group, 0), 0)
        later = 1.0 - over / max(free - eligible, over, 1)
        if number == 1 and cabin.exponential_score:
            rest_of_time = _time_to_fill(cabin, start, seats, after)
        plain, taken, speed = 0.0, 0.0, 0.0
        sums[0] = 0.0
        free = 0
        for i in range(seats):
            if right[i + 1] != i + 1:
                continue
            seat = cabin.region_seats[start + i]
            rate, mine = 0.0, later
            if cabin.score_base[seat] == lowest:
                rate, mine = 1.0, staying
                if cabin.exponential_score:
                    rate = 1.0 / cabin.score_scale[seat]
                    mine = math.exp(-rate * rest_of_time)
                    taken += 1.0 - mine
                    speed += rate * mine
            weight[free] = rate
            plain += rate
            sums[free + 1] = sums[free] + mine * (cabin.arm_m[seat] - centre)
            open_place[free] = i
            free += 1
        if cabin.exponential_score and speed > 0.0:  # one step of Newton
            rest_of_time = max(rest_of_time + (after - taken) / speed, 0.0)
        leaned, pull = 0.0, data.theta * kg
        for i in range(free):
            if weight[i] > 0.0:
                # The others sit about as many places to the left as to the right.
                begin = min(max(i - (group - 1) // 2, 0), free - group)
                lean[i] = pull * (sums[begin + group] - sums[begin])
                # Their masses are leaned next; those who would sit there otherwise, likewise.
                arm = data.arm_class[cabin.region_seats[start + open_place[i]]]
                others = size * data.mass_ahead[alone, 1, arm] * (1.0 - staying)
                lean[i] += data.mass_ahead[kind, size, arm] - others
                weight[i] *= math.exp(lean[i])
                leaned += weight[i]
        target = _number(data, choices) * leaned
        chosen = -1
        for i in range(free):
            if weight[i] > 0.0:
                chosen = i
                target -= weight[i]
                if target < 0.0:
                    break
        total += math.log(leaned / plain) - lean[chosen]
        chosen = open_place[chosen]
        # The window is as long as the expected wait for the next of the seats that are free.
        until = clock + 1.0 / plain
        adult_lever, child_lever = 0.0, 0.0
        for member in range(group):
            place = chosen + 1 if member == 0 else nearest_free(left, right, chosen + 1, seats)
            take(left, right, place)
            seat = cabin.region_seats[start + place - 1]
            if member < size:
                adult_lever += cabin.arm_m[seat] - data.reference_arm_m
            else:
                child_lever += cabin.arm_m[seat] - data.reference_arm_m
            since = clock if member == 0 else until
            upto = until if member == 0 else math.inf
            if cabin.score_base[seat] == lowest and not _put(
                cabin, keys, row, seat, since, upto, choices
            ):
                return math.nan
        clock = until
        log_weight = _lean_party(
            data,
            party,
            keys,
            row,
            people,
            first,
            number - 1,
            adults,
            children,
            adult_lever,
            child_lever,
            choices,
        )
        if math.isnan(log_weight):
            return math.nan
        total += log_weight
        adults -= size
        children -= young
    for i in range(seats):
        seat = cabin.region_seats[start + i]
        if (
            right[i + 1] == i + 1
            and cabin.score_base[seat] == last_class
            and not _put(cabin, keys, row, seat, clock, math.inf, choices)
        ):
            return math.nan
    return total


@kernel
def _lean_kind(
    data: TiltData,
    party: PartyData,
    keys: Keys,
    row: int,
    people: People,
    region: int,
    first: int,
    number: int,
    adults: int,
    children: int,
    choices: Choices,
) -> float:
    """Lean which kind of party comes next and its number of adults; return the log weight."""
    kinds = party.adults_low.size
    if kinds == 1:
        return 0.0
    cumulative = party.family_cumulative if children > 0 else party.adult_cumulative
    mean, most, before = 0.0, -math.inf, 0.0
    for kind in range(kinds):
        chance = (cumulative[kind] - before) / cumulative[kinds - 1]
        before = cumulative[kind]
        if chance <= 0.0:
            continue
        low, high = party.adults_low[kind], party.adults_high[kind]
        for size in range(low, high + 1):
            lean = data.party_lean[region, kind, min(size, adults)]
            mean += chance / (high - low + 1) * math.exp(lean)
            most = max(most, lean)
    version = 0
    while True:
        keys.versions[row, keys.first[PARTY] + first + number] = np.uint32(version)
        w0, w1, _w2, _w3 = words(keys, row, PARTY, first + number, 0)
        people.words[0, number] = w0
        people.words[1, number] = w1
        kind, size, _young = draw_party(party, keys, row, people, first, number, adults, children)
        lean = data.party_lean[region, kind, size]
        if _number(data, choices) < math.exp(lean - most):
            log_weight: float = math.log(mean) - lean
            return log_weight
        version += 1


@kernel
def _lean_party(
    data: TiltData,
    party: PartyData,
    keys: Keys,
    row: int,
    people: People,
    first: int,
    number: int,
    adults: int,
    children: int,
    adult_lever: float,
    child_lever: float,
    choices: Choices,
) -> float:
    """Lean what a party has in common, by where it sits; return the log of the weight.

    The levers are sums of arms, adults' and children's. Its version becomes one of the same kind
    and numbers, so that the seats stay as chosen.
    """
    kind, size, young = draw_party(party, keys, row, people, first, number, adults, children)
    correlated = party.correlation[kind] > 0.0
    one_sex = data.one_sex[kind]
    if size + young == 1 or not (correlated or one_sex > 0.0):
        return 0.0
    cumulative = party.family_cumulative if children > 0 else party.adult_cumulative
    chance = cumulative[kind] - (cumulative[kind - 1] if kind > 0 else 0.0)
    chance /= cumulative[cumulative.size - 1]
    chance /= party.adults_high[kind] - party.adults_low[kind] + 1
    if chance < _RAREST_PARTY:  # too long a search for its like
        return 0.0
    cells = data.common.shape[2]
    men = data.male_of_one_sex
    strength = data.theta
    while True:
        mean, most = 1.0, 0.0
        if correlated:
            mean, most = 0.0, -math.inf
            for i in range(cells):
                kg_m = adult_lever * data.common[kind, 0, i] + child_lever * data.common[kind, 1, i]
                choices.common[i] = strength * kg_m
                mean += math.exp(choices.common[i]) / cells
                most = max(most, choices.common[i])
        male = strength * adult_lever * data.male_kg
        female = strength * adult_lever * data.female_kg
        men_or_women = men * math.exp(male) + (1.0 - men) * math.exp(female)
        mean *= 1.0 - one_sex + one_sex * men_or_women
        if one_sex > 0.0:
            most += max(male, female, 0.0)
        if most - math.log(mean) < _MOST_OF_A_PARTY:
            break
        strength *= 0.8
    column = keys.first[PARTY] + first + number
    told = int(keys.versions[row, column]) + 1  # those before have told kind and numbers
    for version in range(told, told + _MOST_TRIED):
        keys.versions[row, column] = np.uint32(version)
        w0, w1, w2, w3 = words(keys, row, PARTY, first + number, 0)
        people.words[0, number] = w0
        people.words[1, number] = w1
        again, adults_again, young_again = draw_party(
            party, keys, row, people, first, number, adults, children
        )
        if again != kind or adults_again != size or young_again != young:
            continue
        lean = choices.common[int(w2 * (cells / _WORD))] if correlated else 0.0
        if (float(np.uint64(w3) & _LOW_HALF) + 0.5) * _HALF < party.same_sex[kind]:
            sex_u = (float(np.uint64(w3) >> _HALF_WORD) + 0.5) * _HALF
            lean += male if sex_u < data.male_share else female
        if _number(data, choices) < math.exp(lean - most):
            log_weight: float = math.log(mean) - lean
            return log_weight
    return math.nan


@kernel
def _time_to_fill(cabin: CabinData, start: int, seats: int, people: int) -> float:
    """Return when so many seats are expected to be taken, each after an exponential time."""
    time = 0.0
    for _ in range(30):
        taken, speed = 0.0, 0.0
        for i in range(seats):
            rate = 1.0 / cabin.score_scale[cabin.region_seats[start + i]]
            gone = math.exp(-rate * time)
            taken += 1.0 - gone
            speed += rate * gone
        if speed <= 0.0 or taken >= people - 1e-6:
            break
        time += (people - taken) / speed  # concave: from below, every step stays below
    return time


@kernel
def _put(
    cabin: CabinData,
    keys: Keys,
    row: int,
    seat: int,
    since: float,
    until: float,
    choices: Choices,
) -> bool:
    """Choose a seat's version such that its time, exponential at its rate, lies in a window."""
    rate = 1.0 / cabin.score_scale[seat] if cabin.exponential_score else 1.0
    low = 1.0 - math.exp(-rate * since)
    high = 1.0 - math.exp(-rate * until)
    return _find(keys, row, SEATING, seat, low, high, 0.0, 1.0, choices)


@kernel
def _lean_movers(
    data: TiltData, cabin: CabinData, keys: Keys, row: int, people: People, choices: Choices
) -> float:
    """Choose who changes to which seat, as ``change_seats`` will have it; return the log weight."""
    share = cabin.movers_share
    if share == 0.0:
        return 0.0
    if cabin.reseating_share > 0.0:
        w0, _w1, _w2, _w3 = words(keys, row, SERVICE, cabin.reseating_entity, 0)
        if uniform(w0) < cabin.reseating_share:
            return 0.0
    seats, persons = cabin.arm_m.size, cabin.region_seats.size
    taken = people.left
    taken[:seats] = 0
    for p in range(persons):
        if people.seat[p] >= 0:
            taken[people.seat[p]] = 1
    free = 0
    for i in range(persons):
        seat = cabin.region_seats[i]
        if taken[seat] == 0:
            people.free[free] = seat
            free += 1
    if free == 0:
        return 0.0
    ceiling = -math.log(share)  # a move that is far enough becomes about as likely as staying
    total = 0.0
    for p in range(persons):
        here = people.seat[p]
        if here < 0:
            continue
        kg = data.child_kg if people.population[p] == CHILD else data.adult_kg
        moving = 0.0
        for i in range(free):
            lean = data.theta * kg * (cabin.arm_m[people.free[i]] - cabin.arm_m[here])
            choices.lean[i] = min(lean, ceiling)
            choices.weight[i] = share / free * math.exp(choices.lean[i])
            moving += choices.weight[i]
        mean = 1.0 - share + moving
        target = _number(data, choices) * mean - (1.0 - share)
        total += math.log(mean)
        if target < 0.0:
            if not _find(keys, row, SEATING, seats + p, share, 1.0, 0.0, 1.0, choices):
                return math.nan
            continue
        chosen = free - 1
        for i in range(free):
            target -= choices.weight[i]
            if target < 0.0:
                chosen = i
                break
        total -= choices.lean[chosen]
        low, high = chosen / free, (chosen + 1) / free
        if not _find(keys, row, SEATING, seats + p, 0.0, share, low, high, choices):
            return math.nan
        people.free[chosen], people.seat[p] = here, people.free[chosen]
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
    for p in range(persons):
        if people.seat[p] < 0:
            continue
        arm, kind, population = data.arm_class[people.seat[p]], people.kind[p], people.population[p]
        sex = MEN if people.bag_kg[p] < mass.male_share else WOMEN  # of a party of one sex
        if population == CHILD:
            most = data.body_most[arm, kind, CHILD]
            total += data.body_log_mean[arm, kind, CHILD]
        elif population == DRAWN:
            most = max(data.body_most[arm, kind, MEN], data.body_most[arm, kind, WOMEN])
            most += data.bag_most[arm]
            total += data.adult_log_mean[arm, kind] + data.bag_log_mean[arm]
        else:
            most = data.body_most[arm, kind, sex] + data.bag_most[arm]
            total += data.body_log_mean[arm, kind, sex] + data.bag_log_mean[arm]
        version = 0
        while True:
            w0, w1, w2, _w3 = block(flight, version, MASS, p, 0, keys.k0, keys.k1)
            if population == CHILD:
                lean = data.body[arm, kind, CHILD, int(w1 * scale)]
            else:
                if population == DRAWN:
                    sex = MEN if uniform(w0) < mass.male_share else WOMEN
                lean = data.body[arm, kind, sex, int(w1 * scale)] + data.bag[arm, int(w2 * scale)]
            if _number(data, choices) < math.exp(lean - most):
                break
            version += 1
            if version == _MOST_TRIED:
                return math.nan
        keys.versions[row, keys.first[MASS] + p] = np.uint32(version)
        total -= lean
    return total


def _make_tilt(fingerprint: int) -> Callable[[Program, Keys, TiltData, Floats, Ints], int]:
    def tilt(program: Program, keys: Keys, data: TiltData, log_weight: Floats, seated: Ints) -> int:
        """Write versions, log weights and seats by person; see ``flight.leaning.lean_block``.

        A log weight of nan: a search was given up.
        """
        if fingerprint < 0:
            return -1
        cabin, mass = program.cabin, program.mass
        seats, persons = cabin.arm_m.size, cabin.region_seats.size
        people = new_people(seats, cabin.region_start.size - 1, cabin.zone_region.size)
        choices = Choices(
            np.empty(4, np.uint32),
            np.zeros(2, np.int64),
            np.empty((4, _LOOK), np.uint32),
            np.empty(seats, np.float64),
            np.empty(seats, np.float64),
            np.empty(seats + 1, np.float64),
            np.empty(data.common.shape[2], np.float64),
        )
        for row in range(log_weight.size):
            choices.place[0] = keys.flights[row, 0]
            choices.place[1] = 0
            total = _lean_entities(data, keys, row, choices)
            count_aboard(cabin, keys, row, people)
            for region in range(cabin.region_start.size - 1):
                total += _lean_region(
                    data, cabin, program.party, keys, row, people, region, choices
                )
            board(cabin, program.party, keys, row, people)
            total += _lean_movers(data, cabin, keys, row, people, choices)
            if cabin.movers_share > 0.0:  # from the seats as boarded, by the versions just chosen
                board(cabin, program.party, keys, row, people)
                change_seats(cabin, keys, row, people)
            total += _lean_masses(data, mass, keys, row, people, persons, choices)
            log_weight[row] = total
            for p in range(persons):
                seated[row, p] = people.seat[p]
        return 0

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
