"""Importance sampling of scenarios in which nobody moves: seats, masses and loads leaned together.

Flights are leaned through the versions of their keys (``flight.kernel.tilt``), so that the
ordinary kernel flies them; each carries the weight that undoes the leaning. The mean of
``weight * [score > x]`` is the chance of a score above ``x`` for every strength of the tilt: it
only decides how much that mean scatters. Since weights fall as the score grows, those above ``x``
are bounded by the weight at ``x``; no rare huge one hides there.

Each threshold is estimated twice, by the flights of two neighbouring strengths chosen by a pilot,
and the answer is the mean of the two. That is a check that costs nothing: were heavy weights
missed, the stronger tilt would miss more of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel
from cgrisk.flight.leaning import lean_block
from cgrisk.randomness import resolve_seed
from cgrisk.rare.estimate import TailEstimate, replicate_interval
from cgrisk.rare.score import Score
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.tilt_pilot import STEP, Ladder, Leaner, aim_at, climb, off_one, why_not_tilted
from cgrisk.sampling import check_counts, warm_up

__all__ = ["LEAST_TILTED", "tilted_tail", "why_not_tilted"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]

#: Pilots and a first round at every strength fit in.
LEAST_TILTED: Final = 20_000
#: Batches of each strength; flights of a batch, at least.
_BATCHES, _LEAST_BATCH = 20, 25
#: Effective flights below which, and one flight's share above which, an estimate is doubtful.
_FEW_EFFECTIVE, _LARGE_SHARE = 100.0, 0.1
#: Standard errors by which two strengths may differ; the weights' mean from 1.
_APART, _OFF_ONE = 3.0, 5.0


@dataclass(frozen=True, slots=True)
class _Round:
    """The flights of one strength, as parts of estimates: weights above thresholds, else 0."""

    strength: float
    batch: int
    scores: Floats
    weights: Floats

    def parts(self, threshold: float) -> Floats:
        return np.where(self.scores > threshold, self.weights, 0.0)

    def replicates(self, threshold: float) -> Floats:
        """Return the estimates of the batches, shape (20, 1)."""
        means: Floats = self.parts(threshold).reshape(_BATCHES, -1).mean(axis=1)[:, None]
        return means


def _flights_for(scatter: float, relative_error: float) -> float:
    """Return the flights of each of two strengths for a relative error of their mean, with room."""
    return 0.7 * (scatter + 1.0) * max(relative_error**-2, _FEW_EFFECTIVE)


def _round(
    leaner: Leaner,
    strength: float,
    *,
    thresholds: Floats,
    scatter: float,
    seed: int,
    most: int,
    relative_error: float,
) -> _Round:
    """Fly a strength in two steps: what the pilot asks for, then what the first step asks for."""
    own = derived_seed(seed, "main", repr(strength))
    wanted = _flights_for(scatter, relative_error)
    batch = max(1, min(max(_LEAST_BATCH, math.ceil(0.5 * wanted / _BATCHES)), most // _BATCHES))
    scores, weights = leaner.fly(strength, own, 0, _BATCHES * batch)
    seen = 0.0
    for x in thresholds:
        part = np.where(scores > x, weights, 0.0)
        seen = max(seen, float(part.var()) / max(float(part.mean()) ** 2, 1e-300))
    wanted = min(_flights_for(seen, relative_error), float(most))
    more = int(wanted) // _BATCHES - batch
    if more > 0:
        again = leaner.fly(strength, own, _BATCHES * batch, _BATCHES * more)
        scores = np.concatenate([scores, again[0]])
        weights = np.concatenate([weights, again[1]])
    return _Round(strength, batch + max(more, 0), scores, weights)


def _rounds(
    leaner: Leaner, ladder: Ladder, thresholds: Floats, *, seed: int, relative_error: float
) -> dict[int, _Round]:
    """Fly every rung that a threshold needs: its best one (not the lowest) and the one below."""
    upper = _upper(ladder)
    rungs = sorted({int(rung) for best in upper if best > 0 for rung in (best - 1, best)})
    left, done = leaner.most - leaner.flights, {}
    for turn, rung in enumerate(rungs):
        mine = (upper == rung) | (upper == rung + 1)
        pilot = ladder.scatter[np.minimum(ladder.best[mine], rung), mine]
        done[rung] = _round(
            leaner,
            STEP * rung,
            thresholds=thresholds[mine],
            scatter=float(pilot[np.isfinite(pilot)].max(initial=0.0)),
            seed=seed,
            most=left * (turn + 1) // len(rungs) - left * turn // len(rungs),
            relative_error=relative_error,
        )
    return done


def _upper(ladder: Ladder) -> NDArray[np.int64]:
    """Return the stronger of the two rungs of each threshold, -1 for none."""
    return np.where(ladder.best < 0, -1, np.maximum(ladder.best, 1))


@dataclass(frozen=True, slots=True)
class _Answer:
    """What is found at one threshold; the strengths are so many standard errors apart."""

    estimate: float
    low: float
    high: float
    effective: float
    share: float
    apart: float
    error: float


def _answer(pair: tuple[_Round, _Round], threshold: float, confidence: float) -> _Answer:
    """Return the mean of two strengths, with the widest of their intervals where they disagree."""
    own = [each.replicates(threshold) for each in pair]
    both = 0.5 * (own[0] + own[1])
    estimate, low, high = (float(x[0]) for x in replicate_interval(both, confidence=confidence))
    errors = [float(x.std(ddof=1)) / math.sqrt(_BATCHES) for x in own]
    spread = math.hypot(*errors)
    gap = float(own[0].mean() - own[1].mean())
    apart = gap / spread if spread > 0.0 else 0.0
    if abs(apart) > _APART:
        ends = [replicate_interval(x, confidence=confidence) for x in own]
        low = min(low, *(float(end[1][0]) for end in ends))
        high = max(high, *(float(end[2][0]) for end in ends))
    parts = np.concatenate([each.parts(threshold) / each.scores.size for each in pair])
    total = float(parts.sum())
    if total == 0.0:
        return _Answer(math.nan, 0.0, 1.0, 0.0, 0.0, 0.0, math.nan)
    effective = total**2 / float((parts**2).sum())
    share = float(parts.max()) / total
    return _Answer(estimate, low, high, effective, share, apart, 0.5 * spread)


def _doubts(found: _Answer, where: str, relative_error: float) -> list[str]:
    doubts = []
    if abs(found.apart) > _APART:
        doubts.append(
            f"{where} two strengths of the tilt differ by {abs(found.apart):.1f} standard errors: "
            "the weights are not told well, and the interval was widened to hold both of theirs. "
            "Check with splitting."
        )
    if found.effective < _FEW_EFFECTIVE:
        doubts.append(
            f"{where} the weights are worth only {found.effective:.0f} equal flights; "
            "the interval may be too narrow."
        )
    if found.share > _LARGE_SHARE:
        doubts.append(
            f"{where} one flight carries {100.0 * found.share:.0f} % of the weight; "
            "the interval may be too narrow."
        )
    if found.error > 1.5 * relative_error * found.estimate:
        doubts.append(
            f"{where} the standard error is {100.0 * found.error / found.estimate:.0f} % of the "
            "estimate; more flights would help."
        )
    return doubts


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

    Each threshold is estimated by the flights of two neighbouring strengths of the tilt, half a
    standard deviation of the score apart. Their number is fixed in two steps: 20 batches from what
    the pilot saw, then as many more as the scatter of the first asks for. (That leaves a bias of
    the order of one over the flights.) Warnings say where weights are worth few flights, where one
    flight carries much of the weight, where the two strengths differ by more than 3 standard
    errors (the interval then holds both of theirs), and where the mean of all weights is more than
    5 standard errors from 1 (judged at strengths where they are worth a quarter of the flights,
    the pilot's among them).

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
    relative_error : float
        Standard error over estimate, asked for at each threshold.
    most_flights : int
        Flights at most, pilots included; at least 20,000.
    confidence : float
        Of each interval by itself.
    jobs : int
        Threads; -1 for one per processor.
    progress : callable, optional
        Told (flights flown, flights at most) as they are flown.

    Raises
    ------
    UsageError
        If the scenario or the score does not suit, or an argument is out of its range.
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
    aim = aim_at(model, score, seed=derived_seed(seed, "first pilot"), jobs=jobs)
    lean_block(model, aim.data(0.0, 0), seed=0, flights=np.zeros(1, dtype=np.uint32))  # compile
    leaner = Leaner(aim, jobs=jobs, most=most_flights, progress=progress)
    ladder = climb(leaner, thresholds, seed=seed)
    rounds = _rounds(leaner, ladder, thresholds, seed=seed, relative_error=relative_error)
    answers = [
        _answer((rounds[rung - 1], rounds[rung]), float(x), confidence)
        if rung > 0
        else _Answer(math.nan, 0.0, 1.0, 0.0, 0.0, 0.0, math.nan)
        for rung, x in zip(_upper(ladder), thresholds, strict=True)
    ]
    seen = [found for found in answers if not math.isnan(found.estimate)]
    warnings: list[str] = []
    for found, x in zip(answers, thresholds, strict=True):
        if not math.isnan(found.estimate):
            warnings += _doubts(found, f"Above {x:g} {score.unit}", relative_error)
    judged = [ladder.off_one, *(off_one(each.weights) for each in rounds.values())]
    farthest = max(judged, key=abs)
    if abs(farthest) > _OFF_ONE:
        warnings.append(
            f"The mean of all weights is {abs(farthest):.1f} standard errors from 1, which it "
            "should be: do not trust these estimates; check with splitting."
        )
    lost = [x for x, found in zip(thresholds, answers, strict=True) if math.isnan(found.estimate)]
    if lost:
        warnings.append(
            f"No tilt brought enough flights above {', '.join(f'{x:g}' for x in lost)} "
            f"{score.unit}: out of this method's reach, or beyond the greatest possible score."
        )
    strongest = STEP * max(rounds, default=0)
    return TailEstimate(
        thresholds=thresholds,
        estimate=np.array([found.estimate for found in answers]),
        low=np.array([found.low for found in answers]),
        high=np.array([found.high for found in answers]),
        confidence=confidence,
        method="importance sampling, seats, masses and loads tilted together",
        flights=leaner.flights,
        diagnostics={
            "least_effective_flights": min((found.effective for found in seen), default=0.0),
            "largest_weight_share": max((found.share for found in seen), default=0.0),
            "strengths_apart": max((found.apart for found in seen), key=abs, default=0.0),
            "weights_off_one": farthest,
            "pilot_flights": float(leaner.flights - sum(r.scores.size for r in rounds.values())),
            "greatest_strength": strongest,
            "theta_per_kgm": strongest / aim.spread_kgm,
        },
        warnings=tuple(warnings),
    )


def _check(thresholds: Floats, relative_error: float, most_flights: int, confidence: float) -> None:
    """Check the arguments of an estimate."""

    def fail(argument: str, expected: str, got: object, cure: str = "") -> UsageError:
        return UsageError(
            argument=argument,
            expected=expected,
            got=got,
            cure=cure or "Give a value in that range.",
        )

    rising = bool((np.diff(thresholds) > 0.0).all()) and bool(np.isfinite(thresholds).all())
    if thresholds.size == 0 or not rising:
        raise fail("thresholds", "at least one number, rising", thresholds.tolist())
    if not 0.0 < relative_error < 1.0:
        raise fail("relative_error", "a number between 0 and 1", relative_error)
    if not 0.0 < confidence < 1.0:
        raise fail("confidence", "a number between 0 and 1", confidence)
    if most_flights < LEAST_TILTED:
        raise fail(
            "most_flights",
            f"a whole number from {LEAST_TILTED}",
            most_flights,
            "Tilting's pilots need so many; allow them, or use another method.",
        )
