"""Blind moves: draw some of a flight's entities anew, chosen without looking at the flight.

A flight is a function of the words of its entities (a passenger's seat, his mass, a hold's load).
Raising the version of an entity draws its words anew and independently. As long as the entities
are chosen without looking at the words, the move is reversible with respect to the law of the
flights; keeping the move only when the flight stays above a level makes it reversible with respect
to the law of the flights above that level (Metropolis with an indicator).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import ComputationError
from cgrisk.flight import (
    FlightModel,
    entity_counts,
    fly_block,
    load_block,
    zero_fuel_scale,
)
from cgrisk.randomness import Cause
from cgrisk.randomness.versions import raise_versions
from cgrisk.rare.lateness import SEARCHED, Band
from cgrisk.rare.score import Score, finite_scores, reference_arm

__all__ = ["Moves", "Particles", "ScoredFlights", "World", "fresh_particles", "move"]

Floats = NDArray[np.float64]
Words = NDArray[np.uint32]

#: Chance that a move touches a cause, and the chances, one of them, that it draws an entity of that
#: cause anew. Chosen by the autocorrelation of the indicator of a level a third as likely, on the
#: shipped case (13 moves; 18 when every entity is drawn anew with chance 0.12).
_TOUCH: Final = 0.4
_RATES: Final = (0.02, 0.06, 0.2, 0.5)
#: Causes of few entities are drawn anew about as often as one of this many.
_AS_MANY: Final = 60.0


class World(Protocol):
    """What is split: a score that depends on a flight's number and on the entities' versions.

    ``seed`` belongs to it: two worlds of different seeds share nothing.
    """

    @property
    def cause_of(self) -> NDArray[np.int64]:
        """Cause of each entity, shape (entities,)."""
        ...

    def scores(self, flights: Words, versions: Words) -> Floats:
        """Return the scores of flights (n,) with their versions (n, entities)."""
        ...

    def fresh(self, flights: Words) -> Words:
        """Return the versions (n, entities) of independent flights of these numbers."""
        ...


@dataclass(frozen=True, slots=True)
class ScoredFlights:
    """Whole flights of a scenario with their score: the world that is split in earnest.

    Flights outside the band, if there is one, are not in it: their score is -infinity.
    """

    model: FlightModel
    score: Score
    seed: int
    band: Band | None = None
    #: Arm about which mass counts in a rough score; found once, for it takes longer than a flight.
    _arm_m: float = field(init=False, repr=False, compare=False, default=math.nan)

    def __post_init__(self) -> None:
        """Find what every rough score needs."""
        if self.has_rough:
            object.__setattr__(self, "_arm_m", reference_arm(self.model, score=self.score))

    @property
    def cause_of(self) -> NDArray[np.int64]:
        """Cause of each entity, shape (entities,)."""
        counts = list(entity_counts(self.model).values())
        return np.repeat(np.arange(len(counts)), counts)

    def scores(self, flights: Words, versions: Words) -> Floats:
        """Return the scores of flights (n,) with their versions (n, entities)."""
        found = np.full(flights.size, -math.inf)
        here = slice(None) if self.band is None else self._inside(self.band, flights, versions)
        rows = fly_block(
            self.model,
            seed=self.seed,
            flights=flights[here],
            versions=versions[here],
            needed=self.score.columns,
        )
        found[here] = finite_scores(self.score, rows)
        return found

    def fresh(self, flights: Words) -> Words:
        """Return the versions (n, entities) of independent flights of these numbers."""
        versions = np.zeros((flights.size, self.cause_of.size), dtype=np.uint32)
        if self.band is not None:
            fuel = self._fuel()
            own = self.band.first_versions(seed=self.seed, flights=flights, entities=fuel.size)
            versions[:, fuel] = own[:, None]
        return versions

    def _fuel(self) -> NDArray[np.int64]:
        return np.flatnonzero(self.cause_of == Cause.FUEL - 1)

    def _inside(self, band: Band, flights: Words, versions: Words) -> NDArray[np.bool_]:
        own = versions[:, self._fuel()]
        return band.admits(seed=self.seed, flights=flights, versions=own)

    def rough(self, flights: Words, versions: Words) -> Floats:
        """Return the rough scores, of the load alone; only where :attr:`has_rough`.

        The moment error at zero-fuel, as a shift of the planned CG: the excess of a flight on which
        nobody moves and fuel is as planned, but for the curve of the limit.
        """
        loaded = load_block(self.model, seed=self.seed, flights=flights, versions=versions)
        sheet, arm = self.model.program.sheet, self._arm_m
        error = loaded[:, 1] - arm * loaded[:, 0]
        error -= sheet.zero_fuel_moment_kgm - arm * sheet.zero_fuel_mass_kg
        return self._side() * error / zero_fuel_scale(self.model)

    def _side(self) -> float:
        name = self.model.columns[self.score.columns[0]]
        return 1.0 if name.endswith(".aft") else -1.0

    @property
    def has_rough(self) -> bool:
        """Whether the load alone tells most of the score: an envelope's."""
        return self.score.offset_sign > 0.0


