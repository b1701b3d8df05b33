"""The cabin from above: where seats, aisles, lavatories, galleys and crew are drawn.

Arms are the aircraft's. Sideways the scenario knows letters and aisles, not metres: every seat and
every aisle is drawn half a metre wide.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import POSITIONS, CabinPlan

__all__ = ["Box", "CabinDrawing", "cabin_drawing"]

SEAT_M: Final = 0.5
_AISLE: Final = POSITIONS.index("aisle")
#: Boxes of lavatories and galleys: length along the arm, greatest and least width, and how far
#: along the arm from one another and from seats.
_BOX_M: Final = 0.55
_WIDTHS_M: Final = (0.9, 0.4)
_APART_M: Final = 0.6


@dataclass(frozen=True, slots=True)
class Box:
    """A lavatory or galley as it is drawn.

    Attributes
    ----------
    place : int
        Number of the lavatory group or galley.
    arm_m, side_m : float
        Middle; sideways from the middle line, to the right of one who looks forward.
    """

    place: int
    arm_m: float
    side_m: float


@dataclass(frozen=True, slots=True)
class CabinDrawing:
    """A cabin from above.

    Attributes
    ----------
    seat_side_m : tuple of float
        Of each seat, sideways from the middle line.
    aisle_side_m : tuple of float
        Of each aisle.
    half_width_m : float
        From the middle line to the wall.
    arms_m : tuple of float
        Foremost and rearmost arm drawn.
    lavatories, galleys : tuple of Box
        One for each lavatory, group after group; one for each galley.
    box_m : tuple of float
        Their length along the arm, and their width.
    crew_side_m : tuple of float
        Of each crew member at his station.
    """

    seat_side_m: tuple[float, ...]
    aisle_side_m: tuple[float, ...]
    half_width_m: float
    arms_m: tuple[float, float]
    lavatories: tuple[Box, ...]
    galleys: tuple[Box, ...]
    box_m: tuple[float, float]
    crew_side_m: tuple[float, ...]


def _gaps(plan: CabinPlan, seats: list[int]) -> list[int]:
    """Return after which seats of a row there is an aisle, from the left."""
    pairs = [
        i
        for i, (a, b) in enumerate(pairwise(seats))
        if plan.position[a] == _AISLE and plan.position[b] == _AISLE
    ]
    # The two halves of a middle block of two are no pair across an aisle.
    return pairs if len(pairs) < 3 else [pairs[0], pairs[-1]]


def _rows(plan: CabinPlan) -> list[list[int]]:
    rows: dict[int, list[int]] = {}
    for seat, row in enumerate(plan.row.tolist()):
        rows.setdefault(row, []).append(seat)
    return [sorted(seats, key=lambda i: plan.letter[i]) for seats in rows.values()]


def _blocks(plan: CabinPlan, rows: list[list[int]], aisles: int) -> list[str]:
    """Return the letters of the widest block left, between and right of the aisles."""
    widest = [""] * (aisles + 1)
    for seats in rows:
        cuts = [0, *(i + 1 for i in _gaps(plan, seats)), len(seats)]
        blocks = [seats[a:b] for a, b in pairwise(cuts)]
        if len(blocks) != aisles + 1:
            continue
        for b, block in enumerate(blocks):
            letters = "".join(plan.letter[i] for i in block)
            widest[b] = max(widest[b], letters, key=len)
    return widest


def _in_block(
    plan: CabinPlan, seats: list[int], letters: list[str], aisles: int
) -> list[list[int]] | None:
    """Return the seats of a row block by block; None if it is drawn right across the cabin.

    A row that shows no aisle between its seats, or not all, goes by the letters of the others; if
    they do not know its letters it runs across.
    """
    cuts = [0, *(i + 1 for i in _gaps(plan, seats)), len(seats)]
    blocks = [seats[a:b] for a, b in pairwise(cuts)]
    if len(blocks) == aisles + 1:
        return blocks
    out: list[list[int]] = [[] for _ in range(aisles + 1)]
    for seat in seats:
        known = [b for b, block in enumerate(letters) if plan.letter[seat] in block]
        if not known:
            return None
        out[known[0]].append(seat)
    return out


def cabin_drawing(plan: CabinPlan) -> CabinDrawing:
    """Lay out a cabin.

    Parameters
    ----------
    plan : CabinPlan
        With one aisle or two.
    """
    aisles = int(plan.aisle.max()) + 1
    rows = _rows(plan)
    letters = _blocks(plan, rows, aisles)
    widths = [SEAT_M * len(block) for block in letters]
    inside = sum(widths) + SEAT_M * aisles
    half = 0.5 * max([inside, *(SEAT_M * len(row) for row in rows)])
    lows, at = [], -0.5 * inside
    for width in widths:
        lows.append(at)
        at += width + SEAT_M
    aisle_side = tuple(lows[a] + widths[a] + 0.5 * SEAT_M for a in range(aisles))
    side = np.zeros(plan.seats)
    for row in rows:
        blocks = _in_block(plan, row, letters, aisles)
        if blocks is None:
            for i, seat in enumerate(row):
                side[seat] = SEAT_M * (i - 0.5 * (len(row) - 1))
            continue
        for block, low, width, names in zip(blocks, lows, widths, letters, strict=True):
            own = {plan.letter[i] for i in block}
            for i, seat in enumerate(block):
                if own <= set(names):
                    side[seat] = low + SEAT_M * (names.index(plan.letter[seat]) + 0.5)
                else:
                    side[seat] = low + width * (i + 0.5) / len(block)
    beside = half - 0.5 * SEAT_M - max(abs(aisle) for aisle in aisle_side)
    width = min(max(beside, _WIDTHS_M[1]), _WIDTHS_M[0])
    lavatories, galleys = _facilities(plan, side, half, width)
    places = [
        *plan.arm_m.tolist(),
        *plan.crew_seats.arm_m.tolist(),
        *(box.arm_m for box in (*lavatories, *galleys)),
    ]
    return CabinDrawing(
        seat_side_m=tuple(side.tolist()),
        aisle_side_m=aisle_side,
        half_width_m=half,
        arms_m=(min(places) - 0.8, max(places) + 0.8),
        lavatories=lavatories,
        galleys=galleys,
        box_m=(_BOX_M, width),
        crew_side_m=_crew_sides(plan, aisle_side, half),
    )


def _facilities(
    plan: CabinPlan, seat_side: NDArray[np.float64], half: float, width: float
) -> tuple[tuple[Box, ...], tuple[Box, ...]]:
    """Put lavatories and galleys at the walls (and between two aisles), none over another."""
    wall = half - 0.5 * width + 0.1
    sides = [-wall, wall] if int(plan.aisle.max()) == 0 else [-wall, wall, 0.0]
    taken: list[tuple[float, float]] = []

    def is_free(arm: float, side: float) -> bool:
        seats = np.abs(plan.arm_m - arm) < _APART_M - 0.1
        seats &= np.abs(seat_side - side) < 0.5 * (SEAT_M + width) - 0.1
        boxes = any(abs(arm - a) < _APART_M and side == s for a, s in taken)
        return not boxes and not bool(seats.any())

    def put(place: int, arm: float, order: list[float]) -> Box:
        free = [side for side in order if is_free(arm, side)]
        chosen = free[0] if free else order[len(taken) % len(order)]
        taken.append((arm, chosen))
        return Box(place, arm, chosen)

    lavatories = [
        put(group, float(arm), sides)
        for group, (arm, count) in enumerate(
            zip(plan.lavatories.arm_m, plan.lavatories.count, strict=True)
        )
        for _ in range(int(count))
    ]
    order = [sides[1], sides[0], *sides[2:]]
    galleys = [put(i, float(arm), order) for i, arm in enumerate(plan.galleys.arm_m)]
    return tuple(lavatories), tuple(galleys)


def _crew_sides(plan: CabinPlan, aisle_side: tuple[float, ...], half: float) -> tuple[float, ...]:
    out: list[float] = []
    for crew in plan.crew_seats.crew.tolist():
        for i in range(crew):
            aisle = aisle_side[i % len(aisle_side)]
            step = (i // len(aisle_side) + 1) // 2 * 0.45
            side = aisle + (step if (i // len(aisle_side)) % 2 else -step)
            out.append(float(np.clip(side, 0.3 - half, half - 0.3)))
    return tuple(out)
