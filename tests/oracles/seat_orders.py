"""Which seats are taken, by going through every set, for tiny cabins only.

Chances are exact fractions, or decimal numbers of fifty digits.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal, localcontext
from fractions import Fraction
from itertools import combinations
from typing import Any

Chances = dict[frozenset[int], Any]


def one_after_another(weights: Sequence[Decimal], *, people: int) -> Chances:
    """P(set of taken seats) where each person takes a free seat with a chance like its weight."""
    with localcontext(prec=50):
        law = {frozenset[int](): Decimal(1)}
        for _ in range(people):
            grown: dict[frozenset[int], Decimal] = {}
            for taken, chance in law.items():
                free = [seat for seat in range(len(weights)) if seat not in taken]
                share = chance / sum(weights[seat] for seat in free)
                for seat in free:
                    key = taken | {seat}
                    grown[key] = grown.get(key, Decimal(0)) + weights[seat] * share
            law = grown
    return law


def in_turns(turns: Sequence[int], *, people: int) -> Chances:
    """P(set of taken seats) where seats of a lower turn go first, and those of one turn equally."""
    taken: frozenset[int] = frozenset()
    for turn in sorted(set(turns)):
        seats = [i for i, own in enumerate(turns) if own == turn]
        left = people - len(taken)
        if left < len(seats):
            sets = list(combinations(seats, left))
            return {taken | frozenset(s): Fraction(1, len(sets)) for s in sets}
        taken |= frozenset(seats)
    return {taken: Fraction(1)}


def sum_law(sets: Chances, *, lengths: Sequence[Fraction]) -> dict[Fraction, Any]:
    """P(sum of the lengths over the taken seats)."""
    law: dict[Fraction, Any] = {}
    for taken, chance in sets.items():
        total = sum((lengths[i] for i in taken), Fraction(0))
        law[total] = law.get(total, 0) + chance
    return law


def independent_sum(first: dict[Fraction, Any], second: dict[Fraction, Any]) -> dict[Fraction, Any]:
    """P(sum of two independent lengths)."""
    law: dict[Fraction, Any] = {}
    for a, p in first.items():
        for b, q in second.items():
            law[a + b] = law.get(a + b, 0) + p * q
    return law
