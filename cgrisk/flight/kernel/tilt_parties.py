"""Parties and their seats, leaned through versions of their keys.

A party. Its outcome is its kind, its adults and children as drawn, whether all its adults are men,
women or neither, and the cell that the score lies in which its members share. An outcome is chosen
with a chance in proportion to ``p G``, with the exact mean of any figure ``G`` as its factor; the
version is the first whose words draw it, so that all else in them keeps its law given the outcome;
the cell is told by the version (``flight.kernel.told_words``), since rare ones take long to find.

A seat. Scores are ``base + scale E`` with exponential ``E`` (or uniform ones, a rising function of
such), so that of the free seats of the lowest base the leader of the next party gets each with a
chance in proportion to ``1 / scale``, whatever went before (R. D. Luce; R. L. Plackett, Applied
Statistics 24 (1975) 193; from memory). He is leaned to a seat by what he and his companions, who
take the free seats nearest to it, add there; the sum over the free seats is the exact mean.

Scores given who sits where. Only their order matters: the k-th leader's seat has a score in
``(t(k - 1), t(k)]``, the seats of his companions scores above ``t(k)``, those left empty scores
above the last ``t``. Any rising ``t`` will do; steps of one over the sum of ``1 / scale`` of the
free seats, the mean step of such scores, keep the searches short.

Here a region's parties are chosen one after another as one of several boardings
(``flight.kernel.tilt_boardings``), which only notes what is chosen.
"""

from __future__ import annotations

import math

import numpy as np

from cgrisk.compiled import inlined_kernel, kernel
from cgrisk.flight.kernel.data import CabinData, PartyData
from cgrisk.flight.kernel.keys import Keys, flight_number
from cgrisk.flight.kernel.people import DRAWN, MEN, WOMEN, draw_party
from cgrisk.flight.kernel.tilt_boardings import BASE, CLOCK, EXPONENT, MORE, PRODUCT, Boardings
from cgrisk.flight.kernel.tilt_data import (
    LOOK,
    LOOK_FAR,
    MOST_PARTIES_TRIED,
    Choices,
    TiltData,
    number,
)
from cgrisk.flight.kernel.told_words import DRAWS, first_told
from cgrisk.randomness.philox import block, philox_versions
from cgrisk.randomness.variates import uniform

__all__ = ["LAST", "board_party", "later_word", "put_party"]

PARTY = 3  # randomness.keys.Cause

_WORD = 2.0**32
#: Past the last word.
LAST = 1 << 32
#: More people than a party can have.
_ENOUGH = 1 << 30
#: Words left out on either side of a bound, so that rounding turns no order round.
_MARGIN = 4


@inlined_kernel
def _choose_outcome(
    data: TiltData,
    region: int,
    left: int,
    children: int,
    boardings: Boardings,
    one: int,
    chosen: float,
) -> int:
    """Return a party's outcome by a number in (0, 1)."""
    lean = data.party
    level = lean.level[left]
    family = 1 if children > 0 else 0
    low: int = lean.outcomes[family]
    last = lean.outcomes[family + 1] - 1
    total = lean.running[region, level, last]
    target, high = chosen * total, last
    while low < high:
        middle = (low + high) // 2
        if lean.running[region, level, middle] > target:
            high = middle
        else:
            low = middle + 1
    boardings.figure[one, PRODUCT] += math.log(total) - lean.log_figure[region, level, low]
    return low


