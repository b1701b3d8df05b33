"""The flights of a tilt by its strength: how many are flown, in batches, and which are needed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.strata import Stratum
from cgrisk.rare.tilt_pilot import STEP, Ladder, Leaner, leans_all

__all__ = ["BATCHES", "Round", "TiltedStratum", "flights_for", "fly_round"]

Floats = NDArray[np.float64]

#: Batches of each strength; flights of a batch, at least.
BATCHES: Final = 20
_LEAST_BATCH: Final = 25
#: On the flights that a strength would need by itself, were the scatter known: where tilting leans
#: all that varies; elsewhere, where few flights show too little of it.
_ROOM, _ROOM_MOVING = 1.0, 3.0


@dataclass(frozen=True, slots=True)
class Round:
    """The flights of one strength, as parts of estimates: weights above thresholds, else 0.

    Attributes
    ----------
    strength : float
        Of the tilt, in standard deviations of the score.
    seed : int
        Of its flights, which have the numbers 0, 1, 2 and so on.
    batch : int
        Flights of each of the 20 batches, in the order of their numbers.
    scores, weights : float64 arrays, shape (20 batch,)
    """

    strength: float
    seed: int
    batch: int
    scores: Floats
    weights: Floats

    def parts(self, threshold: float) -> Floats:
        """Return what each flight adds to 20 batches' worth of an estimate, shape (20 batch,)."""
        return np.where(self.scores > threshold, self.weights, 0.0)

    def replicates(self, threshold: float) -> Floats:
        """Return the estimates of the batches, shape (20, 1)."""
        means: Floats = self.parts(threshold).reshape(BATCHES, -1).mean(axis=1)[:, None]
        return means


def flights_for(leaner: Leaner, scatter: Floats, relative_error: Floats) -> float:
    """Return the flights of each of two strengths for relative errors of their mean, with room."""
    room = _ROOM if leans_all(leaner.aim.model) else _ROOM_MOVING
    return float((room * (scatter + 1.0) * relative_error**-2).max(initial=0.0))


def fly_round(
    leaner: Leaner,
    strength: float,
    *,
    thresholds: Floats,
    scatter: Floats,
    seed: int,
    most: int,
    relative_error: Floats,
) -> Round:
    """Fly a strength in two steps: what the pilot asks for, then what the first step asks for."""
    own = derived_seed(seed, "main", repr(strength))
    wanted = flights_for(leaner, scatter, relative_error)
    batch = max(1, min(max(_LEAST_BATCH, math.ceil(0.5 * wanted / BATCHES)), most // BATCHES))
    scores, weights = leaner.fly(strength, own, 0, BATCHES * batch)
    parts = np.where(scores > thresholds[:, None], weights, 0.0)
    seen = parts.var(axis=1) / np.maximum(parts.mean(axis=1) ** 2, 1e-300)
    wanted = min(flights_for(leaner, np.maximum(seen, scatter), relative_error), float(most))
    more = int(wanted) // BATCHES - batch
    if more > 0:
        again = leaner.fly(strength, own, BATCHES * batch, BATCHES * more)
        scores = np.concatenate([scores, again[0]])
        weights = np.concatenate([weights, again[1]])
    return Round(strength, own, batch + max(more, 0), scores, weights)


@dataclass(frozen=True, slots=True)
class TiltedStratum:
    """A stratum after its pilot.

    Attributes
    ----------
    stratum : Stratum
    leaner : Leaner
        Flies it.
    ladder : Ladder
        What the pilot saw.
    seed : int
    """

    stratum: Stratum
    leaner: Leaner
    ladder: Ladder
    seed: int

    @property
    def pilot_flights(self) -> int:
        """Flights of its pilots."""
        return self.leaner.aim.flights + self.ladder.flights

    @property
    def upper(self) -> NDArray[np.int64]:
        """The stronger of the two rungs of each threshold, -1 for none."""
        return np.where(self.ladder.best < 0, -1, np.maximum(self.ladder.best, 1))

    @property
    def rungs(self) -> list[int]:
        """Every rung that a threshold needs: its best one (not the lowest) and the one below."""
        return sorted({int(r) for best in self.upper if best > 0 for r in (best - 1, best)})

    def seen(self, rung: int) -> tuple[NDArray[np.bool_], Floats]:
        """Return the thresholds that need a rung, and their scatter by the pilot."""
        mine = (self.upper == rung) | (self.upper == rung + 1)
        pilot = self.ladder.scatter[np.minimum(self.ladder.best[mine], rung), mine]
        return mine, np.where(np.isfinite(pilot), pilot, 0.0)

    def wanted(self, relative_error: Floats) -> float:
        """Return the flights that all rungs are expected to need."""
        total = 0.0
        for rung in self.rungs:
            mine, scatter = self.seen(rung)
            least = float(BATCHES * _LEAST_BATCH)
            total += max(flights_for(self.leaner, scatter, relative_error[mine]), least)
        return total

    def rounds(self, thresholds: Floats, relative_error: Floats, *, most: int) -> dict[int, Round]:
        """Fly every rung that a threshold needs."""
        rungs, done = self.rungs, {}
        for turn, rung in enumerate(rungs):
            mine, scatter = self.seen(rung)
            done[rung] = fly_round(
                self.leaner,
                STEP * rung,
                thresholds=thresholds[mine],
                scatter=scatter,
                seed=self.seed,
                most=most * (turn + 1) // len(rungs) - most * turn // len(rungs),
                relative_error=relative_error[mine],
            )
        return done
