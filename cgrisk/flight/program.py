"""From a scenario to the flat arrays that the compiled kernel flies."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import (
    Balance,
    CabinPlan,
    balance_of,
    burn_steps,
    certified_limits,
    dry_operating,
    refuel_steps,
    tank_tables,
)
from cgrisk.flight.columns import SIDES
from cgrisk.flight.contract import IN_FLIGHT
from cgrisk.flight.kernel.data import (
    CabinData,
    ConfigurationData,
    DryData,
    FuelData,
    HoldData,
    LimitData,
    PartyData,
    PathData,
    SheetData,
    TimelineData,
    TransferData,
)
from cgrisk.flight.loadsheet import LoadSheet
from cgrisk.flight.paper_masses import zone_mass_on_sheet_kg
from cgrisk.flight.populations import fleet_scores
from cgrisk.scenario import Scenario

__all__ = [
    "cabin_data",
    "configuration_data",
    "curtailed_limits",
    "dry_data",
    "fuel_data",
    "hold_data",
    "limit_data",
    "no_movement",
    "no_plan",
    "party_data",
    "phase_names",
    "timeline_data",
    "transfer_data",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Shortest travel of gear and flaps, so that their moment stays a function of time (s).
_INSTANT_S = 1e-3
_WINDOW_FIRST = {0: 0.0, 2: 1.0, 1: 2.0}  # position code -> turn: window, aisle, middle


def _floats(values: object) -> Floats:
    return np.array(values, dtype=np.float64, ndmin=1)


def _ints(values: object) -> Ints:
    return np.array(values, dtype=np.int64, ndmin=1)


def _ragged(groups: list[list[int]]) -> tuple[Ints, Ints]:
    """Return (start, flat) of a list of lists."""
    start = np.cumsum([0] + [len(group) for group in groups])
    return _ints(start), np.array([i for group in groups for i in group], dtype=np.int64)


def phase_names(scenario: Scenario) -> tuple[str, ...]:
    """Return the names of the phases in order; a phase without a name has that of its kind."""
    return tuple(phase.name or phase.kind for phase in scenario.operation.phases)


def dry_data(scenario: Scenario) -> DryData:
    """Return dry operating mass and CG with the errors of a representative fleet."""
    doubt, balance = scenario.aircraft.dry_uncertainty, balance_of(scenario.aircraft)
    mass, arm = dry_operating(scenario.aircraft)
    to_m = balance.mac_m / 100.0
    mass_scores, arm_scores = fleet_scores(scenario.operation.fleet)
    return DryData(
        papers_mass_kg=mass,
        papers_arm_m=arm,
        mass_kg=mass + doubt.mass_bias,
        arm_m=arm + doubt.cg_bias * to_m,
        fleet_mass_kg=doubt.mass_sd_aircraft * mass_scores,
        fleet_arm_m=doubt.cg_sd_aircraft * to_m * arm_scores,
        mass_sd_kg=doubt.mass_sd_flight,
        arm_sd_m=doubt.cg_sd_flight * to_m,
    )


def _scores(scenario: Scenario, plan: CabinPlan) -> tuple[Floats, Floats, bool]:
    """Return (base, scale, exponential) of the seats' scores under the seating rule."""
    rule = scenario.operation.seating
    ones = np.ones(plan.arm_m.size)
    if rule.rule == "free":
        by_position = _floats(
            [rule.window_preference, rule.middle_preference, rule.aisle_preference]
        )
        span = float(np.ptp(plan.arm_m)) or 1.0
        forward = (plan.arm_m.max() - plan.arm_m) / span
        weight = by_position[plan.position] * np.exp(rule.forward_preference * forward)
        return 0.0 * ones, 1.0 / weight, True
    if rule.rule == "window_first":
        return _floats([_WINDOW_FIRST[int(code)] for code in plan.position]), ones, False
    rank = np.unique(plan.arm_m, return_inverse=True)[1].astype(np.float64)
    if rule.rule == "from_front":
        return rank, ones, False
    if rule.rule == "from_rear":
        return rank.max() - rank, ones, False
    return 0.0 * ones, ones, False


