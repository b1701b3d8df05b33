"""One passenger's trip, step by step: wanting, choosing, setting out, queueing, coming back.

The law is written in ``cgrisk.flight.cabin_life``.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import inlined_kernel, maker
from cgrisk.flight.kernel.agenda import schedule
from cgrisk.flight.kernel.data import PlacesData, UrgeData
from cgrisk.flight.kernel.keys import Keys, version_of, words
from cgrisk.flight.kernel.moves import Diary, Moves, add_move
from cgrisk.flight.kernel.rounds import Records, Rounds
from cgrisk.flight.kernel.told_calls import asked_word
from cgrisk.flight.kernel.urges import sleeps, stretch_at, time_away, urge_time, walking_speed
from cgrisk.flight.kernel.walk import (
    ABSENT,
    INSIDE,
    MEETS,
    OUT,
    SITS,
    STANDS,
    WAITS,
    Life,
    arm_now,
    go_back,
    move,
    walk_leg,
)
from cgrisk.flight.kernel.ways import EITHER, THERE_M, way
from cgrisk.randomness.variates import exponential, uniform

__all__ = [
    "ASKING",
    "GALLEY",
    "MOVEMENT",
    "PARTY_ROOM",
    "SURGE",
    "TALLY",
    "Cabin",
    "arrive",
    "clear_tally",
    "come_out",
    "end_of_leg",
    "leave",
    "new_attempt",
    "new_tally",
    "set_out",
    "sit",
    "start_aisle",
    "wait_for_next",
    "want",
]

MOVEMENT = 6  # randomness.keys.Cause
# Draws of a person: 0 his first urge and his speed; n his n-th attempt; and one for each member of
# his party whom he asks along on it. Entity `persons` is the flight itself: 0 which lavatory is
# closed.
ASKING, PARTY_ROOM = 1 << 20, 512

GALLEY, LAVATORY, SURGE = 0, 1, 2
#: Places of a queue by which the tail may have come nearer before one walks on.
_LOOK_AGAIN = 1.5

#: Figures of the cabin in one flight.
TALLY = np.dtype(
    [
        ("trips", np.int64),
        ("up", np.int64),
        ("most_up", np.int64),
        ("up_s", np.float64),
        ("longest_queue", np.int64),
        ("visits", np.int64),
        ("wait_s", np.float64),
        ("longest_wait_s", np.float64),
        ("put_off", np.int64),
        ("turned_back", np.int64),
        ("stopped", np.int64),
        ("surge", np.int64),
        ("water_kg", np.float64),
        ("stretch", np.int64),
    ],
    align=True,
)


class Cabin(NamedTuple):
    """What the passengers' rules need to know."""

    places: PlacesData
    urge: UrgeData
    life: Life
    rounds: Rounds
    moves: Moves
    diary: Diary
    tally: Records


@maker
def new_tally() -> Records:
    """Return one empty record of :data:`TALLY`."""
    return np.zeros(1, TALLY)


@inlined_kernel
def clear_tally(tally: Records, water_kg: float) -> None:
    """Start to count anew."""
    now = tally[0]
    now.trips = 0
    now.up = 0
    now.most_up = 0
    now.up_s = 0.0
    now.longest_queue = 0
    now.visits = 0
    now.wait_s = 0.0
    now.longest_wait_s = 0.0
    now.put_off = 0
    now.turned_back = 0
    now.stopped = 0
    now.surge = 0
    now.water_kg = water_kg
    now.stretch = 0


@inlined_kernel
def wait_for_next(cabin: Cabin, rate_per_s: float, seat: int, p: int, time_s: float) -> None:
    """Sitting: set the time of the next urge, second try or rush."""
    person = cabin.life.persons[p]
    if person.again == 1:
        person.urge_s = time_s + cabin.urge.retry_mean_s * exponential(uniform(person.retry_word))
    else:
        meals = cabin.rounds.meals[seat]
        person.urge_s = urge_time(
            cabin.urge,
            rate_per_s,
            cabin.rounds.meal_s[seat],
            meals,
            time_s,
            cabin.tally[0].stretch,
            exponential(uniform(person.need_word)),
            person.sleep,
        )
    if person.rush_s <= time_s:
        person.rush_s = math.inf
    schedule(cabin.life.agenda, p, min(person.urge_s, person.rush_s))


