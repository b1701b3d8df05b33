"""Importance sampling: parties, seats, masses, loads and movement leaned together.

Flights are leaned through the versions of their keys (``flight.kernel.tilt``), so that the
ordinary kernel flies them; each carries the weight that undoes the leaning. The mean of
``weight * [score > x]`` is the chance of a score above ``x`` for every strength of the tilt: it
only decides how much that mean scatters.

Rare discrete causes are strata (:mod:`cgrisk.rare.strata`): each is tilted by itself, and the
answers are summed with their probabilities. Loads that come less far need movement to come further:
they are flown many times (:mod:`cgrisk.rare.tilt_walks`), and a part of their flights has people
take much of their party along (:mod:`cgrisk.flight.call_tilt`).

Several strengths are flown and taken as one sample (:mod:`cgrisk.rare.tilt_mixture`), so that no
flight counts for much more than it would by the strength that suits it best.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import FlightModel
from cgrisk.randomness import resolve_seed
from cgrisk.rare.estimate import TailEstimate
from cgrisk.rare.lateness import late_start
from cgrisk.rare.question import Meter
from cgrisk.rare.score import Score
from cgrisk.rare.strata import Stratum, discrete_strata
from cgrisk.rare.tilt_aim import Leaner, why_not_tilted
from cgrisk.rare.tilt_answer import (
    LEAST_EFFECTIVE,
    UNKNOWN,
    answer_at,
    doubts_of,
    out_of_reach,
)
from cgrisk.rare.tilt_begun import LEAST_TILTED, Begun, begin_tilting
from cgrisk.rare.tilt_mixture import BATCHES, Round, fly_mixture, off_one
from cgrisk.sampling import check_counts, warm_up

__all__ = [
    "TiltedTail",
    "finish_tilting",
    "fly_tilted",
    "tilted_tail",
    "why_not_tilted",
]

Floats = NDArray[np.float64]

#: Standard errors by which the mean of all weights may differ from 1.
_OFF_ONE = 5.0


@dataclass(frozen=True, slots=True)
class TiltedStratum:
    """A stratum and its flights.

    Attributes
    ----------
    stratum : Stratum
    leaner : Leaner
        Flies it.
    rounds : tuple of Round
        Its flights, by strength.
    """

    stratum: Stratum
    leaner: Leaner
    rounds: tuple[Round, ...]

    @property
    def flights(self) -> int:
        """Flights of all strengths."""
        return sum(int(each.times.sum()) for each in self.rounds)


@dataclass(frozen=True, slots=True)
class TiltedTail:
    """A tail by importance sampling, with the flights that made it.

    Attributes
    ----------
    estimate : TailEstimate
    strata : tuple of TiltedStratum
    """

    estimate: TailEstimate
    strata: tuple[TiltedStratum, ...]

    def doubts(self, thresholds: Floats, *, relative_error: float) -> tuple[str, ...]:
        """Return what is doubtful about the answers at thresholds (n,), in plain words.

        Parameters
        ----------
        thresholds : float64 array, shape (n,)
            Any, rising: not only those of the estimate.
        relative_error : float
            Asked for there.
        """
        told = [(s.stratum.probability, s.rounds) for s in self.strata]
        answers = [answer_at(told, x, self.estimate.confidence) for x in thresholds.tolist()]
        unit = self.strata[0].leaner.aim.score.unit
        asked = np.full(thresholds.size, relative_error)
        return tuple(doubts_of(answers, thresholds, asked, unit=unit))


def tilted_tail(
    model: FlightModel,
    *,
    score: Score,
    thresholds: NDArray[np.float64],
    seed: int,
    relative_error: float | Floats = 0.1,
    most_flights: int = 1_000_000,
    confidence: float = 0.95,
    jobs: int = -1,
    meter: Meter | None = None,
) -> TailEstimate:
    """Return the estimate of :func:`fly_tilted`, whose arguments it takes."""
    return fly_tilted(
        model,
        score=score,
        thresholds=thresholds,
        seed=seed,
        relative_error=relative_error,
        most_flights=most_flights,
        confidence=confidence,
        jobs=jobs,
        meter=meter,
    ).estimate


def fly_tilted(
    model: FlightModel,
    *,
    score: Score,
    thresholds: NDArray[np.float64],
    seed: int,
    relative_error: float | Floats = 0.1,
    most_flights: int = 1_000_000,
    confidence: float = 0.95,
    jobs: int = -1,
    meter: Meter | None = None,
) -> TiltedTail:
    """Return the chances that a score exceeds thresholds, by importance sampling.

    All strengths tell of every threshold. First one and a half times the loads are flown that the
    pilots asked for, then as many more as the scatter of those asks for, until it asks for none,
    each with room of another half, since the interval is lengthened. As such flights stop where
    their scatter happens to be small, estimates are a little low: on a normal load and exponential
    moves that nothing leans, harsher than flights are, with 10 and 30 % asked for, by 0.6 and 1 %
    at 3e-3, 2 and 3 % at 1e-4, 4 and 7 % at 2e-6. Upper bounds are lengthened for it. Warnings say
    where weights are worth few flights and where one flight carries much of the weight; where they
    are worth fewer than 4 nothing is told.

    Parameters
    ----------
    model : FlightModel
        A scenario that :func:`why_not_tilted` admits.
    score : Score
        Of the envelope, from :func:`cgrisk.rare.score.envelope_score`.
    thresholds : float64 array, shape (n,)
        Rising.
    seed : int
        Resolved seed; the same one gives the same bits whatever ``jobs``.
    relative_error : float or float64 array, shape (n,)
        Standard error over estimate, asked for at each threshold; one may hold for all. Infinite
        where none is asked for: what the flights for the others tell is told.
    most_flights : int
        Flights at most, pilots included; at least 20,000.
    confidence : float
        Of each interval by itself.
    jobs : int
        Threads; -1 for one per processor.
    meter : Meter, optional
        Told of the flights; its shelf keeps what is finished.

    Raises
    ------
    UsageError
        If the scenario or the score does not suit, or an argument is out of its range.
    ComputationError
        If the mean of all weights is more than 5 standard errors from 1, which it should be.
    """
    thresholds = np.asarray(thresholds, dtype=np.float64).reshape(-1)
    asked = np.broadcast_to(np.asarray(relative_error, dtype=np.float64), thresholds.shape)
    _check(thresholds, asked, most_flights, confidence)
    check_counts(jobs=jobs)
    meter = Meter() if meter is None else meter
    seed = resolve_seed(seed)
    if reason := why_not_tilted(model, score):
        raise UsageError(
            argument="method",
            expected="one that suits the scenario and the score",
            got="tilting",
            cure=reason,
        )
    warm_up(model)
    strata = len(discrete_strata(model, side=score.side))
    if most_flights < LEAST_TILTED * strata:
        raise _fail(
            "most_flights",
            f"a whole number from {LEAST_TILTED * strata}, {LEAST_TILTED} for each stratum",
            most_flights,
            "Allow so many, or use another method.",
        )
    wanted = np.isfinite(asked)
    begun = begin_tilting(
        model,
        score=score,
        furthest=float(thresholds[wanted][-1]),
        seed=seed,
        most=most_flights // 2,
        jobs=jobs,
        meter=meter,
    )
    return finish_tilting(
        begun,
        thresholds=thresholds,
        relative_error=asked,
        most_flights=most_flights,
        confidence=confidence,
    )


def finish_tilting(
    begun: Begun,
    *,
    thresholds: Floats,
    relative_error: Floats,
    most_flights: int,
    confidence: float,
    next_best: float = math.inf,
) -> TiltedTail:
    """Return the tail that :func:`fly_tilted` returns, once its pilots are flown.

    Parameters
    ----------
    begun : Begun
        From :func:`cgrisk.rare.tilt_begun.begin_tilting`.
    thresholds, relative_error : float64 arrays, shape (n,)
    most_flights : int
    confidence : float
    next_best : float
        Flights for which it is worth while to go far beyond what the pilots asked for.

    Raises
    ------
    ComputationError
        As :func:`fly_tilted` does.
    """
    score, asked = begun.score, relative_error
    wanted = np.isfinite(asked)
    flown = _fly_all(begun, thresholds[wanted], asked[wanted], most_flights, next_best)
    told = [(s.stratum.probability, s.rounds) for s in flown]
    reached = begun.reached(thresholds)
    everywhere: NDArray[np.bool_] = np.all(reached, axis=0).reshape(-1)
    judged = [
        off_one(sum((r.replicates(-math.inf) for r in s.rounds), np.zeros((BATCHES, 1))))
        for s in flown
    ]
    farthest = max(judged, key=abs)
    if abs(farthest) > _OFF_ONE:
        raise ComputationError(
            f"tilting does not work here: the mean of all its weights, which should be 1, is "
            f"{abs(farthest):.1f} standard errors from it. Use splitting."
        )
    answers = [
        answer_at(told, float(x), confidence) if there else UNKNOWN
        for x, there in zip(thresholds, everywhere, strict=True)
    ]
    answers = [found if found.effective >= LEAST_EFFECTIVE else UNKNOWN for found in answers]
    pilots = begun.flights
    seen = [found for found in answers if not math.isnan(found.estimate)]
    warnings = doubts_of(answers, thresholds, asked, unit=score.unit)
    lost = np.array([math.isnan(found.estimate) for found in answers]) & wanted
    if (late := late_start(begun.model, side=score.side)) is not None:
        warnings.append(
            f"how late {late.name!r} starts is not leaned: what rests on very late starts may be "
            "missed, and the interval does not show it. Use splitting."
        )
    warnings += out_of_reach(
        lost,
        reached={c.stratum.name: row for c, row in zip(begun.climbed, reached, strict=True)},
        thresholds=thresholds,
        unit=score.unit,
    )
    strongest = max(each.strength for s in flown for each in s.rounds)
    estimate = TailEstimate(
        thresholds=thresholds,
        estimate=np.array([found.estimate for found in answers]),
        low=np.array([found.low for found in answers]),
        high=np.array([found.high for found in answers]),
        confidence=confidence,
        method=f"importance sampling, {_what_leans(begun)} tilted together"
        + ("" if len(flown) == 1 else f", {len(flown)} strata"),
        flights=pilots + sum(s.flights for s in flown),
        diagnostics={
            "least_effective_flights": min((found.effective for found in seen), default=0.0),
            "largest_weight_share": max((found.share for found in seen), default=0.0),
            "weights_off_one": farthest,
            "pilot_flights": float(pilots),
            "greatest_strength": strongest,
            "theta_per_kgm": strongest / begun.climbed[0].leaner.aim.spread_kgm,
        },
        warnings=tuple(warnings),
    )
    return TiltedTail(estimate, flown)


def _what_leans(begun: Begun) -> str:
    if all(each.leaner.aim.calls is None for each in begun.climbed):
        return "seats, masses and loads"
    return "seats, masses, loads and movement"


def _fly_all(
    begun: Begun, thresholds: Floats, asked: Floats, most_flights: int, next_best: float
) -> tuple[TiltedStratum, ...]:
    """Fly the strengths of every stratum."""
    errors, plans = begun.errors(thresholds, asked), begun.plans(thresholds, asked)
    total = sum(plan.flights for plan in plans)
    left = most_flights - begun.flights
    return tuple(
        TiltedStratum(
            c.stratum,
            c.leaner,
            fly_mixture(
                c.leaner,
                plan,
                thresholds=thresholds,
                relative_error=error,
                seed=c.seed,
                most=int(left * plan.flights / max(total, 1.0)),
                worth=next_best * plan.flights / max(total, 1.0),
            ),
        )
        for c, error, plan in zip(begun.climbed, errors, plans, strict=True)
    )


def _fail(argument: str, expected: str, got: object, cure: str = "") -> UsageError:
    return UsageError(
        argument=argument,
        expected=expected,
        got=got,
        cure=cure or "Give a value in that range.",
    )


def _check(
    thresholds: Floats, relative_error: Floats, most_flights: int, confidence: float
) -> None:
    """Check the arguments of an estimate."""
    rising = bool((np.diff(thresholds) > 0.0).all()) and bool(np.isfinite(thresholds).all())
    if thresholds.size == 0 or not rising:
        raise _fail("thresholds", "at least one number, rising", thresholds.tolist())
    asked = np.isfinite(relative_error)
    if not ((relative_error > 0.0) & ((relative_error < 1.0) | ~asked)).all() or not asked.any():
        raise _fail(
            "relative_error",
            "numbers between 0 and 1, infinite where none is asked for",
            relative_error.tolist(),
        )
    if not 0.0 < confidence < 1.0:
        raise _fail("confidence", "a number between 0 and 1", confidence)
    if most_flights < LEAST_TILTED:
        raise _fail(
            "most_flights",
            f"a whole number from {LEAST_TILTED}",
            most_flights,
            "Tilting's pilots need so many; allow them, or use another method.",
        )