def cabin_data(scenario: Scenario, *, plan: CabinPlan, sheet: LoadSheet) -> CabinData:
    """Return seats and regions; a region is a zone, or the cabin where the scope says so."""
    operation = scenario.operation
    usable = [int(seat) for seat in plan.snake_order if not plan.blocked[seat]]
    zones = len(operation.zones)
    if operation.seating.scope == "cabin":
        groups, zone_region = [usable], [0] * zones
    else:
        groups = [[seat for seat in usable if plan.zone[seat] == z] for z in range(zones)]
        zone_region = list(range(zones))
    start, flat = _ragged(groups)
    in_zone = np.bincount(plan.zone[plan.zone >= 0], minlength=zones)
    first_person = np.concatenate([[0], np.cumsum(in_zone)[:-1]])[: len(groups)]
    base, scale, exponential = _scores(scenario, plan)
    return CabinData(
        arm_m=_floats(plan.arm_m),
        region_seats=flat,
        region_start=start,
        region_first_person=_ints(first_person),
        zone_region=_ints(zone_region),
        zone_adults=_ints([zone.adults for zone in operation.zones]),
        zone_children=_ints([zone.children for zone in operation.zones]),
        zone_standard_kg=_floats([zone_mass_on_sheet_kg(operation, z) for z in operation.zones]),
        zone_arm_m=sheet.arms("zone"),
        score_base=base,
        score_scale=scale,
        exponential_score=exponential,
        movers_share=operation.seating.movers_share,
        reseating_share=operation.service.reseating_share,
        reseating_entity=len(operation.service.carts) * plan.seats
        + int(plan.crew_seats.crew.sum()),
        last_minute_off=operation.passengers.last_minute_off,
        last_minute_on=operation.passengers.last_minute_on,
        seat_class=_ints(plan.class_index),
        classes=len(plan.classes),
        parties_apart=operation.seating.parties == "apart",
    )


def party_data(scenario: Scenario) -> PartyData:
    """Return the kinds of party; the last is a person alone.

    A party is drawn by kind with a chance proportional to the share of its people over its mean
    size, so that the shares of people come out.
    """
    kinds = scenario.operation.parties
    alone = max(0.0, 1.0 - sum(kind.share for kind in kinds))
    weight = [kind.share / (0.5 * sum(kind.adults)) for kind in kinds]
    with_children = [kind.children[1] > 0 for kind in kinds]
    adult = [0.0 if family else w for family, w in zip(with_children, weight, strict=True)]
    family = [w if is_family else 0.0 for is_family, w in zip(with_children, weight, strict=True)]
    adult.append(alone if alone > 0.0 or sum(adult) > 0.0 else 1.0)
    family.append(0.0 if sum(family) > 0.0 else 1.0)
    return PartyData(
        adult_cumulative=np.cumsum(adult),
        family_cumulative=np.cumsum(family),
        adults_low=_ints([kind.adults[0] for kind in kinds] + [1]),
        adults_high=_ints([kind.adults[1] for kind in kinds] + [1]),
        children_low=_ints([kind.children[0] for kind in kinds] + [0]),
        children_high=_ints([kind.children[1] for kind in kinds] + [0]),
        same_sex=_floats([kind.same_sex for kind in kinds] + [0.0]),
        correlation=_floats([kind.mass_correlation for kind in kinds] + [0.0]),
        shift_kg=_floats([kind.mass_shift for kind in kinds] + [0.0]),
    )


def hold_data(scenario: Scenario, *, sheet: LoadSheet) -> HoldData:
    """Return the hold compartments in the order of the aircraft file."""
    holds, doubt = scenario.aircraft.holds, scenario.operation.cargo
    loads = {load.hold: load for load in scenario.operation.hold_loads}
    bags = [loads[hold.name].bags if hold.name in loads else 0 for hold in holds]
    cargo = [loads[hold.name].cargo if hold.name in loads else 0.0 for hold in holds]
    standard = scenario.operation.load_sheet.bag_mass
    return HoldData(
        arm_m=np.array([hold.arm for hold in holds], dtype=np.float64),
        half_length_m=np.array([0.5 * hold.length for hold in holds], dtype=np.float64),
        bags=np.array(bags, dtype=np.int64),
        cargo_kg=np.array(cargo, dtype=np.float64),
        planned_mass_kg=np.array(bags, dtype=np.float64) * standard + np.array(cargo),
        planned_arm_m=sheet.arms("hold"),
        bag_mean_kg=doubt.bag_mean,
        bag_sd_kg=doubt.bag_sd,
        bag_sd_flight_kg=doubt.bag_sd_flight,
        cargo_sd=doubt.cargo_sd,
        position_sd=doubt.position_sd,
        misplaced=doubt.misplaced_bags,
    )


