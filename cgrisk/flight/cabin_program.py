"""From a scenario to the flat arrays of life in the cabin (its law: ``cabin_life``)."""

from __future__ import annotations

import math
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import CabinPlan
from cgrisk.flight.contract import IN_FLIGHT
from cgrisk.flight.kernel.data import (
    CallData,
    CrowdData,
    PlacesData,
    ServiceData,
    UrgeData,
)
from cgrisk.flight.populations import lognormal_of
from cgrisk.scenario import Scenario
from cgrisk.scenario.operation_file import Cart, ClassBehaviour

__all__ = [
    "call_data",
    "crowd_data",
    "places_data",
    "recalls",
    "service_data",
    "urge_data",
]

Floats = NDArray[np.float64]

#: Kinds of phase in which everybody sits.
_SEATED = frozenset({"take_off", "landing"})
_SIGN_OFF, _SIGN_ON, _RECALL = 0, 1, 2
_TOWARD = {"fore": -1, "either": 0, "aft": 1}
_HOUR_S, _MINUTE_S = 3600.0, 60.0


def _floats(values: object) -> Floats:
    return np.array(values, dtype=np.float64, ndmin=1)


def _ints(values: object) -> NDArray[np.int64]:
    return np.array(values, dtype=np.int64, ndmin=1)


def _ends(scenario: Scenario) -> Floats:
    """Return the phases' ends, the start of taxi first (s)."""
    minutes = [phase.minutes for phase in scenario.operation.phases]
    return np.concatenate([[0.0], np.cumsum([_MINUTE_S * m for m in minutes])])


def recalls(scenario: Scenario) -> list[tuple[float, float, float]]:
    """Return (recall, start, end) of each seated stretch in order (s)."""
    ends, phases = _ends(scenario), scenario.operation.phases
    lead = _MINUTE_S * scenario.operation.behaviour.recall_minutes
    out: list[tuple[float, float, float]] = []
    for i, phase in enumerate(phases):
        if phase.kind not in _SEATED:
            continue
        start, end = float(ends[i]), float(ends[i + 1])
        if out and out[-1][2] == start:
            out[-1] = (out[-1][0], out[-1][1], end)
        else:
            earliest = out[-1][2] if out else 0.0
            out.append((max(start - lead, earliest), start, end))
    return out


def _usable(of: tuple[tuple[str, ...], ...], plan: CabinPlan) -> NDArray[np.bool_]:
    """Return (classes, places) whether a class of travel may use a place."""
    return np.array(
        [[not names or travels in names for names in of] for travels in plan.classes],
        dtype=np.bool_,
    ).reshape(len(plan.classes), len(of))


def places_data(scenario: Scenario, *, plan: CabinPlan) -> PlacesData:
    """Return aisles, lavatories, galleys and the ends of the cabin."""
    behaviour, water = scenario.operation.behaviour, scenario.aircraft.cabin.water
    lavatories, galleys = plan.lavatories, plan.galleys
    return PlacesData(
        aisles=int(plan.aisle.max()) + 1,
        seat_aisle=_ints(plan.aisle),
        seat_position=_ints(plan.position),
        seat_class=_ints(plan.class_index),
        class_lavatory=_usable(lavatories.classes, plan),
        class_galley=_usable(galleys.classes, plan),
        lavatory_arm_m=lavatories.arm_m.copy(),
        lavatory_count=lavatories.count.copy(),
        closed_chance=behaviour.lavatory_closed,
        queue_step_m=behaviour.queue_spacing * lavatories.queue_sign.astype(np.float64),
        queue_limit=behaviour.queue_limit,
        galley_arm_m=galleys.arm_m.copy(),
        galley_room=galleys.standing.copy(),
        change_arm_m=np.concatenate([lavatories.arm_m, galleys.arm_m]),
        end_arm_m=_floats([plan.arm_m.min(), plan.arm_m.max()]),
        spacing_m=behaviour.queue_spacing,
        water_kg=0.0 if water is None else water.mass,
        water_per_visit_kg=behaviour.water_per_visit,
        water_shift_m=0.0 if water is None else water.waste_arm - water.potable_arm,
    )


