"""Lists of changes of moment in order of time, and the diary of who is where."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel, maker
from cgrisk.flight.kernel.data import PathData

__all__ = ["DIARY_COLUMNS", "Diary", "Moves", "add_move", "merge_moves", "new_moves", "note"]

#: Columns of a diary.
DIARY_COLUMNS: Final = 9


class Moves(NamedTuple):
    """Changes of moment in order of time.

    Columns of ``rows``: time (s), change of rate (kg m/s), jump (kg m). ``filled[0]`` is how many
    there are, or would be with more room.
    """

    rows: NDArray[np.float64]
    filled: NDArray[np.int64]


class Diary(NamedTuple):
    """Where people, carts and crew are: a row whenever one starts to move otherwise.

    Columns of ``rows``: time, kind (0 passenger, 1 cart, 2 crew member), number, state, arm, speed
    along the arm, aisle, purpose, place (see :func:`cgrisk.flight.cabin_diary`).
    """

    rows: NDArray[np.float64]
    filled: NDArray[np.int64]


@maker
def new_moves(room: int) -> Moves:
    """Return an empty list."""
    return Moves(np.empty((room, 3), np.float64), np.zeros(1, np.int64))


@kernel
def add_move(moves: Moves, time_s: float, rate_kgmps: float, jump_kgm: float) -> None:
    """Append a change, not earlier than the last; changes at one instant become one."""
    rows, i = moves.rows, moves.filled[0]
    if 0 < i <= rows.shape[0] and rows[i - 1, 0] == time_s:
        rows[i - 1, 1] += rate_kgmps
        rows[i - 1, 2] += jump_kgm
        return
    if i < rows.shape[0]:
        rows[i, 0] = time_s
        rows[i, 1] = rate_kgmps
        rows[i, 2] = jump_kgm
    moves.filled[0] = i + 1


@kernel
def note(
    diary: Diary,
    time_s: float,
    kind: int,
    number: int,
    state: int,
    arm_m: float,
    speed_mps: float,
    aisle: int,
    purpose: int,
    place: int,
) -> None:
    """Append a row to the diary, as far as it has room."""
    i = diary.filled[0]
    diary.filled[0] = i + 1
    if i < diary.rows.shape[0]:
        diary.rows[i, 0] = time_s
        diary.rows[i, 1] = kind
        diary.rows[i, 2] = number
        diary.rows[i, 3] = state
        diary.rows[i, 4] = arm_m
        diary.rows[i, 5] = speed_mps
        diary.rows[i, 6] = aisle
        diary.rows[i, 7] = purpose
        diary.rows[i, 8] = place


@kernel
def merge_moves(
    script: PathData,
    people: Moves,
    service: Moves,
    mark_s: float,
    end_s: float,
    out: PathData,
) -> tuple[float, float, float, int]:
    """Merge three lists; return (least, greatest moment, moment at ``mark_s``, changes).

    ``out`` has room for all. The moment of movement is 0 at the start; changes at one instant
    count together, and those at ``mark_s`` not yet. Changes from ``end_s`` on are left out.
    """
    a, b, c, n = 0, 0, 0, 0
    na, nb, nc = script.time_s.size, people.filled[0], service.filled[0]
    t, moment, rate = 0.0, 0.0, 0.0
    least, greatest, marked = 0.0, 0.0, 0.0
    passed = False
    while True:
        ta = script.time_s[a] if a < na else math.inf
        tb = people.rows[b, 0] if b < nb else math.inf
        tc = service.rows[c, 0] if c < nc else math.inf
        now = min(ta, tb, tc)
        if not passed and now >= mark_s:
            marked = moment + rate * (mark_s - t)
            passed = True
        # The instant before this one is over: its moment lasted.
        if now > t:
            least, greatest = min(least, moment), max(greatest, moment)
        if now >= end_s:
            break
        moment += rate * (now - t)
        if now > t:
            least, greatest = min(least, moment), max(greatest, moment)
        t = now
        if ta == now:
            jump, turn = script.jump_kgm[a], script.rate_kgmps[a]
            a += 1
        elif tb == now:
            jump, turn = people.rows[b, 2], people.rows[b, 1]
            b += 1
        else:
            jump, turn = service.rows[c, 2], service.rows[c, 1]
            c += 1
        moment += jump
        rate += turn
        out.time_s[n] = now
        out.rate_kgmps[n] = turn
        out.jump_kgm[n] = jump
        n += 1
    moment += rate * (end_s - t)
    return min(least, moment), max(greatest, moment), marked, n
