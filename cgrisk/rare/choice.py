"""Which method, and why: settled by a pilot, or by the user."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight.party_tilt import leaned_by_party
from cgrisk.rare.counting import count_scores, flights_to_count, sequential_tail
from cgrisk.rare.estimate import TailEstimate, within_reach
from cgrisk.rare.exact import exact_tail, why_not_exact
from cgrisk.rare.lateness import late_start
from cgrisk.rare.multilevel import SplitTail, part_flown, splitting_flights
from cgrisk.rare.pilot import Pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.strata import discrete_strata, errors_of
from cgrisk.rare.thresholds import curve_end
from cgrisk.rare.tilt_aim import leans_all
from cgrisk.rare.tilt_begun import LEAST_TILTED, Begun, begin_tilting
from cgrisk.rare.tilt_walks import people_walk
from cgrisk.rare.tilting import TiltedTail, finish_tilting, why_not_tilted

__all__ = [
    "METHODS",
    "Choice",
    "answer",
    "begun_tilting",
    "check_method",
    "choose",
    "tilt",
    "tilted_error",
]

Floats = NDArray[np.float64]

#: Methods the user may ask for.
METHODS: Final = ("auto", "counting", "splitting", "kill-rule", "tilting", "exact")
#: Flights that tilting takes for 10 % along a whole curve where nobody moves and seats are alike
#: (measured: a pilot of up to 8,000, 400 to 1,500 for each strength).
_TILTED: Final = 20_000.0
#: Elsewhere pilots of its own tell, from so many flights of counting on and of the best other
#: method, of which they take such a share at most; the rest of the curve takes as much again.
_WORTH_A_PROBE, _PROBE, _WHOLE_CURVE = (300_000.0, 40_000.0), 0.2, 2.0
#: Where people move, splitting takes so many times the flights it was tuned on, and so many times
#: more for every factor of ten beyond 1e-5 (measured on the shipped single aisle: where 10 % were
#: asked for, 18 % were reached at 1e-5, 25 % at 1e-6, 88 % at 1e-7).
_MOVED, _MOVED_BEYOND, _MOVED_FROM = 4.0, 4.0, 1e-5
#: What a tilted flight costs, in flights flown, where everybody travels alone (measured: 1 at
#: strength 0, 2 to 3 at the others), where parties are leaned (2 to 7), and where people walk, so
#: that each load is flown several times (1.1 to 1.6).
_TILTED_FLIGHT, _TILTED_PARTIES, _TILTED_WALKS = 2.0, 6.0, 1.5
#: Relative error of tilting at the target, at most, how much is added for each factor of ten from
#: it, and the most asked for on this side of it and beyond.
_TILTED_ERROR, _MORE_BEYOND, _ROUGH, _ROUGHEST = 0.3, 0.3, 0.2, 0.5
#: Thresholds so many times rarer than the curve's deepest are not asked for: the planned load's may
#: be anywhere.
_DEEPER: Final = 0.3
#: Hits expected among splitting's own independent flights from which on they are counted.
_ENOUGH_TO_COUNT: Final = 300.0


@dataclass(frozen=True, slots=True)
class Choice:
    """A method and the reason for it.

    Attributes
    ----------
    method : str
        One of :data:`METHODS` but auto.
    why : str
        In a sentence.
    asked : bool
        Whether the user asked for it.
    begun : Begun or None
        Pilots of tilting, where it took them to choose it.
    spent : int
        Flights of such pilots, where another method was chosen.
    next_best : float
        Flights of the next best method, infinite where none was asked about.
    """

    method: str
    why: str
    asked: bool = False
    begun: Begun | None = field(default=None, repr=False, compare=False)
    spent: int = 0
    next_best: float = math.inf


def tilted_error(question: Question) -> float:
    """Return the relative error that tilting is asked for at the target."""
    return min(question.relative_error, _TILTED_ERROR)


def _strata(question: Question) -> int:
    """Return how many strata tilting goes through, one by one."""
    return len(discrete_strata(question.model, side=question.score.side))


def _cost(flights: float) -> str:
    return f"{float(f'{flights:.2g}'):,.0f}"


def _why_not_exact(question: Question) -> str:
    if any(name for name, _, _ in errors_of(question.model)):
        return "Errors on the load sheet have a probability; the exact law is that of one sheet."
    return why_not_exact(question.model)


def _why_not_tilted(question: Question) -> str:
    least = LEAST_TILTED * _strata(question)
    if question.most_flights < least:
        return f"Its pilots need {least:,} flights; {question.most_flights:,} are allowed."
    return why_not_tilted(question.model, question.score)


def _as_counted_out(question: Question) -> bool:
    """Return whether tilting leans all that varies, so that its cost is known beforehand."""
    return leans_all(question.model) and _strata(question) == 1


def begun_tilting(
    question: Question, *, pilot: Pilot, most: int | None = None, meter: Meter
) -> Begun:
    """Fly tilting's pilots down to the end of a question's curve.

    Parameters
    ----------
    question : Question
    pilot : Pilot
        Tells about where that is.
    most : int, optional
        Flights at most; half of all that are allowed, if not given.
    meter : Meter
        Told of the flights.
    """
    deepest = curve_end(question)
    return begin_tilting(
        question.model,
        score=question.score,
        furthest=pilot.threshold(deepest),
        deepest=deepest,
        seed=question.seed,
        most=question.most_flights // 2 if most is None else most,
        jobs=question.jobs,
        meter=meter,
    )


def _tilting_flights(
    question: Question, pilot: Pilot, counting: float, least: float, meter: Meter
) -> tuple[float, Begun | None]:
    """Return the flights tilting is expected to need, infinite where that is not worth asking.

    ``counting`` are those of counting, ``least`` those of the best other method. With them its
    pilots, where they were flown for it.
    """
    # It does not lean how late a transfer starts: of what rests on that it would see too little.
    if late_start(question.model, side=question.score.side) is not None:
        return math.inf, None
    error = tilted_error(question)
    if _as_counted_out(question):
        return _TILTED * (0.1 / min(error, 0.1)) ** 2, None
    if counting < _WORTH_A_PROBE[0] or least < _WORTH_A_PROBE[1]:
        return math.inf, None
    most = max(LEAST_TILTED * _strata(question), int(_PROBE * least))
    most = min(most, question.most_flights // 2)
    begun = begun_tilting(question, pilot=pilot, most=most, meter=meter)
    at = np.array([begun.threshold(question.target)])
    wanted = sum(plan.flights for plan in begun.plans(at, np.array([error])))
    return begun.flights + _WHOLE_CURVE * wanted if wanted > 0.0 else math.inf, begun


def check_method(question: Question, method: str) -> dict[str, str]:
    """Return why a question can not be answered by exact and tilting, empty where it can.

    Parameters
    ----------
    question : Question
    method : str
        What the user asks for.

    Raises
    ------
    UsageError
        If there is no such method, or the scenario does not admit it.
    """
    if method not in METHODS:
        raise UsageError(
            argument="method",
            expected=f"one of {', '.join(METHODS)}",
            got=method,
            cure="Name one, or leave it out.",
        )
    refused = {"exact": _why_not_exact(question), "tilting": _why_not_tilted(question)}
    if refused.get(method):
        raise UsageError(
            argument="method",
            expected=f"a scenario that {method} can treat",
            got=question.model.scenario.name,
            cure=f"{refused[method]} Choose another method, or auto.",
        )
    return refused


def choose(
    question: Question,
    *,
    pilot: Pilot,
    method: str = "auto",
    counted_error: float | None = None,
    meter: Meter | None = None,
) -> Choice:
    """Return the method for a question.

    Parameters
    ----------
    question : Question
    pilot : Pilot
        Tells how deep the target is in each stratum.
    method : str
        What the user asks for; auto leaves it to the pilot.
    counted_error : float, optional
        Relative error that counting would be asked for, where not the question's.
    meter : Meter, optional
        Told of the flights of tilting's own pilot, where there is one.

    Raises
    ------
    UsageError
        If there is no such method, or the scenario does not admit it.
    """
    refused = check_method(question, method)
    if method != "auto":
        return Choice(method, f"{method}: asked for.", asked=True)
    if not refused["exact"]:
        return Choice("exact", "exact: only seats vary, and their law can be counted out.")
    error = question.relative_error
    counted_error = error if counted_error is None else counted_error
    counting = flights_to_count(question.target, relative_error=counted_error)
    at = np.array([pilot.threshold(question.target)])
    given = np.clip(pilot.by_stratum(at)[:, 0], 1e-12, 0.5)
    shares = np.array([s.probability for s in pilot.strata]) * given
    splitting = pilot.flights + sum(
        splitting_flights(float(p), relative_error=error)
        * part_flown(float(w), stratum=s, target=question.target)
        for s, p, w in zip(pilot.strata, given, shares / shares.sum(), strict=True)
    )
    if not leans_all(question.model):
        beyond = max(math.log10(_MOVED_FROM / question.target), 0.0)
        splitting *= _MOVED * _MOVED_BEYOND**beyond
    wish = f"{100 * error:g} % at {question.target:g}"
    costs = {"counting": counting, "splitting": splitting}
    begun = None
    if not refused["tilting"]:
        meter = Meter() if meter is None else meter
        costs["tilting"], begun = _tilting_flights(
            question, pilot, counting, min(costs.values()), meter
        )
    price = _TILTED_PARTIES if leaned_by_party(question.model) else _TILTED_FLIGHT
    if people_walk(question.model):
        price = _TILTED_WALKS
    prices = {"tilting": price}
    best = min(costs, key=lambda name: costs[name] * prices.get(name, 1.0))
    told = [name for name in costs if name != best and math.isfinite(costs[name])]
    others = ", ".join(f"{name} about {_cost(costs[name])}" for name in told)
    why = f"{best}: for {wish} it needs about {_cost(costs[best])} flights, {others} (pilot)."
    if not refused["tilting"] and late_start(question.model, side=question.score.side) is not None:
        why += " No tilting: it does not lean how late a transfer of fuel starts."
    if counted_error < error:
        why += f" Counting is asked for {100 * counted_error:g} %."
    if "tilting" in (best, *told):
        why += f" A tilted flight takes as long as {price:g} ordinary ones"
        rough = error > _TILTED_ERROR
        why += f"; tilting is asked for {100 * _TILTED_ERROR:g} %." if rough else "."
    if best == "tilting" and not leans_all(question.model):
        why += " Where people move, a pilot of few flights tells its cost only to a factor of ten."
    if refused["tilting"]:
        why += f" No tilting: {refused['tilting'].split(': use ')[0]}."
    if begun is None or best == "tilting":
        others_cost = min((costs[name] for name in told), default=math.inf)
        return Choice(best, why, begun=begun, next_best=others_cost)
    return Choice(best, why, spent=begun.flights)


def tilt(
    question: Question,
    *,
    begun: Begun,
    thresholds: Floats,
    settled: float | None = None,
    next_best: float = math.inf,
) -> TiltedTail:
    """Fly a question's curve by tilting, where :func:`choose` says so.

    Parameters
    ----------
    question : Question
    begun : Begun
        Tilting's pilots, by which flights are planned.
    thresholds : float64 array, shape (n,)
        Rising.
    settled : float, optional
        Probability down to which flights are flown for precision, where that is not the curve's
        whole depth; rarer thresholds are told by the flights of the others.
    next_best : float
        Flights that another method would take: tilting does not go far beyond its plan for more.
    """
    settled = _DEEPER * question.deepest if settled is None else settled
    error = tilted_error(question)
    # Settled by the pilots' flights.
    rough = np.maximum(begun.exceedance(thresholds), 1e-300)
    depth = np.log10(question.target / rough)
    most = np.where(depth > 0.0, _ROUGHEST, _ROUGH)
    errors = np.minimum(error + _MORE_BEYOND * np.abs(depth), np.maximum(most, error))
    # What is told first is told as well as the target, where it is no rarer.
    told = np.isin(thresholds, (question.score.as_planned, question.score.at_limit))
    errors[told & (depth <= 0.0)] = error
    errors[rough < settled] = math.inf
    return finish_tilting(
        begun,
        thresholds=thresholds,
        relative_error=errors,
        most_flights=question.most_flights,
        confidence=question.confidence,
        next_best=next_best,
    )


def answer(
    question: Question,
    *,
    choice: Choice,
    pilot: Pilot,
    tail: SplitTail | TiltedTail | None,
    thresholds: Floats,
    at: float | None = None,
    meter: Meter | None = None,
) -> list[TailEstimate]:
    """Return the estimates by the chosen method, the best for its stretch last.

    Parameters
    ----------
    question, choice, pilot
        What is asked, how it is answered.
    tail : SplitTail or TiltedTail or None
        What was flown by splitting or tilting, where one of them was chosen.
    thresholds : float64 array, shape (n,)
        Rising; one of them is the pilot's threshold of the target.
    at : float, optional
        That of them whose flights above it end a count; the pilot's, if not given.
    meter : Meter, optional
        Told of the flights.

    Returns
    -------
    list of TailEstimate
        Each over its own thresholds, together all of them: splitting counts its own first stage
        where that is enough.
    """
    model, score = question.model, question.score
    confidence, jobs = question.confidence, question.jobs
    if choice.method == "exact":
        return [exact_tail(model, score=score, thresholds=thresholds)]
    if isinstance(tail, TiltedTail):
        return [within_reach(tail.estimate)]
    if choice.method == "counting":
        at = pilot.threshold(question.target) if at is None else at
        at = float(thresholds[np.searchsorted(thresholds, at)])
        if meter is not None:
            wanted = flights_to_count(question.target, relative_error=question.relative_error)
            meter.begin("counting", expected=int(min(1.2 * wanted, question.most_flights)))
        estimate = sequential_tail(
            model,
            score=score,
            thresholds=thresholds,
            at=at,
            seed=question.seed,
            relative_error=question.relative_error,
            most_flights=question.most_flights,
            confidence=confidence,
            jobs=jobs,
            meter=meter,
        )
        return [estimate]
    if tail is None:
        raise ValueError("splitting or tilting without its flights")
    first = tail.first_stage()
    # Settled by the pilot's flights, so that the answer has no say in it.
    expected = first.size * pilot.exceedance(thresholds)
    shallow = np.cumprod(expected >= _ENOUGH_TO_COUNT).astype(bool)
    found = []
    if shallow.any():
        found.append(count_scores(first, thresholds=thresholds[shallow], confidence=confidence))
    if (~shallow).any():
        found.append(tail.estimate(thresholds[~shallow]))
    return found
