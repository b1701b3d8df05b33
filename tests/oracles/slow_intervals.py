"""Slow second versions of the intervals: sums of the binomial law in 60-digit decimals.

Written from the definitions, with nothing but the standard library: a Clopper-Pearson bound is
the probability at which a tail sum equals the error, found by halving; a rank is found by trying
every one.
"""

from __future__ import annotations

import decimal
import math
from decimal import Decimal
from fractions import Fraction

CONTEXT = decimal.Context(prec=60, Emin=-999_999_999, Emax=999_999_999)
ONE = Decimal(1)


def at_most(hits: int, flights: int, p: Decimal) -> Decimal:
    """P(Binomial(flights, p) <= hits), term by term from no event upwards."""
    with decimal.localcontext(CONTEXT):
        if hits < 0:
            return Decimal(0)
        if p == 0 or hits >= flights:
            return ONE
        term = (ONE - p) ** flights
        total = term
        for k in range(hits):
            term = term * (flights - k) / (k + 1) * p / (ONE - p)
            total += term
        return total


def clopper_pearson(hits: int, flights: int, tail: Decimal) -> tuple[float, float]:
    """Bounds with error ``tail`` on each side; 0 and 1 at the ends."""
    low = 0.0 if hits == 0 else float(_root(hits - 1, flights, ONE - tail))
    high = 1.0 if hits == flights else float(_root(hits, flights, tail))
    return low, high


def slow_binomial_interval(hits: int, flights: int, confidence: str) -> tuple[float, float]:
    """Bounds with half the error on each side."""
    with decimal.localcontext(CONTEXT):
        return clopper_pearson(hits, flights, (ONE - Decimal(confidence)) / 2)


def _root(hits: int, flights: int, level: Decimal) -> Decimal:
    """The p at which P(at most hits) has fallen to ``level``."""
    with decimal.localcontext(CONTEXT):
        left, right = Decimal(0), ONE
        for _ in range(110):
            middle = (left + right) / 2
            if at_most(hits, flights, middle) > level:
                left = middle
            else:
                right = middle
        return (left + right) / 2


def exact_at_most(hits: int, flights: int, p: Fraction) -> Fraction:
    """P(Binomial(flights, p) <= hits) in fractions, without any rounding."""
    return sum(
        (math.comb(flights, k) * p**k * (1 - p) ** (flights - k) for k in range(hits + 1)),
        start=Fraction(0),
    )


def slow_ranks(flights: int, p: Fraction, tail: Fraction) -> tuple[int, int]:
    """Ranks that bound the quantile of probability p, each wrong with at most ``tail``.

    The r-th smallest value is above the quantile when fewer than r values are at or below it,
    and below the quantile when at least r are. Returns 0 and flights + 1 where no rank will do.
    """
    sums = [exact_at_most(k, flights, p) for k in range(flights + 1)]
    lower = [rank for rank in range(1, flights + 1) if sums[rank - 1] <= tail]
    upper = [rank for rank in range(1, flights + 1) if 1 - sums[rank - 1] <= tail]
    return max(lower, default=0), min(upper, default=flights + 1)


def slow_difference(first: list[bool], second: list[bool], error: Decimal) -> tuple[float, float]:
    """Extremes of q (2 s - 1) over its two intervals, at the four corners of the rectangle."""
    pairs = list(zip(first, second, strict=True))
    only_first = sum(a and not b for a, b in pairs)
    only_second = sum(b and not a for a, b in pairs)
    discordant = only_first + only_second
    rates = clopper_pearson(discordant, len(pairs), error / 4)
    shares = clopper_pearson(only_first, discordant, error / 4) if discordant else (0.0, 1.0)
    corners = [q * (2 * s - 1) for q in rates for s in shares]
    return min(corners), max(corners)


def slow_exceedance(margins: list[float], offset: float) -> int:
    """Flights whose margin is used up by the offset and more."""
    return sum(1 for margin in margins if margin < offset)


def slow_offset(margins: list[float], risk: str, confidence: str) -> float | None:
    """Largest of all offsets at which one more event would not be shown to keep the risk.

    Only a margin can be the answer: between margins the count does not change, and on a margin
    the flight itself is still inside.
    """
    error = ONE - Decimal(confidence)
    kept = [
        offset
        for offset in set(margins)
        if at_most(slow_exceedance(margins, offset), len(margins), Decimal(risk)) <= error
    ]
    return max(kept, default=None)
