"""Passengers in motion: who is where, the legs of a walk, and the moments they make."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import inlined_kernel, maker
from cgrisk.flight.kernel.agenda import Agenda, new_agenda, schedule
from cgrisk.flight.kernel.data import PlacesData
from cgrisk.flight.kernel.moves import Diary, Moves, add_move, note
from cgrisk.flight.kernel.rounds import Records, Rounds
from cgrisk.flight.kernel.ways import (
    EITHER,
    THERE_M,
    cart_arm,
    cart_speed,
    first_met,
    nearest_change,
    way,
)

__all__ = [
    "ABSENT",
    "ARRIVES",
    "BACK",
    "INSIDE",
    "MEETS",
    "OUT",
    "PERSON",
    "QUEUE",
    "SITS",
    "STANDS",
    "WAITS",
    "Life",
    "arm_now",
    "follow_cart",
    "go_back",
    "hurry_back",
    "move",
    "new_life",
    "walk_leg",
]

Ints = NDArray[np.int64]

#: States: not aboard, sits, on the way out, in a queue, in a lavatory, stands about, on the way
#: back.
ABSENT, SITS, OUT, WAITS, INSIDE, STANDS, BACK = 0, 1, 2, 3, 4, 5, 6
#: What a walker's next event is: the end of a leg, a cart, or a change of the cart ahead.
ARRIVES, MEETS, FOLLOWS = 0, 1, 2

_NOWHERE = -1


#: A passenger. ``next_is`` tells what a walker's next event is. He walks in ``aisle`` to ``aim_m``,
#: then (unless ``next_aisle`` is -1) in ``next_aisle`` to ``next_aim_m``. He was at ``arm_m`` at
#: ``since_s`` and has gone on at ``pace_mps``. ``blocker`` is the cart ahead, ``held`` whether he
#: has been behind one on this way back. ``place`` is a lavatory group or galley; ``purpose`` 0
#: galley, 1 lavatory, 2 surge; ``stay_s`` how long he stays there (until when, in a surge);
#: ``travels`` is his class, ``sleep`` his place among those who sleep; ``again`` whether, sitting,
#: he will try again rather than grow a new urge. ``rush_s`` is when the sign-off rush gets him up,
#: ``rush_purpose`` and ``rush_stay`` its words. ``behind`` is who is next in the queue. Words of
#: his draws wait until they are needed.
PERSON = np.dtype(
    [
        ("state", np.int64),
        ("next_is", np.int64),
        ("aisle", np.int64),
        ("next_aisle", np.int64),
        ("aim_m", np.float64),
        ("next_aim_m", np.float64),
        ("blocker", np.int64),
        ("held", np.int64),
        ("home_aisle", np.int64),
        ("travels", np.int64),
        ("sleep", np.float64),
        ("home_m", np.float64),
        ("mass_kg", np.float64),
        ("arm_m", np.float64),
        ("since_s", np.float64),
        ("pace_mps", np.float64),
        ("speed_mps", np.float64),
        ("place", np.int64),
        ("purpose", np.int64),
        ("stay_s", np.float64),
        ("again", np.int64),
        ("rush_s", np.float64),
        ("urge_s", np.float64),
        ("attempt", np.int64),
        ("trips", np.int64),
        ("joined_s", np.float64),
        ("out_s", np.float64),
        ("behind", np.int64),
        ("rush_purpose", np.uint32),
        ("rush_stay", np.uint32),
        ("need_word", np.uint32),
        ("retry_word", np.uint32),
        ("speed_word", np.uint32),
    ],
    align=True,
)
#: A group of lavatories: first and last of its queue, how many wait, how many are inside, how many
#: lavatories are open.
QUEUE = np.dtype(
    [
        ("head", np.int64),
        ("tail", np.int64),
        ("waiting", np.int64),
        ("inside", np.int64),
        ("open", np.int64),
    ],
    align=True,
)


class Life(NamedTuple):
    """The cabin's people at one instant, and the places they go to."""

    persons: Records
    """of :data:`PERSON`, by person number."""
    queues: Records
    """(L,) of :data:`QUEUE`."""
    coming: Ints
    """(G,) passengers in a galley or on their way to it."""
    open_to: Ints
    """(V,) open lavatories that a class may use."""
    nowhere: Ints
    """(V,) 1 where a class has nowhere to go."""
    agenda: Agenda


@maker
def new_life(persons: int, lavatories: int, galleys: int, classes: int) -> Life:
    """Return people and places to be filled flight by flight."""
    return Life(
        np.zeros(persons, PERSON),
        np.zeros(lavatories, QUEUE),
        np.zeros(galleys, np.int64),
        np.zeros(classes, np.int64),
        np.zeros(classes, np.int64),
        new_agenda(persons),
    )


