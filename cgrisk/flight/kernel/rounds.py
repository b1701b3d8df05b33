"""Rounds of the service carts: where each cart is when, and what it hands out and takes back.

The rounds depend on who is aboard, not on who is up: they are laid down before anybody moves.
The law is written in ``cgrisk.flight.cabin_life``.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel, maker
from cgrisk.flight.kernel.data import ServiceData
from cgrisk.flight.kernel.keys import Keys, fill_words
from cgrisk.randomness.variates import exponential, uniform

__all__ = ["CART", "NODE", "SERVICE", "Records", "Rounds", "lay_rounds", "new_rounds", "turn_to"]

SERVICE = 8  # randomness.keys.Cause

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
#: Records of a structured type.
Records = NDArray[Any]


#: One cart on its round: its nodes, ``first`` to ``first + nodes`` (none: it stays in its galley);
#: when it is out (from infinity, if it stays); the node at or before the present.
CART = np.dtype(
    [
        ("first", np.int64),
        ("nodes", np.int64),
        ("cursor", np.int64),
        ("aisle", np.int64),
        ("out_s", np.float64),
        ("back_s", np.float64),
    ],
    align=True,
)
#: Where a cart starts to move or to stand; what it takes on there (negative: trays handed out) and
#: the moment by which that shifts along the row.
NODE = np.dtype(
    [
        ("time_s", np.float64),
        ("arm_m", np.float64),
        ("gain_kg", np.float64),
        ("jump_kgm", np.float64),
    ],
    align=True,
)


class Rounds(NamedTuple):
    """The rounds of one flight."""

    carts: Records
    """(C,) of :data:`CART`."""
    nodes: Records
    """of :data:`NODE`, cart after cart."""
    meals: Ints
    """(S,) how many carts with trays leave the seat's row in the course of the flight."""
    meal_s: Floats
    """(S, C) when, in order."""
    owed_kg: Floats
    """(S,) what a later cart takes back."""


@maker
def new_rounds(service: ServiceData, seats: int) -> Rounds:
    """Return empty rounds."""
    carts = service.number.size
    rounds = Rounds(
        np.zeros(carts, CART),
        np.zeros(2 * service.stop_arm_m.size + 2 * carts, NODE),
        np.zeros(seats, np.int64),
        np.empty((seats, max(carts, 1)), np.float64),
        np.zeros(seats, np.float64),
    )
    for k in range(carts):
        rounds.carts[k].first = 2 * service.stop_start[k] + 2 * k
        rounds.carts[k].aisle = service.aisle[k]
    return rounds


@kernel
def _add_node(
    rounds: Rounds, k: int, time_s: float, arm_m: float, gain_kg: float, jump_kgm: float
) -> None:
    cart = rounds.carts[k]
    node = rounds.nodes[cart.first + cart.nodes]
    cart.nodes += 1
    node.time_s = time_s
    node.arm_m = arm_m
    node.gain_kg = gain_kg
    node.jump_kgm = jump_kgm


@kernel
def _departure(service: ServiceData, rounds: Rounds, k: int) -> float:
    start: float = service.start_s[k]
    for j in range(k):
        if rounds.carts[j].nodes > 0 and service.in_the_way[j, k]:
            start = max(start, rounds.carts[j].back_s)
    return start


@kernel
def _one_round(
    service: ServiceData,
    k: int,
    occupant: Ints,
    words: NDArray[np.uint32],
    rounds: Rounds,
) -> int:
    """Lay down cart ``k``'s round; return how many of its stops are left out for lack of time."""
    galley, speed = service.galley_arm_m[k], service.speed_mps
    t = _departure(service, rounds, k)
    rounds.carts[k].out_s, rounds.carts[k].back_s = math.inf, -math.inf
    departure, arm, late, left_out = t, galley, False, 0
    for stop in range(service.stop_start[k], service.stop_start[k + 1]):
        seconds = 0.0
        first, last = service.seat_start[stop], service.seat_start[stop + 1]
        served = 0
        for i in range(first, last):
            seat = service.seats[i]
            if occupant[seat] >= 0:
                served += 1
                if not late:
                    seconds += service.seconds[k] * exponential(uniform(words[0, seat]))
        if served == 0:
            continue
        place = service.stop_arm_m[stop]
        arrive = t + abs(place - arm) / speed
        leave = arrive + seconds
        late = late or leave + abs(place - galley) / speed > service.stow_s[k]
        if late:
            left_out += 1
            continue
        if rounds.carts[k].nodes == 0:
            _add_node(rounds, k, departure, galley, 0.0, 0.0)
        gain, jump = 0.0, 0.0
        for i in range(first, last):
            seat = service.seats[i]
            if occupant[seat] >= 0:
                passed = service.tray_kg[k] - rounds.owed_kg[seat]
                gain -= passed
                jump += passed * (service.seat_arm_m[i] - place)
                rounds.owed_kg[seat] = service.returned[k] * service.tray_kg[k]
                if service.tray_kg[k] > 0.0:
                    rounds.meal_s[seat, rounds.meals[seat]] = leave
                    rounds.meals[seat] += 1
        _add_node(rounds, k, arrive, place, 0.0, 0.0)
        _add_node(rounds, k, leave, place, gain, jump)
        t, arm = leave, place
    if rounds.carts[k].nodes > 0:
        t += abs(arm - galley) / speed
        _add_node(rounds, k, t, galley, 0.0, 0.0)
        rounds.carts[k].out_s, rounds.carts[k].back_s = departure, t
    return left_out


@kernel
def lay_rounds(
    service: ServiceData,
    keys: Keys,
    row: int,
    occupant: Ints,
    words: NDArray[np.uint32],
    rounds: Rounds,
) -> int:
    """Lay down all rounds of a flight; return the number of stops left out for lack of time.

    ``occupant`` (S,) is the person on each seat or -1; ``words`` (4, S) is scratch.
    """
    seats = occupant.size
    left_out = 0
    if service.number.size > 0:
        rounds.meals[:] = 0
        rounds.owed_kg[:] = 0.0
    for k in range(service.number.size):
        rounds.carts[k].nodes = 0
        fill_words(keys, row, SERVICE, service.number[k] * seats, seats, 0, words)
        left_out += _one_round(service, k, occupant, words, rounds)
    return left_out


@kernel
def turn_to(rounds: Rounds, time_s: float) -> None:
    """Move every cart's cursor to the present; time does not run backward."""
    for k in range(rounds.carts.size):
        cart = rounds.carts[k]
        if cart.out_s <= time_s < cart.back_s:
            i = cart.cursor
            while rounds.nodes[i + 1].time_s <= time_s:
                i += 1
            cart.cursor = i