@inlined_kernel
def sit(cabin: Cabin, rate_per_s: float, seat: int, p: int, time_s: float) -> None:
    """Sit down again after a trip."""
    person, tally = cabin.life.persons[p], cabin.tally[0]
    person.state = SITS
    tally.up -= 1
    tally.up_s += time_s - person.out_s
    tally.stopped += person.held
    person.held = 0
    move(cabin.life, p, time_s, person.home_m, 0.0, cabin.moves, cabin.diary)
    wait_for_next(cabin, rate_per_s, seat, p, time_s)


@inlined_kernel
def _tail(cabin: Cabin, group: int) -> float:
    """Return the arm of a group's tail."""
    places, queue = cabin.places, cabin.life.queues[group]
    arm: float = places.lavatory_arm_m[group]
    if queue.waiting > 0 or queue.inside >= queue.open:
        arm += places.queue_step_m[group] * (queue.waiting + 1)
    return arm


@inlined_kernel
def set_out(cabin: Cabin, p: int, time_s: float, first: int, change_m: float, aim_m: float) -> None:
    """Leave the seat for ``aim_m``, by aisle ``first``, changing at ``change_m`` (nan: not)."""
    person, tally = cabin.life.persons[p], cabin.tally[0]
    if person.speed_mps < 0.0:
        person.speed_mps = walking_speed(cabin.urge, person.speed_word)
    person.state = OUT
    person.again = 0
    person.trips += 1
    person.out_s = time_s
    person.aisle = first
    person.aim_m = aim_m
    person.next_aisle = -1
    if not math.isnan(change_m):
        person.aim_m = change_m
        person.next_aisle = 1 - first
        person.next_aim_m = aim_m
    tally.trips += 1
    tally.up += 1
    tally.most_up = max(tally.most_up, tally.up)
    walk_leg(cabin.life, cabin.rounds, p, time_s, person.home_m, cabin.moves, cabin.diary)


@inlined_kernel
def _has_room(cabin: Cabin, lavatory: bool, place: int, travels: int) -> bool:
    """Return whether a place has room for somebody of a class of travel."""
    if lavatory:
        if not cabin.places.class_lavatory[travels, place]:
            return False
        queue = cabin.life.queues[place]
        room: bool = queue.waiting < cabin.places.queue_limit and queue.open > 0
        return room
    if not cabin.places.class_galley[travels, place]:
        return False
    free: bool = cabin.life.coming[place] < cabin.places.galley_room[place]
    return free


@inlined_kernel
def _choose(cabin: Cabin, p: int, time_s: float) -> tuple[int, int, float]:
    """Return (place or -1, aisle of the first leg, arm of change) of the nearest place."""
    person, places = cabin.life.persons[p], cabin.places
    lavatory = person.purpose == LAVATORY
    best, place, first, change = math.inf, -1, -1, math.nan
    for i in range(places.lavatory_arm_m.size if lavatory else places.galley_arm_m.size):
        if not _has_room(cabin, lavatory, i, person.travels):
            continue
        to = places.lavatory_arm_m[i] if lavatory else places.galley_arm_m[i]
        if abs(to - person.home_m) >= best:
            continue
        length, leg, arm = way(
            places, cabin.rounds, person.home_aisle, person.home_m, EITHER, to, time_s
        )
        if length < best:
            best, place, first, change = length, i, leg, arm
    return place, first, change


@inlined_kernel
def _go_to(cabin: Cabin, p: int, time_s: float, place: int, first: int, change_m: float) -> None:
    person, places = cabin.life.persons[p], cabin.places
    person.place = place
    if person.purpose == LAVATORY:
        aim = _tail(cabin, place)
    else:
        aim = places.galley_arm_m[place]
        cabin.life.coming[place] += 1
    set_out(cabin, p, time_s, first, change_m, aim)


