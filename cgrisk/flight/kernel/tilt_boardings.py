"""Several boardings of an aircraft at once, of which one is kept: a particle filter.

Parties, seats and changes of seat are leaned one after another, each with the exact mean of what
may be chosen. The weight of a boarding ``x`` that is leaned so is ``Z(x) / exp(e(x))``, with ``Z``
the product of those means and ``e`` the sum of the exponents; ``Z`` hangs on which parties came and
which seats were left for them, and some hundred factors make it scatter widely where the tilt is
strong. So ``M`` boardings go on side by side. Now and then, where their products scatter, they are
picked anew with chances in proportion to them, and the product of the means of all boardings takes
the place of that of one. In the end one boarding is picked in the same way. Then for any ``f``

    E[mean Z ... mean Z  exp(-e(x)) f(x)] = E_p[f],

whatever ``M`` and wherever they are picked anew (P. Del Moral, Feynman-Kac Formulae, Springer 2004,
theorem 7.4.2; C. Andrieu, A. Doucet, R. Holenstein, J. R. Stat. Soc. B 72 (2010) 269; from memory):
every boarding's next step has the right law given all that went before. Boardings are numbers: the
words of the flight are looked at when one is kept.

A factor may be taken into ``Z`` and ``e`` alike and taken out again later: what a boarding is
expected to be worth in the end. It changes which boardings are picked, and nothing else.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import inlined_kernel, kernel, maker
from cgrisk.flight.kernel.tilt_data import Choices, number

__all__ = [
    "BASE",
    "CLOCK",
    "EARLIER",
    "EXPONENT",
    "MORE",
    "PRODUCT",
    "Boardings",
    "begin",
    "begin_region",
    "credit",
    "new_boardings",
    "pick_anew",
    "pick_one",
    "worth",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Columns of ``Boardings.figure``.
CLOCK, BASE, PRODUCT, EXPONENT, MORE, EARLIER = 0, 1, 2, 3, 4, 5


class Boardings(NamedTuple):
    """Boardings that go on side by side: ``M`` of them, with ``S`` seats and as many persons."""

    before: Ints
    after: Ints
    """(M, S + 2) the free places of a region on either side of each."""
    low: Ints
    high: Ints
    """(M, S) first word that a seat may have, and the first past those."""
    taken_at: Ints
    """(M, S) people still to come in the region when a seat was taken; 0 where none was."""
    outcome: Ints
    """(M, S) of each party, by the first persons that it may be; -1 for none."""
    seat: Ints
    """(M, S) of each person; -1 where there is none."""
    profile: Ints
    """(M, S) of each person: what he adds."""
    child: Ints
    """(M, S) 1 for a child."""
    free: Ints
    """(M, S) seats left free, in the order in which changes go through them."""
    place: Ints
    among: Ints
    """(M, S) which of how many free seats each person changes to; -1 for none."""
    sums: Floats
    """(M, 2 C) sums over the free seats of a class of the odds of an adult and a child there."""
    frees: Ints
    """(M, C) free seats of a class."""
    still: Ints
    """(M, 4) adults and children still to come in a region, parties that have come to it, and free
    seats."""
    figure: Floats
    """(M, 6) score of the last leader; base of it; log of the product of means since they were
    picked last; exponents, of which in this region beyond adults alone; those of earlier ones."""
    share: Floats
    """(M,) products, over the greatest."""
    times: Ints
    """(M,) how often each was picked."""


@maker
def new_boardings(many: int, seats: int, classes: int) -> Boardings:
    """Return scratch for so many boardings of a cabin with so many classes of travel."""
    return Boardings(
        np.empty((many, seats + 2), np.int64),
        np.empty((many, seats + 2), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, seats), np.int64),
        np.empty((many, 2 * classes), np.float64),
        np.empty((many, classes), np.int64),
        np.empty((many, 4), np.int64),
        np.empty((many, 6), np.float64),
        np.empty(many, np.float64),
        np.empty(many, np.int64),
    )


@kernel
def begin(boardings: Boardings, many: int) -> None:
    """Set so many boardings to an empty cabin."""
    seats = boardings.seat.shape[1]
    for one in range(many):
        for i in range(seats):
            boardings.taken_at[one, i] = 0
            boardings.seat[one, i] = -1
            boardings.outcome[one, i] = -1
            boardings.place[one, i] = -1
        for i in range(6):
            boardings.figure[one, i] = 0.0
        boardings.still[one, 3] = 0


@kernel
def begin_region(boardings: Boardings, many: int, seats: int, adults: int, children: int) -> None:
    """Set so many boardings to a region that nobody has entered."""
    for one in range(many):
        for place in range(seats + 2):
            boardings.before[one, place] = place - 1
            boardings.after[one, place] = place + 1
        boardings.before[one, 0] = 0
        boardings.still[one, 0] = adults
        boardings.still[one, 1] = children
        boardings.still[one, 2] = 0
        boardings.figure[one, CLOCK] = 0.0
        boardings.figure[one, BASE] = -math.inf
        boardings.figure[one, MORE] = 0.0
        boardings.figure[one, EARLIER] = boardings.figure[one, EXPONENT]


@inlined_kernel
def credit(boardings: Boardings, one: int, exponent: float) -> None:
    """Set a boarding's exponent to what it is expected to end with."""
    boardings.figure[one, PRODUCT] += exponent - boardings.figure[one, EXPONENT]
    boardings.figure[one, EXPONENT] = exponent


