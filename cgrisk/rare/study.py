"""A whole tail: curve, method of each stretch, both ranges, the fleet, and the inverse."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from cgrisk.errors import CgriskError, ComputationError
from cgrisk.flight import FlightModel
from cgrisk.rare.assumptions import (
    AssumptionRange,
    assumption_range,
    by_aircraft,
)
from cgrisk.rare.choice import (
    Choice,
    answer,
    begun_tilting,
    check_method,
    choose,
    tilt,
)
from cgrisk.rare.cloud import Cloud, cloud_of, fly_rows
from cgrisk.rare.counting import kept_scores
from cgrisk.rare.curve import between, further
from cgrisk.rare.estimate import TailEstimate
from cgrisk.rare.multilevel import SplitTail, split_tail
from cgrisk.rare.pilot import Pilot, fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.range_ends import fly_range_ends
from cgrisk.rare.redealing import END_REPLICATES
from cgrisk.rare.score import Score
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.strata import Stratum, strata_of
from cgrisk.rare.tail_fit import TailFit, tail_fit
from cgrisk.rare.thresholds import curve_thresholds, located, threshold_at
from cgrisk.rare.tilt_cloud import tilted_cloud
from cgrisk.rare.tilting import TiltedTail
from cgrisk.rare.wider import wide_cloud

__all__ = [
    "Inverse",
    "Study",
    "flown_tail",
    "kept_cloud",
    "study_tail",
]

Floats = NDArray[np.float64]

#: Flights of the tail fit, and those of a small splitting that only serves as a cloud.
_FITTED, _CLOUD_PARTICLES = 20_000, 1000
#: Share of the target down to which that goes beside counted flights, whose curve ends there.
_COUNTED_DEPTH: Final = 0.01
_DRAWS: Final = 64
#: Below this a risk is never told without the share that rests on assumptions.
SMALL_RISK: Final = 1e-4


@dataclass(frozen=True, slots=True)
class Inverse:
    """What meets the target: thresholds, nan where the curve does not reach so far.

    Attributes
    ----------
    estimate : float
        Threshold exceeded with the target probability.
    simulation : float
        The same at the upper end of the simulation interval.
    assumption : float
        The same at the upper end of the assumption range, and of the simulation interval on top.
    unsourced : float
        The same at the upper end of the assumption range alone.
    """

    estimate: float
    simulation: float
    assumption: float
    unsourced: float = math.nan


@dataclass(frozen=True, slots=True)
class Study:
    """All that is known of a tail.

    Attributes
    ----------
    question : Question
    side, group : str
        Of an envelope's score.
    choice : Choice
        Method and reason.
    estimates : tuple of TailEstimate
        Each over its stretch of the curve.
    curve : pandas.DataFrame
        threshold, estimate, low, high, method, assumption_low, assumption_high,
        on_assumptions (share of the risk), fit (the tail fit's estimate, a cross-check).
    inverse : Inverse
    fleet : pandas.DataFrame
        aircraft, estimate, low, high at the target's threshold, worst first.
    assumptions : AssumptionRange or None
    fit : TailFit or None
        Cross-check; None where it could not be made, and then ``notes`` say why.
    cloud : Cloud or None
        Weighted flights, for questions that follow.
    pilot : Pilot
        Whose levels serve those too.
    flights : int
        Flights flown for all of it.
    notes : tuple of str
        What is poor or missing, in plain words.
    """

    question: Question
    side: str
    group: str
    choice: Choice
    estimates: tuple[TailEstimate, ...]
    curve: pd.DataFrame
    inverse: Inverse
    fleet: pd.DataFrame
    assumptions: AssumptionRange | None
    fit: TailFit | None
    cloud: Cloud | None
    pilot: Pilot
    flights: int
    notes: tuple[str, ...]

    def at(self, threshold: float) -> pd.Series:
        """Return the row of the curve at a threshold that is one of its own."""
        place = int(np.abs(self.curve["threshold"].to_numpy() - threshold).argmin())
        return self.curve.iloc[place]


def _joined(estimates: list[TailEstimate]) -> pd.DataFrame:
    frames = [
        pd.DataFrame(
            {
                "threshold": e.thresholds,
                "estimate": e.estimate,
                "low": e.low,
                "high": e.high,
                "method": e.method,
            }
        )
        for e in estimates
    ]
    return pd.concat(frames, ignore_index=True)


def flown_tail(
    question: Question,
    *,
    choice: Choice,
    pilot: Pilot,
    settled: float | None = None,
    meter: Meter,
) -> tuple[Choice, SplitTail | TiltedTail | None, Floats]:
    """Return the choice, what splitting or tilting flies (else None), and the curve's thresholds.

    Where tilting, not asked for by the user, turns out not to work, the choice is splitting.

    Parameters
    ----------
    question : Question
    choice : Choice
        Of the method.
    pilot : Pilot
    settled : float, optional
        Probability down to which the answer must be precise, where not the curve's whole depth.
    meter : Meter
        Told of the flights.
    """
    if choice.method == "tilting":
        begun = choice.begun
        if begun is None:
            begun = begun_tilting(question, pilot=pilot, meter=meter)
        thresholds = curve_thresholds(begun, question=question)
        try:
            tilted = tilt(
                question,
                begun=begun,
                thresholds=thresholds,
                settled=settled,
                next_best=choice.next_best,
            )
        except ComputationError as error:
            if choice.asked:
                raise
            choice = Choice("splitting", f"splitting: {error}", spent=begun.flights)
        else:
            return choice, tilted, thresholds
    tail = None
    if choice.method in ("splitting", "kill-rule"):
        tail = split_tail(question, pilot=pilot, adaptive=choice.method == "kill-rule", meter=meter)
    return choice, tail, curve_thresholds(pilot, question=question, tail=tail)


def kept_cloud(
    question: Question,
    *,
    pilot: Pilot,
    tail: SplitTail | TiltedTail | None,
    meter: Meter,
    particles: int = _CLOUD_PARTICLES,
) -> tuple[Cloud, tuple[Stratum, ...], int]:
    """Return a cloud, its strata, and the flights it took beyond what is there.

    Parameters
    ----------
    question : Question
    pilot : Pilot
    tail : SplitTail or TiltedTail or None
        Whose flights were kept; where there are none, a small splitting is flown.
    meter : Meter
        Told of the flights.
    particles : int
        Of each stage of that.
    """
    if isinstance(tail, TiltedTail):
        return tilted_cloud(tail), pilot.strata, 0
    if tail is not None and tail.replicates[0][0].kept:
        return cloud_of([tail]), tail.strata, 0
    small = split_tail(question, pilot=pilot, particles=particles, meter=meter)
    return cloud_of([small]), small.strata, small.flights - small.pilot_flights


def _ordinary(question: Question, meter: Meter) -> Floats:
    """Return the scores of ordinary flights, independent of all others that answer."""
    meter.begin("tail fit", expected=_FITTED)
    return kept_scores(
        question.model,
        score=question.score,
        seed=derived_seed(question.seed, "tail fit"),
        first=0,
        count=_FITTED,
        jobs=question.jobs,
        meter=meter,
    )


def _fit(question: Question, scores: Floats, thresholds: Floats) -> tuple[TailFit | None, str]:
    try:
        return tail_fit(scores, thresholds=thresholds, confidence=question.confidence), ""
    except CgriskError as error:
        return None, f"no tail fit: {error}"


def study_tail(
    question: Question,
    *,
    side: str,
    group: str = "any",
    method: str = "auto",
    draws: int = _DRAWS,
    meter: Meter | None = None,
) -> Study:
    """Answer a question about a tail, from pilot to assumption range.

    Parameters
    ----------
    question : Question
    side, group : str
        Of the score, where it is an envelope's.
    method : str
        One of :data:`cgrisk.rare.METHODS`.
    draws : int
        Joint draws of what has no source; 0 leaves the assumption range out.
    meter : Meter, optional
        Told of the flights.

    Raises
    ------
    UsageError
        If the method does not fit the scenario.
    ComputationError
        If the score does not vary.
    """
    meter = Meter() if meter is None else meter
    model, score = question.model, question.score
    check_method(question, method)
    pilot = fly_pilot(question, meter=meter)
    choice = choose(question, pilot=pilot, method=method, meter=meter)
    choice, tail, thresholds = flown_tail(question, choice=choice, pilot=pilot, meter=meter)
    ordinary = _ordinary(question, meter)
    at = None
    if choice.method == "counting":
        at, thresholds = located(question, pilot=pilot, scores=ordinary, thresholds=thresholds)
    estimates = answer(
        question,
        choice=choice,
        pilot=pilot,
        tail=tail,
        thresholds=thresholds,
        at=at,
        meter=meter,
    )
    curve = _joined(estimates)
    notes = [text for estimate in estimates for text in estimate.warnings]
    notes += _precision(question, curve)
    reached = curve["estimate"].gt(0.0)
    if not reached.any():
        raise ComputationError(
            f"no flight above {thresholds[0]:.4g} {score.unit} was seen: the target is beyond "
            "reach in this scenario. Ask for a higher target."
        )
    counted = isinstance(tail, SplitTail)  # its pilot is
    flights = max(e.flights for e in estimates) + (0 if counted else pilot.flights) + choice.spent
    fit, why_not = _fit(question, ordinary, thresholds)
    curve["fit"] = np.nan if fit is None else fit.estimate.estimate
    notes += [why_not] if why_not else []
    flights += _FITTED
    open_end = isinstance(tail, TiltedTail)
    at = threshold_at(
        question.target,
        thresholds=thresholds,
        curve=curve["estimate"].to_numpy(),
        open_end=open_end,
    )
    depth = _COUNTED_DEPTH if choice.method == "counting" else 0.0
    shallow = question.no_deeper(depth)
    own, strata, extra = kept_cloud(shallow, pilot=pilot, tail=tail, meter=meter)
    cloud, more = wide_cloud(question, cloud=own, strata=strata, meter=meter)
    flights += extra + more
    fleet = _fleet(model, score, cloud, question, at)
    assumptions = None
    if draws > 0:
        places = further(thresholds)
        answered = between(curve, "estimate", places, beyond=0.0)
        counted_flights = estimates[-1].flights if choice.method == "counting" else None
        assumptions = assumption_range(
            question,
            side=side,
            group=group,
            cloud=cloud,
            thresholds=places,
            draws=draws,
            answer=answered,
            answer_hits=None if counted_flights is None else answered * counted_flights,
            pilot=pilot,
            meter=meter,
        )
        if score.offset_sign:
            assumptions = fly_range_ends(
                assumptions,
                question,
                side=side,
                group=group,
                factor=_interval_factor(question, curve),
                meter=meter,
            )
        flights += assumptions.flights
        notes += _with_range(curve, assumptions, unit=score.unit)
    return Study(
        question=question,
        side=side,
        group=group,
        choice=choice,
        estimates=tuple(estimates),
        curve=curve,
        inverse=_inverse(question, curve, assumptions, open_end=open_end),
        fleet=fleet,
        assumptions=assumptions,
        fit=fit,
        cloud=cloud,
        pilot=pilot,
        flights=flights,
        notes=tuple(notes),
    )


def _with_range(curve: pd.DataFrame, assumptions: AssumptionRange, *, unit: str) -> list[str]:
    """Give a curve its columns of the assumption range; return what is not told of it."""
    thresholds, estimate = curve["threshold"].to_numpy(), curve["estimate"].to_numpy()
    here = np.searchsorted(assumptions.thresholds, thresholds)
    low, high = (ends[here] for ends in assumptions.ends())
    seen = estimate > 0.0
    known = seen & assumptions.known_low()[here]
    known_high = seen & assumptions.known_high()[here]
    curve["assumption_low"] = np.where(known, low, np.nan)
    curve["assumption_high"] = np.where(known_high, high, np.nan)
    share = assumptions.resting_on_assumptions()[here]
    curve["on_assumptions"] = np.where(known, share, np.nan)
    lost: dict[float, str] = {}
    for end, there in (("lower end of the", known), ("upper end of the", known_high)):
        if not there.all():
            first = float(thresholds[~there][0])
            lost[first] = "" if first in lost else f"{end} "
    split = "its draws are split no further, or tell it too roughly."
    few = "too few flights are left there under other assumptions."
    return [
        f"no {end}assumption range from {first:.4g} {unit} on: "
        + (split if end.startswith("lower") and assumptions.split_low.draws else few)
        for first, end in lost.items()
    ]


def _fleet(
    model: FlightModel, score: Score, cloud: Cloud, question: Question, at: float
) -> pd.DataFrame:
    strata = strata_of(model, side=score.side)
    drawn = model.columns.index("aircraft")
    rows = fly_rows(cloud, strata=strata, jobs=question.jobs, needed=(*score.columns, drawn))
    return by_aircraft(
        score.of(rows),
        aircraft=np.nan_to_num(rows[:, drawn]).astype(np.int64),
        weights=cloud.weights(strata),
        replicate=cloud.replicate(),
        threshold=at,
        fleet=model.scenario.operation.fleet,
        confidence=question.confidence,
    )


def _precision(question: Question, curve: pd.DataFrame) -> list[str]:
    """Return a note where the precision asked for at the target was not reached."""
    distance = (np.log(curve["estimate"].clip(lower=1e-300)) - math.log(question.target)).abs()
    row = curve.iloc[int(distance.to_numpy().argmin())]
    if not row["estimate"] > 0.0 or row["low"] >= row["high"]:
        return []
    z = float(stats.norm.ppf(0.5 + 0.5 * question.confidence))
    reached = 0.5 * float(row["high"] - row["low"]) / float(row["estimate"]) / z
    if reached <= 1.5 * question.relative_error:
        return []
    return [
        f"a relative error of {100 * question.relative_error:.3g} % was asked for at the target, "
        f"about {float(f'{100 * reached:.2g}'):g} % was reached. Ask for a smaller one, or allow "
        "more flights."
    ]


def _interval_factor(question: Question, curve: pd.DataFrame) -> float:
    """Return the upper end of the simulation interval over the estimate, next to the target."""
    estimate = curve["estimate"].to_numpy()
    near = int(np.abs(np.log(np.maximum(estimate, 1e-300) / question.target)).argmin())
    return float(curve["high"].iloc[near] / estimate[near]) if estimate[near] > 0.0 else 1.0


def _inverse(
    question: Question,
    curve: pd.DataFrame,
    assumptions: AssumptionRange | None,
    *,
    open_end: bool,
) -> Inverse:
    thresholds = curve["threshold"].to_numpy()
    estimate, high = curve["estimate"].to_numpy(), curve["high"].to_numpy()

    def solve(values: Floats, places: Floats = thresholds) -> float:
        return threshold_at(question.target, thresholds=places, curve=values, open_end=open_end)

    assumed = unsourced = math.nan
    if assumptions is not None:
        places, error = assumptions.thresholds, assumptions.split_high.error
        # On the simulation interval of the curve where the cloud tells, on that of the draws that
        # were split beyond.
        t = float(stats.t.ppf(0.5 + 0.5 * question.confidence, END_REPLICATES - 1))
        factor = np.where(error > 0.0, np.exp(t * error), _interval_factor(question, curve))
        upper = np.minimum(assumptions.ends()[1] * factor, 1.0)
        # Where even the upper draws have too few flights nothing is told: no target is met there.
        upper[~assumptions.known_high()] = 1.0
        upper = np.maximum(upper, between(curve, "high", places, beyond=0.0))
        known = np.flatnonzero(upper < 1.0)
        last = int(known[-1]) + 1 if known.size else 1
        assumed = solve(upper[:last], places[:last])
        unsourced = solve(assumptions.ends()[1][:last], places[:last])
    return Inverse(solve(estimate), solve(high), assumed, unsourced)
