"""Splitting in strata and replicates: pilot, levels, replicates, interval, diagnostics."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.randomness import Cause
from cgrisk.rare.estimate import TailEstimate, replicate_interval
from cgrisk.rare.moves import Moves, ScoredFlights
from cgrisk.rare.pilot import STEP, Metered, Pilot, levels_of
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.rehearsal import Rehearsal
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.rare.splitting import SplitRun, adaptive_run, level_run
from cgrisk.rare.strata import Stratum

__all__ = [
    "REPLICATES",
    "SplitTail",
    "part_flown",
    "split_tail",
    "splitting_flights",
]

Floats = NDArray[np.float64]

#: Independent runs: at least this many for an interval.
REPLICATES: Final = 10
_MOST_REPLICATES: Final = 200
#: Moves after which a flight above a level has forgotten where it came from: a guess to plan with.
_AUTOCORRELATION: Final = 12.0
_FEWEST, _MOST = 500, 16_000
#: Part of the target that is minor: a stratum that could be no more, were all its flights above,
#: has fewer flights, but no fewer than stages beyond the target.
_MINOR: Final = 0.1
#: Stages beyond the target's level, where no precision is asked for, have this many times fewer.
_LESS_BEYOND: Final = 3
#: What a rehearsed state costs, in flights.
_REHEARSED_COST: Final = 2.0
#: Part of the planned flights that a trial of the replicates has, and its least size of a stage.
_TRIAL, _LEAST_TRIAL = 4, 250
#: On the variance a trial shows: skewed replicates, ten of them, more often show too little of it.
_CAUTION: Final = 1.5
#: Causes that a rehearsal of the load does not hear of, and how much less often it touches them.
_UNHEARD: Final = ("MOVEMENT", "CROWD", "SERVICE", "FUEL")
_SPARING: Final = 0.05
#: Flights kept of each stage of each replicate, to be flown again under other assumptions.
_KEEP: Final = 30


def _stages(probability: float) -> float:
    return max(math.log(probability) / math.log(STEP), 1.0)


def splitting_flights(probability: float, *, relative_error: float) -> float:
    """Return the flights splitting is expected to need for a relative error, replicates included.

    The variance of a stage over its squared mean is ``(1 - s) / (s n)`` times the autocorrelation
    of the moves, for a step s and n flights; stages add up. The first is of independent flights.
    """
    stages = _stages(probability)
    per_stage = (1.0 - STEP) / STEP * _AUTOCORRELATION
    return stages * max(stages - 1.0, 0.5) * per_stage / relative_error**2


@dataclass(frozen=True, slots=True)
class SplitTail:
    """All replicates of splitting in all strata.

    Attributes
    ----------
    strata : tuple of Stratum
    seeds : tuple of int
        Seed of each stratum's flights.
    replicates : tuple of tuple of SplitRun
        Runs by replicate and stratum.
    pilot_flights : int
        Flights of the pilot, and of the trial that told how many the replicates need.
    confidence : float
        Of intervals.
    kind : str
        What the levels are.
    """

    strata: tuple[Stratum, ...]
    seeds: tuple[int, ...]
    replicates: tuple[tuple[SplitRun, ...], ...]
    pilot_flights: int
    confidence: float
    kind: str

    @property
    def flights(self) -> int:
        """Flights flown, the pilot's included."""
        return self.pilot_flights + sum(r.flights for runs in self.replicates for r in runs)

    def by_replicate(self, thresholds: Floats) -> Floats:
        """Return each replicate's unbiased estimates, shape (replicates, n)."""
        shares = [stratum.probability for stratum in self.strata]
        return np.array(
            [
                sum(
                    share * run.exceedance(thresholds)
                    for share, run in zip(shares, runs, strict=True)
                )
                for runs in self.replicates
            ]
        )

    def first_stage(self) -> Floats:
        """Return the scores of the independent flights of all replicates, if there is one stratum.

        Several strata have none that are drawn as the scenario draws them: an empty array.
        """
        if len(self.strata) > 1:
            return np.empty(0)
        return np.concatenate([runs[0].scores[0] for runs in self.replicates])

    def estimate(self, thresholds: Floats) -> TailEstimate:
        """Return the answer at thresholds (rising), with diagnostics at the last of them."""
        each = self.by_replicate(thresholds)
        mean, low, high = replicate_interval(each, confidence=self.confidence)
        # All flights were above: Clopper and Pearson's lower bound, with the fewest flights that a
        # stratum had in the place of the whole (which can only lower it).
        fewest = sum(min(run.scores[0].size for run in runs) for runs in self.replicates)
        certain = 0.5 * (1.0 - self.confidence)
        low = np.where((each > 1.0 - 1e-12).all(axis=0), certain ** (1.0 / fewest), low)
        unseen = ~(mean > 0.0)
        if unseen.any():  # nothing was seen above them: no more likely than the last that was
            last = float(high[~unseen][-1]) if (~unseen).any() else 1.0
            mean, high = np.where(unseen, 0.0, mean), np.where(unseen, last, high)
        figures, warnings = _diagnose(self, each, thresholds, unseen)
        return TailEstimate(
            thresholds=thresholds,
            estimate=mean,
            low=low,
            high=high,
            confidence=self.confidence,
            method=f"multilevel splitting, {self.kind}, {len(self.replicates)} replicates, "
            f"{_strata_text(self.strata)}t interval on the logarithm",
            flights=self.flights,
            diagnostics=figures,
            warnings=warnings,
        )


