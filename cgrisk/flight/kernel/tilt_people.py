"""Boardings and changes of seat of a flight, leaned: what is done in which order.

Boardings go through the regions, party by party, then through the changes of seat, person by
person; every few people they are picked anew if need be (``flight.kernel.tilt_boardings``).
"""

from __future__ import annotations

import math

from cgrisk.compiled import inlined_kernel, kernel
from cgrisk.flight.kernel.data import CabinData, PartyData
from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.people import CHILD, People
from cgrisk.flight.kernel.tilt_boardings import (
    EARLIER,
    EXPONENT,
    MORE,
    Boardings,
    begin,
    begin_region,
    credit,
    pick_anew,
    pick_one,
    worth,
)
from cgrisk.flight.kernel.tilt_changes import (
    begin_changes,
    change_seat,
    changes_ahead,
)
from cgrisk.flight.kernel.tilt_data import Choices, TiltData, put
from cgrisk.flight.kernel.tilt_parties import LAST, board_party, later_word, put_party

__all__ = ["lean_changes", "lean_parties", "take_seats", "write_boarding"]

#: People between looks at how the products scatter, and the share of the boardings that those must
#: be worth.
_STEP, _WORTH = 8, 0.5


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


@inlined_kernel
def _region_ahead(
    data: TiltData, cabin: CabinData, boardings: Boardings, one: int, start: int, seats: int
) -> float:
    """Return the exponent expected once a region is full: seats free now may yet be taken."""
    lean = data.party
    left = boardings.still[one, 0] + boardings.still[one, 1]
    total: float = boardings.figure[one, EARLIER] + boardings.figure[one, MORE]
    for i in range(start, start + seats):
        seat = cabin.region_seats[i]
        taken = boardings.taken_at[one, seat] > 0
        if taken:
            total += lean.value[seat]
        elif left > 0:
            total += (1.0 - lean.vacancy[lean.seat_class[seat], left]) * lean.value[seat]
    return total


@kernel
def _settle(boardings: Boardings, many: int, choices: Choices) -> float:
    """Pick boardings anew if their products scatter; return the log of what that makes sure of."""
    mean, left = worth(boardings, many)
    if left >= _WORTH * many:
        return 0.0
    pick_anew(boardings, many, choices)
    return mean


@kernel
def lean_parties(
    data: TiltData,
    cabin: CabinData,
    people: People,
    boardings: Boardings,
    choices: Choices,
) -> float:
    """Choose all regions' parties and their seats; return the log of what is made sure of."""
    many = data.party.boardings
    begin(boardings, many)
    total = 0.0
    for region in range(cabin.region_start.size - 1):
        start = cabin.region_start[region]
        seats = cabin.region_start[region + 1] - start
        adults, children = people.region_adults[region], people.region_children[region]
        choices.base[0] = _only_base(cabin, start, seats)
        begin_region(boardings, many, seats, adults, children)
        aboard = adults + children
        # From what is expected of the empty region: seats that are sure to be taken gain nothing.
        for one in range(many):
            credit(boardings, one, _region_ahead(data, cabin, boardings, one, start, seats))
        sure, _left = worth(boardings, many)
        sure = -sure
        mark = aboard
        while mark > 0:
            mark = max(mark - _STEP, 0) if many > 1 else 0
            still = 0
            for one in range(many):
                while boardings.still[one, 0] + boardings.still[one, 1] > mark:
                    board_party(data, cabin, region, aboard, boardings, one, choices)
                still += boardings.still[one, 0] + boardings.still[one, 1]
                credit(boardings, one, _region_ahead(data, cabin, boardings, one, start, seats))
            mean, _left = worth(boardings, many)
            # Each of those still to come adds about as much to the product as those who came.
            gain = (sure + mean) / (aboard - still / many)
            for one in range(many):
                ahead = gain * (boardings.still[one, 0] + boardings.still[one, 1])
                credit(boardings, one, boardings.figure[one, EXPONENT] + ahead)
            settled = _settle(boardings, many, choices)
            total += settled
            sure += settled
            for one in range(many):
                ahead = gain * (boardings.still[one, 0] + boardings.still[one, 1])
                credit(boardings, one, boardings.figure[one, EXPONENT] - ahead)
        for one in range(many):
            place = boardings.after[one, 0]
            while place <= seats:
                seat = cabin.region_seats[start + place - 1]
                boardings.low[one, seat] = later_word(cabin, boardings, one, seat)
                boardings.high[one, seat] = LAST
                place = boardings.after[one, place]
    return total


