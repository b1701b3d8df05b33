"""Multilevel splitting on whole flights: towards a rare event by way of less rare ones.

Two forms, both unbiased, with the same moves (:mod:`cgrisk.rare.moves`):

* :func:`adaptive_run` kills the flights with the lowest scores (ties together) and replaces them by
  moved copies of the others (adaptive multilevel splitting: C.-E. Brehier et al., Annals of
  Applied Probability 26 (2016) 3559). It needs to know nothing beforehand and serves as the pilot.
* :func:`level_run` goes through levels frozen beforehand. At each, some flights above the level are
  picked as ancestors, moved again and again, and *every* state they pass through counts
  (H.-D. Dau and N. Chopin, "Waste-free sequential Monte Carlo", JRSS B 84 (2022) 114).

A run gives an unbiased estimate at every threshold. Its own spread is not to be had from itself:
replicates are independent runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.rare.moves import Moves, Particles, World, fresh_particles, move
from cgrisk.rare.rehearsal import LOAD_COST, PLAIN_EVERY, SLACK, Rehearsal, rehearsed_move

__all__ = ["CHAIN", "SplitRun", "adaptive_run", "level_run"]

Floats = NDArray[np.float64]
Words = NDArray[np.uint32]

#: Moves of each ancestor at a level, at most: about three times the autocorrelation.
CHAIN: Final = 40
#: The same where moves are rehearsed: fewer states of more ancestors.
_REHEARSED_CHAIN: Final = 5
#: Least number of ancestors at a level.
_FEWEST_ANCESTORS: Final = 20
_KILLED: Final = 0.1
_ADAPTIVE_MOVES: Final = 10


@dataclass(frozen=True, slots=True)
class SplitRun:
    """One run of splitting: an unbiased estimate of the probability above any threshold.

    Attributes
    ----------
    levels : tuple of float
        Level that the flights of each stage are above; the first is -infinity.
    weights : tuple of float
        Estimated probability of each level.
    scores : tuple of float64 arrays
        Scores of each stage, rising.
    flights : int
        Flights flown; loads that were only rehearsed count as a sixth.
    acceptance : tuple of float
        Share of the moves kept, by stage after the first.
    lineages : tuple of int
        Different fresh flights from which those of each stage descend.
    kept : tuple of Particles
        Some flights of each stage that are not above the next level, evenly picked (all of them
        count as picked where fewer were asked for); empty if none were asked for.
    kept_weight : tuple of float
        Probability that each of a stage's kept flights stands for.
    slack : tuple of float
        By stage, how far above its rough score a flight's own is, on all but a share of the
        flights; empty unless a rough score was given to a pilot.
    """

    levels: tuple[float, ...]
    weights: tuple[float, ...]
    scores: tuple[Floats, ...]
    flights: int
    acceptance: tuple[float, ...]
    lineages: tuple[int, ...]
    kept: tuple[Particles, ...] = ()
    kept_weight: tuple[float, ...] = ()
    slack: tuple[float, ...] = ()

    def arrays(self) -> dict[str, NDArray[np.generic]]:
        """Return the run as arrays, to be put on a shelf."""
        joined = Particles.joined(list(self.kept)) if self.kept else None
        out: dict[str, NDArray[np.generic]] = {
            "levels": np.array(self.levels),
            "weights": np.array(self.weights),
            "scores": np.concatenate(self.scores),
            "sizes": np.array([s.size for s in self.scores]),
            "flights": np.array(self.flights),
            "acceptance": np.array(self.acceptance),
            "lineages": np.array(self.lineages),
            "slack": np.array(self.slack),
        }
        if joined is not None:
            out |= {
                "kept_flights": joined.flights,
                "kept_versions": joined.versions,
                "kept_scores": joined.scores,
                "kept_sizes": np.array([len(k) for k in self.kept]),
                "kept_weight": np.array(self.kept_weight),
            }
        return out

    @classmethod
    def of_arrays(cls, found: dict[str, NDArray[np.generic]]) -> SplitRun:
        """Return a run from :meth:`arrays`."""
        ends = np.cumsum(found["sizes"])[:-1]
        kept: tuple[Particles, ...] = ()
        if "kept_sizes" in found:
            cuts = np.cumsum(found["kept_sizes"])[:-1]
            names = ("kept_flights", "kept_versions", "kept_scores")
            columns = [np.split(found[name], cuts) for name in names]
            kept = tuple(Particles(*parts) for parts in zip(*columns, strict=True))
        return cls(
            tuple(found["levels"].tolist()),
            tuple(found["weights"].tolist()),
            tuple(np.split(found["scores"], ends)),
            int(found["flights"]),
            tuple(found["acceptance"].tolist()),
            tuple(found["lineages"].tolist()),
            kept,
            tuple(found["kept_weight"].tolist()) if kept else (),
            tuple(found["slack"].tolist()),
        )

    def stage_of(self, thresholds: Floats) -> NDArray[np.int64]:
        """Return the stage that tells of each threshold: the last whose level is not above it."""
        return np.searchsorted(np.array(self.levels), thresholds, side="right") - 1

    def exceedance(self, thresholds: Floats) -> Floats:
        """Return the estimated probability of a score strictly above each threshold (n,)."""
        out = np.zeros(thresholds.size)
        for place, stage in enumerate(self.stage_of(thresholds)):
            scores = self.scores[stage]
            above = scores.size - np.searchsorted(scores, thresholds[place], side="right")
            out[place] = self.weights[stage] * above / scores.size
        return out


def _check_particles(particles: int) -> None:
    if particles < 1:
        raise UsageError(
            argument="particles",
            expected="at least 1",
            got=particles,
            cure="Give the flights of each stage; some hundreds tell something.",
        )


def adaptive_run(
    world: World,
    *,
    particles: int,
    rng: np.random.Generator,
    lowest: float,
    highest: float = math.inf,
    first_flight: int = 0,
    killed: float = _KILLED,
    moves_each: int = _ADAPTIVE_MOVES,
    rough: Callable[[Words, Words], Floats] | None = None,
) -> SplitRun:
    """Split with a kill rule instead of levels.

    Parameters
    ----------
    world : World
        What is split.
    particles : int
        Flights alive at a time.
    rng : numpy.random.Generator
        For choices that are not draws of a flight.
    lowest : float
        Probability at which to stop; the estimate stays unbiased, since stopping looks back only.
    highest : float
        Score at which to stop.
    first_flight : int
        Number of the first flight.
    killed : float
        Share killed at a time, at least one; all that tie with the last of them die with it.
    moves_each : int
        Moves of each copy.
    rough : callable, optional
        Rough scores, whose slack is then noted stage by stage.

    Raises
    ------
    UsageError
        If there are no particles.
    """
    _check_particles(particles)
    moves = Moves.of(world)
    alive = fresh_particles(world, first_flight=first_flight, count=particles)
    levels, weights, scores = [-math.inf], [1.0], [np.sort(alive.scores)]
    acceptance: list[float] = []
    lineages, flown, step = [particles], particles, 0
    doomed = max(1, int(killed * particles))
    slack = [_slack(alive, rough)] if rough else []
    while weights[-1] > lowest:
        level = float(scores[-1][doomed - 1])
        living = np.flatnonzero(alive.scores > level)
        if level >= highest or living.size == 0:
            break
        dead = particles - living.size
        copies = alive.take(rng.choice(living, dead))
        kept = 0
        for _ in range(moves_each):
            step += 1
            copies, number = move(
                world, copies, moves=moves, rng=rng, first_version=step * particles, level=level
            )
            kept += number
        flown += moves_each * dead
        alive = Particles.joined([alive.take(living), copies])
        levels.append(level)
        weights.append(weights[-1] * living.size / particles)
        scores.append(np.sort(alive.scores))
        acceptance.append(kept / (moves_each * dead))
        lineages.append(int(np.unique(alive.flights).size))
        if rough:
            slack.append(_slack(alive, rough))
    return SplitRun(
        tuple(levels),
        tuple(weights),
        tuple(scores),
        flown,
        tuple(acceptance),
        tuple(lineages),
        slack=tuple(slack),
    )


def _slack(alive: Particles, rough: Callable[[Words, Words], Floats]) -> float:
    """Return how far above its rough score a flight's own is, on a share of the flights."""
    return float(np.quantile(alive.scores - rough(alive.flights, alive.versions), SLACK))