def _strata_text(strata: tuple[Stratum, ...]) -> str:
    return "" if len(strata) == 1 else f"{len(strata)} strata, "


def _diagnose(
    tail: SplitTail, each: Floats, thresholds: Floats, unseen: NDArray[np.bool_]
) -> tuple[dict[str, float], tuple[str, ...]]:
    """Return the figures to judge the estimates by, at the last threshold seen, and warnings."""
    seen = np.flatnonzero(~unseen)
    warnings: list[str] = []
    if seen.size < thresholds.size:
        warnings.append(
            f"no flight was seen above {float(thresholds[unseen][0]):.4g}: the bound there is that "
            "of the last threshold reached."
        )
    if seen.size == 0:
        return {}, tuple(warnings)
    place = int(seen[-1])
    column = each[:, place]
    acceptance: list[float] = []
    lineages: list[float] = []
    for runs in tail.replicates:
        for run in runs:
            stage = int(run.stage_of(thresholds[place : place + 1])[0])
            acceptance += run.acceptance[:stage]
            lineages.append(run.lineages[stage])
    spread = float(column.std(ddof=1) / column.mean())
    share = float(column.max() / column.sum())
    dead = float((column == 0.0).mean())
    figures = {
        "least_acceptance": min(acceptance, default=1.0),
        "mean_lineages": float(np.mean(lineages)),
        "least_lineages": float(min(lineages)),
        "replicates": float(column.size),
        "spread_of_replicates": spread,
        "largest_share_of_one_replicate": share,
        "share_of_replicates_without_flights": dead,
    }
    if figures["least_acceptance"] < 0.05:
        warnings.append(
            f"only {100 * figures['least_acceptance']:.1f} % of the moves were kept at the worst "
            "level: flights there hardly move."
        )
    if dead > 0.2:
        warnings.append(f"{100 * dead:.0f} % of the replicates have no flight that far out.")
    if spread > 1.0:
        warnings.append(
            f"replicates disagree (standard deviation {spread:.2f} times the mean): the interval "
            "may be too narrow; ask for a smaller relative error."
        )
    if share > 0.5:
        warnings.append(f"one replicate makes {100 * share:.0f} % of the answer.")
    return figures, tuple(warnings)