def _lavatory_law(scenario: Scenario) -> tuple[float, float]:
    """Return (scale in s, shape) of the time in a lavatory; shape -1 for the exponential law."""
    behaviour = scenario.operation.behaviour
    if behaviour.lavatory_law == "exponential":
        return behaviour.lavatory_mean, -1.0
    return lognormal_of(behaviour.lavatory_mean, sd=behaviour.lavatory_mean * behaviour.lavatory_cv)


def _trays_served(scenario: Scenario) -> int:
    return sum(cart.tray > 0.0 for cart in scenario.operation.service.carts)


def _before_landing(scenario: Scenario, *, seated: list[tuple[float, float, float]]) -> list[float]:
    """Return start and end of the rise before the recall for the landing; none without one."""
    crowd, ends = scenario.operation.crowd, _ends(scenario)
    kinds = [phase.kind for phase in scenario.operation.phases]
    if crowd.before_landing_factor == 1.0 or crowd.before_landing == 0.0 or "cruise" not in kinds:
        return []
    cruise_s = float(ends[kinds.index("cruise")])
    called = [(recall, before) for recall, before, _ in seated if before > cruise_s]
    if not called or called[0][0] <= cruise_s:
        return []
    end = called[0][0]
    return [max(end - _MINUTE_S * crowd.before_landing, cruise_s), end]


def urge_data(scenario: Scenario, *, plan: CabinPlan) -> UrgeData:
    """Return the urge of each seat, its factor over time, purposes and times away."""
    behaviour, crowd = scenario.operation.behaviour, scenario.operation.crowd
    phases, ends, seated = scenario.operation.phases, _ends(scenario), recalls(scenario)
    rise = _before_landing(scenario, seated=seated)
    cuts = np.unique(np.concatenate([ends, [t for r in seated for t in r], rise]))
    factor, quiet, barred, asleep = [], [], [], []
    for start, end in pairwise(cuts):
        phase = phases[int(np.searchsorted(ends, start, side="right")) - 1]
        closed = any(recall <= start and end <= last for recall, _, last in seated)
        value = phase.getting_up * (behaviour.sign_factor if phase.sign else 1.0)
        if rise and rise[0] <= start and end <= rise[1]:
            value *= crowd.before_landing_factor
        factor.append(0.0 if closed else value)
        asleep.append(phase.asleep)
        barred.append(closed)
        quiet.append(not closed and not phase.sign)
    after_meal_s = _MINUTE_S * crowd.after_meal
    boost = max(crowd.after_meal_factor - 1.0, 0.0)
    total = float(np.dot(factor, np.diff(cuts)))
    boosted = min(total, _trays_served(scenario) * after_meal_s * max(factor))
    to_lavatory = _usable(plan.lavatories.classes, plan)
    to_galley = _usable(plan.galleys.classes, plan) & (plan.galleys.standing > 0)
    lavatories, galleys = to_lavatory.any(axis=1), to_galley.any(axis=1)
    share = np.where(lavatories & galleys, behaviour.lavatory_share, lavatories.astype(np.float64))
    own = {c.name: c for c in scenario.operation.classes}
    same = ClassBehaviour(name="any")
    class_rate = _floats([own.get(name, same).getting_up for name in plan.classes])
    class_rate *= lavatories | galleys
    rates = _floats([behaviour.trips_window, behaviour.trips_middle, behaviour.trips_aisle])
    scale, shape = _lavatory_law(scenario)
    speed = behaviour.walking_speed
    pace, spread = lognormal_of(speed, sd=speed * behaviour.walking_cv)
    return UrgeData(
        seat_rate_per_s=rates[plan.position] / _HOUR_S * class_rate[plan.class_index],
        node_s=cuts,
        factor=_floats(factor),
        quiet=np.array(quiet, dtype=np.bool_),
        barred=np.array(barred, dtype=np.bool_),
        after_meal_factor=crowd.after_meal_factor,
        after_meal_s=after_meal_s,
        total_s=total + boost * boosted,
        lavatory_share=_floats(share),
        asleep=_floats(asleep),
        class_asleep=_floats([own.get(name, same).asleep for name in plan.classes]),
        lavatory_scale_s=scale,
        lavatory_shape=shape,
        standing_mean_s=_MINUTE_S * behaviour.standing_mean,
        retry_mean_s=_MINUTE_S * behaviour.retry_mean,
        companion_share=behaviour.companion_share,
        speed_scale_mps=pace,
        speed_shape=spread,
    )


