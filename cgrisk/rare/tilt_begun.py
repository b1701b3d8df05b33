"""Tilting's pilots, stratum by stratum: a rough tail that thresholds and flights are planned by."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel
from cgrisk.randomness import resolve_seed
from cgrisk.rare.question import Meter
from cgrisk.rare.score import Score
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.strata import Stratum, discrete_strata
from cgrisk.rare.tilt_aim import Leaner, aim_at
from cgrisk.rare.tilt_mixture import Plan
from cgrisk.rare.tilt_pilot import TiltPilot, climb

__all__ = ["LEAST_TILTED", "Begun", "Climbed", "begin_tilting"]

Floats = NDArray[np.float64]

#: Pilots and a first round at every strength fit in.
LEAST_TILTED: Final = 20_000
#: Greatest relative error asked for in a stratum, however small its part.
_ROUGHEST = 0.5
#: Scores at which the rough tail is kept, from what half of the ordinary flights exceed.
_GRID: Final = 2000
#: How often the end is put further out, and by how much more than the tail's slope asks for.
_TURNS, _FURTHER = 3, 1.2


@dataclass(frozen=True, slots=True)
class Climbed:
    """A stratum after its pilot."""

    stratum: Stratum
    leaner: Leaner
    pilot: TiltPilot
    seed: int

    @property
    def flights(self) -> int:
        """Flights flown so far."""
        return self.leaner.aim.flights + self.pilot.flights


@dataclass(frozen=True, slots=True)
class Begun:
    """Tilting after its pilots.

    Attributes
    ----------
    model : FlightModel
    score : Score
    climbed : tuple of Climbed
        By stratum.
    furthest : float
        Score up to which the pilots went.
    """

    model: FlightModel
    score: Score
    climbed: tuple[Climbed, ...]
    furthest: float

    @property
    def flights(self) -> int:
        """Flights flown so far."""
        return sum(each.flights for each in self.climbed)

    def exceedance(self, thresholds: Floats) -> Floats:
        """Return the rough probability of a score above each threshold, shape (n,)."""
        total: Floats = self._parts(thresholds).sum(axis=0)
        return total

    def candidates(self) -> Floats:
        """Return scores of which the rough tail can tell, rising."""
        ordinary = [float(np.median(each.pilot.flown[0].scores)) for each in self.climbed]
        lowest = min(*ordinary, self.furthest - 1e-9 * max(1.0, abs(self.furthest)))
        return np.linspace(lowest, self.furthest, _GRID)

    def threshold(self, probability: float) -> float:
        """Return the score that is exceeded with about a probability; the furthest if none is."""
        scores = self.candidates()
        below = np.flatnonzero(self.exceedance(scores) <= probability)
        return float(scores[below[0] if below.size else -1])

    def errors(self, thresholds: Floats, relative_error: Floats) -> list[Floats]:
        """Return the relative errors asked for in each stratum, by threshold.

        The share of a stratum in the answer, by the pilots, is its share in the variance.
        """
        parts = self._parts(thresholds)
        shares = parts / np.maximum(parts.sum(axis=0), 1e-300)
        wanted = relative_error / np.sqrt(np.maximum(shares, 1e-12))
        return list(np.minimum(wanted, np.maximum(relative_error, _ROUGHEST)))

    def plans(self, thresholds: Floats, relative_error: Floats) -> list[Plan]:
        """Return the plan of each stratum for relative errors of the whole at thresholds."""
        errors = self.errors(thresholds, relative_error)
        return [
            each.pilot.planned(thresholds, error)
            for each, error in zip(self.climbed, errors, strict=True)
        ]

    def reached(self, thresholds: Floats) -> NDArray[np.bool_]:
        """Return whether enough pilot flights were above each threshold, (strata, n)."""
        return np.array([each.pilot.reached(thresholds) for each in self.climbed])

    def _parts(self, thresholds: Floats) -> Floats:
        return np.array(
            [each.stratum.probability * each.pilot.estimate(thresholds) for each in self.climbed]
        )


def begin_tilting(
    model: FlightModel,
    *,
    score: Score,
    furthest: float,
    seed: int,
    most: int,
    deepest: float | None = None,
    jobs: int = -1,
    meter: Meter | None = None,
) -> Begun:
    """Fly pilots at rising strengths until a score is behind.

    Parameters
    ----------
    model : FlightModel
        A scenario that :func:`cgrisk.rare.why_not_tilted` admits.
    score : Score
    furthest : float
        Score up to which the tail is asked for.
    seed : int
        Resolved seed of the whole tail.
    most : int
        Flights at most; fewer than 20,000 a stratum make little sense.
    deepest : float, optional
        Probability down to which the tail is asked for: where the pilots find the score more likely
        they go on.
    jobs : int
        Threads; changes no result.
    meter : Meter, optional
        Told of the flights.

    Raises
    ------
    UsageError
        If so few flights are allowed that there is no pilot.
    """
    meter = Meter() if meter is None else meter
    seed = derived_seed(resolve_seed(seed), "tilting")
    strata = discrete_strata(model, side=score.side)
    each = most // len(strata)
    climbed = []
    for stratum in strata:
        own = derived_seed(seed, stratum.name)
        aim = aim_at(stratum.model, score, seed=derived_seed(own, "first pilot"), jobs=jobs)
        meter.add(aim.flights)
        leaner = Leaner(aim, jobs=jobs, meter=meter)
        pilot = climb(leaner, np.array([furthest]), seed=own, most=each)
        if not pilot.flown:
            raise UsageError(
                argument="most",
                expected=f"at least {LEAST_TILTED:,} flights for each stratum",
                got=most,
                cure="Allow as many for the pilots, or use another method.",
            )
        climbed.append(Climbed(stratum, leaner, pilot, own))
    begun = Begun(model, score, tuple(climbed), furthest)
    for _ in range(_TURNS):
        further = furthest if deepest is None else _further(begun, deepest)
        if not further > begun.furthest:
            break
        climbed = [
            Climbed(
                c.stratum,
                c.leaner,
                climb(c.leaner, np.array([further]), seed=c.seed, most=each, begun=c.pilot),
                c.seed,
            )
            for c in begun.climbed
        ]
        begun = Begun(model, score, tuple(climbed), further)
    return begun


def _further(begun: Begun, deepest: float) -> float:
    """Return where a probability is, by the slope of the rough tail's last factor of ten."""
    last = float(begun.exceedance(np.array([begun.furthest]))[0])
    if not last > deepest:
        return begun.furthest
    decade = begun.furthest - begun.threshold(min(10.0 * last, 0.5))
    return begun.furthest + _FURTHER * max(decade, 0.0) * math.log10(last / deepest)