def fuel_data(scenario: Scenario) -> FuelData:
    """Return tanks and schedules; a fuel index table is one tank that holds everything."""
    aircraft, fuel = scenario.aircraft, scenario.operation.fuel
    tables = tank_tables(aircraft)
    steps = burn_steps(aircraft)
    refuel_start, refuel_tanks = _ragged([list(step) for step in refuel_steps(aircraft)])
    burn_start, burn_tanks = _ragged([list(tanks) for tanks, _ in steps])
    node_start = np.cumsum([0] + [table.volume_m3.size for table in tables])
    return FuelData(
        block_kg=fuel.block,
        planned_density=fuel.density or aircraft.reference_density,
        density_mean=fuel.density_mean,
        density_sd=fuel.density_sd,
        gauging_of_reading=aircraft.fuel_uncertainty.gauging_of_reading,
        gauging_of_capacity=aircraft.fuel_uncertainty.gauging_of_capacity,
        reference_density=aircraft.reference_density,
        burn_sd=fuel.burn_sd,
        capacity_m3=_floats([table.capacity_m3 for table in tables]),
        node_start=_ints(node_start),
        node_volume_m3=np.concatenate([table.volume_m3 for table in tables]),
        node_moment_m4=np.concatenate([table.moment_m4 for table in tables]),
        refuel_start=refuel_start,
        refuel_tanks=refuel_tanks,
        burn_start=burn_start,
        burn_tanks=burn_tanks,
        burn_down_to_m3=_floats([down_to for _, down_to in steps]),
    )


def transfer_data(scenario: Scenario) -> TransferData:
    """Return the transfers of fuel between tanks; none falls due before the first cruise."""
    aircraft, phases = scenario.aircraft, scenario.operation.phases
    number = {tank.name: i for i, tank in enumerate(aircraft.tanks)}
    transfers = aircraft.fuel_transfers
    from_start, from_tanks = _ragged([[number[n] for n in t.from_tanks] for t in transfers])
    to_start, to_tanks = _ragged([[number[n] for n in t.to_tanks] for t in transfers])
    kinds = [phase.kind for phase in phases]
    ends = np.concatenate([[0.0], np.cumsum([60.0 * phase.minutes for phase in phases])])
    return TransferData(
        from_start=from_start,
        from_tanks=from_tanks,
        to_start=to_start,
        to_tanks=to_tanks,
        at_kg=np.array([t.at_fuel for t in transfers], dtype=np.float64),
        flow_kgps=np.array([t.flow for t in transfers], dtype=np.float64),
        quantity_m3=np.array(
            [np.inf if t.quantity is None else t.quantity for t in transfers], dtype=np.float64
        ),
        late_s=np.array([60.0 * t.late_mean for t in transfers], dtype=np.float64),
        stuck=np.array([t.stuck for t in transfers], dtype=np.float64),
        earliest_s=float(ends[kinds.index("cruise")]) if "cruise" in kinds else np.inf,
    )


def timeline_data(scenario: Scenario) -> TimelineData:
    """Return the phases; without a take-off (landing) phase the first (last) stands for it."""
    phases, masses = scenario.operation.phases, scenario.aircraft.masses
    kinds = [phase.kind for phase in phases]
    return TimelineData(
        end_s=np.cumsum([60.0 * phase.minutes for phase in phases]),
        flow_kgps=_floats([phase.fuel_flow for phase in phases]),
        group=_ints([1 if kind in IN_FLIGHT else 0 for kind in kinds]),
        take_off=kinds.index("take_off") if "take_off" in kinds else 0,
        landing=kinds.index("landing") if "landing" in kinds else len(kinds) - 1,
        maximum_kg=_floats(
            [masses.max_taxi, masses.max_take_off, masses.max_landing, masses.max_zero_fuel]
        ),
    )


