"""What moves many at once: who joins the sign-off rush, when a surge comes and who is in it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel
from cgrisk.flight.kernel.data import CrowdData
from cgrisk.flight.kernel.keys import Keys, fill_words, words
from cgrisk.flight.kernel.order import sort_by_score
from cgrisk.flight.kernel.walk import ABSENT, Life
from cgrisk.randomness.variates import exponential, uniform, uniform53

__all__ = ["draw_surge", "join_rush", "pick_surge"]

CROWD = 7  # randomness.keys.Cause
# Draws of a person: one a sign-off, from 0, and one for the order in a surge. Entity `persons` is
# the flight itself.
_SURGE_DRAW = 1 << 16


@kernel
def draw_surge(crowd: CrowdData, keys: Keys, row: int, persons: int) -> tuple[float, int]:
    """Return (time of the surge, infinity if there is none; -1 fore or 1 aft)."""
    cruise = 0.0
    for i in range(crowd.cruise_s.size):
        cruise += crowd.cruise_s[i]
    if crowd.surge_probability == 0.0 or cruise == 0.0:
        return math.inf, 0
    w0, w1, w2, w3 = words(keys, row, CROWD, persons, 0)
    if uniform53(w0, w1) >= crowd.surge_probability:
        return math.inf, 0
    toward = crowd.surge_toward
    if toward == 0:
        toward = -1 if uniform(w3) < 0.5 else 1
    left = cruise * uniform(w2)
    for i in range(crowd.cruise_s.size):
        if left < crowd.cruise_s[i]:
            return crowd.cruise_start_s[i] + left, toward
        left -= crowd.cruise_s[i]
    return math.inf, 0


@kernel
def join_rush(
    crowd: CrowdData,
    keys: Keys,
    row: int,
    number: int,
    time_s: float,
    scratch: NDArray[np.uint32],
    life: Life,
) -> int:
    """Let everybody aboard decide at sign-off ``number``; return how many will get up.

    Their times are in ``rush_s``.
    """
    persons = life.persons.size
    if crowd.sign_off_share == 0.0:
        return 0
    fill_words(keys, row, CROWD, 0, persons, number, scratch)
    joined = 0
    for p in range(persons):
        person = life.persons[p]
        if person.state != ABSENT and uniform(scratch[0, p]) < crowd.sign_off_share:
            person.rush_s = time_s + crowd.sign_off_mean_s * exponential(uniform(scratch[1, p]))
            person.rush_purpose = scratch[2, p]
            person.rush_stay = scratch[3, p]
            joined += 1
    return joined


@kernel
def pick_surge(
    crowd: CrowdData,
    keys: Keys,
    row: int,
    scratch: NDArray[np.uint32],
    life: Life,
    order: NDArray[np.int64],
    score: NDArray[np.float64],
    stack: NDArray[np.int64],
) -> int:
    """Write who wants to join the surge, in random order, to ``order``; return how many."""
    persons = life.persons.size
    fill_words(keys, row, CROWD, 0, persons, _SURGE_DRAW, scratch)
    aboard = 0
    for p in range(persons):
        score[p] = uniform53(scratch[0, p], scratch[1, p])
        if life.persons[p].state != ABSENT:
            order[aboard] = p
            aboard += 1
    sort_by_score(order, score, aboard, stack)
    return min(aboard, crowd.surge_people)