def call_data(scenario: Scenario) -> CallData:
    """Return sign changes and recalls in order of time."""
    phases, ends = scenario.operation.phases, _ends(scenario)
    calls = [(recall, _RECALL, start) for recall, start, _ in recalls(scenario)]
    for i, (before, after) in enumerate(pairwise(phases), start=1):
        if before.sign != after.sign:
            calls.append((float(ends[i]), _SIGN_ON if after.sign else _SIGN_OFF, 0.0))
    calls.sort()
    return CallData(
        time_s=np.array([t for t, _, _ in calls], dtype=np.float64),
        kind=np.array([kind for _, kind, _ in calls], dtype=np.int64),
        seated_s=np.array([start for _, _, start in calls], dtype=np.float64),
    )


def crowd_data(scenario: Scenario, *, plan: CabinPlan) -> CrowdData:
    """Return the sign-off rush and the surge."""
    crowd, ends = scenario.operation.crowd, _ends(scenario)
    phases = scenario.operation.phases
    cruise = [i for i, phase in enumerate(phases) if phase.kind == "cruise"]
    somewhere = plan.lavatories.arm_m.size > 0 or plan.galleys.standing.sum() > 0
    return CrowdData(
        sign_off_share=crowd.sign_off_share if somewhere else 0.0,
        sign_off_mean_s=_MINUTE_S * crowd.sign_off_minutes,
        surge_probability=crowd.surge_probability,
        surge_people=crowd.surge_people,
        surge_toward=_TOWARD[crowd.surge_toward],
        surge_stay_s=_MINUTE_S * crowd.surge_minutes,
        cruise_start_s=np.array([ends[i] for i in cruise], dtype=np.float64),
        cruise_s=np.array([ends[i + 1] - ends[i] for i in cruise], dtype=np.float64),
    )


def _stops(cart: Cart, plan: CabinPlan) -> list[list[int]]:
    """Return the seats of each stop of a cart, in order."""
    rows = list(dict.fromkeys(int(row) for row in plan.row))
    if rows.index(cart.from_row) > rows.index(cart.to_row):
        rows.reverse()
    served = rows[rows.index(cart.from_row) : rows.index(cart.to_row) + 1]
    seats = [
        [int(s) for s in np.flatnonzero((plan.row == row) & (plan.aisle == cart.aisle - 1))]
        for row in served
    ]
    return [stop for stop in seats if stop]


def _in_the_way(
    carts: list[Cart], galleys: list[float], arms: list[list[float]]
) -> NDArray[np.bool_]:
    """Return (C, C) whether two carts need the same stretch of an aisle, or a common row."""
    out = np.zeros((len(carts), len(carts)), dtype=np.bool_)
    reach = [(min([g, *a]), max([g, *a])) for g, a in zip(galleys, arms, strict=True)]
    for j, k in product(range(len(carts)), repeat=2):
        shared = reach[j][0] < reach[k][1] and reach[k][0] < reach[j][1]
        row = bool(set(arms[j]) & set(arms[k]))
        out[j, k] = carts[j].aisle == carts[k].aisle and (shared or row)
    return out


def _rests(scenario: Scenario, *, members: int) -> list[list[tuple[float, float]]]:
    """Return when each member of the crew is in the crew rest (s)."""
    out: list[list[tuple[float, float]]] = [[] for _ in range(members)]
    if scenario.aircraft.cabin.crew_rest is None:
        return out
    ends = _ends(scenario).tolist()
    for start, end, phase in zip(ends, ends[1:], scenario.operation.phases, strict=False):
        for member in range(max(members - phase.crew_resting, 0), members):
            if out[member] and out[member][-1][1] == start:
                start_of_rest = out[member].pop()[0]
                out[member].append((start_of_rest, end))
            else:
                out[member].append((start, end))
    return out


