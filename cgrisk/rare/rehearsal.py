"""Rehearsed moves: many cheap moves of the load alone before one flight is flown.

Where the tail is a matter of loading, flights above a level differ in who sits where and how heavy
he is, and forget that only after hundreds of moves. A *rough* score, that of the load without the
flight, costs a sixth of it. A rehearsed move makes some moves one after another, each kept when the
rough score stays above a floor, and then flies once: the whole is kept when the flight's own score
is above the level, else undone. The chain of moves is reversible with respect to the law of flights
whose rough score is above the floor, so the whole is reversible with respect to the law of flights
above the level, however rough the score (delayed acceptance: J. A. Christen and C. Fox, Journal of
Computational and Graphical Statistics 14 (2005) 795, from memory). Flights whose rough score is not
above the floor stay, and are moved by plain moves in between.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import ComputationError
from cgrisk.rare.lateness import SEARCHED
from cgrisk.rare.moves import Moves, Particles, World

__all__ = ["LOAD_COST", "PLAIN_EVERY", "SLACK", "Rehearsal", "rehearsed_move"]

Floats = NDArray[np.float64]
Words = NDArray[np.uint32]

#: What loading a flight costs, in flights flown (measured on the shipped case: 24 us of 148 us).
LOAD_COST: Final = 1.0 / 6.0
#: Every so manieth move of a chain is a plain one.
PLAIN_EVERY: Final = 3
#: Share of the flights at a level whose rough score is above the floor.
SLACK: Final = 0.6
_STEPS: Final = 10


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """How moves are rehearsed; frozen by a pilot.

    Attributes
    ----------
    rough : callable
        Rough scores of flights (n,) with their versions (n, entities).
    moves : Moves
        The kernel of the rehearsal.
    levels, slack : float64 arrays, shape (k,)
        How far below each level, rising, the floor of the rough score is; straight in between.
    steps : int
        Moves of one rehearsal.
    """

    rough: Callable[[Words, Words], Floats]
    moves: Moves
    levels: Floats
    slack: Floats
    steps: int = _STEPS

    def floor(self, level: float) -> float:
        """Return the floor of the rough score at a level."""
        return level - float(np.interp(level, self.levels, self.slack))


def rehearsed_move(
    world: World,
    particles: Particles,
    *,
    rehearsal: Rehearsal,
    rng: np.random.Generator,
    first_version: int,
    level: float,
) -> tuple[Particles, int, int]:
    """Rehearse, then fly once; return the particles, how many moved, and how many were flown.

    Parameters
    ----------
    world, particles
        What is moved.
    rehearsal : Rehearsal
    rng : numpy.random.Generator
    first_version : int
        Least of the ``n * steps`` versions used; see :func:`cgrisk.rare.moves.move`.
    level : float
        The flight's own score must stay above it.
    """
    count, floor = len(particles), rehearsal.floor(level)
    if first_version + count * rehearsal.steps > SEARCHED:
        raise ComputationError("too many moves for the versions of one flight: use fewer.")
    above = np.flatnonzero(rehearsal.rough(particles.flights, particles.versions) > floor)
    if above.size == 0:
        return particles, 0, 0
    flights, versions = particles.flights[above], particles.versions[above]
    for step in range(rehearsal.steps):
        fresh = (first_version + step * count + above).astype(np.uint32)
        tried = rehearsal.moves.propose(rng, versions, fresh=fresh)
        kept = rehearsal.rough(flights, tried) > floor
        versions = np.where(kept[:, None], tried, versions)
    scores = world.scores(flights, versions)
    kept = scores > level
    out_versions, out_scores = particles.versions.copy(), particles.scores.copy()
    out_versions[above[kept]] = versions[kept]
    out_scores[above[kept]] = scores[kept]
    moved = Particles(particles.flights, out_versions, out_scores)
    return moved, int(kept.sum()), int(above.size)
