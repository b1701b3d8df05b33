"""Ways along the aisles: what is free of carts, whom a walker meets, which way is shortest."""

from __future__ import annotations

import math

from cgrisk.compiled import kernel
from cgrisk.flight.kernel.data import PlacesData
from cgrisk.flight.kernel.rounds import Rounds

__all__ = [
    "EITHER",
    "THERE_M",
    "cart_arm",
    "cart_speed",
    "first_met",
    "is_free",
    "nearest_change",
    "way",
]

#: Aisle of one who stands where the aisles join.
EITHER = -1
#: Two arms nearer than this to each other are the same (m).
THERE_M = 1e-6


@kernel
def cart_arm(rounds: Rounds, k: int, time_s: float) -> float:
    """Return where a cart that is out stands now; cursors must be turned to the present."""
    node, after = rounds.nodes[rounds.carts[k].cursor], rounds.nodes[rounds.carts[k].cursor + 1]
    share = (time_s - node.time_s) / (after.time_s - node.time_s)
    arm: float = node.arm_m + (after.arm_m - node.arm_m) * share
    return arm


@kernel
def cart_speed(rounds: Rounds, k: int) -> tuple[float, float]:
    """Return (speed along the arm of a cart that is out, time until which it keeps it)."""
    node, after = rounds.nodes[rounds.carts[k].cursor], rounds.nodes[rounds.carts[k].cursor + 1]
    return (after.arm_m - node.arm_m) / (after.time_s - node.time_s), after.time_s


@kernel
def is_free(rounds: Rounds, aisle: int, from_m: float, to_m: float, time_s: float) -> bool:
    """Return whether no cart stands in an aisle between two arms, both included."""
    low, high = min(from_m, to_m) - THERE_M, max(from_m, to_m) + THERE_M
    for k in range(rounds.carts.size):
        cart = rounds.carts[k]
        out = cart.out_s <= time_s < cart.back_s
        if cart.aisle == aisle and out and low <= cart_arm(rounds, k, time_s) <= high:
            return False
    return True


@kernel
def first_met(
    rounds: Rounds, aisle: int, from_m: float, to_m: float, speed_mps: float, time_s: float
) -> tuple[float, int]:
    """Return (when, which cart) a walker meets first on the way; (arrival, -1) if none.

    A cart that is behind him, or comes up from behind, does not count.
    """
    arrival = time_s + abs(to_m - from_m) / speed_mps
    met = -1
    sign = 1.0 if to_m >= from_m else -1.0
    pace = sign * speed_mps
    for k in range(rounds.carts.size):
        cart = rounds.carts[k]
        if cart.aisle != aisle or cart.out_s >= arrival or cart.back_s <= time_s:
            continue
        i = cart.cursor
        last = cart.first + cart.nodes - 1
        while i < last and rounds.nodes[i].time_s < arrival:
            node, after = rounds.nodes[i], rounds.nodes[i + 1]
            a, b = max(time_s, node.time_s), min(arrival, after.time_s)
            if b > a:
                speed = (after.arm_m - node.arm_m) / (after.time_s - node.time_s)
                start = node.arm_m + speed * (a - node.time_s)
                ahead = sign * (start - from_m - pace * (a - time_s))
                closing = speed_mps - sign * speed
                if ahead >= 0.0 and closing > 0.0 and ahead <= closing * (b - a):
                    arrival, met = a + ahead / closing, k
                    break
            i += 1
    return arrival, met


@kernel
def way(
    places: PlacesData,
    rounds: Rounds,
    here: int,
    from_m: float,
    aisle: int,
    to_m: float,
    time_s: float,
) -> tuple[float, int, float]:
    """Return (length, aisle of the first leg, arm where the aisle changes) of the free way.

    Parameters
    ----------
    here : int
        Aisle where the way may start; ``EITHER`` where they join.
    aisle : int
        Aisle that it ends in; ``EITHER`` where they join.

    Returns
    -------
    tuple
        The arm is nan where the aisle does not change; the length is infinite if no way is free.
    """
    for first in range(places.aisles):
        if here != EITHER and here != first:
            continue
        if aisle != EITHER and aisle != first:
            continue
        if is_free(rounds, first, from_m, to_m, time_s):
            return abs(to_m - from_m), first, math.nan
    best, leg, change = math.inf, -1, math.nan
    if places.aisles == 1:
        return best, leg, change
    for first in range(places.aisles):
        if here != EITHER and here != first:
            continue
        other = 1 - first
        if aisle != EITHER and aisle != other:
            continue
        for i in range(places.change_arm_m.size):
            arm = places.change_arm_m[i]
            length = abs(arm - from_m) + abs(to_m - arm)
            if (
                length < best
                and is_free(rounds, first, from_m, arm, time_s)
                and is_free(rounds, other, arm, to_m, time_s)
            ):
                best, leg, change = length, first, arm
    return best, leg, change


@kernel
def nearest_change(places: PlacesData, from_m: float) -> float:
    """Return the arm of the nearest place where aisles join, ``from_m`` if there is none."""
    best, arm = math.inf, from_m
    for i in range(places.change_arm_m.size):
        away = abs(places.change_arm_m[i] - from_m)
        if away < best:
            best, arm = away, places.change_arm_m[i]
    return arm
