"""Moments of carts and crew in order of time, once the rounds are laid down."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from cgrisk.compiled import kernel, maker
from cgrisk.flight.kernel.data import ServiceData
from cgrisk.flight.kernel.keys import Keys, words
from cgrisk.flight.kernel.moves import Diary, Moves, add_move, note
from cgrisk.flight.kernel.rounds import SERVICE, Records, Rounds
from cgrisk.randomness.variates import exponential, uniform

__all__ = ["MEMBER", "PUSHED", "Crew", "new_crew", "serve"]

_CART, _CREW = 1, 2  # kinds of the diary
_WAITS, _GOES, _COMES, _PUSHES, _RESTS = 0, 1, 2, 3, 4
_NONE = -1


#: A member: with a cart until; when he starts, turns or ends a walk next (infinity if he does not),
#: where to, and how many walks he has drawn; his next rest, and when he next goes there or back.
MEMBER = np.dtype(
    [
        ("busy_until_s", np.float64),
        ("next_s", np.float64),
        ("target_m", np.float64),
        ("stage", np.int64),
        ("draw", np.int64),
        ("rest", np.int64),
        ("rests", np.int64),
        ("rest_s", np.float64),
    ],
    align=True,
)
#: A cart with its hands: the node that comes next, its mass, how many members are with it, and the
#: sum of their steps from station to galley.
PUSHED = np.dtype(
    [
        ("node", np.int64),
        ("hands", np.int64),
        ("mass_kg", np.float64),
        ("step_m", np.float64),
    ],
    align=True,
)


class Crew(NamedTuple):
    """Scratch of :func:`serve`."""

    members: Records
    pushed: Records


@maker
def new_crew(service: ServiceData) -> Crew:
    """Return empty scratch."""
    return Crew(np.zeros(service.crew_arm_m.size, MEMBER), np.zeros(service.number.size, PUSHED))


@kernel
def _rests(service: ServiceData, c: int, start_s: float, end_s: float) -> bool:
    """Return whether a member is in the crew rest at any time of a stretch."""
    for i in range(service.rest_start[c], service.rest_start[c + 1]):
        if service.rest_from_s[i] < end_s and service.rest_until_s[i] > start_s:
            return True
    return False


@kernel
def _assign(service: ServiceData, rounds: Rounds, crew: Crew, diary: Diary) -> None:
    """Give every cart that goes out, as it leaves, the nearest members who are free."""
    for c in range(crew.members.size):
        crew.members[c].busy_until_s = -math.inf
    for k in range(service.number.size):
        pushed = crew.pushed[k]
        pushed.node = rounds.carts[k].first
        pushed.mass_kg = service.mass_kg[k]
        pushed.hands = -1  # not yet assigned
        pushed.step_m = 0.0
    for _ in range(service.number.size):
        k, soonest = -1, math.inf
        for j in range(service.number.size):
            if crew.pushed[j].hands < 0 and rounds.carts[j].out_s < soonest:
                k, soonest = j, rounds.carts[j].out_s
        if k < 0:
            break
        cart, pushed = rounds.carts[k], crew.pushed[k]
        pushed.hands = 0
        galley = service.galley_arm_m[k]
        for _ in range(service.crew[k]):
            best, nearest = -1, math.inf
            for c in range(service.crew_arm_m.size):
                away = abs(service.crew_arm_m[c] - galley)
                if _rests(service, c, cart.out_s, cart.back_s):
                    continue
                if crew.members[c].busy_until_s <= cart.out_s and away < nearest:
                    best, nearest = c, away
            if best < 0:
                break
            crew.members[best].busy_until_s = cart.back_s
            pushed.hands += 1
            station = service.crew_arm_m[best]
            pushed.step_m += galley - station
            aisle = service.aisle[k]
            note(diary, cart.out_s, _CREW, best, _PUSHES, galley, 0.0, aisle, _NONE, k)
            note(diary, cart.back_s, _CREW, best, _WAITS, station, 0.0, aisle, _NONE, _NONE)


@kernel
def _cart_out(carts: Records, start_s: float, end_s: float) -> bool:
    for k in range(carts.size):
        if carts[k].nodes > 0 and carts[k].out_s < end_s and carts[k].back_s > start_s:
            return True
    return False


@kernel
def _plan_walk(
    service: ServiceData, keys: Keys, row: int, seats: int, carts: Records, crew: Crew, c: int
) -> None:
    """Set a member's next walk; ``next_s`` holds the time from which he waits."""
    member = crew.members[c]
    t = member.next_s
    entity = service.number.size * seats + c
    low, high = service.end_arm_m[0], service.end_arm_m[1]
    member.stage = _WAITS
    while True:
        w0, w1, _w2, _w3 = words(keys, row, SERVICE, entity, member.draw)
        member.draw += 1
        t += exponential(uniform(w0)) / service.walk_rate_per_s
        target = low + (high - low) * uniform(w1)
        end = t + 2.0 * abs(target - service.crew_arm_m[c]) / service.walk_speed_mps
        member.target_m = target
        if end > service.walk_until_s:
            member.next_s = math.inf
            return
        if not _cart_out(carts, t, end) and not _rests(service, c, t, end):
            member.next_s = t
            return


