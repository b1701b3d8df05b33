"""What makes a flight come that near: the mean contribution of each cause, given the excess.

At the instant when a flight comes nearest to the limit, its excess over the planned path's least
margin is the sum of what each cause adds to the moment there, of how far the planned path itself is
from its tightest point at that instant, and of what the limit gives or takes because the mass
differs. The means of the parts over the flights at a level therefore add up to the level (Euler's
split of a quantile: D. Tasche, "Risk contributions and performance measurement" (1999), from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.errors import ComputationError
from cgrisk.flight import (
    FlightModel,
    group_phases,
    path_record,
    zero_fuel_scale,
    zone_errors_kgm,
)
from cgrisk.rare import Cloud, Stratum, versions_for

__all__ = ["PARTS", "TailShares", "parts_of_flight", "tail_shares"]

Floats = NDArray[np.float64]

#: Causes whose moment stays as it is from start to end.
_CONSTANT: Final = ("dry", "count", "seating", "mass", "cargo", "rounding")
#: All parts, in the order of the tables.
PARTS: Final = (
    "dry",
    "count",
    "seating",
    "mass",
    "cargo",
    "fuel",
    "movement",
    "service",
    "configuration",
    "rounding",
    "entry",
    "limit and mass",
    "planned path elsewhere",
    "residual",
)
#: Those of the passengers, which the zones split otherwise.
_PASSENGERS: Final = ("count", "seating", "mass")
#: Flights about a level that are looked at.
_NEAR: Final = 400


@dataclass(frozen=True, slots=True)
class TailShares:
    """Contributions to the excess of flights at a level.

    Attributes
    ----------
    table : pandas.DataFrame
        part, mean_pct_mac, standard_error, share (of the mean excess); in the order of
        :data:`PARTS`. The means add up to ``mean``; nothing is scaled.
    zones : pandas.DataFrame
        The same with the passengers' parts (count, seating, mass) by cabin zone in their stead:
        part (the zone's name, or another part's), kind (zone or part), mean_pct_mac,
        standard_error, share. What sits in no zone stands last, where there is such a seat.
    level, mean : float
        Excess asked for, and its balanced mean over the flights looked at (% MAC).
    low, high : float
        Excess of the flights looked at.
    flights : int
        How many they are.
    """

    table: pd.DataFrame
    zones: pd.DataFrame
    level: float
    mean: float
    low: float
    high: float
    flights: int


def _quiet(model: FlightModel, *, service: bool) -> FlightModel:
    """Return a model in which nobody gets up, and no cart or crew member weighs anything."""
    program = model.program
    urge = program.urge._replace(seat_rate_per_s=0.0 * program.urge.seat_rate_per_s)
    crowd = program.crowd._replace(sign_off_share=0.0, surge_probability=0.0)
    served = program.service
    if not service:
        served = served._replace(
            mass_kg=0.0 * served.mass_kg,
            tray_kg=0.0 * served.tray_kg,
            returned=0.0 * served.returned,
            crew_mass_kg=0.0,
        )
    return replace(model, program=program._replace(urge=urge, crowd=crowd, service=served))


def _limit_arm(model: FlightModel, phase: Floats, side: int, mass: Floats) -> Floats:
    """Return the certified limit (an arm, m) of each phase at each mass."""
    limit, out = model.program.limit, np.empty(mass.size)
    for number in np.unique(phase).astype(np.int64):
        here = phase == number
        first = int(limit.start[2 * number + side])
        last = first + int(limit.pieces[2 * number + side])
        low = limit.mass_low_kg[first:last]
        piece = first + np.clip(np.searchsorted(low, mass[here], side="left") - 1, 0, None)
        out[here] = limit.intercept_m[piece] + limit.slope_m[piece] * mass[here]
    return out


class _Nearest(NamedTuple):
    """Where a path is nearest to the limit: time (s), mass (kg), its moment, that of the limit."""

    time_s: float
    mass_kg: float
    moment_kgm: float
    limit_kgm: float


def _nearest(model: FlightModel, path: Floats, side: int, phases: NDArray[np.int64]) -> _Nearest:
    inside = path[np.isin(path[:, 3], phases)]
    mass, moment = inside[:, 1], inside[:, 2]
    at_limit = _limit_arm(model, inside[:, 3], side, mass) * mass
    toward = 1.0 if side == 1 else -1.0
    place = int((toward * (at_limit - moment)).argmin())
    return _Nearest(*(float(x[place]) for x in (inside[:, 0], mass, moment, at_limit)))


def _moment_at(path: Floats, time: float) -> float:
    return float(np.interp(time, path[:, 0], path[:, 2]))


class _Splitter(NamedTuple):
    """What splits the excess of one flight after the other of a model."""

    model: FlightModel
    phases: NDArray[np.int64]
    side: int
    served: FlightModel
    still: FlightModel
    planned: Floats
    planned_nearest: _Nearest
    columns: dict[str, int]


def _splitter(model: FlightModel, *, side: str, group: str) -> _Splitter:
    number = 1 if side == "aft" else 0
    phases = np.array([model.phases.index(p) for p in group_phases(model)[group]], dtype=np.int64)
    frame = model.planned
    numbers = frame["phase"].cat.codes.to_numpy()
    planned = np.column_stack([frame[["time_s", "mass_kg", "moment_kgm"]].to_numpy(), numbers])
    names = (*_CONSTANT, "fuel")
    return _Splitter(
        model=model,
        phases=phases,
        side=number,
        served=_quiet(model, service=True),
        still=_quiet(model, service=False),
        planned=planned,
        planned_nearest=_nearest(model, planned, number, phases),
        columns={name: model.columns.index(f"take_off_error_kgm.{name}") for name in names},
    )


def parts_of_flight(
    model: FlightModel,
    *,
    side: str,
    group: str,
    row: Floats,
    seed: int,
    flight: int,
    versions: NDArray[np.uint32] | None = None,
    entry: bool = False,
) -> Floats:
    """Return the parts of one flight's excess toward a side (% MAC), the residual left at 0.

    Parameters
    ----------
    model : FlightModel
        That flies it.
    side, group : str
        Of the excess.
    row : float64 array, shape (columns,)
        Its figures.
    seed, flight, versions
        Which flight.
    entry : bool
        Whether the load sheet has an error: then fuel is told as at take-off, and the error of the
        sheet is what is left.

    Returns
    -------
    float64 array, shape (len(PARTS),)
        In the order of :data:`PARTS`.
    """
    splitter = _splitter(model, side=side, group=group)
    return _parts(splitter, row=row, seed=seed, flight=flight, versions=versions, entry=entry)


def _parts(
    splitter: _Splitter,
    *,
    row: Floats,
    seed: int,
    flight: int,
    versions: NDArray[np.uint32] | None,
    entry: bool,
) -> Floats:
    model, columns = splitter.model, splitter.columns
    toward, scale = (1.0 if splitter.side else -1.0), zero_fuel_scale(model)
    reference = model.program.sheet.take_off_arm_m
    path, served, still = (
        path_record(of, seed=seed, flight=flight, versions=versions)
        for of in (model, splitter.served, splitter.still)
    )
    near, plan = _nearest(model, path, splitter.side, splitter.phases), splitter.planned_nearest
    time, mass, moment = near.time_s, near.mass_kg, near.moment_kgm
    then_mass = float(np.interp(time, splitter.planned[:, 0], splitter.planned[:, 1]))
    then_moment = _moment_at(splitter.planned, time)
    parts = dict.fromkeys(PARTS, 0.0)
    for name in _CONSTANT:
        parts[name] = float(row[columns[name]])
    without, with_service = (_moment_at(p, time) for p in (still, served))
    parts["service"] = with_service - without
    parts["movement"] = moment - with_service
    travel = model.program.configuration
    parts["configuration"] = float(np.interp(time, travel.time_s, travel.moment_kgm))
    whole = moment - then_moment - reference * (mass - then_mass)
    if entry:
        parts["fuel"] = float(row[columns["fuel"]])
    parts["entry" if entry else "fuel"] = whole - sum(parts.values())
    elsewhere = then_moment - plan.moment_kgm - reference * (then_mass - plan.mass_kg)
    parts["planned path elsewhere"] = elsewhere
    parts["limit and mass"] = plan.limit_kgm - near.limit_kgm + reference * (mass - plan.mass_kg)
    return np.array([toward * parts[name] / scale for name in PARTS])


def tail_shares(
    model: FlightModel,
    *,
    side: str,
    group: str,
    cloud: Cloud,
    strata: tuple[Stratum, ...],
    rows: Floats,
    scores: Floats,
    level: float,
    flights: int = _NEAR,
) -> TailShares:
    """Return the mean contribution of each cause to the excess of the flights at a level.

    Parameters
    ----------
    model : FlightModel
        The scenario.
    side, group : str
        Of the excess.
    cloud : Cloud
        Weighted flights.
    strata : tuple of Stratum
        Of the scenario.
    rows : float64 array, shape (len(cloud), columns)
        Figures of the cloud's flights.
    scores : float64 array, shape (len(cloud),)
        Their excess.
    level : float
        Excess at which the split is wanted.
    flights : int
        Flights nearest to the level that are looked at, at most half of them on each side, in a
        window that reaches as far to one side as to the other.

    Raises
    ------
    ComputationError
        If the cloud has fewer than 20 flights on either side of the level.
    """
    weights = cloud.weights(strata)
    counted = np.flatnonzero(weights > 0.0)
    below = counted[scores[counted] <= level]
    above = counted[scores[counted] > level]
    if min(below.size, above.size) < 20:
        raise ComputationError(
            f"only {above.size} flights above {level:.4g} % MAC and {below.size} at or below it: "
            "too few to split the excess there. Choose a level between, or more flights."
        )
    below = below[np.argsort(-scores[below], kind="stable")][: flights // 2]
    above = above[np.argsort(scores[above], kind="stable")][: flights // 2]
    # As wide on one side as on the other, so that the mean is near the level; 20 flights at least.
    reach = min(level - scores[below[-1]], scores[above[-1]] - level)
    reach = max(reach, level - scores[below[19]], scores[above[19]] - level)
    near = np.sort(np.concatenate([below, above]))
    near = near[np.abs(scores[near] - level) <= reach]
    by_name = {stratum.name: stratum.model for stratum in strata}
    parts, start = np.empty((near.size, len(PARTS))), 0
    zones = np.empty((near.size, len(model.plan.zones) + 1))
    per_pct = (1.0 if side == "aft" else -1.0) / zero_fuel_scale(model)
    for part in cloud.parts:
        stop = start + len(part.particles)
        places = np.flatnonzero((near >= start) & (near < stop))
        if places.size:
            own = by_name[part.name]
            versions = versions_for(part, model=own)
            here = near[places] - start
            zones[places] = per_pct * zone_errors_kgm(
                own,
                seed=part.seed,
                flights=part.particles.flights[here],
                versions=versions[here],
            )
            splitter = _splitter(own, side=side, group=group)
            for place in places:
                k = int(near[place]) - start
                parts[place] = _parts(
                    splitter,
                    row=rows[near[place]],
                    seed=part.seed,
                    flight=int(part.particles.flights[k]),
                    versions=versions[k : k + 1],
                    entry=own.scenario is not model.scenario,
                )
        start = stop
    parts[:, -1] = scores[near] - parts[:, :-1].sum(axis=1)
    weight, replicate = _centred(weights[near], scores[near], level), cloud.replicate()[near]
    total = float(weight @ scores[near] / weight.sum())
    table = _means(PARTS, parts, weight, replicate, total)
    # An error on the sheet moves the planned counts: what the zones then lack stands as entry.
    people = [PARTS.index(name) for name in _PASSENGERS]
    others = [i for i in range(len(PARTS)) if i not in people]
    slack = parts[:, people].sum(axis=1) - zones.sum(axis=1)
    rest = parts[:, others].copy()
    rest[:, [PARTS[i] for i in others].index("entry")] += slack
    used = zones.any(axis=0) | (np.arange(zones.shape[1]) < len(model.plan.zones))
    names = [*model.plan.zones, "no zone"]
    by_zone = _means(
        (*(n for n, u in zip(names, used, strict=True) if u), *(PARTS[i] for i in others)),
        np.column_stack([zones[:, used], rest]),
        weight,
        replicate,
        total,
    )
    by_zone.insert(1, "kind", ["zone"] * int(used.sum()) + ["part"] * len(others))
    low, high = float(scores[near].min()), float(scores[near].max())
    return TailShares(table, by_zone, level, total, low, high, int(near.size))


def _centred(weight: Floats, scores: Floats, level: float) -> Floats:
    """Return weights under which the mean score is the level.

    The two sides of a level come from stages of splitting whose flights stand for very different
    probabilities; each side keeps its own weights, and both together are balanced so that the means
    of the parts are those at the level, straight between the means of the sides.
    """
    above = scores > level
    low = float(weight[~above] @ scores[~above] / weight[~above].sum())
    high = float(weight[above] @ scores[above] / weight[above].sum())
    part = (level - low) / (high - low)
    out = weight.copy()
    out[~above] *= (1.0 - part) / weight[~above].sum()
    out[above] *= part / weight[above].sum()
    return out


def _means(
    names: tuple[str, ...],
    parts: Floats,
    weight: Floats,
    replicate: NDArray[np.int64],
    total: float,
) -> pd.DataFrame:
    """Return the weighted mean of each part, its standard error, and its share of the total."""
    mean = weight @ parts / weight.sum()
    return pd.DataFrame(
        {
            "part": names,
            "mean_pct_mac": mean,
            "standard_error": _errors(parts, weight, replicate),
            "share": mean / total,
        }
    )


def _errors(parts: Floats, weight: Floats, replicate: NDArray[np.int64]) -> Floats:
    """Return standard errors of weighted means, leaving out one replicate at a time."""
    numbers = np.unique(replicate)
    if numbers.size < 2:
        return np.full(parts.shape[1], np.nan)
    left = []
    for number in numbers:
        rest = replicate != number
        left.append(weight[rest] @ parts[rest] / weight[rest].sum())
    spread = np.array(left)
    count = numbers.size
    return np.asarray(np.sqrt((count - 1) * ((spread - spread.mean(axis=0)) ** 2).mean(axis=0)))