def limit_data(scenario: Scenario, *, balance: Balance) -> LimitData:
    """Return the certified limits of each phase and side as straight pieces in arm and mass."""
    limits = certified_limits(scenario.aircraft)
    start: list[int] = []
    count: list[int] = []
    pieces: list[Floats] = []
    for phase in scenario.operation.phases:
        for side in SIDES:
            low, _high, intercept, slope = limits[phase.kind].segments(side)
            start.append(sum(piece.shape[1] for piece in pieces))
            count.append(low.size)
            pieces.append(np.stack([low, intercept, slope]))
    low, intercept, slope = np.concatenate(pieces, axis=1)
    to_m = balance.mac_m / 100.0
    return LimitData(
        start=_ints(start),
        pieces=_ints(count),
        mass_low_kg=low.copy(),
        intercept_m=balance.lemac_m + intercept * to_m,
        slope_m=slope * to_m,
        lemac_m=balance.lemac_m,
        mac_m=balance.mac_m,
    )


def curtailed_limits(scenario: Scenario, limit: LimitData) -> LimitData:
    """Return the limits moved inward by the operator's curtailments; as they are without any."""
    operational = scenario.operation.operational_envelope
    if operational is None:
        return limit
    intercept = limit.intercept_m.copy()
    for p, phase in enumerate(scenario.operation.phases):
        in_flight = phase.kind in IN_FLIGHT
        group = operational.in_flight if in_flight else operational.take_off_and_landing
        for s, inward in enumerate((group.forward, -group.aft)):
            first = limit.start[2 * p + s]
            intercept[first : first + limit.pieces[2 * p + s]] += inward * limit.mac_m / 100.0
    return limit._replace(intercept_m=intercept)


def configuration_data(scenario: Scenario) -> ConfigurationData:
    """Return the moment of gear and flaps over time, less what the certified limits refer to.

    Flaps move at the start of a phase, gear at the end of it (retraction after lift-off, extension
    before landing). What the limits already include counts as 0.
    """
    aircraft, phases = scenario.aircraft, scenario.operation.phases
    included = aircraft.limits_already_include
    flap_moment = {flap.name: flap.moment for flap in aircraft.flaps}
    gear_moment = {"down": 0.0, "up": aircraft.gear.retraction_moment}
    reference = aircraft.limits_refer_to
    ends = np.cumsum([60.0 * phase.minutes for phase in phases])
    starts = np.concatenate([[0.0], ends[:-1]])
    flap = [flap_moment.get(phase.flaps or "", 0.0) for phase in phases]
    flap_points = [(0.0, flap[0])]
    for i, (before, after) in enumerate(pairwise(flap), start=1):
        if before != after:
            travel = min(max(aircraft.flap_travel_s, _INSTANT_S), ends[i] - starts[i])
            flap_points += [(starts[i], before), (starts[i] + travel, after)]
    gear = [gear_moment[phase.gear] for phase in phases]
    on_wheels = phases[0].kind in ("taxi_out", "take_off", "landing", "taxi_in")
    first_gear = gear_moment["down"] if on_wheels else gear[0]
    gear_points = [(0.0, first_gear)]
    for i, after in enumerate(gear):
        before = gear_points[-1][1]
        if before != after:
            travel = min(max(aircraft.gear.travel_s, _INSTANT_S), ends[i] - starts[i])
            gear_points += [(ends[i] - travel, before), (ends[i], after)]
    flap_zero = flap_moment.get(reference.flaps or "", 0.0)
    time = np.unique([t for t, _ in flap_points + gear_points])
    moment = np.zeros(time.size)
    if "flaps" not in included:
        moment += _interpolate(time, flap_points) - flap_zero
    if "gear" not in included:
        moment += _interpolate(time, gear_points) - gear_moment[reference.gear]
    return ConfigurationData(time_s=time, moment_kgm=moment)


def _interpolate(time: Floats, points: list[tuple[float, float]]) -> Floats:
    return np.interp(time, [t for t, _ in points], [value for _, value in points])


def no_movement() -> PathData:
    """Return a movement script in which nobody moves."""
    return PathData(np.empty(0), np.empty(0), np.empty(0))


def no_plan() -> SheetData:
    """Return the sheet data used while the planned path itself is flown."""
    zero = np.zeros(1)
    return SheetData(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, zero, zero.copy(), zero.copy())
