"""Buffers by sampling: what must come off the certified envelope for a stated risk.

For each zero-fuel mass, side and group of phases: the worst load state is searched for, then the
(1 - a) quantile of the excess D there, by whatever method reaches that deep, with its upper
confidence bound; then how much further it lies at the upper end of the assumption range.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final, NamedTuple, TypeVar

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.aircraft import dry_operating
from cgrisk.causes import TailShares, tail_shares
from cgrisk.decide.assumed import AssumedDistance, assumed_distance
from cgrisk.decide.buffer_tables import BUFFER_GROUPS, Buffer, BufferAsk, Buffers
from cgrisk.decide.load_candidates import highest_zero_fuel_kg
from cgrisk.decide.load_search import WorstLoad, load_measures, loads_as_flights, worst_load
from cgrisk.decide.load_state import scenario_with
from cgrisk.errors import ComputationError
from cgrisk.flight import SIDES, prepare, zero_fuel_scale
from cgrisk.rare import (
    Cloud,
    Meter,
    Pilot,
    Question,
    assumption_range,
    envelope_score,
    fly_rows,
    strata_of,
)
from cgrisk.rare.quantile import TailQuantile, tail_quantile
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.study import kept_cloud
from cgrisk.rare.wider import wide_cloud
from cgrisk.sampling.workers import shared_jobs
from cgrisk.scenario import Scenario

__all__ = ["BUFFER_GROUPS", "Buffer", "BufferAsk", "Buffers", "default_masses", "find_buffers"]

Floats = NDArray[np.float64]
#: Side, group of phases, zero-fuel mass (kg).
_Key = tuple[str, str, float]
_T = TypeVar("_T")

#: The curve goes this much deeper than the risk, so that its upper bound is within it.
_DEEPER: Final = 0.05
#: Where the bound still does not come down to the risk: tries, each with a smaller relative error.
_TRIES: Final = 4
#: Masses between two of those asked for at which a worse load is looked for.
_BETWEEN: Final = 3
#: Flights of a stage where only the flights themselves are wanted.
_CLOUD_PARTICLES: Final = 300


class _Part(NamedTuple):
    """A buffer, its question, and what is flown again under other assumptions, by which levels."""

    buffer: Buffer
    question: Question
    cloud: Cloud
    pilot: Pilot


def default_masses(scenario: Scenario, *, count: int = 4) -> tuple[float, ...]:
    """Return zero-fuel masses from empty (dry operating mass) to full, closer where it is empty."""
    dry, _ = dry_operating(scenario.aircraft)
    highest = math.floor(highest_zero_fuel_kg(scenario))
    steps = np.linspace(0.0, 1.0, count) ** 1.5
    return tuple(float(m) for m in np.round(dry + (highest - dry) * steps, 1))


def _question(
    ask: BufferAsk, load: WorstLoad, *, side: str, group: str, attempt: int = 0
) -> Question:
    """Return the question of a buffer; each further attempt asks for half the relative error."""
    labels = () if attempt == 0 else (f"attempt {attempt}",)
    model = prepare(scenario_with(ask.scenario, load.state))
    return Question(
        model=model,
        score=envelope_score(model, side=side, group=group),
        target=ask.each_risk,
        seed=derived_seed(
            ask.seed, "buffer", side, group, f"{model.sheet.zero_fuel_mass_kg:.3f}", *labels
        ),
        deepest=max(_DEEPER * 0.5**attempt * ask.each_risk, 1e-12),
        relative_error=max(ask.relative_error * 0.5**attempt, 0.005),
        confidence=min(2.0 * ask.each_confidence - 1.0, 0.9999),
        most_flights=ask.most_flights,
        jobs=ask.jobs,
    )


def _curve(found: TailQuantile, scale: float) -> pd.DataFrame:
    columns = {
        "moment_kgm": np.concatenate([e.thresholds for e in found.curve]) * scale,
        "estimate": np.concatenate([e.estimate for e in found.curve]),
        "low": np.concatenate([e.low for e in found.curve]),
        "high": np.concatenate([e.high for e in found.curve]),
    }
    return pd.DataFrame(columns).sort_values("moment_kgm", ignore_index=True)


def _shares(question: Question, cloud: Cloud, level: float, group: str) -> TailShares | None:
    model, score = question.model, question.score
    strata = strata_of(model, side=score.side)
    rows = fly_rows(cloud, strata=strata, jobs=question.jobs)
    side = model.columns[score.columns[0]].rsplit(".", 1)[-1]
    try:
        return tail_shares(
            model,
            side=side,
            group=group,
            cloud=cloud,
            strata=strata,
            rows=rows,
            scores=score.of(rows),
            level=level,
        )
    except ComputationError:
        return None


def _search_seed(ask: BufferAsk) -> int:
    return derived_seed(ask.seed, "worst load")


#: Measures of the candidates at masses, by mass, then side and group.
_Measures = dict[float, dict[tuple[str, str], Floats]]


def _masses_between(ask: BufferAsk) -> dict[float, tuple[float, float]]:
    """Return masses between those asked for, with the two about each."""
    return {
        mass: (low, high)
        for low, high in pairwise(ask.masses_kg)
        for mass in np.linspace(low, high, _BETWEEN + 2)[1:-1].tolist()
    }


def _measured(ask: BufferAsk, masses: Iterable[float], meter: Meter) -> _Measures:
    """Return how far the candidates' loads stray at masses."""
    places = tuple((side, group) for side in SIDES for group in ask.groups)
    return {
        mass: load_measures(
            ask.scenario,
            mass_kg=mass,
            places=places,
            seed=_search_seed(ask),
            counts=ask.counts,
            jobs=ask.jobs,
            meter=meter,
        )
        for mass in masses
    }


