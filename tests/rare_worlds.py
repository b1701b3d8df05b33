"""Worlds to split whose tails are known: a few microseconds a flight, exact laws beside them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import stats

from cgrisk.randomness.philox import block

Floats = NDArray[np.float64]
Words = NDArray[np.uint32]

#: Entities of the sum, of three causes of unlike sizes, and one that switches.
NORMALS, SWITCH = 20, 20
_CAUSE_OF = np.array([0] * 14 + [1] * 5 + [2] + [3])


@numba.njit(nogil=True)
def _draw(flights: Words, versions: Words, seed: int, out: Floats, switch: Floats) -> None:
    scale = 2.0**-32
    for i in range(flights.size):
        total = 0.0
        for entity in range(20):
            w0, w1, _w2, _w3 = block(flights[i], versions[i, entity], 77, entity, 0, seed, 0)
            # Box and Muller (1958), one of the pair.
            radius = math.sqrt(-2.0 * math.log((w0 + 0.5) * scale))
            total += radius * math.cos(2.0 * math.pi * (w1 + 0.5) * scale)
        w0, _w1, _w2, _w3 = block(flights[i], versions[i, 20], 77, 20, 0, seed, 0)
        out[i] = total / math.sqrt(20.0)
        switch[i] = (w0 + 0.5) * scale


@dataclass(frozen=True)
class ToyWorld:
    """A score made of a standard normal sum and of one uniform."""

    rule: Callable[[Floats, Floats], Floats]
    tail: Callable[[Floats], Floats]
    seed: int = 1

    has_rough = False

    @property
    def cause_of(self) -> NDArray[np.int64]:
        return _CAUSE_OF

    def rough(self, flights: Words, versions: Words) -> Floats:
        """The standard normal sum alone, off by a shift: what the uniform does is not heard."""
        z, _ = self._words(flights, versions)
        return 0.9 * z - 0.2

    def _words(self, flights: Words, versions: Words) -> tuple[Floats, Floats]:
        z, u = np.empty(flights.size), np.empty(flights.size)
        _draw(flights, versions, self.seed % 2**32, z, u)
        return z, u

    def scores(self, flights: Words, versions: Words) -> Floats:
        return self.rule(*self._words(flights, versions))

    def fresh(self, flights: Words) -> Words:
        return np.zeros((flights.size, _CAUSE_OF.size), dtype=np.uint32)

    def thresholds(self, probabilities: list[float]) -> Floats:
        """Where the tail has these probabilities, by bisection on (-10, 20)."""
        low = np.full(len(probabilities), -10.0)
        high = np.full(len(probabilities), 20.0)
        for _ in range(80):
            middle = 0.5 * (low + high)
            above = self.tail(middle) > np.array(probabilities)
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return high


def _sf(x: Any) -> Floats:
    return np.asarray(stats.norm.sf(x))


def sums(seed: int = 1) -> ToyWorld:
    """A sum of 20 normals: the law is the standard normal one."""
    return ToyWorld(lambda z, _u: z, _sf, seed)


#: Chance and shift of the second mode.
MODE, SHIFT = 0.02, 3.0


def two_modes(seed: int = 1) -> ToyWorld:
    """As :func:`sums`, shifted on few flights: the far tail is made of those."""
    return ToyWorld(
        lambda z, u: z + SHIFT * (u < MODE),
        lambda x: (1.0 - MODE) * _sf(x) + MODE * _sf(np.asarray(x) - SHIFT),
        seed,
    )


#: Highest score of the stepped world.
TOP = 4.5


def steps(seed: int = 1) -> ToyWorld:
    """Scores in steps of a half, none above TOP, which many share."""

    def tail(x: Floats) -> Floats:
        nearest = 0.5 * np.floor(2.0 * np.asarray(x)) + 0.5
        return np.where(nearest > TOP, 0.0, _sf(nearest))

    return ToyWorld(lambda z, _u: np.minimum(0.5 * np.floor(2.0 * z), TOP), tail, seed)


def constant() -> ToyWorld:
    """A score that does not vary."""
    return ToyWorld(lambda z, _u: np.full_like(z, 2.0), lambda x: (np.asarray(x) < 2.0) * 1.0)
