"""The pilot: rough tails of the strata, by which levels are laid and methods chosen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.errors import ComputationError
from cgrisk.rare.moves import ScoredFlights, World
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.rare.splitting import SplitRun, adaptive_run
from cgrisk.rare.strata import Stratum, strata_of

__all__ = ["STEP", "Metered", "Pilot", "fly_pilot", "levels_of"]

Floats = NDArray[np.float64]

#: Probability of each level given the one before it.
STEP: Final = 0.2
_PILOT_PARTICLES, _PILOTS = 100, 2
_PILOT_KILLED, _PILOT_MOVES = 0.2, 6
#: A pilot is rough: it goes this much deeper than the curve, and so do the levels.
_DEEPER: Final = 0.05


@dataclass(frozen=True, slots=True)
class Metered:
    """A world whose flights are counted as they are flown."""

    world: World
    meter: Meter

    @property
    def cause_of(self) -> NDArray[np.int64]:
        """Cause of each entity, shape (entities,)."""
        return self.world.cause_of

    def scores(self, flights: NDArray[np.uint32], versions: NDArray[np.uint32]) -> Floats:
        """Return the scores of flights (n,) with their versions (n, entities)."""
        found = self.world.scores(flights, versions)
        self.meter.add(flights.size)
        return found

    def fresh(self, flights: NDArray[np.uint32]) -> NDArray[np.uint32]:
        """Return the versions (n, entities) of independent flights of these numbers."""
        return self.world.fresh(flights)


@dataclass(frozen=True, slots=True)
class Pilot:
    """Rough tails of the strata, by which levels are laid and methods chosen.

    Attributes
    ----------
    strata : tuple of Stratum
    runs : tuple of tuple of SplitRun
        Adaptive runs, by stratum.
    flights : int
        Flights flown.
    """

    strata: tuple[Stratum, ...]
    runs: tuple[tuple[SplitRun, ...], ...]
    flights: int

    def by_stratum(self, thresholds: Floats) -> Floats:
        """Return the rough probability above each threshold given each stratum (strata, n)."""
        return np.array(
            [np.mean([run.exceedance(thresholds) for run in runs], axis=0) for runs in self.runs]
        )

    def exceedance(self, thresholds: Floats) -> Floats:
        """Return the rough probability of a score above each threshold, shape (n,)."""
        shares = np.array([stratum.probability for stratum in self.strata])
        total: Floats = shares @ self.by_stratum(thresholds)
        return total

    def candidates(self) -> Floats:
        """Return all scores the pilot has seen, rising."""
        seen = [scores for runs in self.runs for run in runs for scores in run.scores]
        return np.unique(np.concatenate(seen))

    def threshold(self, probability: float) -> float:
        """Return the score that is exceeded with about a probability."""
        scores = self.candidates()
        return float(scores[_first_below(self.exceedance(scores), probability)])


def _first_below(exceedance: Floats, probability: float) -> int:
    """Return the first place where a curve is at or below a probability; its last if nowhere."""
    below = np.flatnonzero(exceedance <= probability)
    return int(below[0]) if below.size else exceedance.size - 1


def fly_pilot(
    question: Question,
    *,
    strata: tuple[Stratum, ...] | None = None,
    upto: float = math.inf,
    meter: Meter | None = None,
) -> Pilot:
    """Split adaptively with few flights, stratum by stratum.

    Parameters
    ----------
    question : Question
    strata : tuple of Stratum, optional
        The scenario's own if not given.
    upto : float
        Score beyond which nothing is asked.
    meter : Meter, optional
        Told of the flights.

    Raises
    ------
    ComputationError
        If the score does not vary.
    """
    meter = Meter() if meter is None else meter
    strata = strata_of(question.model, side=question.score.side) if strata is None else strata
    lowest = [min(_DEEPER * question.deepest / s.probability, 0.05) for s in strata]
    iterations = sum(math.log(p) / math.log1p(-_PILOT_KILLED) for p in lowest)
    each = _PILOT_PARTICLES * (1.0 + iterations * _PILOT_KILLED * _PILOT_MOVES)
    meter.begin("pilot", expected=int(_PILOTS * each))

    def fly(stratum: Stratum, deepest: float, number: int) -> SplitRun:
        labels = ("pilot", stratum.name)
        own = derived_seed(question.seed, *labels)
        world = ScoredFlights(stratum.model, question.score, own, stratum.band)
        rough = world.rough if world.has_rough else None
        name = "/".join((*labels, str(world.seed), str(number), f"{deepest:.17g}", f"{upto:.17g}"))
        found = meter.kept(
            name,
            lambda: adaptive_run(
                Metered(world, meter),
                particles=_PILOT_PARTICLES,
                rng=generator(question.seed, *labels, str(number)),
                lowest=deepest,
                highest=upto,
                first_flight=number * _PILOT_PARTICLES,
                killed=_PILOT_KILLED,
                moves_each=_PILOT_MOVES,
                rough=rough,
            ).arrays(),
        )
        return SplitRun.of_arrays(found)

    tasks = [
        delayed(fly)(stratum, deepest, number)
        for stratum, deepest in zip(strata, lowest, strict=True)
        for number in range(_PILOTS)
    ]
    done: list[SplitRun] = Parallel(n_jobs=question.jobs, backend="threading")(tasks)
    runs = tuple(tuple(done[i : i + _PILOTS]) for i in range(0, len(done), _PILOTS))
    pilot = Pilot(strata, runs, sum(run.flights for run in done))
    scores = pilot.candidates()
    if scores[-1] - scores[0] <= 1e-12 * max(1.0, abs(float(scores[0]))):
        raise ComputationError(
            f"the score {question.score.name!r} does not vary: it is {scores[0]:.6g} "
            f"{question.score.unit} on all {pilot.flights:,} flights of the pilot, so that nothing "
            "leads to a higher one. Choose another event, or a scenario in which it varies."
        )
    return pilot


def levels_of(pilot: Pilot, *, stratum: int, deepest: float) -> Floats:
    """Return the levels of a stratum, each a fifth as likely as the one before, from the pilot.

    Parameters
    ----------
    pilot : Pilot
    stratum : int
        Its number.
    deepest : float
        Probability given the stratum at which to stop.
    """
    scores = np.unique(np.concatenate([s for run in pilot.runs[stratum] for s in run.scores]))
    curve = np.mean([run.exceedance(scores) for run in pilot.runs[stratum]], axis=0)
    levels: list[float] = []
    probability = STEP
    while probability > 0.999 * deepest and curve[-1] <= probability:
        level = float(scores[_first_below(curve, probability)])
        # The last scores are a handful of flights: no level may leave hardly any above it.
        if curve[_first_below(curve, probability)] <= 0.0:
            break
        if not levels or level > levels[-1]:
            levels.append(level)
        probability *= STEP
    return np.array(levels)