@inlined_kernel
def _ask_along(
    cabin: Cabin, keys: Keys, row: int, party: NDArray[np.int64], p: int, time_s: float
) -> None:
    """Ask the members of the party who sit awake to come along to the same place."""
    persons, places = cabin.life.persons, cabin.places
    stretch = cabin.tally[0].stretch
    caller = persons[p]
    leader = party[p]
    version = int(version_of(keys, row, MOVEMENT, p))
    q = leader
    while q < persons.size and persons[q].state != ABSENT and party[q] == leader:
        mate = persons[q]
        if q != p and mate.state == SITS and not sleeps(cabin.urge, mate.sleep, stretch):
            draw = ASKING + caller.attempt * PARTY_ROOM + (q - leader)
            w0, w1, _w2, _w3 = words(keys, row, MOVEMENT, p, draw)
            w0 = asked_word(version, caller.attempt, q - leader, w0)
            if uniform(w0) < cabin.urge.companion_share:
                lavatory = caller.purpose == LAVATORY
                place = caller.place
                to = places.lavatory_arm_m[place] if lavatory else places.galley_arm_m[place]
                room = _has_room(cabin, lavatory, place, mate.travels)
                length, first, change = way(
                    places, cabin.rounds, mate.home_aisle, mate.home_m, EITHER, to, time_s
                )
                if room and length < math.inf:
                    new_attempt(cabin, keys, row, q)
                    mate.purpose = caller.purpose
                    mate.stay_s = time_away(cabin.urge, lavatory, w1)
                    _go_to(cabin, q, time_s, place, first, change)
        q += 1


@maker
def new_attempt(cabin: Cabin, keys: Keys, row: int, p: int) -> tuple[np.uint32, np.uint32]:
    """Count an attempt; keep its words for later, return those for purpose and time."""
    person = cabin.life.persons[p]
    person.attempt += 1
    w0, w1, w2, w3 = words(keys, row, MOVEMENT, p, person.attempt)
    person.need_word = w0
    person.retry_word = w3
    return w1, w2


@inlined_kernel
def want(
    cabin: Cabin,
    keys: Keys,
    row: int,
    party: NDArray[np.int64],
    seat: int,
    rate_per_s: float,
    p: int,
    time_s: float,
) -> None:
    """Sitting, his time has come: an urge, a second try, or the rush."""
    person, urge = cabin.life.persons[p], cabin.urge
    stretch = stretch_at(urge, time_s, cabin.tally[0].stretch)
    cabin.tally[0].stretch = stretch
    in_rush = person.rush_s <= time_s
    if in_rush:
        person.rush_s = math.inf
        if not urge.quiet[stretch] or sleeps(urge, person.sleep, stretch):
            schedule(cabin.life.agenda, p, person.urge_s)
            return
    elif person.again == 1 and not urge.quiet[stretch]:
        person.again = 0
        wait_for_next(cabin, rate_per_s, seat, p, time_s)
        return
    purpose, stay = new_attempt(cabin, keys, row, p)
    if cabin.life.nowhere[person.travels] == 1:
        wait_for_next(cabin, rate_per_s, seat, p, time_s)
        return
    if in_rush:
        purpose, stay = person.rush_purpose, person.rush_stay
    if in_rush or person.again == 0:
        lavatory = uniform(purpose) < urge.lavatory_share[person.travels]
        lavatory = lavatory and cabin.life.open_to[person.travels] > 0
        person.purpose = LAVATORY if lavatory else GALLEY
        person.stay_s = time_away(urge, lavatory, stay)
    place, first, change = _choose(cabin, p, time_s)
    if place < 0:
        cabin.tally[0].put_off += 1
        person.again = 1
        wait_for_next(cabin, rate_per_s, seat, p, time_s)
        return
    _go_to(cabin, p, time_s, place, first, change)
    if urge.companion_share > 0.0:
        _ask_along(cabin, keys, row, party, p, time_s)


@inlined_kernel
def _enter(cabin: Cabin, p: int, time_s: float) -> None:
    person, tally = cabin.life.persons[p], cabin.tally[0]
    person.state = INSIDE
    cabin.life.queues[person.place].inside += 1
    tally.visits += 1
    tally.wait_s += time_s - person.joined_s
    tally.longest_wait_s = max(tally.longest_wait_s, time_s - person.joined_s)
    arm = cabin.places.lavatory_arm_m[person.place]
    move(cabin.life, p, time_s, arm, 0.0, cabin.moves, cabin.diary)
    schedule(cabin.life.agenda, p, time_s + person.stay_s)


