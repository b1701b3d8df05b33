"""Exact law of the seating moment: n people in equal rows, every set of seats equally likely.

Counts sets of seats by (people, sum of row numbers) with whole numbers, row after row.
"""

from __future__ import annotations

from fractions import Fraction
from math import comb


def row_sum_law(*, rows: int, seats_per_row: int, people: int) -> dict[int, Fraction]:
    """P(sum of the row numbers, 0 to rows - 1, over the occupied seats)."""
    ways = {(0, 0): 1}
    for row in range(rows):
        grown: dict[tuple[int, int], int] = {}
        for (seated, total), count in ways.items():
            for here in range(min(seats_per_row, people - seated) + 1):
                key = (seated + here, total + here * row)
                grown[key] = grown.get(key, 0) + count * comb(seats_per_row, here)
        ways = grown
    everything = comb(rows * seats_per_row, people)
    return {
        total: Fraction(count, everything)
        for (seated, total), count in sorted(ways.items())
        if seated == people
    }