def _humps(ask: BufferAsk, measures: _Measures, place: tuple[str, str]) -> list[float]:
    """Return the masses at which the load strays further than at both masses asked for about it.

    One mass between each two of them at most.
    """
    worst: dict[float, tuple[float, float]] = {}
    for mass, (low, high) in _masses_between(ask).items():
        value, *about = (float(measures[m][place].max()) for m in (mass, low, high))
        if value > max(*about, worst.get(low, (-math.inf, 0.0))[0]):
            worst[low] = (value, mass)
    return [mass for _, mass in worst.values()]


def _one(
    ask: BufferAsk, *, side: str, group: str, mass_kg: float, measures: _Measures, meter: Meter
) -> _Part:
    load = worst_load(
        ask.scenario,
        mass_kg=mass_kg,
        side=side,
        group=group,
        seed=_search_seed(ask),
        counts=ask.counts,
        measures=measures[mass_kg][(side, group)],
        jobs=ask.jobs,
        meter=meter,
    )
    flown = load.flights
    for attempt in range(_TRIES):
        question = _question(ask, load, side=side, group=group, attempt=attempt)
        found = tail_quantile(question, meter=meter)
        flown += found.flights
        if math.isfinite(found.upper) and math.isfinite(found.estimate):
            break
    if not math.isfinite(found.upper) or not math.isfinite(found.estimate):
        raise ComputationError(
            f"the curve of the {side} excess at {mass_kg:,.0f} kg does not settle a risk of "
            f"{ask.each_risk:g}: its upper bound stays above it. Ask for a smaller relative error, "
            "more flights, or a higher risk."
        )
    cloud, _, more = kept_cloud(
        question, pilot=found.pilot, tail=found.tail, meter=meter, particles=_CLOUD_PARTICLES
    )
    scale = zero_fuel_scale(question.model)
    buffer = Buffer(
        side=side,
        group=group,
        mass_kg=mass_kg,
        scale_kgm=scale,
        load=load,
        estimate_kgm=found.estimate * scale,
        upper_kgm=found.upper * scale,
        assumed_kgm=math.nan,
        assumed_at=math.nan,
        assumed_from_kg=math.nan,
        curve=_curve(found, scale),
        shares=_shares(question, cloud, found.estimate, group),
        method=found.method,
        flights=flown + more,
        notes=found.notes,
    )
    return _Part(buffer, question, cloud, found.pilot)


def _assumed(ask: BufferAsk, part: _Part, *, meter: Meter) -> tuple[AssumedDistance, int]:
    """Return the distance (kg m) that the assumptions add to a buffer, and flights flown."""
    buffer, question = part.buffer, replace(part.question, jobs=ask.jobs)
    strata = strata_of(question.model, side=question.score.side)
    cloud, flown = wide_cloud(question, cloud=part.cloud, strata=strata, meter=meter)
    scale = zero_fuel_scale(question.model)
    level = buffer.estimate_kgm / scale
    reach = max(abs(level), 1.0)
    thresholds = level + reach * np.linspace(-0.75, 1.0, 71)
    told = assumption_range(
        question,
        side=buffer.side,
        group=buffer.group,
        cloud=cloud,
        thresholds=thresholds,
        draws=ask.draws,
        pilot=part.pilot,
        meter=meter,
    )
    distance = assumed_distance(told, target=ask.each_risk)
    return AssumedDistance(distance.distance * scale, distance.probability), flown + told.flights


