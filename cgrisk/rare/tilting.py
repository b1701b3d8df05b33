"""Importance sampling of scenarios in which nobody moves: seats, masses and loads leaned together.

Flights are leaned through the versions of their keys (``flight.kernel.tilt``), so that the
ordinary kernel flies them; each carries the weight that undoes the leaning. The mean of
``weight * [score > x]`` is the chance of a score above ``x`` for every strength of the tilt: it
only decides how much that mean scatters. Pilot flights, of keys of their own, tell how much each
source of error moves the score and which strength serves each threshold best.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, fly_block, zero_fuel_scale
from cgrisk.flight.kernel.tilt import TiltData
from cgrisk.flight.leaning import Source, lean_block, source_values, sources, tilt_data
from cgrisk.randomness import resolve_seed
from cgrisk.rare.estimate import TailEstimate, replicate_interval
from cgrisk.rare.score import ENVELOPE, Score
from cgrisk.rare.seeds import derived_seed
from cgrisk.sampling import check_counts, warm_up

__all__ = ["tilted_tail", "why_not_tilted"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]

#: Ordinary flights that tell what moves the score; leaned ones at each strength tried.
_FIRST_PILOT, _PILOT = 4096, 400
#: Strengths tried, in standard deviations of the score's shift: from 0 in steps, up to the last.
_STEP, _STRONGEST = 0.5, 14.0
#: Flights per task: a kernel call cannot be interrupted.
_TASK = 100
#: Batches of the interval, at least; flights of a batch, at least.
_BATCHES, _LEAST_BATCH = 20, 25
#: Pilot flights above a threshold, at least, before their scatter is believed.
_FEWEST_HITS = 20
#: Effective flights below which, and one flight's share above which, an estimate is doubtful.
_FEW_EFFECTIVE, _LARGE_SHARE = 100.0, 0.1
#: t value below which a source's effect is taken for noise.
_NOISE = 4.0


def why_not_tilted(model: FlightModel, score: Score | None = None) -> str:
    """Return why a scenario (or a score of it) is not one for tilting; '' if it is.

    Parameters
    ----------
    model : FlightModel
        Scenario made ready to fly.
    score : Score, optional
        What would be estimated.
    """
    program = model.program
    urge, crowd, service = program.urge, program.crowd, program.service
    moving = {
        "passengers get up": bool((urge.seat_rate_per_s > 0.0).any()) and urge.total_s > 0.0,
        "people get up when the sign goes off": crowd.sign_off_share > 0.0,
        "a surge may take place": crowd.surge_probability > 0.0 and crowd.cruise_s.size > 0,
        "carts are pushed": service.mass_kg.size > 0,
        "the crew walks": service.crew_arm_m.size > 0 and service.walk_rate_per_s > 0.0,
        "movement is scripted": program.script.time_s.size > 0,
    }
    reasons = [text for text, true in moving.items() if true]
    if reasons:
        return (
            f"Tilting leans seats, masses and loads, not movement, and here {', '.join(reasons)}; "
            "use splitting or counting."
        )
    if score is not None and score.name != ENVELOPE:
        return (
            f"Tilting leans flights toward a side of the envelope, not toward {score.name}; use "
            "splitting or counting."
        )
    return ""


@dataclass(frozen=True, slots=True)
class _Aim:
    """What moves the score, and by how much."""

    model: FlightModel
    score: Score
    sign: float
    """+1 aft, -1 forward."""
    found: list[Source]
    moment_kgm: Floats
    reference_arm_m: float
    spread_kgm: float

    def data(self, strength: float, seed: int) -> TiltData:
        """Return the tilt that shifts the score by about so many standard deviations."""
        return tilt_data(
            self.model,
            theta=self.sign * strength / self.spread_kgm,
            reference_arm_m=self.reference_arm_m,
            found=self.found,
            moment_kgm=self.moment_kgm,
            choice_seed=derived_seed(seed, "choices"),
        )


def _side(model: FlightModel, score: Score) -> str:
    return model.columns[score.columns[0]].rsplit(".", 1)[-1]


def _reference_arm(model: FlightModel, score: Score, side: str) -> float:
    """Return the arm about which mass counts: the slope of the limit's moment where it is nearest.

    The margin is ``m lim(m) - M``: a mass ``dm`` at arm ``x`` changes it by ``d(m lim)/dm - x``.
    """
    phases = [model.columns[column].split(".", 1)[1].rsplit(".", 1)[0] for column in score.columns]
    margins = model.planned_margins
    here = margins[(margins["side"] == side) & margins["phase"].isin(phases)]
    nearest = here.iloc[int(here["moment_margin_kgm"].to_numpy().argmin())]
    mass = float(nearest["mass_at_least_kg"])
    limit, cabin = model.program.limit, model.program.cabin
    place = 2 * model.phases.index(str(nearest["phase"])) + (side == "aft")
    first, count = int(limit.start[place]), int(limit.pieces[place])
    low = limit.mass_low_kg[first : first + count]
    piece = first + max(int(np.searchsorted(low, mass, side="right")) - 1, 0)
    arm = limit.intercept_m[piece] + 2.0 * limit.slope_m[piece] * mass
    return float(np.clip(arm, cabin.arm_m.min(), cabin.arm_m.max()))


def _aim(model: FlightModel, score: Score, seed: int, jobs: int) -> _Aim:
    """Fly ordinary flights and fit the moment of each source by least squares."""
    flights = np.arange(_FIRST_PILOT, dtype=np.uint32)
    parts = np.array_split(flights, _FIRST_PILOT // 512)
    fly = delayed(fly_block)
    rows = np.concatenate(
        Parallel(n_jobs=jobs, backend="threading")(
            fly(model, seed=seed, flights=part) for part in parts
        )
    )
    side = _side(model, score)
    sign = 1.0 if side == "aft" else -1.0
    moment = sign * zero_fuel_scale(model) * score.of(rows)
    spread = float(moment.std())
    if not spread > 1e-9 * zero_fuel_scale(model):
        raise UsageError(
            argument="scenario",
            expected="something that varies",
            got="a score that is the same on all flights",
            cure="Switch some source of error on; the planned load tells this score exactly.",
        )
    people = [model.columns.index(f"take_off_error_kgm.{cause}") for cause in ("seating", "mass")]
    found = sources(model)
    effects = np.zeros(len(found))
    if found:
        figures = source_values(model, found, seed=seed, flights=flights)
        rest = moment - rows[:, people].sum(axis=1)
        design = np.column_stack([np.ones(flights.size), figures])
        fitted = np.linalg.lstsq(design, rest, rcond=None)[0]
        noise = float((rest - design @ fitted).std())
        error = noise * np.sqrt(np.diag(np.linalg.pinv(design.T @ design)))
        effects = np.where(np.abs(fitted) > _NOISE * error, fitted, 0.0)[1:]
    return _Aim(model, score, sign, found, effects, _reference_arm(model, score, side), spread)


def _fly(aim: _Aim, data: TiltData, seed: int, first: int, count: int) -> tuple[Floats, Floats]:
    """Return (scores, weights) of leaned flights."""
    flights = np.arange(first, first + count, dtype=np.uint32)
    versions, log_weight, _ = lean_block(aim.model, data, seed=seed, flights=flights)
    rows = fly_block(aim.model, seed=seed, flights=flights, versions=versions)
    return aim.score.of(rows), np.exp(log_weight)


class _Flown:
    """Counts flights and flies leaned ones; results come in the order of their numbers."""

    def __init__(self, aim: _Aim, *, jobs: int, most: int, progress: Progress | None) -> None:
        self.aim, self.jobs, self.most, self.progress = aim, jobs, most, progress
        self.flights = _FIRST_PILOT

    def fly(self, strength: float, seed: int, first: int, count: int) -> tuple[Floats, Floats]:
        """Return (scores, weights) of flights ``first`` to ``first + count - 1`` of a strength."""
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
            self.flights += score.size
            if self.progress is not None:
                self.progress(min(self.flights, self.most), self.most)
        return np.concatenate(scores), np.concatenate(weights)


def _scatter(scores: Floats, weights: Floats, threshold: float) -> tuple[float, int]:
    """Return (variance over squared mean of one flight's part, flights above the threshold)."""
    above = scores > threshold
    part = np.where(above, weights, 0.0)
    mean = float(part.mean())
    scatter = float(part.var()) / mean**2 if mean > 0.0 else math.inf
    return scatter, int(above.sum())


def _ladder(flown: _Flown, thresholds: Floats, seed: int) -> tuple[Floats, Floats]:
    """Return (strength, scatter) for each threshold, from pilot flights; inf where out of reach."""
    best = np.full(thresholds.size, np.inf)
    strength = np.full(thresholds.size, np.nan)
    for i in range(1 + round(_STRONGEST / _STEP)):
        if flown.flights + _PILOT > flown.most // 2:
            break
        tried = _STEP * i
        scores, weights = flown.fly(tried, derived_seed(seed, "pilot", str(i)), 0, _PILOT)
        shares = []
        for n, threshold in enumerate(thresholds):
            scatter, hits = _scatter(scores, weights, threshold)
            shares.append(hits / scores.size)
            # Where nearly all are above, the heavy weights just above may not have been seen.
            believed = hits >= _FEWEST_HITS and (hits <= 0.9 * scores.size or i == 0)
            if believed and scatter < best[n]:
                best[n], strength[n] = scatter, tried
        if min(shares) > 0.9:
            break
    return strength, best


def _flights_for(scatter: float, relative_error: float) -> float:
    """Return the flights for a relative error, and for the least effective number, with room."""
    return 1.4 * (scatter + 1.0) * max(relative_error**-2, _FEW_EFFECTIVE)


def tilted_tail(
    model: FlightModel,
    *,
    score: Score,
    thresholds: NDArray[np.float64],
    seed: int,
    relative_error: float = 0.1,
    most_flights: int = 1_000_000,
    confidence: float = 0.95,
    jobs: int = -1,
    progress: Progress | None = None,
) -> TailEstimate:
    """Return the chances that a score exceeds thresholds, by importance sampling.

    Each threshold is estimated by the flights of one strength of the tilt. Their number is fixed
    in two steps: 20 batches from what the pilot saw, then as many more of the same size as the
    scatter of the first asks for. (That leaves a bias of the order of one over the flights.)

    Parameters
    ----------
    model : FlightModel
        A scenario in which nobody moves.
    score : Score
        Of the envelope, from :func:`cgrisk.rare.score.envelope_score`.
    thresholds : float64 array, shape (n,)
        Rising.
    seed : int
        Resolved seed; the same one gives the same bits whatever ``jobs``.
    relative_error : float
        Standard error over estimate, asked for at each threshold.
    most_flights : int
        Flights at most, pilots included.
    confidence : float
        Of each interval by itself.
    jobs : int
        Threads; -1 for one per processor.
    progress : callable, optional
        Told (flights flown, flights at most) as they are flown.

    Raises
    ------
    UsageError
        If something moves in the scenario, the score is not the envelope's, or an argument is out
        of its range.
    """
    thresholds = np.asarray(thresholds, dtype=np.float64).reshape(-1)
    _check(thresholds, relative_error, most_flights, confidence)
    check_counts(jobs=jobs)
    seed = resolve_seed(seed)
    if reason := why_not_tilted(model, score):
        raise UsageError(
            argument="method",
            expected="one that suits the scenario and the score",
            got="tilting",
            cure=reason,
        )
    warm_up(model)
    seed = derived_seed(seed, "tilting")
    aim = _aim(model, score, derived_seed(seed, "first pilot"), jobs)
    lean_block(model, aim.data(0.0, 0), seed=0, flights=np.zeros(1, dtype=np.uint32))  # compile
    flown = _Flown(aim, jobs=jobs, most=most_flights, progress=progress)
    strength, scatter = _ladder(flown, thresholds, seed)
    estimate, low, high = (np.full(thresholds.size, x) for x in (np.nan, 0.0, 1.0))
    effective, largest = math.inf, 0.0
    warnings: list[str] = []
    chosen = np.unique(strength[np.isfinite(strength)])
    left = most_flights - flown.flights
    for turn, tried in enumerate(chosen):
        mine = np.flatnonzero(strength == tried)
        share = left * (turn + 1) // chosen.size - left * turn // chosen.size
        scores, weights, batch = _main_flights(
            flown, tried, thresholds[mine], scatter[mine], seed, share, relative_error
        )
        parts = np.where(scores[:, None] > thresholds[mine], weights[:, None], 0.0)
        replicates = parts.reshape(-1, batch, mine.size).mean(axis=1)
        estimate[mine], low[mine], high[mine] = replicate_interval(
            replicates, confidence=confidence
        )
        for n, part in zip(mine, parts.T, strict=True):
            total = float(part.sum())
            if total <= 0.0:
                continue
            size, top = total**2 / float((part**2).sum()), float(part.max()) / total
            effective, largest = min(effective, size), max(largest, top)
            warnings += _doubts(float(thresholds[n]), score.unit, size, top)
            error = float(replicates[:, mine == n].std(ddof=1)) / math.sqrt(len(replicates))
            if error > 1.5 * relative_error * estimate[n]:
                warnings.append(
                    f"Above {thresholds[n]:g} {score.unit} the standard error is "
                    f"{100.0 * error / estimate[n]:.0f} % of the estimate; more flights would help."
                )
    lost = thresholds[np.isnan(estimate)]
    if lost.size:
        warnings.append(
            f"No tilt brought enough flights above {', '.join(f'{x:g}' for x in lost)} "
            f"{score.unit}: out of this method's reach, or beyond the greatest possible score."
        )
    return TailEstimate(
        thresholds=thresholds,
        estimate=estimate,
        low=low,
        high=high,
        confidence=confidence,
        method="importance sampling, seats, masses and loads tilted together",
        flights=flown.flights,
        diagnostics={
            "least_effective_flights": effective if math.isfinite(effective) else 0.0,
            "largest_weight_share": largest,
            "least_strength": float(chosen[0]) if chosen.size else math.nan,
            "greatest_strength": float(chosen[-1]) if chosen.size else math.nan,
            "theta_per_kgm": float(chosen[-1]) / aim.spread_kgm if chosen.size else math.nan,
        },
        warnings=tuple(warnings),
    )


def _main_flights(
    flown: _Flown,
    strength: float,
    thresholds: Floats,
    scatter: Floats,
    seed: int,
    most: int,
    relative_error: float,
) -> tuple[Floats, Floats, int]:
    """Return (scores, weights, flights per batch) of a strength's flights, in two steps."""
    own = derived_seed(seed, "main", repr(float(strength)))
    wanted = _flights_for(float(scatter.max()), relative_error)
    batch = max(_LEAST_BATCH, min(math.ceil(0.5 * wanted / _BATCHES), most // _BATCHES))
    scores, weights = flown.fly(strength, own, 0, _BATCHES * batch)
    seen = max(_scatter(scores, weights, x)[0] for x in thresholds)
    wanted = _flights_for(seen, relative_error) if math.isfinite(seen) else most
    more = min(math.ceil(wanted / batch), most // batch) - _BATCHES
    if more > 0:
        again = flown.fly(strength, own, _BATCHES * batch, more * batch)
        scores = np.concatenate([scores, again[0]])
        weights = np.concatenate([weights, again[1]])
    return scores, weights, batch


def _doubts(threshold: float, unit: str, effective: float, share: float) -> list[str]:
    doubts = []
    if effective < _FEW_EFFECTIVE:
        doubts.append(
            f"Above {threshold:g} {unit} the weights are worth only {effective:.0f} equal flights; "
            "the interval may be too narrow."
        )
    if share > _LARGE_SHARE:
        doubts.append(
            f"Above {threshold:g} {unit} one flight carries {100.0 * share:.0f} % of the weight; "
            "the interval may be too narrow."
        )
    return doubts


def _check(thresholds: Floats, relative_error: float, most_flights: int, confidence: float) -> None:
    """Check the arguments of an estimate."""

    def fail(argument: str, expected: str, got: object) -> UsageError:
        return UsageError(
            argument=argument, expected=expected, got=got, cure="Give a value in that range."
        )

    rising = bool((np.diff(thresholds) > 0.0).all()) and bool(np.isfinite(thresholds).all())
    if thresholds.size == 0 or not rising:
        raise fail("thresholds", "at least one number, rising", thresholds.tolist())
    if not 0.0 < relative_error < 1.0:
        raise fail("relative_error", "a number between 0 and 1", relative_error)
    if not 0.0 < confidence < 1.0:
        raise fail("confidence", "a number between 0 and 1", confidence)
    if most_flights < _LEAST_MOST:
        raise fail("most_flights", f"a whole number from {_LEAST_MOST}", most_flights)


#: Pilots and a first round of every strength must fit in.
_LEAST_MOST: Final = 50_000