@inlined_kernel
def arm_now(person: Any, time_s: float) -> float:
    """Return where a person is."""
    arm: float = person.arm_m + person.pace_mps * (time_s - person.since_s)
    return arm


@inlined_kernel
def move(
    life: Life, p: int, time_s: float, arm_m: float, pace_mps: float, moves: Moves, diary: Diary
) -> None:
    """Put a person at an arm, from where he goes on at a speed; write the change of moment."""
    person = life.persons[p]
    jump = arm_m - arm_now(person, time_s)
    turn = pace_mps - person.pace_mps
    if jump != 0.0 or turn != 0.0:
        add_move(moves, time_s, person.mass_kg * turn, person.mass_kg * jump)
    person.arm_m = arm_m
    person.since_s = time_s
    person.pace_mps = pace_mps
    note(
        diary,
        time_s,
        0,
        p,
        person.state,
        arm_m,
        pace_mps,
        person.aisle,
        person.purpose,
        person.place,
    )


@inlined_kernel
def walk_leg(
    life: Life, rounds: Rounds, p: int, time_s: float, arm_m: float, moves: Moves, diary: Diary
) -> None:
    """Walk from an arm toward ``aim_m`` until the leg ends or a cart is met."""
    person = life.persons[p]
    aim, speed = person.aim_m, person.speed_mps
    when, met = first_met(rounds, person.aisle, arm_m, aim, speed, time_s)
    person.next_is = ARRIVES if met < 0 else MEETS
    person.blocker = met
    move(life, p, time_s, arm_m, speed if aim >= arm_m else -speed, moves, diary)
    schedule(life.agenda, p, when)


@inlined_kernel
def follow_cart(
    life: Life, rounds: Rounds, p: int, time_s: float, moves: Moves, diary: Diary
) -> None:
    """Go on behind the cart ahead, or walk again if it is gone or faster."""
    person = life.persons[p]
    k = person.blocker
    if not rounds.carts[k].out_s <= time_s < rounds.carts[k].back_s:
        walk_leg(life, rounds, p, time_s, arm_now(person, time_s), moves, diary)
        return
    here = cart_arm(rounds, k, time_s)
    pace, until = cart_speed(rounds, k)
    ahead = abs(person.aim_m - here)
    sign = 1.0 if person.aim_m >= here else -1.0
    if sign * pace > person.speed_mps:
        walk_leg(life, rounds, p, time_s, here, moves, diary)
        return
    person.next_is = FOLLOWS
    if ahead <= THERE_M:
        person.next_is = ARRIVES
        until = time_s
    elif sign * pace * (until - time_s) >= ahead - THERE_M:
        person.next_is = ARRIVES
        until = min(until, time_s + ahead / (sign * pace))
    if until > time_s:
        person.held = 1
    move(life, p, time_s, here, pace, moves, diary)
    schedule(life.agenda, p, until)


@inlined_kernel
def go_back(
    places: PlacesData,
    life: Life,
    rounds: Rounds,
    p: int,
    time_s: float,
    here: int,
    moves: Moves,
    diary: Diary,
) -> None:
    """Set out for the seat from where he is; ``here`` is the aisle he may start in."""
    person = life.persons[p]
    arm, home, aisle = arm_now(person, time_s), person.home_m, person.home_aisle
    person.state = BACK
    person.held = 0
    length, first, change = way(places, rounds, here, arm, aisle, home, time_s)
    person.next_aisle = _NOWHERE
    person.next_aim_m = home
    person.aim_m = home
    person.aisle = aisle
    if length < math.inf:
        if not math.isnan(change):
            person.aisle = first
            person.aim_m = change
            person.next_aisle = aisle
    elif here != EITHER and here != aisle:
        person.aisle = here
        person.aim_m = nearest_change(places, arm)
        person.next_aisle = aisle
    walk_leg(life, rounds, p, time_s, arm, moves, diary)


@inlined_kernel
def hurry_back(
    life: Life, p: int, time_s: float, seated_s: float, moves: Moves, diary: Diary
) -> None:
    """Go straight to the seat, so as to sit at ``seated_s`` at the latest."""
    person = life.persons[p]
    arm, home = arm_now(person, time_s), person.home_m
    away = abs(home - arm)
    speed = max(person.speed_mps, away / (seated_s - time_s))
    person.state = BACK
    person.next_is = ARRIVES
    person.next_aisle = _NOWHERE
    person.aim_m = home
    move(life, p, time_s, arm, speed if home >= arm else -speed, moves, diary)
    schedule(life.agenda, p, min(time_s + away / speed, seated_s))
