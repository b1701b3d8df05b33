"""When somebody wants to get up, what for and how long: urges, purposes, times."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel
from cgrisk.flight.kernel.data import UrgeData
from cgrisk.randomness.variates import exponential, normal, uniform

__all__ = ["sleeps", "stretch_at", "time_away", "urge_time", "walking_speed"]

Floats = NDArray[np.float64]


@kernel
def stretch_at(urge: UrgeData, time_s: float, hint: int) -> int:
    """Return the stretch that a time falls in, not before ``hint``."""
    i = hint
    while i < urge.factor.size - 1 and urge.node_s[i + 1] <= time_s:
        i += 1
    return i


@kernel
def sleeps(urge: UrgeData, sleep: float, stretch: int) -> bool:
    """Return whether somebody sleeps in a stretch; ``sleep`` is his place among the sleepers."""
    asleep: bool = sleep < urge.asleep[stretch]
    return asleep


@kernel
def urge_time(
    urge: UrgeData,
    rate_per_s: float,
    meals_s: Floats,
    meals: int,
    time_s: float,
    hint: int,
    needed: float,
    sleep: float,
) -> float:
    """Return when an urge that starts to grow now reaches ``needed``, infinity if never.

    It does not grow while he sleeps (``sleep``: see ``sleeps``).
    ``meals_s[:meals]`` are the times, in order, at which carts with trays leave his row.
    """
    if rate_per_s * urge.total_s < needed:
        return math.inf
    i = stretch_at(urge, time_s, hint)
    t = time_s
    j = 0
    while i < urge.factor.size:
        # A boost lasts from each meal for after_meal_s; overlapping boosts count once.
        while j < meals and meals_s[j] + urge.after_meal_s <= t:
            j += 1
        boosted = j < meals and meals_s[j] <= t
        end = urge.node_s[i + 1]
        if boosted:
            end = min(end, meals_s[j] + urge.after_meal_s)
        elif j < meals:
            end = min(end, meals_s[j])
        rate = rate_per_s * urge.factor[i] * (urge.after_meal_factor if boosted else 1.0)
        if sleep < urge.asleep[i]:
            rate = 0.0
        if rate > 0.0 and rate * (end - t) >= needed:
            when: float = t + needed / rate
            return when
        needed -= rate * (end - t)
        t = end
        if t >= urge.node_s[i + 1]:
            i += 1
    return math.inf


@kernel
def time_away(urge: UrgeData, lavatory: bool, word: np.uint32) -> float:
    """Return how long somebody stays in a lavatory, or stands at a galley (s)."""
    u = uniform(word)
    if not lavatory:
        return urge.standing_mean_s * exponential(u)
    if urge.lavatory_shape < 0.0:
        return urge.lavatory_scale_s * exponential(u)
    if urge.lavatory_shape == 0.0:
        return urge.lavatory_scale_s
    return urge.lavatory_scale_s * math.exp(urge.lavatory_shape * normal(u))


@kernel
def walking_speed(urge: UrgeData, word: np.uint32) -> float:
    """Return a passenger's walking speed (m/s)."""
    if urge.speed_shape == 0.0:
        return urge.speed_scale_mps
    return urge.speed_scale_mps * math.exp(urge.speed_shape * normal(uniform(word)))
