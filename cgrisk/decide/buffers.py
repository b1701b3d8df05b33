"""Buffers by sampling: what must come off the certified envelope for a stated risk.

For each zero-fuel mass, side and group of phases: the worst load state is searched for, then the
(1 - a) quantile of the excess D there, by whatever method reaches that deep, with its upper
confidence bound; then how much further it lies at the upper end of the assumption range.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.aircraft import dry_operating
from cgrisk.causes import TailShares, tail_shares
from cgrisk.decide.assumed import AssumedDistance, assumed_distance
from cgrisk.decide.buffer_tables import BUFFER_GROUPS, Buffer, BufferAsk, Buffers
from cgrisk.decide.load_candidates import highest_zero_fuel_kg
from cgrisk.decide.load_search import WorstLoad, load_measures, worst_load
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
from cgrisk.rare.assumptions import wide_cloud
from cgrisk.rare.quantile import TailQuantile, tail_quantile
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.study import kept_cloud
from cgrisk.sampling.workers import shared_jobs
from cgrisk.scenario import Scenario

__all__ = ["BUFFER_GROUPS", "Buffer", "BufferAsk", "Buffers", "default_masses", "find_buffers"]

Floats = NDArray[np.float64]

#: The curve goes this much deeper than the risk, so that its upper bound is within it.
_DEEPER: Final = 0.05
#: Where the bound still does not come down to the risk: tries, each with a smaller relative error.
_TRIES: Final = 4
#: Masses between two of those asked for at which a worse load is looked for.
_BETWEEN: Final = 3
#: Flights of a stage where only the flights themselves are wanted.
_CLOUD_PARTICLES: Final = 300


class _Found(NamedTuple):
    """What is flown again under other assumptions, and by which levels."""

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
    strata = strata_of(model)
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


def _measured_between(
    ask: BufferAsk, meter: Meter
) -> list[tuple[float, float, float, dict[tuple[str, str], float]]]:
    """Return (mass before, mass, mass after, measures) at masses between those asked for."""
    places = tuple((side, group) for side in SIDES for group in ask.groups)
    found = []
    for low, high in pairwise(ask.masses_kg):
        for mass in np.linspace(low, high, _BETWEEN + 2)[1:-1].tolist():
            measures = load_measures(
                ask.scenario,
                mass_kg=mass,
                places=places,
                seed=_search_seed(ask),
                counts=ask.counts,
                jobs=ask.jobs,
                meter=meter,
            )
            found.append((low, mass, high, measures))
    return found


def _humps(
    between: list[tuple[float, float, float, dict[tuple[str, str], float]]],
    at: dict[float, float],
    place: tuple[str, str],
) -> list[float]:
    """Return the masses at which the load strays further than at both masses asked for about it.

    ``at`` holds the measures at the masses asked for. One mass between each two of them at most.
    """
    worst: dict[float, tuple[float, float]] = {}
    for low, mass, high, measures in between:
        value = measures[place]
        if value > max(at[low], at[high], worst.get(low, (-math.inf, 0.0))[0]):
            worst[low] = (value, mass)
    return [mass for _, mass in worst.values()]


def _one(
    ask: BufferAsk, *, side: str, group: str, mass_kg: float, meter: Meter
) -> tuple[Buffer, Question, _Found]:
    load = worst_load(
        ask.scenario,
        mass_kg=mass_kg,
        side=side,
        group=group,
        seed=_search_seed(ask),
        counts=ask.counts,
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
    return buffer, question, _Found(cloud, found.pilot)


def _assumed(
    ask: BufferAsk, buffer: Buffer, question: Question, found: _Found, *, meter: Meter
) -> tuple[AssumedDistance, int]:
    """Return the distance (kg m) that the assumptions add to a buffer, and flights flown."""
    strata = strata_of(question.model)
    cloud, flown = wide_cloud(question, cloud=found.cloud, strata=strata, meter=meter)
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
        pilot=found.pilot,
        meter=meter,
    )
    distance = assumed_distance(told, target=ask.each_risk)
    return AssumedDistance(distance.distance * scale, distance.probability), flown + told.flights


def _at_place(
    ask: BufferAsk,
    between: list[tuple[float, float, float, dict[tuple[str, str], float]]],
    *,
    side: str,
    group: str,
    meter: Meter,
) -> list[Buffer]:
    """Return the buffers of a side and group, from the lightest mass to the heaviest."""
    parts = [_one(ask, side=side, group=group, mass_kg=mass, meter=meter) for mass in ask.masses_kg]
    at = {b.mass_kg: max(v for _, v in b.load.by_count) for b, _, _ in parts}
    parts += [
        _one(ask, side=side, group=group, mass_kg=mass, meter=meter)
        for mass in _humps(between, at, (side, group))
    ]
    parts.sort(key=lambda part: part[0].mass_kg)
    buffers = [buffer for buffer, _, _ in parts]
    if ask.draws == 0:
        return buffers
    place = int(np.argmax([buffer.upper_kgm for buffer in buffers]))
    told = {n: _assumed(ask, *parts[n], meter=meter) for n in sorted({0, place})}
    for n, b in enumerate(buffers):
        source = n if n in told else place
        distance, flown = told[source]
        buffers[n] = replace(
            b,
            assumed_kgm=distance.distance,
            assumed_at=distance.probability,
            assumed_from_kg=buffers[source].mass_kg,
            flights=b.flights + (flown if n == source else 0),
        )
    return buffers


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
    between = _measured_between(ask, meter)
    places = [(side, group) for side in SIDES for group in ask.groups]
    outer, inner = shared_jobs(ask.jobs, tasks=len(places))
    each = Parallel(n_jobs=outer, backend="threading")(
        delayed(_at_place)(replace(ask, jobs=inner), between, side=side, group=group, meter=meter)
        for side, group in places
    )
    found = tuple(buffer for buffers in each for buffer in buffers)
    return Buffers(ask, found, prepare(ask.scenario), sum(b.flights for b in found))
