"""Cells: a policy at a number of passengers, flown until it is known on which side of the target.

All policies at one number of passengers fly the same flights (common random numbers); different
numbers fly flights of seeds of their own, so that what is averaged over them is independent.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.decide.policy import Room, room_under, scenario_under
from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import SIDES, FlightModel, fly_block, prepare
from cgrisk.randomness import resolve_seed
from cgrisk.rare import Meter, Question, Score, envelope_score, fly_pilot, split_tail
from cgrisk.rare.estimate import within_reach
from cgrisk.rare.question import GREATEST_RISK, LEAST_RISK
from cgrisk.rare.seeds import derived_seed
from cgrisk.risk._checks import checked_fraction
from cgrisk.risk.sequential import any_time_intervals
from cgrisk.sampling import check_counts
from cgrisk.scenario import Scenario
from cgrisk.scenario.policies_file import Policy

__all__ = [
    "FIGURES",
    "RARE",
    "READINGS",
    "Cell",
    "Task",
    "count_seed",
    "flights_flown",
    "fly_count",
    "split_risk",
]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: How a load is taken: planned on the operational limit, or as it is planned.
READINGS: Final = ("limit", "planned")
#: Targets below this are beyond counting.
RARE: Final = 1e-4
#: Flights of a step at first and per call of the kernel; steps grow with what was flown.
_FIRST, _BATCH = 1024, 512
#: Flights whose CG error and trim are kept.
_KEPT = 4096
_CLOSE = 0.3
_OUTER = 0.01

#: Figures of a cell besides the risk: name and meaning.
FIGURES: Final = {
    "mean_error_pct_mac": "mean CG error at take-off, % MAC",
    "sd_error_pct_mac": "standard deviation of the CG error at take-off, % MAC",
    "most_nose_up_deg": "stabilizer angle that 99 % of flights need no more nose-up than, deg",
    "most_nose_down_deg": "stabilizer angle that 99 % of flights need no more nose-down than, deg",
    "mis_trim_low_units": "take-off mis-trim, 5 % of flights below, trim units",
    "mis_trim_high_units": "take-off mis-trim, 5 % of flights above, trim units",
}


@dataclass(frozen=True, slots=True)
class Task:
    """What is asked of every cell.

    Attributes
    ----------
    scenario : Scenario
    target : float
        Probability per flight and side.
    seed : int
        Resolved seed.
    flights : int
        Most flights of a cell.
    confidence : float
        Of each interval by itself.
    bags : str
        As in :func:`cgrisk.decide.policy.scenario_under`.
    jobs : int
        Threads; changes no result.
    to_the_end : bool
        Fly all flights, decided or not.
    reading : str
        Of :data:`READINGS`: the load for which the target is asked.
    both_sides : bool
        Fly until both sides are decided; False: also stop where one is shown to be above.
    at_least : int
        Flights that no cell ends before, decided or not, as far as ``flights`` allows: policies
        are compared on these, whose number nothing that was flown decides.
    """

    scenario: Scenario
    target: float
    seed: int
    flights: int
    confidence: float = 0.95
    bags: str = "per_passenger"
    jobs: int = -1
    to_the_end: bool = False
    reading: str = "limit"
    both_sides: bool = True
    at_least: int = _FIRST

    def __post_init__(self) -> None:
        """Check the numbers."""
        value: object = self.target
        number = isinstance(value, float) and not isinstance(value, bool)
        if not number or not LEAST_RISK <= self.target <= GREATEST_RISK:
            raise UsageError(
                argument="target",
                expected=f"a number from {LEAST_RISK:g} to {GREATEST_RISK:g}",
                got=value,
                cure="Give the probability per flight that you accept; there is no published one.",
            )
        if self.reading not in READINGS:
            raise UsageError(
                argument="reading",
                expected=" or ".join(READINGS),
                got=self.reading,
                cure="Say whether the load is planned on the operational limit or as it is.",
            )
        resolve_seed(self.seed)
        check_counts(flights=self.flights, jobs=self.jobs)
        checked_fraction(self.confidence, argument="confidence")
        if self.at_least < 1:
            raise UsageError(
                argument="at_least",
                expected="at least 1 flight",
                got=self.at_least,
                cure="Say on how many flights policies are to be compared.",
            )

    @property
    def compared(self) -> int:
        """Flights that every cell has, whatever they showed."""
        return min(self.at_least, self.flights)

    def threshold(self, score: Score) -> float:
        """Return where a score begins to count, by the reading."""
        return score.at_limit if self.reading == "limit" else score.as_planned


@dataclass(frozen=True, slots=True, eq=False)
class Cell:
    """A policy at a number of passengers; sides in the order of :data:`cgrisk.flight.SIDES`.

    Attributes
    ----------
    passengers : int
    room : Room
    digest : str
        Of the scenario flown: cells of equal digest are the same flights.
    flights : int
        Flights counted; 0 where the passengers do not fit.
    beyond : bool array, shape (2, flights)
        Which flights leave the certified envelope, the load taken as the task reads it.
    planned_hits : int64 array, shape (2,)
        Flights that leave it as planned.
    error_pct : float64 array, shape (m,)
        CG error at take-off of the first flights.
    figures : float64 array, shape (len(FIGURES),)
        nan where a figure cannot be told.
    at_limit, as_planned : float64 array, shape (2,)
        Distance of the operational limit and of the planned load from the certified limit, % MAC.
    risk, low, high : float64 array, shape (2,)
        The load taken as the task reads it.
    method : str
    more_flights : int
        Flights of a rare-event estimator on top.
    """

    passengers: int
    room: Room
    digest: str
    flights: int
    beyond: Flags
    planned_hits: NDArray[np.int64]
    error_pct: Floats
    figures: Floats
    at_limit: Floats
    as_planned: Floats
    risk: Floats
    low: Floats
    high: Floats
    method: str
    more_flights: int = 0

    def standing(self, target: float) -> tuple[str, str]:
        """Return, by side, below, above, close (within 30 %) or undecided."""
        out = []
        for p, low, high in zip(self.risk, self.low, self.high, strict=True):
            if high < target:
                out.append("below")
            elif low > target:
                out.append("above")
            elif p > 0.0 and 0.5 * (high - low) <= _CLOSE * p:
                out.append("close")
            else:
                out.append("undecided")
        return out[0], out[1]


@dataclass(slots=True)
class _Builder:
    """A cell while it is flown."""

    model: FlightModel
    scores: tuple[Score, Score]
    limits: tuple[float, float]
    beyond: list[Flags] = field(default_factory=list)
    planned: NDArray[np.int64] = field(default_factory=lambda: np.zeros(2, dtype=np.int64))
    kept: list[Floats] = field(default_factory=list)
    flights: int = 0

    def take(self, rows: Floats) -> None:
        """Count the next flights."""
        found = [score.of(rows) for score in self.scores]
        if not np.isfinite(found).all():
            raise ComputationError("a flight has no margin to the envelope; check the scenario.")
        self.beyond.append(np.stack([f > at for f, at in zip(found, self.limits, strict=True)]))
        self.planned += [
            int((f > s.as_planned).sum()) for f, s in zip(found, self.scores, strict=True)
        ]
        if self.flights < _KEPT:
            self.kept.append(self._kept_figures(rows)[: _KEPT - self.flights])
        self.flights += rows.shape[0]

    def _kept_figures(self, rows: Floats) -> Floats:
        """Return (n, 4): CG error, most nose-up, most nose-down, mis-trim."""
        columns = self.model.columns
        sheet = self.model.program.sheet
        planned = self.model.balance.arm_to_pct(sheet.take_off_arm_m)
        out = np.full((rows.shape[0], 4), np.nan)
        out[:, 0] = rows[:, columns.index("take_off_cg_pct_mac")] - planned
        for place, figure, worst in (
            (1, "trim_nose_up_deg", np.min),
            (2, "trim_nose_down_deg", np.max),
        ):
            own = [i for i, name in enumerate(columns) if name.startswith(f"{figure}.")]
            if own:
                out[:, place] = worst(rows[:, own], axis=1)
        if "take_off_mis_trim_units" in columns:
            out[:, 3] = rows[:, columns.index("take_off_mis_trim_units")]
        return out

    def figures(self) -> Floats:
        """Return the figures of the cell."""
        kept = np.concatenate(self.kept)
        error = kept[:, 0]
        wanted = ((1, _OUTER), (2, 1.0 - _OUTER), (3, 0.05), (3, 0.95))
        told = [
            float(np.quantile(kept[:, place], p)) if np.isfinite(kept[:, place]).all() else np.nan
            for place, p in wanted
        ]
        spread = float(error.std(ddof=1)) if error.size > 1 else np.nan
        return np.array([float(error.mean()), spread, *told])

    def bounds(self, task: Task) -> tuple[Floats, Floats, Floats]:
        """Return (risk, low, high) by side, which hold whenever the flights stop."""
        hits = np.sum([part.sum(axis=1) for part in self.beyond], axis=0)
        low, high = any_time_intervals(
            hits, flights=self.flights, confidence=task.confidence, near=task.target
        )
        return hits / self.flights, low, high


def count_seed(seed: int, passengers: int) -> int:
    """Return the seed of the flights with a number of passengers."""
    return derived_seed(seed, "policies", str(passengers))


def _empty(passengers: int, room: Room) -> Cell:
    nothing, zero = np.full(2, np.nan), np.zeros(2, dtype=np.int64)
    return Cell(
        passengers,
        room,
        "",
        0,
        np.zeros((2, 0), dtype=bool),
        zero,
        np.empty(0),
        np.full(len(FIGURES), np.nan),
        nothing,
        nothing,
        nothing,
        nothing,
        nothing,
        "the passengers do not fit",
    )


def _decided(builder: _Builder, task: Task) -> bool:
    risk, low, high = builder.bounds(task)
    if not task.both_sides and (low > task.target).any():
        return True
    inside = (low <= task.target) & (task.target <= high)
    close = (risk > 0.0) & (0.5 * (high - low) <= _CLOSE * risk)
    return bool((~inside | close).all())


def fly_count(
    task: Task,
    policies: Sequence[Policy],
    *,
    passengers: int,
    movers_share: Sequence[float | None] | None = None,
    meter: Meter | None = None,
) -> list[Cell]:
    """Fly all policies at one number of passengers, on the same flights.

    Parameters
    ----------
    task : Task
    policies : sequence of Policy
    passengers : int
    movers_share : sequence of float or None, optional
        One for each policy, in place of its own.
    meter : Meter, optional
        Told of the flights.

    Returns
    -------
    list of Cell
        One for each policy; policies that come to the same scenario share their flights.
    """
    meter = Meter() if meter is None else meter
    shares = [None] * len(policies) if movers_share is None else list(movers_share)
    rooms = [room_under(task.scenario, policy, passengers=passengers) for policy in policies]
    builders: dict[str, _Builder] = {}
    keys: list[str | None] = []
    for policy, room, share in zip(policies, rooms, shares, strict=True):
        if passengers > room.left:
            keys.append(None)
            continue
        there = scenario_under(
            task.scenario, policy, passengers=passengers, bags=task.bags, movers_share=share
        )
        digest = there.digest()
        keys.append(digest)
        if digest not in builders:
            model = prepare(there)
            one, two = (envelope_score(model, side=side) for side in SIDES)
            limits = task.threshold(one), task.threshold(two)
            builders[digest] = _Builder(model, (one, two), limits)
    seed = count_seed(task.seed, passengers)
    # Beyond counting, one step of flights serves the differences and the trim.
    most = task.flights
    if task.target < RARE and not task.to_the_end:
        most = min(task.flights, max(_KEPT, task.at_least))
    _fly_on(builders, task=task, seed=seed, most=most, meter=meter)
    cells = {name: _finish(b, task, passengers, seed, meter) for name, b in builders.items()}
    out = []
    for key, room in zip(keys, rooms, strict=True):
        if key is None:
            out.append(_empty(passengers, room))
            continue
        out.append(replace(cells[key], room=room))
    return out


def flights_flown(cells: Iterable[Cell]) -> int:
    """Return the flights behind cells of one number of passengers, shared ones once."""
    once = {cell.digest: cell.flights + cell.more_flights for cell in cells}
    return sum(once.values())


def _fly_on(
    builders: dict[str, _Builder], *, task: Task, seed: int, most: int, meter: Meter
) -> None:
    """Fly all cells in step, those that are decided no more."""
    going = list(builders.values())
    flown = 0
    with Parallel(n_jobs=task.jobs, backend="threading") as pool:
        while going and flown < most:
            step = min(max(_FIRST, flown // 4 // _BATCH * _BATCH), most - flown)
            starts = range(flown, flown + step, _BATCH)
            pieces = [
                (builder, np.arange(start, min(start + _BATCH, flown + step), dtype=np.uint32))
                for builder in going
                for start in starts
            ]
            rows = pool(
                delayed(fly_block)(builder.model, seed=seed, flights=numbers)
                for builder, numbers in pieces
            )
            for (builder, _), found in zip(pieces, rows, strict=True):
                builder.take(found)
            flown += step
            meter.add(step * len(going))
            if not task.to_the_end and flown >= task.compared:
                going = [builder for builder in going if not _decided(builder, task)]


def _finish(builder: _Builder, task: Task, passengers: int, seed: int, meter: Meter) -> Cell:
    risk, low, high = builder.bounds(task)
    method = "counting, beta mixture (Robbins), holds whenever the flights stop"
    more = 0
    lost = not task.both_sides and bool((low > task.target).any())
    if task.target < RARE and not task.to_the_end and not lost:
        for i, score in enumerate(builder.scores):
            if low[i] > task.target or high[i] < task.target:
                continue
            found = split_risk(builder.model, score=score, task=task, seed=seed, meter=meter)
            risk[i], low[i], high[i], flown = found
            more += flown
            method = "splitting, fixed levels, where counting does not settle it"
    room = room_under(builder.model.scenario, Policy(name="all"), passengers=passengers)
    return Cell(
        passengers=passengers,
        room=room,
        digest=builder.model.scenario.digest(),
        flights=builder.flights,
        beyond=np.concatenate(builder.beyond, axis=1),
        planned_hits=builder.planned,
        error_pct=np.concatenate(builder.kept)[:, 0],
        figures=builder.figures(),
        at_limit=np.array([score.at_limit for score in builder.scores]),
        as_planned=np.array([score.as_planned for score in builder.scores]),
        risk=risk,
        low=low,
        high=high,
        method=method,
        more_flights=more,
    )


def split_risk(
    model: FlightModel, *, score: Score, task: Task, seed: int, meter: Meter
) -> tuple[float, float, float, int]:
    """Return (risk, low, high, flights) by splitting, the load taken as the task reads it.

    Parameters
    ----------
    model : FlightModel
    score : Score
        Of the model's envelope, to one side.
    task : Task
        Says the target and the confidence.
    seed : int
    meter : Meter
        Told of the flights.
    """
    deepest = max(task.target / 10.0, 1e-12)
    question = Question(
        model=model,
        score=score,
        target=task.target,
        seed=derived_seed(seed, model.scenario.digest(), score.name),
        deepest=deepest,
        relative_error=0.15,
        confidence=task.confidence,
        most_flights=20_000_000,
        jobs=task.jobs,
    )
    pilot = fly_pilot(question, meter=meter)
    tail = split_tail(question, pilot=pilot, meter=meter)
    last, limit = pilot.threshold(deepest), task.threshold(score)
    thresholds = np.unique([last, limit])
    found = within_reach(tail.estimate(thresholds))
    place = int(np.flatnonzero(thresholds == limit)[0])
    p, low, high = found.estimate[place], found.low[place], found.high[place]
    return float(p), float(low), float(high), tail.flights
