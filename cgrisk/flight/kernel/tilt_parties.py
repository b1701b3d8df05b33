"""Parties, their seats and those who change seats, leaned through versions of their keys.

A party. Its kind is chosen with chances in proportion to ``p(kind) G(kind)``, with the exact mean
of any ``G``. The first J versions of its entity that are of this kind are independent parties. One
is chosen with a chance in proportion to a figure ``g`` of its own; the weight is the mean of the J
figures over the chosen one's. For any function ``h``, the chosen one being ``c``,

    E[mean g / g(c) h(c)] = E[sum_c (g(c) / sum g) (mean g / g(c)) h(c)] = E[mean h] = E_p[h].

A seat. Scores are ``base + scale E`` with exponential ``E`` (or uniform ones, a rising function of
such), so that of the free seats of the lowest base the leader of the next party gets each with a
chance in proportion to ``1 / scale``, whatever went before (R. D. Luce; R. L. Plackett, Applied
Statistics 24 (1975) 193; from memory). He is leaned to a seat by what he and his companions, who
take the free seats nearest to it, add there; the sum over the free seats is the exact mean.

Scores given who sits where. Only their order matters: the k-th leader's seat has a score in
``(t(k - 1), t(k)]``, the seats of his companions scores above ``t(k)``, those left empty scores
above the last ``t``. Any rising ``t`` will do; steps of one over the sum of ``1 / scale`` of the
free seats, the mean step of such scores, keep the searches short.

Changing seats. One after another, each stays with chance ``1 - m`` or takes one of the ``f`` free
seats of his class with chance ``m / f`` each; both are leaned by what his new seat adds, with the
exact mean.
"""

from __future__ import annotations

import math

import numpy as np

from cgrisk.compiled import inlined_kernel, kernel
from cgrisk.flight.kernel.data import CabinData, MassData, PartyData
from cgrisk.flight.kernel.keys import Keys, fill_words, flight_number, words
from cgrisk.flight.kernel.people import CHILD, People, draw_party
from cgrisk.flight.kernel.tilt_data import (
    LOOK,
    LOOK_FAR,
    MOST_TRIED,
    SEATING,
    Choices,
    TiltData,
    number,
    put,
)
from cgrisk.randomness.philox import block, philox_versions
from cgrisk.randomness.variates import index, normal, uniform

__all__ = ["lean_changes", "lean_region"]

PARTY, SERVICE = 3, 8  # randomness.keys.Cause
_DRAWN = 2  # column of the tables by sex

_WORD = 2.0**32
#: Words left out on either side of a bound, so that rounding turns no order round.
_MARGIN = 4


@kernel
def _choose_party(
    data: TiltData,
    party: PartyData,
    male_share: float,
    keys: Keys,
    row: int,
    region: int,
    entity: int,
    adults: int,
    children: int,
    choices: Choices,
) -> tuple[float, int, int, float, float]:
    """Choose a party's version; return (log weight, adults, children, kg of each more than usual).

    The last two are what an adult and a child of it weigh more than an adult does on average.
    """
    lean = data.party
    cumulative = party.family_cumulative if children > 0 else party.adult_cumulative
    family = 1 if children > 0 else 0
    kinds = cumulative.size
    figure = lean.figure[region, family, :, adults + children]
    # The kind, with the exact mean of its figure.
    total = 0.0
    for k in range(kinds):
        share = cumulative[k] - (cumulative[k - 1] if k > 0 else 0.0)
        choices.chance[k] = share * figure[k]
        total += choices.chance[k]
    target = number(choices) * total
    kind, running = 0, 0.0
    for k in range(kinds):
        if choices.chance[k] > 0.0:
            kind = k
            running += choices.chance[k]
            if running >= target:
                break
    weight = math.log(total / cumulative[kinds - 1] / figure[kind])
    # One of the first versions of this kind.
    flight = flight_number(keys, row, PARTY)
    mean, variance, drift = lean.mean_pull[region], lean.variance_pull[region], lean.drift_kg
    wanted = lean.candidates[region, family, kind]
    tried = choices.many
    first, past = choices.kind_words[family, kind], choices.kind_words[family, kind + 1]
    found, version, look = 0, 0, LOOK
    total = 0.0
    while found < wanted:
        if version >= MOST_TRIED:
            return math.nan, 1, 0, 0.0, 0.0
        philox_versions(tried, flight, version, look, PARTY, entity, 0, keys.k0, keys.k1)
        for i in range(look):
            if found == wanted or not first <= np.int64(tried[0, i]) < past:
                continue
            young_word = np.uint32(0)
            if children > 0:
                young_word, _w1, _w2, _w3 = block(
                    flight, version + i, PARTY, entity, 1, keys.k0, keys.k1
                )
            _kind, size, young, one_sex, sex_u = draw_party(
                party,
                uniform(tried[0, i]),
                uniform(tried[1, i]),
                np.uint64(tried[3, i]),
                young_word,
                adults,
                children,
            )
            sex = _DRAWN
            if one_sex:
                sex = 0 if sex_u < male_share else 1
            common = normal(uniform(tried[2, i]))
            each = lean.adult_kg[kind, sex] + lean.common_kg[kind, sex] * common
            more = size * each + young * lean.child_kg
            people = size + young
            height = more * mean + 0.5 * variance * (
                (more + people * drift) ** 2 - people * drift * drift
            )
            height = min(height, lean.most)
            choices.height[found] = height
            choices.size[found] = size
            choices.young[found] = young
            choices.each[found] = each
            choices.version[found] = version + i
            total += math.exp(height)
            found += 1
        version += look
        look = LOOK_FAR
    target = number(choices) * total
    chosen = 0
    running = math.exp(choices.height[0])
    while running < target and chosen < found - 1:
        chosen += 1
        running += math.exp(choices.height[chosen])
    keys.versions[row, keys.first[PARTY] + entity] = np.uint32(choices.version[chosen])
    weight += math.log(total / found) - choices.height[chosen]
    return weight, choices.size[chosen], choices.young[chosen], choices.each[chosen], lean.child_kg