def _ancestors(alive: NDArray[np.int64], count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Pick ancestors systematically: each of the living equally likely, as evenly as can be."""
    shuffled = rng.permutation(alive)
    places = ((np.arange(count) + rng.random()) * alive.size / count).astype(np.int64)
    return np.asarray(shuffled[np.minimum(places, alive.size - 1)])


def _keep(
    here: Particles, *, below: float, weight: float, keep: int, rng: np.random.Generator
) -> tuple[Particles, float]:
    """Return some particles of a stage not above the next level, and what each stands for."""
    band = np.flatnonzero(here.scores <= below)
    picked = np.sort(rng.choice(band, min(keep, band.size), replace=False))
    return here.take(picked), weight * band.size / len(here) / max(picked.size, 1)


def level_run(
    world: World,
    *,
    levels: Floats,
    particles: int | Sequence[int],
    rng: np.random.Generator,
    first_flight: int = 0,
    keep: int = 0,
    rehearsal: Rehearsal | None = None,
) -> SplitRun:
    """Split through levels that were frozen beforehand.

    Parameters
    ----------
    world : World
        What is split.
    levels : float64 array, shape (K,)
        Rising; from a pilot on other flights.
    particles : int or sequence of int
        Flights of each stage; as a sequence K + 1 of them, the independent ones first.
    rng : numpy.random.Generator
        For choices that are not draws of a flight.
    first_flight : int
        Number of the first flight.
    keep : int
        Flights of each stage to keep for later use.
    rehearsal : Rehearsal, optional
        Rehearse two moves of three.

    Raises
    ------
    UsageError
        If there are no particles, or the levels do not rise.
    """
    sizes = [particles] * (levels.size + 1) if isinstance(particles, int) else list(particles)
    _check_particles(min(sizes))
    if not (np.diff(levels) > 0.0).all() or not np.isfinite(levels).all():
        raise UsageError(
            argument="levels",
            expected="numbers that rise",
            got=levels.tolist(),
            cure="Sort them, each once.",
        )
    moves = Moves.of(world)
    here = fresh_particles(world, first_flight=first_flight, count=sizes[0])
    reached, weights, scores = [-math.inf], [1.0], [np.sort(here.scores)]
    lineages, flown = [sizes[0]], sizes[0]
    acceptance: list[float] = []
    kept: list[tuple[Particles, float]] = []
    version = 1
    for level, size in zip(levels.tolist(), sizes[1:], strict=True):
        above = np.flatnonzero(here.scores > level)
        if above.size == 0:
            break
        if keep:
            kept.append(_keep(here, below=level, weight=weights[-1], keep=keep, rng=rng))
        weights.append(weights[-1] * above.size / len(here))
        chain = CHAIN if rehearsal is None else _REHEARSED_CHAIN
        ancestors = max(min(_FEWEST_ANCESTORS, size), size // chain)
        walkers = here.take(_ancestors(above, ancestors, rng))
        states, accepted, loaded = [], 0, 0
        for turn in range(-(-size // ancestors)):
            if rehearsal is None or turn % PLAIN_EVERY == PLAIN_EVERY - 1:
                walkers, number = move(
                    world, walkers, moves=moves, rng=rng, first_version=version, level=level
                )
                version += ancestors
                flown += ancestors
            else:
                walkers, number, tried = rehearsed_move(
                    world,
                    walkers,
                    rehearsal=rehearsal,
                    rng=rng,
                    first_version=version,
                    level=level,
                )
                version += ancestors * rehearsal.steps
                flown += tried
                loaded += ancestors + tried * rehearsal.steps
            states.append(walkers)
            accepted += number
        flown += round(LOAD_COST * loaded)
        here = Particles.joined(states)
        reached.append(level)
        scores.append(np.sort(here.scores))
        acceptance.append(accepted / len(here))
        lineages.append(int(np.unique(here.flights).size))
    if keep:
        kept.append(_keep(here, below=math.inf, weight=weights[-1], keep=keep, rng=rng))
    return SplitRun(
        tuple(reached),
        tuple(weights),
        tuple(scores),
        flown,
        tuple(acceptance),
        tuple(lineages),
        tuple(particles for particles, _ in kept),
        tuple(weight for _, weight in kept),
    )