@kernel
def _copy(boardings: Boardings, one: int, other: int) -> None:
    """Make a boarding the same as another."""
    seats = boardings.seat.shape[1]
    for place in range(seats + 2):
        boardings.before[one, place] = boardings.before[other, place]
        boardings.after[one, place] = boardings.after[other, place]
    for i in range(seats):
        boardings.low[one, i] = boardings.low[other, i]
        boardings.high[one, i] = boardings.high[other, i]
        boardings.taken_at[one, i] = boardings.taken_at[other, i]
        boardings.outcome[one, i] = boardings.outcome[other, i]
        boardings.seat[one, i] = boardings.seat[other, i]
        boardings.profile[one, i] = boardings.profile[other, i]
        boardings.child[one, i] = boardings.child[other, i]
        boardings.place[one, i] = boardings.place[other, i]
        boardings.among[one, i] = boardings.among[other, i]
    for i in range(boardings.still[other, 3]):
        boardings.free[one, i] = boardings.free[other, i]
    for i in range(boardings.frees.shape[1]):
        boardings.frees[one, i] = boardings.frees[other, i]
        boardings.sums[one, 2 * i] = boardings.sums[other, 2 * i]
        boardings.sums[one, 2 * i + 1] = boardings.sums[other, 2 * i + 1]
    for i in range(4):
        boardings.still[one, i] = boardings.still[other, i]
    for i in range(6):
        boardings.figure[one, i] = boardings.figure[other, i]


@kernel
def worth(boardings: Boardings, many: int) -> tuple[float, float]:
    """Return the log mean of the products, and how many equal boardings they are worth."""
    most = -math.inf
    for one in range(many):
        most = max(most, boardings.figure[one, PRODUCT])
    total, squares = 0.0, 0.0
    for one in range(many):
        share = math.exp(boardings.figure[one, PRODUCT] - most)
        boardings.share[one] = share
        total += share
        squares += share * share
    return most + math.log(total / many), total * total / squares


@kernel
def pick_anew(boardings: Boardings, many: int, choices: Choices) -> None:
    """Pick as many boardings, evenly spaced along the sum of their products."""
    total = 0.0
    for one in range(many):
        total += boardings.share[one]
    step = total / many
    at = number(choices.four, choices.place) * step
    running, picked = 0.0, 0
    for one in range(many):
        running += boardings.share[one]
        boardings.times[one] = 0
        while picked < many and at < running:
            boardings.times[one] += 1
            picked += 1
            at += step
        boardings.figure[one, PRODUCT] = 0.0
    boardings.times[many - 1] += many - picked
    source = 0
    for one in range(many):
        if boardings.times[one] > 0:
            continue
        while boardings.times[source] < 2:
            source += 1
        boardings.times[source] -= 1
        _copy(boardings, one, source)


@kernel
def pick_one(boardings: Boardings, many: int, choices: Choices) -> int:
    """Pick the boarding that is kept."""
    if many == 1:
        return 0
    total = 0.0
    for one in range(many):
        total += boardings.share[one]
    target = number(choices.four, choices.place) * total
    kept, running = 0, boardings.share[0]
    while running < target and kept < many - 1:
        kept += 1
        running += boardings.share[kept]
    return kept
