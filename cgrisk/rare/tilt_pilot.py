"""What tilting needs to know before it starts: whether it may, what moves the score, how strongly.

Pilot flights have keys of their own, so that what they decide has no say in the estimate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, fly_block, zero_fuel_scale
from cgrisk.flight.kernel.tilt import TiltData
from cgrisk.flight.leaning import (
    Source,
    Watched,
    lean_block,
    source_values,
    sources,
    tilt_data,
    watch_seats,
)
from cgrisk.flight.party_tilt import leaned_by_party
from cgrisk.rare.question import Meter
from cgrisk.rare.score import ENVELOPE, Score, reference_arm
from cgrisk.rare.seeds import derived_seed

__all__ = [
    "STEP",
    "Aim",
    "Ladder",
    "Leaner",
    "aim_at",
    "climb",
    "leans_all",
    "off_one",
    "why_not_tilted",
]

Floats = NDArray[np.float64]

#: Strengths tried, in standard deviations of the score: 0 and steps up to the last.
STEP: Final = 0.5
_RUNGS = 28
#: Ordinary flights that tell what moves the score, without and with sources other than people.
_FIRST_PILOT, _FIRST_PILOT_WITH_SOURCES = 512, 2048
#: Leaned flights at each strength; those above a threshold, at least, before they are believed.
_PILOT, _FEWEST_HITS = 400, 20
#: Share of the flights above a threshold from which on a tilt is too strong for it.
_MOST_ABOVE = 0.5
#: The weakest tilt whose scatter is not more than so many times the least is taken: a tilt that is
#: too strong seldom shows its heavy weights to a pilot, and looks better than it is.
_NEAR_BEST = 1.7
#: Rungs beyond the best one of every threshold after which the climb ends.
_BEYOND = 3
#: Share of effective flights from which on the mean of all weights is judged: at 5 standard errors
#: of skewed weights, fewer than 2 in 1,000 are doubted wrongly.
_JUDGED, _SAME = 0.25, 1e-12
#: Flights per task: a kernel call cannot be interrupted.
_TASK = 100
#: t value below which a source's effect is taken for noise.
_NOISE = 4.0


def why_not_tilted(model: FlightModel, score: Score | None = None) -> str:
    """Return why a scenario (or a score of it) is not one for tilting; '' if it is.

    Movement is flown as it comes: where it makes much of the score a tilt of the load helps little,
    which the pilot finds out.

    Parameters
    ----------
    model : FlightModel
        Scenario made ready to fly.
    score : Score, optional
        What would be estimated.
    """
    people = model.program.cabin.zone_adults.sum() + model.program.cabin.zone_children.sum()
    reasons = (
        (people == 0, "leans the people aboard; here nobody is"),
        (
            score is not None and score.name != ENVELOPE,
            "leans flights toward a side of the envelope, not toward "
            f"{'' if score is None else score.name}",
        ),
    )
    return " ".join(f"Tilting {text}: use splitting or counting." for true, text in reasons if true)


def leans_all(model: FlightModel) -> bool:
    """Return whether tilting leans all that varies: nobody moves, everybody travels alone."""
    program = model.program
    moving = (
        bool((program.urge.seat_rate_per_s > 0.0).any()),
        program.crowd.sign_off_share > 0.0,
        program.service.mass_kg.size > 0,
        program.service.walk_rate_per_s > 0.0,
        program.cabin.movers_share > 0.0,
    )
    return not any(moving) and not leaned_by_party(model)


@dataclass(frozen=True, slots=True)
class Aim:
    """What moves the score, and by how much.

    Attributes
    ----------
    model, score
        What is flown and estimated.
    sign : float
        +1 toward the tail, -1 forward.
    found, moment_kgm
        Sources of error other than people, and the moment toward the side per unit of each.
    reference_arm_m : float
        Arm about which an error of mass counts.
    spread_kgm : float
        Standard deviation of the score, as a moment.
    flights : int
        Ordinary flights flown to find out.
    seats : Watched or None
        How seats fill, where parties take them.
    """

    model: FlightModel
    score: Score
    sign: float
    found: list[Source]
    moment_kgm: Floats
    reference_arm_m: float
    spread_kgm: float
    flights: int
    seats: Watched | None

    def data(self, strength: float, seed: int) -> TiltData:
        """Return the tilt that shifts the score by about so many standard deviations."""
        return tilt_data(
            self.model,
            theta=self.sign * strength / self.spread_kgm,
            reference_arm_m=self.reference_arm_m,
            found=self.found,
            moment_kgm=self.sign * self.moment_kgm,
            choice_seed=derived_seed(seed, "choices"),
            seats=self.seats,
        )


def _reference_arm(model: FlightModel, score: Score) -> float:
    """Return the arm about which mass counts, within the cabin."""
    arms = model.program.cabin.arm_m
    return float(np.clip(reference_arm(model, score=score), arms.min(), arms.max()))


def aim_at(model: FlightModel, score: Score, *, seed: int, jobs: int) -> Aim:
    """Fly ordinary flights and fit the moment of each source by least squares.

    Raises
    ------
    UsageError
        If the score is the same on all flights.
    """
    found = sources(model)
    count = _FIRST_PILOT_WITH_SOURCES if found else _FIRST_PILOT
    flights = np.arange(count, dtype=np.uint32)
    fly = delayed(fly_block)
    rows = np.concatenate(
        Parallel(n_jobs=jobs, backend="threading")(
            fly(model, seed=seed, flights=part) for part in np.array_split(flights, count // 256)
        )
    )
    side = model.columns[score.columns[0]].rsplit(".", 1)[-1]
    moment = zero_fuel_scale(model) * score.of(rows)
    spread = float(moment.std())
    if not spread > 1e-9 * zero_fuel_scale(model):
        raise UsageError(
            argument="scenario",
            expected="something that varies",
            got="a score that is the same on all flights",
            cure="Switch some source of error on; the planned load tells this score exactly.",
        )
    sign = 1.0 if side == "aft" else -1.0
    people = [model.columns.index(f"take_off_error_kgm.{cause}") for cause in ("seating", "mass")]
    effects = np.zeros(len(found))
    if found:
        figures = source_values(model, found, seed=seed, flights=flights)
        rest = moment - sign * rows[:, people].sum(axis=1)
        design = np.column_stack([np.ones(count), figures])
        fitted = np.linalg.lstsq(design, rest, rcond=None)[0]
        noise = float((rest - design @ fitted).std())
        error = noise * np.sqrt(np.diag(np.linalg.pinv(design.T @ design)))
        effects = np.where(np.abs(fitted) > _NOISE * error, fitted, 0.0)[1:]
    reference = _reference_arm(model, score)
    seats = watch_seats(model, seed=derived_seed(seed, "boarding"))
    return Aim(model, score, sign, found, effects, reference, spread, count, seats)


def _fly(aim: Aim, data: TiltData, seed: int, first: int, count: int) -> tuple[Floats, Floats]:
    flights = np.arange(first, first + count, dtype=np.uint32)
    versions, log_weight, _ = lean_block(aim.model, data, seed=seed, flights=flights)
    rows = fly_block(aim.model, seed=seed, flights=flights, versions=versions)
    return aim.score.of(rows), np.exp(log_weight)


@dataclass(frozen=True, slots=True)
class Leaner:
    """Flies leaned flights; results come in the order of their numbers.

    Attributes
    ----------
    aim : Aim
    jobs : int
        Threads; changes no result.
    meter : Meter
        Told of the flights; its shelf keeps them.
    """

    aim: Aim
    jobs: int
    meter: Meter

    def fly(self, strength: float, seed: int, first: int, count: int) -> tuple[Floats, Floats]:
        """Return (scores, weights) of flights ``first`` to ``first + count - 1`` of a strength."""

        def make() -> dict[str, NDArray[np.generic]]:
            scores, weights = self._flown(strength, seed, first, count)
            return {"scores": scores, "weights": weights}

        found = self.meter.kept(f"tilted/{seed}/{strength!r}/{first}/{count}", make)
        return found["scores"].astype(np.float64), found["weights"].astype(np.float64)

    def _flown(self, strength: float, seed: int, first: int, count: int) -> tuple[Floats, Floats]:
        data = self.aim.data(strength, seed)
        step = delayed(_fly)
        done = Parallel(n_jobs=self.jobs, backend="threading", return_as="generator")(
            step(self.aim, data, seed, start, min(_TASK, first + count - start))
            for start in range(first, first + count, _TASK)
        )
        scores, weights = [], []
        for score, weight in done:
            scores.append(score)
            weights.append(weight)
            self.meter.add(score.size)
        return np.concatenate(scores), np.concatenate(weights)


@dataclass(frozen=True, slots=True)
class Ladder:
    """What the pilot saw at strengths 0, STEP, 2 STEP and so on.

    Attributes
    ----------
    scatter : float64 array, shape (rungs, n)
        Variance over squared mean of one flight's part at each threshold; inf where too few
        flights were above it.
    estimate : float64 array, shape (n,)
        Rough probability above each threshold, at its best rung; 0 where there is none.
    best : int64 array, shape (n,)
        Weakest rung of nearly the least scatter at each threshold, -1 for none.
    off_one : float
        The greatest :func:`off_one` of its rungs.
    flights : int
        Flown for it.
    """

    scatter: Floats
    estimate: Floats
    best: NDArray[np.int64]
    off_one: float
    flights: int


def off_one(weights: Floats) -> float:
    """Return how many standard errors the mean of all weights is from 1; 0 where it says nothing.

    At strong tilts the mean rests on flights far on the other side, which are hardly ever seen.
    """
    effective = float(weights.sum() ** 2 / (weights**2).sum())
    error = float(weights.std()) / math.sqrt(weights.size)
    if effective < _JUDGED * weights.size or error < _SAME:
        return 0.0
    return (float(weights.mean()) - 1.0) / error


def _scatter(scores: Floats, weights: Floats, threshold: float, *, leaned: bool) -> float:
    above = scores > threshold
    hits = int(above.sum())
    # Where most are above, the heavy weights just above may not have been seen.
    if hits < _FEWEST_HITS or (leaned and hits > _MOST_ABOVE * scores.size):
        return math.inf
    part = np.where(above, weights, 0.0)
    return float(part.var()) / float(part.mean()) ** 2


def climb(leaner: Leaner, thresholds: Floats, *, seed: int, most: int) -> Ladder:
    """Fly pilot flights, so many at most, at rising strengths until every threshold is behind."""
    seen: list[list[float]] = []
    means: list[list[float]] = []
    off = 0.0
    best = np.full(thresholds.size, -1)
    leaner.meter.begin("pilot of tilting", expected=_PILOT * _RUNGS // 2)
    for rung in range(_RUNGS + 1):
        if leaner.aim.flights + _PILOT * (rung + 1) > most:
            break
        own = derived_seed(seed, "pilot", str(rung))
        scores, weights = leaner.fly(STEP * rung, own, 0, _PILOT)
        seen.append([_scatter(scores, weights, float(x), leaned=rung > 0) for x in thresholds])
        means.append([float(np.where(scores > x, weights, 0.0).mean()) for x in thresholds])
        off = max(off, off_one(weights), key=abs)
        table = np.array(seen)
        near = table <= _NEAR_BEST * table.min(axis=0)
        best = np.where(np.isfinite(table).any(axis=0), near.argmax(axis=0), -1)
        if (best >= 0).all() and rung >= best.max() + _BEYOND:
            break
    table = np.array(means).reshape(-1, thresholds.size)
    rough = np.array([table[b, i] if b >= 0 else 0.0 for i, b in enumerate(best)])
    scatter = np.array(seen).reshape(-1, thresholds.size)
    return Ladder(scatter, rough, best, off, _PILOT * len(seen))
