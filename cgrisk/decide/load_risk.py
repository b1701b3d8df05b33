"""The risk of past loads: each at its own planned distance from the certified limits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.decide.load_state import LoadState, scenario_with
from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import FlightModel, prepare
from cgrisk.rare import Meter, Question, fly_pilot, replicate_interval, split_tail
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.score import Score, envelope_score
from cgrisk.rare.seeds import derived_seed
from cgrisk.risk import binomial_interval
from cgrisk.risk.intervals import Interval
from cgrisk.scenario import Scenario

__all__ = ["SIDES", "LoadRisk", "risk_of_load", "risk_of_loads"]

Floats = NDArray[np.float64]

SIDES: Final = ("forward", "aft")
#: Flights that tell whether counting is enough, and hits from which on it is.
_FIRST, _ENOUGH = 4096, 30
#: Flights counted then: for so many hits expected, at most so many times the first.
_WANTED_HITS, _MOST_TIMES = 100, 4
_REPLICATES, _PARTICLES = 10, 300
#: Where the pilot sees no flight outside, it has been asked for so many times less than the reach
#: (and goes deeper by its own margin), and splitting goes so many times deeper than the reach.
_PILOT_FURTHER: Final = 3.0
_FURTHER: Final = 10.0
_DEEPEST: Final = 1e-12
#: Where a bound is looked for, in times that: thresholds at 0.8, 0.3 and 0.1 of the reach.
_BOUND_AT: Final = (8.0, 3.0, 1.0)
_METHODS: Final = (
    "counting, exact binomial (Clopper-Pearson)",
    "multilevel splitting, t interval on the logarithm",
    "bound: beyond the reach asked for",
)
_COUNTED, _SPLIT, _BOUND = range(3)
#: How much rarer than the pilot's rough answer splitting goes.
_DEEPER: Final = 0.25


@dataclass(frozen=True, slots=True)
class LoadRisk:
    """Risk per flight that a load leaves the certified envelope on a side.

    Attributes
    ----------
    side : str
        forward or aft.
    distance_pct_mac : float
        Planned distance to the certified limit, as a shift of the zero-fuel CG.
    estimate, low, high : float
        0 where the risk is beyond reach; then ``high`` is a bound.
    method : str
        How it was found.
    flights : int
        Flights flown for it.
    """

    side: str
    distance_pct_mac: float
    estimate: float
    low: float
    high: float
    method: str
    flights: int

    @property
    def bound_only(self) -> bool:
        """Whether no more than an upper bound is known."""
        return self.estimate == 0.0


def risk_of_load(
    model: FlightModel,
    *,
    side: str,
    seed: int,
    reach: float = 1e-7,
    confidence: float = 0.95,
    jobs: int = -1,
    meter: Meter | None = None,
) -> LoadRisk:
    """Return the risk that the planned load leaves the certified envelope on a side.

    Some flights are counted first. Where at least 30 of them are outside, others are counted, on
    their own, and answer with an exact interval. Where not, a pilot tells how rare it is, and
    splitting answers. What is rarer than ``reach`` gets a bound, never below the reach: the upper
    end of the interval, at a lower threshold where nothing was seen at the load's own.

    Parameters
    ----------
    model : FlightModel
        The load, made ready to fly.
    side : str
        forward or aft.
    seed : int
        Resolved seed.
    reach : float
        Probability down to which a risk is followed.
    confidence : float
        Of the interval.
    jobs : int
        Threads; they change no result.
    meter : Meter, optional
        Told of the flights.
    """
    meter = Meter() if meter is None else meter
    score = envelope_score(model, side=side)
    before = meter.flown

    def count(first: int, flights: int) -> int:
        scores = fly_scores(
            model, score=score, seed=seed, first=first, count=flights, jobs=jobs, meter=meter
        )
        return int((scores > score.as_planned).sum())

    hits = count(0, _FIRST)
    if hits >= _ENOUGH:
        times = math.ceil(_WANTED_HITS / hits)
        flights = _FIRST * min(times, _MOST_TIMES)
        found = binomial_interval(count(_FIRST, flights), flights=flights, confidence=confidence)
        code = _COUNTED
    else:
        try:
            found, code = _split(model, score, seed, reach, confidence, jobs, meter)
            if found.high == 1.0:  # splitting tells nothing; the first flights tell a little
                most = binomial_interval(hits, flights=_FIRST, confidence=confidence).high
                found = replace(found, high=most)
        except ComputationError:  # the score does not vary: nothing to split
            found, code = binomial_interval(hits, flights=_FIRST, confidence=confidence), _COUNTED
    return LoadRisk(
        side,
        score.as_planned,
        found.estimate,
        found.low,
        found.high,
        _METHODS[code],
        meter.flown - before,
    )


def _split(
    model: FlightModel,
    score: Score,
    seed: int,
    reach: float,
    confidence: float,
    jobs: int,
    meter: Meter,
) -> tuple[Interval, int]:
    """Return what splitting says, and by which method."""

    def ask(target: float) -> Question:
        return Question(
            model=model,
            score=score,
            target=target,
            seed=seed,
            deepest=target,
            confidence=confidence,
            jobs=jobs,
        )

    at, deepest = score.as_planned, max(reach / _FURTHER, _DEEPEST)
    question = ask(deepest)
    pilot = fly_pilot(ask(max(reach / _PILOT_FURTHER, _DEEPEST)), upto=at, meter=meter)
    rough = float(pilot.exceedance(np.array([at]))[0])
    if rough > 0.0:
        question = ask(float(np.clip(_DEEPER * rough, deepest, 0.5)))
    tail = split_tail(
        question,
        pilot=pilot,
        replicates=_REPLICATES,
        particles=_PARTICLES,
        upto=at,
        meter=meter,
    )
    answer = tail.estimate(np.array([at]))
    estimate, low, high = (float(x[0]) for x in (answer.estimate, answer.low, answer.high))
    if estimate >= reach:
        return Interval(estimate, low, high, confidence, _METHODS[_SPLIT]), _SPLIT
    if estimate > 0.0:
        return Interval(0.0, 0.0, max(high, reach), confidence, _METHODS[_BOUND]), _BOUND
    # Rarer than anything seen. A threshold below is exceeded no less often: of a few, settled by
    # the pilot, the lowest upper end is the bound, each with its part of the error (Bonferroni),
    # for the deepest one may rest on a single replicate.
    reached = np.array([pilot.threshold(min(times * deepest, 0.5)) for times in _BOUND_AT])
    part = 1.0 - (1.0 - confidence) / len(_BOUND_AT)
    each = tail.by_replicate(np.sort(reached[reached < at]))
    seen = each.mean(axis=0) > 0.0
    ends = replicate_interval(each, confidence=part)[2][seen]
    high = max(float(ends.min()), reach) if ends.size else 1.0
    return Interval(0.0, 0.0, high, confidence, _METHODS[_BOUND]), _BOUND


def risk_of_loads(
    scenario: Scenario,
    *,
    states: Mapping[LoadState, int],
    seed: int,
    reach: float = 1e-7,
    confidence: float = 0.95,
    jobs: int = -1,
    meter: Meter | None = None,
) -> dict[LoadState, tuple[LoadRisk, LoadRisk]]:
    """Return the risk of each different load, forward and aft.

    Every load has its own flights, so that the errors of their risks are independent. A load that
    is finished is kept on the meter's shelf, if it has one, and is not flown again.

    Parameters
    ----------
    scenario : Scenario
        What all but the load is taken from.
    states : mapping of LoadState to int
        Different loads, from :meth:`LoadScores.distinct`.
    seed : int
        Resolved seed.
    reach, confidence, jobs
        As in :func:`risk_of_load`.
    meter : Meter, optional
        Told of the flights; keeps finished loads.
    """
    if not 0.0 < reach <= 0.5:
        raise UsageError(
            argument="reach",
            expected="a probability above 0 and at most 0.5",
            got=reach,
            cure="Give the risk below which a bound is enough.",
        )
    meter = Meter() if meter is None else meter
    found: dict[LoadState, tuple[LoadRisk, LoadRisk]] = {}
    total, flown = 2 * len(states), 0
    for number, state in enumerate(states):
        pair = []
        there = scenario_with(scenario, state)
        for place, side in enumerate(SIDES):
            done = 2 * number + place
            each = flown / done if done else 30_000.0
            meter.begin(
                f"load {number + 1} of {len(states)}, {side}",
                expected=round((total - done) * each),
            )
            own = derived_seed(seed, "past load", there.digest(), side)

            def fly(side: str = side, own: int = own, there: Scenario = there) -> Floats:
                risk = risk_of_load(
                    prepare(there),
                    side=side,
                    seed=own,
                    reach=reach,
                    confidence=confidence,
                    jobs=jobs,
                    meter=_passed_on(meter),
                )
                code = _METHODS.index(risk.method)
                figures = (risk.distance_pct_mac, risk.estimate, risk.low, risk.high)
                return np.array([*figures, code, risk.flights])

            name = f"past load/{own}/{reach:.17g}/{confidence:.17g}"
            kept = meter.kept(name, lambda fly=fly: {"risk": fly()})["risk"]  # type: ignore[misc]
            distance, estimate, low, high, code, flights = np.asarray(kept, np.float64).tolist()
            flown += int(flights)
            method = _METHODS[int(code)]
            pair.append(LoadRisk(side, distance, estimate, low, high, method, int(flights)))
        found[state] = (pair[0], pair[1])
    return found


def _passed_on(meter: Meter) -> Meter:
    """Return a meter without a shelf that passes flights on: a load is kept when it is whole."""
    last = 0

    def watch(flown: int, _expected: int, _doing: str) -> None:
        nonlocal last
        meter.add(flown - last)
        last = flown

    return Meter(watch)