@dataclass(frozen=True, slots=True)
class Particles:
    """Flights with their versions and scores; row by row.

    Attributes
    ----------
    flights : uint32 array, shape (n,)
        Flight numbers: of the fresh flight that each descends from.
    versions : uint32 array, shape (n, entities)
    scores : float64 array, shape (n,)
    """

    flights: Words
    versions: Words
    scores: Floats

    def __len__(self) -> int:
        return int(self.flights.size)

    def take(self, places: NDArray[np.int64]) -> Particles:
        """Return the particles at these places."""
        return Particles(self.flights[places], self.versions[places], self.scores[places])

    @staticmethod
    def joined(parts: list[Particles]) -> Particles:
        """Return the particles of several sets in order."""
        return Particles(
            np.concatenate([p.flights for p in parts]),
            np.concatenate([p.versions for p in parts]),
            np.concatenate([p.scores for p in parts]),
        )


@dataclass(frozen=True, slots=True)
class Moves:
    """The move kernel, frozen: it depends on how many entities each cause has, on nothing else.

    Attributes
    ----------
    cause_of : int64 array, shape (entities,)
    scale : float64 array, shape (causes,)
        Factor on the rates, by cause.
    touch : float64 array, shape (causes,)
        Chance that a move touches a cause.
    """

    cause_of: NDArray[np.int64]
    scale: Floats
    touch: Floats

    @classmethod
    def of(cls, world: World) -> Moves:
        """Return the kernel for a world."""
        cause_of = world.cause_of
        counts = np.bincount(cause_of)
        scale = np.maximum(1.0, _AS_MANY / np.maximum(counts, 1))
        return cls(cause_of, scale, np.full(scale.size, _TOUCH))

    def sparing(self, causes: Sequence[int], *, factor: float) -> Moves:
        """Return a kernel that touches some causes less often."""
        touch = self.touch.copy()
        touch[list(causes)] *= factor
        return replace(self, touch=touch)

    def propose(self, rng: np.random.Generator, versions: Words, *, fresh: Words) -> Words:
        """Return versions with some entities' raised to the fresh ones, chosen blindly.

        Parameters
        ----------
        rng : numpy.random.Generator
        versions : uint32 array, shape (n, entities)
        fresh : uint32 array, shape (n,)
            Version that no flight of the same number has used.
        """
        count = versions.shape[0]
        shape = (count, self.scale.size)
        rate = np.array(_RATES)[rng.integers(len(_RATES), size=shape)] * self.scale
        touched = rng.random(shape) < self.touch
        causes, rows = map(np.ascontiguousarray, np.nonzero(touched.T))
        counts = np.bincount(self.cause_of, minlength=self.scale.size)
        out = versions.copy()
        raise_versions(
            out,
            fresh,
            rows,
            causes,
            rate[rows, causes].astype(np.float32),
            np.concatenate([[0], np.cumsum(counts)]),
            np.argsort(self.cause_of, kind="stable"),
            rng.random(int(counts[causes].sum()), dtype=np.float32),
        )
        return out


def fresh_particles(world: World, *, first_flight: int, count: int) -> Particles:
    """Return independent flights: consecutive numbers."""
    flights = (first_flight + np.arange(count)).astype(np.uint32)
    versions = world.fresh(flights)
    return Particles(flights, versions, world.scores(flights, versions))


def move(
    world: World,
    particles: Particles,
    *,
    moves: Moves,
    rng: np.random.Generator,
    first_version: int,
    level: float,
) -> tuple[Particles, int]:
    """Move every particle once; return them and how many moves were kept.

    Parameters
    ----------
    world, particles, moves
        What is moved, and how.
    rng : numpy.random.Generator
    first_version : int
        Least of the n versions used for what is drawn anew, above 0; no flight with the same
        number as one of these may have used any of them.
    level : float
        A move is kept when the score stays above it; -infinity keeps all.
    """
    count = len(particles)
    if first_version + count > SEARCHED:
        raise ComputationError("too many moves for the versions of one flight: use fewer.")
    fresh = (first_version + np.arange(count)).astype(np.uint32)
    versions = moves.propose(rng, particles.versions, fresh=fresh)
    scores = world.scores(particles.flights, versions)
    kept = scores > level
    return (
        Particles(
            particles.flights,
            np.where(kept[:, None], versions, particles.versions),
            np.where(kept, scores, particles.scores),
        ),
        int(kept.sum()),
    )