@inlined_kernel
def _lean_of_place(
    data: TiltData,
    cabin: CabinData,
    choices: Choices,
    start: int,
    seats: int,
    place: int,
    adults: int,
    children: int,
    adult_kg: float,
    child_kg: float,
    left: int,
) -> float:
    """Return the exponent of a party whose leader takes a place and the others those nearest."""
    lean, before, after = data.party, choices.before, choices.after
    low, high = before[place], after[place]
    here, total = place, 0.0
    for member in range(adults + children):
        if member > 0:
            if low < 1 and high > seats:
                break
            if high > seats:
                here = low
            elif low < 1 or high - place <= place - low:
                here = high
            else:
                here = low
            if here == high:
                high = after[high]
            else:
                low = before[low]
        seat = cabin.region_seats[start + here - 1]
        kg = adult_kg if member < adults else child_kg
        vacancy = lean.vacancy[lean.seat_class[seat], left]
        total += vacancy * lean.value[seat] + kg * lean.pull[seat]
    return total


@kernel
def _word_of(t: float, scale: float) -> int:
    """Return the first word whose exponential score times a scale is above t, about."""
    return int(-math.expm1(-t / scale) * _WORD)


@kernel
def _only_base(cabin: CabinData, start: int, seats: int) -> float:
    """Return the base of the scores of all seats of a region, nan where they have several."""
    base = math.nan
    for i in range(start, start + seats):
        here = cabin.score_base[cabin.region_seats[i]]
        if i > start and here != base:
            return math.nan
        base = here
    return base


@kernel
def _take(choices: Choices, place: int) -> None:
    low, high = choices.before[place], choices.after[place]
    choices.after[low] = high
    choices.before[high] = low


@kernel
def _seat_one(
    data: TiltData,
    cabin: CabinData,
    keys: Keys,
    row: int,
    start: int,
    seats: int,
    adults: int,
    children: int,
    adult_kg: float,
    child_kg: float,
    left: int,
    clock: float,
    choices: Choices,
) -> tuple[float, int, float]:
    """Choose the place of a leader; return (log weight, place, time after which the next comes)."""
    after = choices.after
    base = choices.base[1]
    if math.isnan(base):
        base = math.inf
        place = after[0]
        while place <= seats:
            base = min(base, cabin.score_base[cabin.region_seats[start + place - 1]])
            place = after[place]
    total, leaned = 0.0, 0.0
    # Seats of a row mostly add the same.
    last, raised = 0.0, 1.0
    place = after[0]
    while place <= seats:
        seat = cabin.region_seats[start + place - 1]
        choices.chance[place] = 0.0
        if cabin.score_base[seat] == base:
            lean = _lean_of_place(
                data,
                cabin,
                choices,
                start,
                seats,
                place,
                adults,
                children,
                adult_kg,
                child_kg,
                left,
            )
            share = 1.0 / cabin.score_scale[seat]
            if lean != last:
                last, raised = lean, math.exp(lean)
            choices.lean[place] = lean
            choices.chance[place] = share * raised
            total += share
            leaned += choices.chance[place]
        place = after[place]
    target = number(choices) * leaned
    running, chosen = 0.0, 0
    place = after[0]
    while place <= seats:
        if choices.chance[place] > 0.0:
            chosen = place
            running += choices.chance[place]
            if running >= target:
                break
        place = after[place]
    seat = cabin.region_seats[start + chosen - 1]
    if choices.base[0] != base:  # seats of another turn: their clock starts anew
        choices.base[0] = base
        clock = 0.0
    scale = cabin.score_scale[seat]
    later = clock + 1.0 / total
    low = _word_of(clock, scale) + _MARGIN if clock > 0.0 else 0
    high = _word_of(later, scale) - _MARGIN
    weight = math.log(leaned / total) - choices.lean[chosen]
    if low >= high or not put(keys, row, seat, low, high, choices.tried):
        weight = math.nan
    return weight, chosen, later