def _heaviest_first(parts: Sequence[tuple[str, str, float]]) -> list[tuple[str, str, float]]:
    """Return places in the order that keeps all threads busy longest.

    Flights in the air take longer than take-off and landing, light aircraft longest of all: their
    worst loads are the most uneven.
    """
    return sorted(parts, key=lambda part: (part[1] != "in_flight", part[2]))


def _with_assumptions(
    place: tuple[str, str], parts: list[_Part], told: dict[_Key, tuple[AssumedDistance, int]]
) -> list[Buffer]:
    """Return the buffers of a side and group with what the assumptions add, by mass.

    Where that was not flown, the distance at the mass with the largest bound is taken.
    """
    buffers = [part.buffer for part in parts]
    if not told:
        return buffers
    largest = buffers[_largest(parts)]
    out = []
    for b in buffers:
        own = (*place, b.mass_kg)
        source = own if own in told else (*place, largest.mass_kg)
        distance, flown = told[source]
        out.append(
            replace(
                b,
                assumed_kgm=distance.distance,
                assumed_at=distance.probability,
                assumed_from_kg=source[2],
                flights=b.flights + (flown if source == own else 0),
            )
        )
    return out


def _largest(parts: list[_Part]) -> int:
    return int(np.argmax([part.buffer.upper_kgm for part in parts]))


def find_buffers(ask: BufferAsk, *, meter: Meter | None = None) -> Buffers:
    """Find all buffers that are asked for.

    Where the load alone strays further at a mass between two of those asked for than at both of
    them (a cabin half full, between an empty and a full one), a buffer is found there too.

    The assumption range is flown at the lightest mass and at the one with the largest bound of each
    side and group; the distance it adds at the latter (kg m) is added at all other masses.

    Parameters
    ----------
    ask : BufferAsk
    meter : Meter, optional
        Told of the flights; its shelf keeps what is finished.

    Raises
    ------
    ComputationError
        If a curve does not come down to the risk.
    """
    meter = Meter() if meter is None else meter
    places = [(side, group) for side in SIDES for group in ask.groups]
    measures = _measured(ask, (*ask.masses_kg, *_masses_between(ask)), meter)

    def side_by_side(keys: Iterable[_Key], work: Callable[[BufferAsk, _Key], _T]) -> dict[_Key, _T]:
        ordered = _heaviest_first(list(keys))
        outer, inner = shared_jobs(ask.jobs, tasks=max(len(ordered), 1))
        own = replace(ask, jobs=inner)
        threads = Parallel(n_jobs=outer, backend="threading", pre_dispatch="all", batch_size=1)
        return dict(zip(ordered, threads(delayed(work)(own, key) for key in ordered), strict=True))

    def one(own: BufferAsk, key: _Key) -> _Part:
        side, group, mass = key
        return _one(own, side=side, group=group, mass_kg=mass, measures=measures, meter=meter)

    masses = {place: (*ask.masses_kg, *_humps(ask, measures, place)) for place in places}
    parts = side_by_side(((*place, mass) for place in places for mass in masses[place]), one)
    by_place = {
        place: sorted(
            (part for key, part in parts.items() if key[:2] == place),
            key=lambda part: part.buffer.mass_kg,
        )
        for place in places
    }

    def assumed(own: BufferAsk, key: _Key) -> tuple[AssumedDistance, int]:
        return _assumed(own, parts[key], meter=meter)

    asked: set[_Key] = set()
    for place, own in by_place.items():
        asked |= {(*place, own[n].buffer.mass_kg) for n in (0, _largest(own)) if ask.draws > 0}
    told = side_by_side(asked, assumed)
    buffers = tuple(
        b for place, own in by_place.items() for b in _with_assumptions(place, own, told)
    )
    searched = loads_as_flights(sum(found[places[0]].size for found in measures.values()))
    flights = searched + sum(b.flights for b in buffers)
    return Buffers(ask, buffers, prepare(ask.scenario), flights)