def service_data(scenario: Scenario, *, plan: CabinPlan) -> ServiceData:
    """Return carts in the order of their start, with their stops, and the crew."""
    service, ends = scenario.operation.service, _ends(scenario)
    kinds = [phase.kind for phase in scenario.operation.phases]
    cruise_s = float(ends[kinds.index("cruise")]) if "cruise" in kinds else math.inf
    flying = [i for i, kind in enumerate(kinds) if kind in IN_FLIGHT]
    walk_from = float(ends[flying[0]]) if flying else 0.0
    walk_until = float(ends[flying[-1] + 1]) if flying else 0.0
    called = recalls(scenario)
    walk_until = min([walk_until, *(t for t, seated, _ in called if seated > walk_from)])
    back_by = min([float(ends[-1]), *(t for t, seated, _ in called if seated > cruise_s)])
    order = sorted(range(len(service.carts)), key=lambda i: service.carts[i].start)
    carts = [service.carts[i] for i in order]
    start = [cruise_s + _MINUTE_S * cart.start for cart in carts]
    galley_arm = dict(zip(plan.galleys.name, plan.galleys.arm_m.tolist(), strict=True))
    galleys = [galley_arm[cart.galley] for cart in carts]
    stops = [_stops(cart, plan) for cart in carts]
    arms = [[float(plan.arm_m[stop].mean()) for stop in round_] for round_ in stops]
    seats = [seat for round_ in stops for stop in round_ for seat in stop]
    crew = plan.crew_seats
    crew_arm_m = np.repeat(crew.arm_m, crew.crew)
    rests, rest_room = _rests(scenario, members=crew_arm_m.size), scenario.aircraft.cabin.crew_rest
    return ServiceData(
        number=np.array(order, dtype=np.int64),
        galley_arm_m=np.array(galleys, dtype=np.float64),
        start_s=np.array(start, dtype=np.float64),
        stow_s=np.full(len(carts), back_by),
        in_the_way=_in_the_way(carts, galleys, arms),
        aisle=np.array([cart.aisle - 1 for cart in carts], dtype=np.int64),
        mass_kg=np.array([cart.mass_full for cart in carts], dtype=np.float64),
        tray_kg=np.array([cart.tray for cart in carts], dtype=np.float64),
        returned=np.array([cart.returned for cart in carts], dtype=np.float64),
        seconds=np.array([cart.seconds_per_passenger for cart in carts], dtype=np.float64),
        crew=np.array([cart.crew for cart in carts], dtype=np.int64),
        stop_start=_ints(np.cumsum([0] + [len(round_) for round_ in stops])),
        stop_arm_m=np.array([arm for round_ in arms for arm in round_], dtype=np.float64),
        seat_start=_ints(np.cumsum([0] + [len(stop) for round_ in stops for stop in round_])),
        seats=np.array(seats, dtype=np.int64),
        seat_arm_m=np.array(plan.arm_m[seats] if seats else [], dtype=np.float64),
        speed_mps=service.cart_speed,
        crew_arm_m=crew_arm_m,
        crew_mass_kg=service.crew_mass,
        walk_rate_per_s=service.crew_walks / _HOUR_S,
        walk_speed_mps=scenario.operation.behaviour.walking_speed,
        rest_start=_ints(np.cumsum([0] + [len(own) for own in rests])),
        rest_from_s=np.array([a for own in rests for a, _ in own], dtype=np.float64),
        rest_until_s=np.array([b for own in rests for _, b in own], dtype=np.float64),
        rest_arm_m=0.0 if rest_room is None else rest_room.arm,
        walk_from_s=walk_from,
        walk_until_s=walk_until,
        end_arm_m=_floats([plan.arm_m.min(), plan.arm_m.max()]),
    )