@kernel
def _put_later(
    cabin: CabinData, keys: Keys, row: int, seat: int, clock: float, choices: Choices
) -> bool:
    """Give a seat a score above those of the leaders up to now."""
    if cabin.score_base[seat] != choices.base[0]:
        return True
    low = _word_of(clock, cabin.score_scale[seat]) + _MARGIN
    return low < 1 << 32 and put(keys, row, seat, low, 1 << 32, choices.tried)


@kernel
def lean_region(
    data: TiltData,
    cabin: CabinData,
    party: PartyData,
    mass: MassData,
    keys: Keys,
    row: int,
    people: People,
    region: int,
    choices: Choices,
) -> float:
    """Choose a region's parties and their seats; return the log of the weight."""
    start = cabin.region_start[region]
    seats = cabin.region_start[region + 1] - start
    first = cabin.region_first_person[region]
    adults = people.region_adults[region]
    children = people.region_children[region]
    before, after = choices.before, choices.after
    for place in range(seats + 2):
        before[place] = place - 1
        after[place] = place + 1
    before[0] = 0
    total, clock, parties = 0.0, 0.0, 0
    choices.base[0] = -math.inf
    choices.base[1] = _only_base(cabin, start, seats)
    while adults + children > 0:
        weight, size, young, adult_kg, child_kg = _choose_party(
            data,
            party,
            mass.male_share,
            keys,
            row,
            region,
            first + parties,
            adults,
            children,
            choices,
        )
        parties += 1
        total += weight
        left = adults + children
        chosen = 0
        for member in range(size + young):
            if member == 0 or cabin.parties_apart:
                together = not cabin.parties_apart
                grown = size if together else (1 if member < size else 0)
                small = young if together else 1 - grown
                weight, chosen, clock = _seat_one(
                    data,
                    cabin,
                    keys,
                    row,
                    start,
                    seats,
                    grown,
                    small,
                    adult_kg,
                    child_kg,
                    left,
                    clock,
                    choices,
                )
                total += weight
                place = chosen
            else:
                low, high = before[chosen], after[chosen]
                if high > seats:
                    place = low
                elif low < 1 or high - chosen <= chosen - low:
                    place = high
                else:
                    place = low
                seat = cabin.region_seats[start + place - 1]
                if not _put_later(cabin, keys, row, seat, clock, choices):
                    return math.nan
            choices.taken_at[cabin.region_seats[start + place - 1]] = left - member
            _take(choices, place)
            if place == chosen:
                continue
            # The leader's place keeps pointing at the free ones on either side of it.
            if place < chosen:
                before[chosen] = before[place]
            else:
                after[chosen] = after[place]
        if math.isnan(total):
            return total
        adults -= size
        children -= young
    place = after[0]
    while place <= seats:
        seat = cabin.region_seats[start + place - 1]
        if not _put_later(cabin, keys, row, seat, clock, choices):
            return math.nan
        place = after[place]
    return total


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
def lean_changes(
    data: TiltData, cabin: CabinData, keys: Keys, row: int, people: People, choices: Choices
) -> float:
    """Choose who changes seats, and to which; return the log of the weight.

    Goes through people and free seats as ``people.change_seats``, and changes the seats itself.
    """
    if cabin.movers_share == 0.0:
        return 0.0
    if cabin.reseating_share > 0.0:
        w0, _w1, _w2, _w3 = words(keys, row, SERVICE, cabin.reseating_entity, 0)
        if uniform(w0) < cabin.reseating_share:
            return 0.0
    persons = cabin.arm_m.size
    taken = choices.taken
    taken[:persons] = False
    for p in range(persons):
        if people.seat[p] >= 0:
            taken[people.seat[p]] = True
    free = 0
    for i in range(cabin.region_seats.size):
        seat = cabin.region_seats[i]
        if not taken[seat]:
            people.free[free] = seat
            free += 1
    if free == 0:
        return 0.0
    fill_words(keys, row, SEATING, persons, persons, 0, people.words)
    share, total = cabin.movers_share, 0.0
    for p in range(persons):
        seat = people.seat[p]
        if seat < 0:
            continue
        child = 1 if people.population[p] == CHILD else 0
        odds, travels = data.seat_odds[child], cabin.seat_class[seat]
        sums, choice = 0.0, 0
        for i in range(free):
            if cabin.seat_class[people.free[i]] == travels:
                choice += 1
                sums += odds[people.free[i]]
        if choice == 0:
            continue
        moving = share / choice * sums / odds[seat]
        mean = 1.0 - share + moving
        drawn = number(choices) * mean
        place, other, at = -1, -1, -1
        if drawn < moving:
            target = drawn / moving * sums
            running = 0.0
            for i in range(free):
                if cabin.seat_class[people.free[i]] == travels:
                    place += 1
                    at, other = i, people.free[i]
                    running += odds[other]
                    if running >= target:
                        break
        total += math.log(mean)
        anew = place >= 0 or uniform(people.words[0, p]) < share
        if anew and not _put_move(keys, row, persons + p, share, place, choice, choices):
            return math.nan
        if place >= 0:
            total -= math.log(odds[other] / odds[seat])
            people.free[at] = seat
            people.seat[p] = other
    return total
