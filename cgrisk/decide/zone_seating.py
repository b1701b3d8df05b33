"""Where the people counted in a zone really sit, and which arm of the zone is right on average.

The load sheet gives everyone counted in a zone one arm. The centroid of the zone's seats is right
on average when seats are taken at random or all are taken. Where people choose, fill windows
first, or sit from one end, the mean arm of the occupied seats is another; using it takes the bias
away, not the scatter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import zone_arms
from cgrisk.errors import ComputationError
from cgrisk.flight import FlightModel, passengers_aboard, zero_fuel_scale
from cgrisk.flight.paper_masses import (
    adult_standard_kg,
    child_standard_kg,
    zone_mass_on_sheet_kg,
)

__all__ = ["ZoneArms", "closed_form_arm", "zone_arm_study"]

Floats = NDArray[np.float64]

#: A bias counts when it is further than this many standard errors from none.
_SURE = 4.0
#: Flights loaded at a time.
_BATCH = 2048


@dataclass(frozen=True, slots=True)
class ZoneArms:
    """Two arms for each zone, and what the better one gains.

    Attributes
    ----------
    rule : str
        Seating rule of the operation.
    zone : tuple of str
        Names.
    passengers : tuple of int
        Planned in each zone.
    centroid_m, sheet_m : tuple of float
        Centroid of the seats, and the arm the load sheet has now.
    occupied_m, occupied_se_m : tuple of float
        Mean arm of the people counted there, and its standard error; the centroid where nobody is.
    alone_m : tuple of float or None
        The same in closed form if everyone travelled alone and nobody changed seats; None where
        the rule has no closed form.
    bias_kgm, bias_se_kgm : tuple of float
        Mean moment of the people of the zone less that of the load sheet with seat centroids.
    total_bias_kgm, total_bias_se_kgm : float
        Over all zones.
    visible_kgm : float
        Moment that the load sheet can show: the step of its CG.
    scale_kgm : float
        Moment that shifts the planned zero-fuel CG by 1 % MAC.
    flights : int
        Sampled.
    whole_cabin : bool
        Whether people sit anywhere, whatever zone counts them.
    use_occupied : bool
        Whether the bias of some zone is sure and large enough to be seen: an uneven load does not
        let it cancel against that of others.
    """

    rule: str
    zone: tuple[str, ...]
    passengers: tuple[int, ...]
    centroid_m: tuple[float, ...]
    sheet_m: tuple[float, ...]
    occupied_m: tuple[float, ...]
    occupied_se_m: tuple[float, ...]
    alone_m: tuple[float, ...] | None
    bias_kgm: tuple[float, ...]
    bias_se_kgm: tuple[float, ...]
    total_bias_kgm: float
    total_bias_se_kgm: float
    visible_kgm: float
    scale_kgm: float
    flights: int
    whole_cabin: bool
    use_occupied: bool


def closed_form_arm(
    arm_m: Floats, position: NDArray[np.int64], *, taken: int, rule: str
) -> float | None:
    """Return the expected mean arm of the taken seats of a zone, everyone alone; None if unknown.

    Under ``window_first`` windows, then aisle seats, then the rest are taken; those of a turn that
    is not taken whole are a random sample of it, whose mean is expected at that of the turn.

    Parameters
    ----------
    arm_m, position : arrays, shape (N,)
        Open seats of the zone.
    taken : int
        1 to N.
    rule : str
        Seating rule.
    """
    turns = {
        "random": np.zeros(arm_m.size),
        "window_first": np.array([0.0, 2.0, 1.0])[position],
        "from_front": arm_m,
        "from_rear": -arm_m,
    }
    if rule not in turns:
        return None
    left, moment = taken, 0.0
    for turn in np.unique(turns[rule]):
        here = arm_m[turns[rule] == turn]
        count = min(left, here.size)
        moment += count * float(here.mean())
        left -= count
    return moment / taken


def _sampled(model: FlightModel, *, seed: int, flights: int) -> Floats:
    """Return mass and moment by region at standard masses, shape (flights, 2 regions)."""
    operation, cabin = model.scenario.operation, model.program.cabin
    adult_kg, child_kg = adult_standard_kg(operation), child_standard_kg(operation)
    regions = cabin.region_start.size - 1
    out = np.empty((flights, 2 * regions))
    for start in range(0, flights, _BATCH):
        rows = slice(start, min(start + _BATCH, flights))
        numbers = np.arange(rows.start, rows.stop, dtype=np.uint32)
        seat, _, child = passengers_aboard(model, seed=seed, flights=numbers)
        mass = np.where(child, child_kg, adult_kg) * (seat >= 0)
        moment = mass * cabin.arm_m[seat]
        for region in range(regions):
            first = int(cabin.region_first_person[region])
            count = int(cabin.region_start[region + 1] - cabin.region_start[region])
            here = slice(first, first + count)
            out[rows, 2 * region] = mass[:, here].sum(axis=1)
            out[rows, 2 * region + 1] = moment[:, here].sum(axis=1)
    return out


def zone_arm_study(
    model: FlightModel, *, seed: int, flights: int, visible_pct: float = 0.1
) -> ZoneArms:
    """Sample where the people counted in each zone sit, and judge which arm to use.

    Where people may sit in the whole cabin (scope ``cabin``), nobody belongs to a zone: the bias
    of the whole load sheet is then shared out, so that all zones' arms move by the same distance.

    Parameters
    ----------
    model : FlightModel
        The scenario with the zones to judge.
    seed : int
        Resolved seed.
    flights : int
        At least 2.
    visible_pct : float
        A bias of one zone counts from here, % MAC of the planned zero-fuel CG; the step to which
        load sheets commonly round it (common practice, no published source).

    Raises
    ------
    ComputationError
        If there are fewer than two flights.
    """
    if flights < 2:
        raise ComputationError("arms need two flights at least. Ask for more flights.")
    plan, scenario = model.plan, model.scenario
    operation = scenario.operation
    zones = len(operation.zones)
    centroid = np.array([float(plan.arm_m[plan.zone == z].mean()) for z in range(zones)])
    count = np.array([zone.adults + zone.children for zone in operation.zones])
    planned = np.array([zone_mass_on_sheet_kg(operation, z) for z in operation.zones])
    sampled = _sampled(model, seed=seed, flights=flights)
    mass, moment = sampled[:, 0::2], sampled[:, 1::2]
    if operation.seating.scope == "cabin":
        share = planned / planned.sum() if planned.sum() > 0.0 else np.zeros(zones)
        middle = float(share @ centroid)
        excess = (moment - middle * mass) * share
        mass = mass * share
    else:
        excess = moment - centroid * mass
    bias, bias_se = excess.mean(axis=0), excess.std(axis=0, ddof=1) / math.sqrt(flights)
    mean_mass = np.where(mass.mean(axis=0) > 0.0, mass.mean(axis=0), 1.0)
    shift = bias / mean_mass
    shift_se = (excess - shift * mass).std(axis=0, ddof=1) / math.sqrt(flights) / mean_mass
    total = excess.sum(axis=1)
    total_se = float(total.std(ddof=1)) / math.sqrt(flights)
    scale = zero_fuel_scale(model)
    worth = (np.abs(bias) > _SURE * bias_se) & (np.abs(bias) > visible_pct * scale)
    return ZoneArms(
        rule=operation.seating.rule,
        zone=tuple(zone.name for zone in operation.zones),
        passengers=tuple(int(n) for n in count),
        centroid_m=tuple(centroid.tolist()),
        sheet_m=tuple(zone_arms(scenario, plan).tolist()),
        occupied_m=tuple((centroid + shift).tolist()),
        occupied_se_m=tuple(shift_se.tolist()),
        alone_m=_alone(model, count, centroid),
        bias_kgm=tuple(bias.tolist()),
        bias_se_kgm=tuple(bias_se.tolist()),
        total_bias_kgm=float(total.mean()),
        total_bias_se_kgm=total_se,
        visible_kgm=visible_pct * scale,
        scale_kgm=scale,
        flights=flights,
        whole_cabin=operation.seating.scope == "cabin",
        use_occupied=bool(worth.any()),
    )


def _alone(
    model: FlightModel, count: NDArray[np.int64], centroid: Floats
) -> tuple[float, ...] | None:
    """Return the closed forms of all zones, where the rule has one and people keep to zones."""
    plan, seating = model.plan, model.scenario.operation.seating
    if seating.scope == "cabin":
        return None
    found = []
    for zone, taken in enumerate(count):
        here = (plan.zone == zone) & ~plan.blocked
        arm = float(centroid[zone])
        if taken:
            form = closed_form_arm(
                plan.arm_m[here], plan.position[here], taken=int(taken), rule=seating.rule
            )
            if form is None:
                return None
            arm = form
        found.append(arm)
    return tuple(found)