@kernel
def put_party(
    data: TiltData,
    party: PartyData,
    male_share: float,
    keys: Keys,
    row: int,
    entity: int,
    outcome: int,
    choices: Choices,
) -> bool:
    """Set a party's version to the first whose words draw an outcome."""
    lean = data.party
    kind, column = lean.kind[outcome], lean.column[outcome]
    adults, young = lean.adults[outcome], lean.young[outcome]
    family = 1 if young > 0 else 0
    first, past = choices.kind_words[family, kind], choices.kind_words[family, kind + 1]
    flight, tried = flight_number(keys, row, PARTY), choices.many
    version, last = 0, MOST_PARTIES_TRIED
    if lean.cell[outcome] >= 0:
        version = first_told(lean.cell[outcome])
        last = version + DRAWS
    look = LOOK
    while version + look <= last:  # no further: later versions tell another cell
        philox_versions(tried, flight, version, look, PARTY, entity, 0, keys.k0, keys.k1)
        for i in range(look):
            if not first <= np.int64(tried[0, i]) < past:
                continue
            young_word = np.uint32(0)
            if family:
                young_word, _w1, _w2, _w3 = block(
                    flight, version + i, PARTY, entity, 1, keys.k0, keys.k1
                )
            _kind, size, small, one_sex, sex_u = draw_party(
                party,
                uniform(tried[0, i]),
                uniform(tried[1, i]),
                np.uint64(tried[3, i]),
                young_word,
                _ENOUGH,
                _ENOUGH * family,
            )
            drawn = DRAWN
            if one_sex:
                drawn = MEN if sex_u < male_share else WOMEN
            if size == adults and small == young and drawn == column:
                keys.versions[row, keys.first[PARTY] + entity] = np.uint32(version + i)
                return True
        version += look
        look = LOOK_FAR
    return False


@inlined_kernel
def _nearer(low: int, high: int, place: int, seats: int) -> int:
    """Return which of the free places on either side of one, if both are any, is nearer."""
    if high > seats:
        return low
    if low < 1 or high - place <= place - low:
        return high
    return low


@inlined_kernel
def _lean_of_place(
    data: TiltData,
    cabin: CabinData,
    boardings: Boardings,
    one: int,
    start: int,
    seats: int,
    place: int,
    adults: int,
    children: int,
    adult: int,
    child: int,
    left: int,
) -> float:
    """Return the exponent of a party whose leader takes a place and the others those nearest."""
    lean, before, after = data.party, boardings.before, boardings.after
    low, high = before[one, place], after[one, place]
    here, total = place, 0.0
    for member in range(adults + children):
        if member > 0:
            if low < 1 and high > seats:
                break
            here = _nearer(low, high, place, seats)
            if here == high:
                high = after[one, high]
            else:
                low = before[one, low]
        seat = cabin.region_seats[start + here - 1]
        who = adult if member < adults else child
        vacancy = lean.vacancy[lean.seat_class[seat], left]
        total += vacancy * lean.value[seat] + lean.more[who, data.arm_class[seat]]
    return total


@kernel
def _word_of(t: float, scale: float) -> int:
    """Return the first word whose exponential score times a scale is above t, about."""
    return int(-math.expm1(-t / scale) * _WORD)


@inlined_kernel
def later_word(cabin: CabinData, boardings: Boardings, one: int, seat: int) -> int:
    """Return the first word that gives a seat a score above those of the leaders up to now."""
    if cabin.score_base[seat] != boardings.figure[one, BASE]:
        return 0
    return min(_word_of(boardings.figure[one, CLOCK], cabin.score_scale[seat]) + _MARGIN, LAST)