@dataclass(frozen=True, slots=True)
class _Plan:
    """Levels of a stratum, flights of a stage by the pilot, and the target's level."""

    levels: Floats
    particles: int
    target: float

    def sizes(self, each: int) -> list[int]:
        """Return the flights of each stage, for so many up to the target's level."""
        beyond = max(each // _LESS_BEYOND, min(each, _LEAST_TRIAL))
        return [each, *(each if x <= self.target else beyond for x in self.levels.tolist())]


def _at_most(stratum: Stratum, target: float) -> float:
    """Return 1, or less where a stratum can be but a minor part of the target: in proportion."""
    return min(stratum.probability / (_MINOR * target), 1.0)


def part_flown(weight: float, *, stratum: Stratum, target: float) -> float:
    """Return the part of the flights that a stratum gets, for its weight in the target."""
    return max(weight, _MINOR * _at_most(stratum, target))


def _size(flights: int, stratum: Stratum, target: float) -> int:
    """Return so many flights, or fewer where a stratum can be but a minor part of the target."""
    return max(round(_at_most(stratum, target) * flights), min(flights, _LEAST_TRIAL))


def _plan(question: Question, pilot: Pilot, upto: float) -> list[_Plan]:
    """Return what is flown in each stratum."""
    at = np.array([pilot.threshold(question.target)])
    given = pilot.by_stratum(at)[:, 0]
    shares = np.array([stratum.probability for stratum in pilot.strata])
    parts = shares * given
    weight = parts / max(parts.sum(), 1e-300)
    plan = []
    for number, stratum in enumerate(pilot.strata):
        deepest = min(0.2 * question.deepest / stratum.probability, 0.1)
        levels = levels_of(pilot, stratum=number, deepest=deepest)
        levels = levels[levels <= upto]
        stages = _stages(min(max(float(given[number]), 1e-12), 0.5))
        wanted = splitting_flights(
            min(max(float(given[number]), 1e-12), 0.5), relative_error=question.relative_error
        )
        part = part_flown(float(weight[number]), stratum=stratum, target=question.target)
        each = wanted / (REPLICATES * stages) * part
        if question.score.offset_sign > 0.0:
            each /= _REHEARSED_COST
        count = max(int(min(each, _MOST)), _size(_FEWEST, stratum, question.target))
        plan.append(_Plan(levels, count, float(at[0])))
    return plan


def split_tail(
    question: Question,
    *,
    pilot: Pilot,
    replicates: int = REPLICATES,
    adaptive: bool = False,
    particles: int | None = None,
    keep: int = _KEEP,
    upto: float = math.inf,
    doing: str = "splitting",
    meter: Meter | None = None,
) -> SplitTail:
    """Run replicates of splitting that are to meet the relative error at the target.

    A trial, as many replicates of a quarter of the planned flights, shows how much they spread;
    the replicates that answer are run with as many flights as that asks for, and share no flight
    with it. An answer from flights kept for their small spread, or whose number follows from their
    own spread, is too low by some per cent and too sure of itself.

    Parameters
    ----------
    question : Question
    pilot : Pilot
        From :func:`fly_pilot`; its flights are not used again.
    replicates : int
        At least 2; more where runs would get too large.
    adaptive : bool
        Use the kill rule in place of frozen levels.
    particles : int, optional
        Flights of each stage; then they are not changed, but for fewer in a stratum that can be no
        more than a small part of the target.
    keep : int
        Flights kept of each stage of each replicate, to be flown again.
    upto : float
        Score beyond which nothing is asked: no level is laid there.
    doing : str
        What the meter says is done.
    meter : Meter, optional
        Told of the flights.
    """
    meter = Meter() if meter is None else meter
    plan = _plan(question, pilot, upto)
    if particles is not None:
        sizes = [_size(particles, s, question.target) for s in pilot.strata]
        plan = [_Plan(p.levels, n, p.target) for p, n in zip(plan, sizes, strict=True)]
    seeds = tuple(derived_seed(question.seed, "splitting", s.name) for s in pilot.strata)
    kind = "kill rule" if adaptive else "levels frozen by a pilot"

    def make(number: int, place: int, sizes: list[int], first_flight: int) -> SplitRun:
        stratum = pilot.strata[place]
        flown = ScoredFlights(stratum.model, question.score, seeds[place], stratum.band)
        world = Metered(flown, meter)
        rng = generator(question.seed, "splitting", stratum.name, str(number))
        if adaptive:
            lowest = min(question.deepest / stratum.probability, 0.1)
            return adaptive_run(
                world, particles=sizes[0], rng=rng, lowest=lowest, first_flight=first_flight
            )
        return level_run(
            world,
            levels=plan[place].levels,
            particles=sizes,
            rng=rng,
            first_flight=first_flight,
            keep=keep if number < 2 * REPLICATES else 0,
            rehearsal=_rehearsal(flown, pilot.runs[place]),
        )

    def fly(number: int, place: int, each: int, first_flight: int) -> SplitRun:
        own, sizes = plan[place], plan[place].sizes(each)
        own_seed = seeds[place]  # of this scenario and question: another's pieces are not its own
        parts = ("splitting", own_seed, number, adaptive, first_flight, sizes, keep)
        name = "/".join(str(part) for part in (*parts, own.levels.tolist()))
        piece = meter.kept(name, lambda: make(number, place, sizes, first_flight).arrays())
        return SplitRun.of_arrays(piece)

    def run(count: int, sizes: list[int], *, after: int, used: list[int], flown: int) -> SplitTail:
        """Run replicates numbered from ``after``, beyond the flight numbers used."""
        cost = sum(sum(own.sizes(each)) for own, each in zip(plan, sizes, strict=True))
        meter.begin(doing, expected=count * cost)
        tasks = [
            delayed(fly)(after + number, place, each, used[place] + number * each)
            for number in range(count)
            for place, each in enumerate(sizes)
        ]
        done: list[SplitRun] = Parallel(n_jobs=question.jobs, backend="threading")(tasks)
        rows = range(0, len(done), len(plan))
        found = tuple(tuple(done[i : i + len(plan)]) for i in rows)
        return SplitTail(pilot.strata, seeds, found, flown, question.confidence, kind)

    planned = [max(own.particles // 10, 50) if adaptive else own.particles for own in plan]
    flown, none_used = pilot.flights, [0] * len(plan)
    if particles is not None:
        return run(replicates, planned, after=0, used=none_used, flown=flown)
    small = [max(each // _TRIAL, min(each, _LEAST_TRIAL)) for each in planned]
    trial = run(replicates, small, after=0, used=none_used, flown=flown)
    factor = _needed(question, trial, pilot, otherwise=float(_TRIAL))
    sizes = [
        max(math.ceil(min(factor * old, max(_MOST, old))), min(each, _FEWEST))
        for old, each in zip(small, planned, strict=True)
    ]
    # What larger runs cannot give, more runs do.
    left = max(factor / min(new / old for new, old in zip(sizes, small, strict=True)), 1.0)
    return run(
        min(math.ceil(replicates * left), _MOST_REPLICATES),
        sizes,
        after=replicates,
        used=[replicates * each for each in small],
        flown=trial.flights,
    )


def _rehearsal(world: ScoredFlights, runs: tuple[SplitRun, ...]) -> Rehearsal | None:
    """Return how to rehearse, by the pilot of a stratum; None where the load tells too little."""
    if not world.has_rough:
        return None
    levels = np.concatenate([run.levels[1:] for run in runs])
    slack = np.concatenate([run.slack[1:] for run in runs])
    order = np.argsort(levels, kind="stable")
    if levels.size == 0:
        return None
    moves = Moves.of(world).sparing([Cause[name] - 1 for name in _UNHEARD], factor=_SPARING)
    return Rehearsal(world.rough, moves, levels[order], slack[order])


def _needed(question: Question, trial: SplitTail, pilot: Pilot, *, otherwise: float) -> float:
    """Return how many times the trial's flights the target needs, at least as many."""
    column = trial.by_replicate(np.array([pilot.threshold(question.target)]))[:, 0]
    factor = otherwise
    if column.mean() > 0.0:
        relative = float(column.std(ddof=1) / column.mean()) / math.sqrt(column.size)
        factor = _CAUTION * (relative / question.relative_error) ** 2
    room = (question.most_flights - trial.flights) / (trial.flights - trial.pilot_flights)
    return max(min(factor, room), 1.0)