@inlined_kernel
def _join(cabin: Cabin, p: int, time_s: float) -> None:
    """At the end of the walk to a lavatory group: look again, walk on, wait or go in."""
    person, places = cabin.life.persons[p], cabin.places
    group = person.place
    here, tail, door = person.aim_m, _tail(cabin, group), places.lavatory_arm_m[group]
    if abs(here - tail) > _LOOK_AGAIN * places.spacing_m and abs(tail - door) < abs(here - door):
        person.aim_m = tail
        walk_leg(cabin.life, cabin.rounds, p, time_s, here, cabin.moves, cabin.diary)
        return
    queue = cabin.life.queues[group]
    person.joined_s = time_s
    if queue.waiting == 0 and queue.inside < queue.open:
        _enter(cabin, p, time_s)
        return
    person.state = WAITS
    person.behind = -1
    if queue.waiting == 0:
        queue.head = p
    else:
        cabin.life.persons[queue.tail].behind = p
    queue.tail = p
    queue.waiting += 1
    cabin.tally[0].longest_queue = max(cabin.tally[0].longest_queue, queue.waiting)
    move(cabin.life, p, time_s, tail, 0.0, cabin.moves, cabin.diary)
    schedule(cabin.life.agenda, p, math.inf)


@inlined_kernel
def come_out(cabin: Cabin, p: int, time_s: float, next_goes_in: bool) -> None:
    """Leave a lavatory: water moves, the next goes in and the queue steps forward."""
    person, places, tally = cabin.life.persons[p], cabin.places, cabin.tally[0]
    queue = cabin.life.queues[person.place]
    queue.inside -= 1
    used = min(places.water_per_visit_kg, tally.water_kg)
    if used > 0.0:
        tally.water_kg -= used
        add_move(cabin.moves, time_s, 0.0, used * places.water_shift_m)
    if not next_goes_in or queue.waiting == 0:
        return
    q = queue.head
    queue.head = cabin.life.persons[q].behind
    queue.waiting -= 1
    _enter(cabin, q, time_s)
    step = places.queue_step_m[person.place]
    q, number = queue.head, 0
    while number < queue.waiting:
        number += 1
        arm = places.lavatory_arm_m[person.place] + step * number
        move(cabin.life, q, time_s, arm, 0.0, cabin.moves, cabin.diary)
        q = cabin.life.persons[q].behind


@inlined_kernel
def end_of_leg(cabin: Cabin, p: int, time_s: float) -> bool:
    """Go on where a leg ends; return whether it was the last."""
    person = cabin.life.persons[p]
    if person.next_aisle < 0:
        return True
    here = person.aim_m
    person.aisle = person.next_aisle
    person.aim_m = person.next_aim_m
    person.next_aisle = -1
    walk_leg(cabin.life, cabin.rounds, p, time_s, here, cabin.moves, cabin.diary)
    return False


@inlined_kernel
def arrive(cabin: Cabin, p: int, time_s: float) -> None:
    """On the way out: an end of a leg, or a cart."""
    person = cabin.life.persons[p]
    if person.next_is == MEETS:
        cabin.tally[0].turned_back += 1
        person.again = 1 if person.purpose != SURGE else 0
        # A hair's breadth away from the cart: it is behind him now.
        clear = math.copysign(2.0 * THERE_M, person.pace_mps)
        here = arm_now(person, time_s) - clear
        move(cabin.life, p, time_s, here, 0.0, cabin.moves, cabin.diary)
        leave(cabin, p, time_s, person.aisle)
    elif end_of_leg(cabin, p, time_s):
        if person.purpose == LAVATORY:
            _join(cabin, p, time_s)
            return
        person.state = STANDS
        move(cabin.life, p, time_s, person.aim_m, 0.0, cabin.moves, cabin.diary)
        until = time_s + person.stay_s
        if person.purpose == SURGE:
            until = max(time_s, person.stay_s)
        schedule(cabin.life.agenda, p, until)


@inlined_kernel
def leave(cabin: Cabin, p: int, time_s: float, here: int) -> None:
    """Start the way back."""
    person = cabin.life.persons[p]
    if person.purpose == GALLEY:
        cabin.life.coming[person.place] -= 1
    go_back(cabin.places, cabin.life, cabin.rounds, p, time_s, here, cabin.moves, cabin.diary)


@inlined_kernel
def start_aisle(person: Any) -> int:
    """Return the aisle in which one who goes back may start."""
    on_the_way = person.state == OUT
    aisle: int = person.aisle if on_the_way or person.purpose == SURGE else EITHER
    return aisle