@inlined_kernel
def _seat_one(
    data: TiltData,
    cabin: CabinData,
    boardings: Boardings,
    one: int,
    start: int,
    seats: int,
    adults: int,
    children: int,
    adult: int,
    child: int,
    left: int,
    choices: Choices,
) -> int:
    """Choose the place of a leader; return it."""
    after = boardings.after
    base = choices.base
    first = after[one, 0]
    if math.isnan(base[0]):
        here = math.inf
        place = first
        while place <= seats:
            here = min(here, cabin.score_base[cabin.region_seats[start + place - 1]])
            place = after[one, place]
        lowest = here
    else:
        lowest = base[0]
    total, leaned = 0.0, 0.0
    # Seats of a row mostly add the same.
    last, raised = 0.0, 1.0
    place = first
    while place <= seats:
        seat = cabin.region_seats[start + place - 1]
        choices.chance[place] = 0.0
        if cabin.score_base[seat] == lowest:
            lean = _lean_of_place(
                data,
                cabin,
                boardings,
                one,
                start,
                seats,
                place,
                adults,
                children,
                adult,
                child,
                left,
            )
            share = 1.0 / cabin.score_scale[seat]
            if lean != last:
                last, raised = lean, math.exp(lean)
            choices.lean[place] = lean
            choices.chance[place] = share * raised
            total += share
            leaned += choices.chance[place]
        place = after[one, place]
    target = number(choices.four, choices.place) * leaned
    running, chosen = 0.0, 0
    place = first
    while place <= seats:
        if choices.chance[place] > 0.0:
            chosen = place
            running += choices.chance[place]
            if running >= target:
                break
        place = after[one, place]
    seat = cabin.region_seats[start + chosen - 1]
    figure = boardings.figure
    if figure[one, BASE] != lowest:  # seats of another turn: their clock starts anew
        figure[one, BASE] = lowest
        figure[one, CLOCK] = 0.0
    scale, clock = cabin.score_scale[seat], figure[one, CLOCK]
    later = clock + 1.0 / total
    boardings.low[one, seat] = _word_of(clock, scale) + _MARGIN if clock > 0.0 else 0
    boardings.high[one, seat] = _word_of(later, scale) - _MARGIN
    figure[one, CLOCK] = later
    figure[one, PRODUCT] += math.log(leaned / total)
    figure[one, EXPONENT] += choices.lean[chosen]
    return chosen


@inlined_kernel
def board_party(
    data: TiltData,
    cabin: CabinData,
    region: int,
    aboard: int,
    boardings: Boardings,
    one: int,
    choices: Choices,
) -> None:
    """Choose the next party of a region of so many people, and its seats."""
    start = cabin.region_start[region]
    seats = cabin.region_start[region + 1] - start
    first = cabin.region_first_person[region]
    before, after, still, figure = (
        boardings.before,
        boardings.after,
        boardings.still,
        boardings.figure,
    )
    adults, children, parties = still[one, 0], still[one, 1], still[one, 2]
    left = adults + children
    by = number(choices.four, choices.place)
    outcome = _choose_outcome(data, region, left, children, boardings, one, by)
    boardings.outcome[one, first + parties] = outcome
    adult, child = data.party.adult[outcome], data.party.child[outcome]
    size = min(data.party.adults[outcome], adults)
    young = min(data.party.young[outcome], children)
    person = first + aboard - left
    chosen = 0
    for member in range(size + young):
        if member == 0 or cabin.parties_apart:
            together = not cabin.parties_apart
            grown = size if together else (1 if member < size else 0)
            small = young if together else 1 - grown
            chosen = _seat_one(
                data,
                cabin,
                boardings,
                one,
                start,
                seats,
                grown,
                small,
                adult,
                child,
                left,
                choices,
            )
            place = chosen
        else:
            place = _nearer(before[one, chosen], after[one, chosen], chosen, seats)
            seat = cabin.region_seats[start + place - 1]
            boardings.low[one, seat] = later_word(cabin, boardings, one, seat)
            boardings.high[one, seat] = LAST
        seat = cabin.region_seats[start + place - 1]
        grown_up = member < size
        boardings.taken_at[one, seat] = left - member
        boardings.seat[one, person + member] = seat
        who = adult if grown_up else child
        boardings.profile[one, person + member] = who
        boardings.child[one, person + member] = 0 if grown_up else 1
        figure[one, MORE] += data.party.more[who, data.arm_class[seat]]
        low, high = before[one, place], after[one, place]
        after[one, low] = high
        before[one, high] = low
        if place == chosen:
            continue
        # The leader's place keeps pointing at the free ones on either side of it.
        if place < chosen:
            before[one, chosen] = before[one, place]
        else:
            after[one, chosen] = after[one, place]
    still[one, 0] = adults - size
    still[one, 1] = children - young
    still[one, 2] = parties + 1