@kernel
def take_seats(data: TiltData, people: People, boardings: Boardings) -> None:
    """Set all boardings to people who travel alone, where they sit."""
    begin(boardings, data.party.boardings)
    for one in range(data.party.boardings):
        for p in range(boardings.seat.shape[1]):
            boardings.seat[one, p] = people.seat[p]
            boardings.child[one, p] = 1 if people.population[p] == CHILD else 0
            boardings.profile[one, p] = boardings.child[one, p]


@kernel
def _exponent(data: TiltData, boardings: Boardings, one: int) -> float:
    """Return the exponent of all who board, each as he will be weighed."""
    total = 0.0
    for p in range(boardings.seat.shape[1]):
        seat = boardings.seat[one, p]
        if seat >= 0:
            total += data.party.at_last[seat]
            total += data.party.more[boardings.profile[one, p], data.arm_class[seat]]
    return total


@kernel
def lean_changes(
    data: TiltData,
    cabin: CabinData,
    boardings: Boardings,
    changing: bool,
    choices: Choices,
) -> tuple[float, int]:
    """Choose who changes seats, and pick the boarding that is kept.

    Return the log of the weight of all since the boardings began, but for what was made sure of
    before, and the boarding.
    """
    many, persons = data.party.boardings, boardings.seat.shape[1]
    total = 0.0
    for one in range(many):
        if data.party.by_party:
            credit(boardings, one, _exponent(data, boardings, one))
        if changing:
            begin_changes(data, cabin, boardings, one, choices)
            for p in range(persons):
                boardings.among[one, p] = 0
    if changing and boardings.still[0, 3] > 0:
        first = 0
        while first < persons:
            last = min(first + 2 * _STEP, persons) if many > 1 else persons
            for one in range(many):
                before = changes_ahead(data, cabin, boardings, one, first) if many > 1 else 0.0
                credit(boardings, one, boardings.figure[one, EXPONENT] + before)
            total += _settle(boardings, many, choices)
            for one in range(many):
                after = changes_ahead(data, cabin, boardings, one, first) if many > 1 else 0.0
                credit(boardings, one, boardings.figure[one, EXPONENT] - after)
                for p in range(first, last):
                    change_seat(data, cabin, boardings, one, p, choices)
            first = last
    mean, _left = worth(boardings, many)
    kept = pick_one(boardings, many, choices)
    return total + mean - boardings.figure[kept, EXPONENT], kept


@kernel
def write_boarding(
    data: TiltData,
    cabin: CabinData,
    party: PartyData,
    male_share: float,
    keys: Keys,
    row: int,
    boardings: Boardings,
    one: int,
    choices: Choices,
) -> bool:
    """Write the versions of a boarding's parties and seats; return whether they were found."""
    for person in range(boardings.seat.shape[1]):
        outcome = boardings.outcome[one, person]
        if outcome < 0:
            continue
        if not put_party(data, party, male_share, keys, row, person, outcome, choices):
            return False
    for i in range(cabin.region_seats.size):
        seat = cabin.region_seats[i]
        choices.taken_at[seat] = boardings.taken_at[one, seat]
        low, high = boardings.low[one, seat], boardings.high[one, seat]
        if low >= high or not put(keys, row, seat, low, high, choices.tried):
            return False
    return True
