"""Where curtains should stand: the row boundaries of least cost, found exactly.

A division cuts the rows of a cabin into zones. Its cost is a sum over the zones, so the best
division into k zones is found by dynamic programming over the rows: the best way to divide the
rows behind a boundary does not depend on what stands in front of it.

Two costs. Both are in seat-metres: times the mass of a passenger they are moments.

``variance``
    With n of the N seats of a zone taken, all sets of seats equally likely, the sum of the arms
    of the taken seats has variance ``n (N - n) / (N - 1) s**2`` about n times their mean arm,
    where ``s**2`` is the population variance of the arms of the seats: sampling without
    replacement from a finite population (Cochran, Sampling Techniques, 3rd ed. (1977), section
    2.6, from memory; checked here by enumeration). In square metres; its root over the zones is a
    standard deviation.
``conventional``
    Windows are filled, then aisle seats, then the rest, row by row from one end; the cost is the
    largest deviation of the running sum of arms about the zone's arm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import UsageError

__all__ = [
    "OBJECTIVES",
    "CabinRows",
    "Division",
    "Rules",
    "best_divisions",
    "conventional_cost",
    "cost_table",
    "division_cost",
    "variance_cost",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: What may be made least.
OBJECTIVES: Final = ("variance", "conventional")
#: Costs closer than this share of the cost of one zone are ties: far above the noise of floating
#: point, far below anything that matters.
TIE: Final = 1e-9
#: Costs below this (m or m**2) are the noise of floating point.
_NOISE: Final = 1e-12

_TURN: Final = np.array([0, 2, 1])  # position code (window, middle, aisle) -> turn


@dataclass(frozen=True, slots=True, eq=False)
class CabinRows:
    """Rows of a cabin from the front, and their seats.

    Attributes
    ----------
    number : tuple of int
        Row numbers.
    arm_m, position, open_seat : tuple of arrays
        Of each row: arms of its seats, their position codes (0 window, 1 middle, 2 aisle), and
        whether they may be used. Zones' arms count all seats, costs the open ones.
    class_index : tuple of int
        Class of travel of each row (of its first seat).
    """

    number: tuple[int, ...]
    arm_m: tuple[Floats, ...]
    position: tuple[Ints, ...]
    open_seat: tuple[NDArray[np.bool_], ...]
    class_index: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.number)

    @property
    def seats(self) -> Ints:
        """Open seats of each row, shape (rows,)."""
        return np.array([int(here.sum()) for here in self.open_seat], dtype=np.int64)

    def after_row(self, row: int, *, argument: str) -> int:
        """Return how many rows stand in front of a boundary after a row number.

        Raises
        ------
        UsageError
            If the cabin has no such row, or it is the last.
        """
        if row not in self.number[:-1]:
            raise UsageError(
                argument=argument,
                expected=f"rows after which a boundary can stand, {self.number[0]} to "
                f"{self.number[-2]}"
                if len(self) > 1
                else "no row: the cabin has one alone",
                got=row,
                cure="Name a row of this cabin, but not the last.",
            )
        return self.number.index(row) + 1

    def class_boundaries(self) -> tuple[int, ...]:
        """Return the rows after which the class of travel changes."""
        pairs = zip(self.number, pairwise(self.class_index), strict=False)
        return tuple(row for row, (here, behind) in pairs if here != behind)


@dataclass(frozen=True, slots=True)
class Rules:
    """What a division must obey.

    Attributes
    ----------
    keep : tuple of int
        Rows after which a boundary stands already, and stays.
    forbid : tuple of int
        Rows after which none may stand.
    smallest_rows, smallest_seats : int
        Fewest rows and open seats of a zone, at least 1 each.
    """

    keep: tuple[int, ...] = ()
    forbid: tuple[int, ...] = ()
    smallest_rows: int = 1
    smallest_seats: int = 1


@dataclass(frozen=True, slots=True)
class Division:
    """The best division into a number of zones.

    Attributes
    ----------
    boundaries : tuple of int
        Rows after which a curtain stands, from the front; one fewer than there are zones.
    first, last : tuple of int
        First and last row of each zone.
    cost : float
        Sum over the zones, m**2 (variance) or m (conventional).
    zone_cost : tuple of float
        Of each zone.
    """

    boundaries: tuple[int, ...]
    first: tuple[int, ...]
    last: tuple[int, ...]
    cost: float
    zone_cost: tuple[float, ...]

    @property
    def zones(self) -> int:
        """Number of zones."""
        return len(self.first)


def variance_cost(arm_m: Floats, *, taken: float) -> float:
    """Return the variance of the sum of the arms of seats taken at random (m**2).

    Parameters
    ----------
    arm_m : float64 array, shape (N,)
        Arms of the seats.
    taken : float
        How many are taken, 0 to N; need not be whole, so that a load factor can be applied.
    """
    seats = arm_m.size
    if seats < 2:
        return 0.0
    return float(taken * (seats - taken) / (seats - 1) * arm_m.var())


def conventional_cost(
    arm_m: Floats, position: Ints, *, about_m: float | None = None, side: str = "worst"
) -> float:
    """Return the largest running deviation as seats fill in the conventional order (m).

    Parameters
    ----------
    arm_m : float64 array, shape (N,)
        Arms of the seats of a zone.
    position : int64 array, shape (N,)
        0 window, 1 middle, 2 aisle.
    about_m : float, optional
        The zone's arm on the load sheet; the centroid of these seats if not given.
    side : str
        ``forward`` fills from the front and takes the deviation forward, ``aft`` from the rear and
        aft; ``worst`` takes the larger.
    """
    if arm_m.size == 0:
        return 0.0
    about = float(arm_m.mean()) if about_m is None else about_m
    found = []
    for name, sign in (("forward", -1.0), ("aft", 1.0)):
        if side in (name, "worst"):
            order = np.lexsort((-sign * arm_m, _TURN[position]))
            running = np.cumsum(sign * (arm_m[order] - about))
            found.append(max(0.0, float(running.max())))
    return max(found)


def cost_table(
    rows: CabinRows,
    *,
    objective: str,
    load_factor: float | None = None,
    side: str = "worst",
) -> Floats:
    """Return the cost of every run of rows as a zone, shape (rows + 1, rows + 1).

    Entry (i, j) is that of rows i up to, not with, j; zero where i >= j.

    Parameters
    ----------
    rows : CabinRows
    objective : str
        One of :data:`OBJECTIVES`.
    load_factor : float, optional
        Share of the open seats taken in every zone, for ``variance``. None takes in each zone the
        whole number that makes it greatest, half of its seats.
    side : str
        Of ``conventional``.

    Raises
    ------
    UsageError
        If the objective is unknown or the load factor is not between 0 and 1.
    """
    if objective not in OBJECTIVES:
        raise UsageError(
            argument="objective",
            expected=" or ".join(OBJECTIVES),
            got=objective,
            cure="Name one of them.",
        )
    if load_factor is not None and not 0.0 <= load_factor <= 1.0:
        raise UsageError(
            argument="load factor",
            expected="a share from 0 to 1",
            got=load_factor,
            cure="Give passengers over seats.",
        )

    def cost(first: int, end: int) -> float:
        here = np.concatenate(rows.open_seat[first:end])
        every = np.concatenate(rows.arm_m[first:end])
        arm = every[here]
        if objective == "conventional":
            position = np.concatenate(rows.position[first:end])[here]
            return conventional_cost(arm, position, about_m=float(every.mean()), side=side)
        taken = arm.size // 2 if load_factor is None else load_factor * arm.size
        return variance_cost(arm, taken=taken)

    table = np.zeros((len(rows) + 1, len(rows) + 1))
    for first in range(len(rows)):
        for end in range(first + 1, len(rows) + 1):
            table[first, end] = cost(first, end)
    return table


def _allowed(rows: CabinRows, rules: Rules) -> Callable[[int, int], bool]:
    """Return the test whether rows i to j may be a zone.

    Raises
    ------
    UsageError
        If the rules contradict each other or the cabin.
    """
    for name, value in (
        ("smallest rows", rules.smallest_rows),
        ("smallest seats", rules.smallest_seats),
    ):
        if value < 1:
            raise UsageError(
                argument=name, expected="at least 1", got=value, cure="Give a larger number."
            )
    keep = {rows.after_row(row, argument="keep") for row in rules.keep}
    forbid = {rows.after_row(row, argument="forbid") for row in rules.forbid}
    both = sorted(set(rules.keep) & set(rules.forbid))
    if both:
        raise UsageError(
            argument="keep",
            expected="boundaries that are not forbidden",
            got=", ".join(f"after row {row}" for row in both),
            cure="Take the row out of one of the two lists.",
        )
    before = np.concatenate([[0], np.cumsum(rows.seats)])

    def may(first: int, end: int) -> bool:
        return (
            first not in forbid
            and end not in forbid
            and end - first >= rules.smallest_rows
            and int(before[end] - before[first]) >= rules.smallest_seats
            and not any(first < boundary < end for boundary in keep)
        )

    return may


#: Least cost of the rows behind, sum of squares of the seats of its zones, next boundary.
_Best = tuple[float, int, int]


def best_divisions(
    rows: CabinRows, table: Floats, *, most_zones: int, rules: Rules | None = None
) -> dict[int, Division]:
    """Return the division of least cost for each number of zones that the rules leave possible.

    Ties (:data:`TIE`) go to the division nearest to equal zones (least sum of squared seats), and
    among those to the most forward boundaries, the first boundary first.

    Parameters
    ----------
    rows : CabinRows
    table : float64 array, shape (rows + 1, rows + 1)
        From :func:`cost_table`.
    most_zones : int
        At least 1.
    rules : Rules, optional
        None: everything may be.

    Returns
    -------
    dict of int to Division
        By the number of zones, 1 to ``most_zones``; numbers that cannot be are left out.

    Raises
    ------
    UsageError
        If no number of zones can be, or the rules do not fit the cabin.
    """
    rules = Rules() if rules is None else rules
    if most_zones < 1:
        raise UsageError(
            argument="max zones", expected="at least 1", got=most_zones, cure="Give a larger one."
        )
    may, size = _allowed(rows, rules), len(rows)
    slack = max(TIE * float(table[0, size]), _NOISE)
    before = np.concatenate([[0], np.cumsum(rows.seats)])
    best: list[dict[int, _Best]] = [{size: (0.0, 0, size)}]
    for _ in range(most_zones):
        behind, here = best[-1], {}
        for first in range(size):
            options = [
                (float(table[first, end]) + cost, squares, end)
                for end, (cost, squares, _) in behind.items()
                if end > first and may(first, end)
            ]
            if options:
                # Of all that are least, the most even; the least itself is handed on, so that
                # ties do not add up.
                least = min(options)[0]
                squares, end = min(
                    (int(before[end] - before[first]) ** 2 + squares, end)
                    for cost, squares, end in options
                    if cost <= least + slack
                )
                here[first] = (least, squares, end)
        best.append(here)
    found = {
        zones: _division(rows, table, _ends(best, zones))
        for zones in range(1, most_zones + 1)
        if 0 in best[zones]
    }
    if not found:
        raise UsageError(
            argument="zones",
            expected=f"rules that some division into at most {most_zones} zones obeys",
            got=f"{size} rows with {int(before[-1])} open seats, zones of at least "
            f"{rules.smallest_rows} rows and {rules.smallest_seats} seats, "
            f"{len(set(rules.keep))} boundaries that stay and {len(set(rules.forbid))} forbidden",
            cure="Allow more zones or smaller ones, or take a boundary out of the lists.",
        )
    return found


def _ends(best: Sequence[dict[int, _Best]], zones: int) -> list[int]:
    """Return the ends of the zones, from the front."""
    ends, first = [], 0
    for left in range(zones, 0, -1):
        first = best[left][first][2]
        ends.append(first)
    return ends


def _division(rows: CabinRows, table: Floats, ends: Sequence[int]) -> Division:
    pairs = list(pairwise([0, *ends]))
    costs = tuple(float(table[first, end]) for first, end in pairs)
    return Division(
        boundaries=tuple(rows.number[end - 1] for end in ends[:-1]),
        first=tuple(rows.number[first] for first, _ in pairs),
        last=tuple(rows.number[end - 1] for _, end in pairs),
        cost=float(sum(costs)),
        zone_cost=costs,
    )


def division_cost(rows: CabinRows, table: Floats, *, boundaries: Sequence[int]) -> Division:
    """Return a given division with its cost; boundaries are rows after which a curtain stands.

    Raises
    ------
    UsageError
        If a boundary is not one of the cabin.
    """
    ends = sorted({rows.after_row(row, argument="boundaries") for row in boundaries})
    return _division(rows, table, [*ends, len(rows)])