@kernel
def _walk_on(
    service: ServiceData,
    keys: Keys,
    row: int,
    seats: int,
    carts: Records,
    crew: Crew,
    c: int,
    moves: Moves,
    diary: Diary,
) -> None:
    member, station = crew.members[c], service.crew_arm_m[c]
    t, away = member.next_s, member.target_m - station
    speed = math.copysign(service.walk_speed_mps, away)
    leg = abs(away) / service.walk_speed_mps
    if member.stage == _WAITS:
        turn = speed
        member.stage = _GOES
        member.next_s = t + leg
        note(diary, t, _CREW, c, _GOES, station, speed, 0, _NONE, _NONE)
    elif member.stage == _GOES:
        turn = -2.0 * speed
        member.stage = _COMES
        member.next_s = t + leg
        note(diary, t, _CREW, c, _COMES, member.target_m, -speed, 0, _NONE, _NONE)
    else:
        turn = speed
        note(diary, t, _CREW, c, _WAITS, station, 0.0, 0, _NONE, _NONE)
        _plan_walk(service, keys, row, seats, carts, crew, c)
    add_move(moves, t, service.crew_mass_kg * turn, 0.0)


@kernel
def _set_rest(service: ServiceData, crew: Crew, c: int) -> None:
    """Note when a member next goes to the crew rest or comes back."""
    member = crew.members[c]
    member.rest_s = math.inf
    if member.rest < service.rest_start[c + 1]:
        rests = member.rests == 1
        member.rest_s = (
            service.rest_until_s[member.rest] if rests else service.rest_from_s[member.rest]
        )


@kernel
def _go_to_rest_or_back(
    service: ServiceData, crew: Crew, c: int, moves: Moves, diary: Diary
) -> None:
    member, station = crew.members[c], service.crew_arm_m[c]
    t, jump = member.rest_s, service.crew_mass_kg * (service.rest_arm_m - station)
    if member.rests == 1:
        member.rests = 0
        member.rest += 1
        add_move(moves, t, 0.0, -jump)
        note(diary, t, _CREW, c, _WAITS, station, 0.0, _NONE, _NONE, _NONE)
    else:
        member.rests = 1
        add_move(moves, t, 0.0, jump)
        note(diary, t, _CREW, c, _RESTS, service.rest_arm_m, 0.0, _NONE, _NONE, _NONE)
    _set_rest(service, crew, c)


@kernel
def _pace(nodes: Records, i: int) -> float:
    """Return the speed from a node to the next."""
    span = nodes[i + 1].time_s - nodes[i].time_s
    return (nodes[i + 1].arm_m - nodes[i].arm_m) / span if span > 0.0 else 0.0


@kernel
def _push_on(
    crew_mass_kg: float, rounds: Rounds, crew: Crew, k: int, moves: Moves, diary: Diary
) -> None:
    """Take cart ``k`` past its next node."""
    pushed, cart = crew.pushed[k], rounds.carts[k]
    i = pushed.node
    node = rounds.nodes[i]
    hands = pushed.hands * crew_mass_kg
    last = i == cart.first + cart.nodes - 1
    before = _pace(rounds.nodes, i - 1) if i > cart.first else 0.0
    after = 0.0 if last else _pace(rounds.nodes, i)
    jump = node.jump_kgm
    if i == cart.first:
        jump += crew_mass_kg * pushed.step_m
    if last:
        jump -= crew_mass_kg * pushed.step_m
    turn = -(pushed.mass_kg + hands) * before
    pushed.mass_kg += node.gain_kg
    turn += (pushed.mass_kg + hands) * after
    add_move(moves, node.time_s, turn, jump)
    out = 0 if last else 1
    note(diary, node.time_s, _CART, k, out, node.arm_m, after, cart.aisle, _NONE, _NONE)
    pushed.node = i + 1


@kernel
def serve(
    service: ServiceData,
    keys: Keys,
    row: int,
    seats: int,
    rounds: Rounds,
    crew: Crew,
    moves: Moves,
    diary: Diary,
) -> None:
    """Write the changes of moment by carts and crew, in order of time."""
    moves.filled[0] = 0
    carts, members = service.number.size, service.crew_arm_m.size
    _assign(service, rounds, crew, diary)
    for c in range(members):
        crew.members[c].next_s = math.inf
        crew.members[c].rest = service.rest_start[c]
        crew.members[c].rests = 0
        _set_rest(service, crew, c)
        if service.walk_rate_per_s > 0.0 and service.walk_from_s < service.walk_until_s:
            crew.members[c].next_s = service.walk_from_s
            crew.members[c].draw = 0
            _plan_walk(service, keys, row, seats, rounds.carts, crew, c)
    while True:
        soonest, which = math.inf, -1
        for k in range(carts):
            cart, i = rounds.carts[k], crew.pushed[k].node
            if i < cart.first + cart.nodes and rounds.nodes[i].time_s < soonest:
                soonest, which = rounds.nodes[i].time_s, k
        for c in range(members):
            if crew.members[c].next_s < soonest:
                soonest, which = crew.members[c].next_s, carts + c
            if crew.members[c].rest_s < soonest:
                soonest, which = crew.members[c].rest_s, carts + members + c
        if which < 0:
            return
        if which < carts:
            _push_on(service.crew_mass_kg, rounds, crew, which, moves, diary)
        elif which >= carts + members:
            _go_to_rest_or_back(service, crew, which - carts - members, moves, diary)
        else:
            _walk_on(service, keys, row, seats, rounds.carts, crew, which - carts, moves, diary)
