"""Divisions of a cabin by trying every one; slow, and written from the definitions alone."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import combinations, pairwise

#: A row: (arm in mm, place of the seat: "window", "aisle", "middle") for each of its seats.
Row = Sequence[tuple[int, str]]


def seating_variance(arms: Sequence[int], taken: Fraction) -> Fraction:
    """Variance of the sum of arms of seats taken at random, from its textbook form."""
    n = len(arms)
    if n < 2:
        return Fraction(0)
    mean = Fraction(sum(arms), n)
    spread = sum((arm - mean) ** 2 for arm in arms) / n
    return taken * (n - taken) / (n - 1) * spread


def enumerated_variance(arms: Sequence[int], taken: int) -> Fraction:
    """The same by enumeration of every set of seats."""
    sums = [sum(chosen) for chosen in combinations(arms, taken)]
    mean = Fraction(sum(sums), len(sums))
    return sum((value - mean) ** 2 for value in sums) / len(sums)


def running_deviation(seats: Sequence[tuple[int, str]]) -> Fraction:
    """Worst running deviation about the centroid, seats filled one at a time, from either end."""
    mean = Fraction(sum(arm for arm, _ in seats), len(seats))
    worst = Fraction(0)
    for backward in (False, True):
        running = Fraction(0)
        for place in ("window", "aisle", "middle"):
            here = sorted((arm for arm, where in seats if where == place), reverse=backward)
            for arm in here:
                running += arm - mean
                toward = running if backward else -running
                worst = max(worst, toward)
    return worst


def all_divisions(rows: int, zones: int) -> list[tuple[int, ...]]:
    """Every division: the numbers of rows in front of its boundaries."""
    return list(combinations(range(1, rows), zones - 1))


def zones_of(rows: Sequence[Row], cuts: Sequence[int]) -> list[list[tuple[int, str]]]:
    """Seats of each zone."""
    ends = [0, *cuts, len(rows)]
    return [[seat for row in rows[first:end] for seat in row] for first, end in pairwise(ends)]
