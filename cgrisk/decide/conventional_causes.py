"""Causes of the conventional stack other than seating and fuel: one moment for each side.

Every function takes the side as a sign, -1 forward and 1 aft, and returns a moment toward it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from cgrisk.decide.conventional_seating import filling_order
from cgrisk.decide.conventional_table import Reckoned
from cgrisk.flight import FlightModel, group_phases
from cgrisk.flight.kernel.data import ServiceData
from cgrisk.flight.paper_masses import (
    adult_standard_kg,
    bag_mean_kg,
    child_standard_kg,
    population_moments,
)
from cgrisk.flight.program import configuration_data
from cgrisk.scenario import Scenario

__all__ = [
    "DEVIATIONS",
    "bags_misplaced",
    "carts_and_crew",
    "configuration",
    "dry_cg",
    "dry_mass",
    "hold_places",
    "passenger_mass",
    "passengers_to_lavatory",
    "person_variances",
    "water_to_waste",
]

#: How many standard deviations count as the worst of a quantity that varies.
DEVIATIONS: Final = 2.0
_TWO_SD: Final = "2 SD (common practice, no published source)"
_END: Final = {-1.0: "forward", 1.0: "aft"}


def dry_mass(model: FlightModel, *, about_m: float, sign: float) -> Reckoned:
    """Return the moment of the dry operating mass's error, at its own arm about another."""
    doubt, dry = model.scenario.aircraft.dry_uncertainty, model.program.dry
    arm_m = dry.papers_arm_m - about_m
    sd_kg = math.hypot(doubt.mass_sd_aircraft, doubt.mass_sd_flight)
    moment = sign * doubt.mass_bias * arm_m + DEVIATIONS * sd_kg * abs(arm_m)
    known = f"the known error of {doubt.mass_bias:g} kg and " if doubt.mass_bias else ""
    return Reckoned(
        max(0.0, moment),
        f"{known}{_TWO_SD} of the dry operating mass ({sd_kg:.0f} kg, aircraft and flight "
        f"together) at {arm_m:+.2f} m from the limit.",
    )


def dry_cg(model: FlightModel, *, sign: float) -> Reckoned:
    """Return the moment of the error of the dry operating CG."""
    doubt, mac_m = model.scenario.aircraft.dry_uncertainty, model.balance.mac_m
    sd_pct = math.hypot(doubt.cg_sd_aircraft, doubt.cg_sd_flight)
    shift_pct = sign * doubt.cg_bias + DEVIATIONS * sd_pct
    known = f"the known error of {doubt.cg_bias:g} % MAC and " if doubt.cg_bias else ""
    return Reckoned(
        max(0.0, model.program.dry.papers_mass_kg * shift_pct * mac_m / 100.0),
        f"{known}{_TWO_SD} of the dry operating CG ({sd_pct:.2f} % MAC, aircraft and flight "
        "together) times the dry operating mass.",
    )


def hold_places(model: FlightModel) -> Reckoned:
    """Return the moment of loads that lie toward one end of their holds, the same for both."""
    hold = model.program.hold
    share = min(DEVIATIONS * hold.position_sd, 0.5)
    moment = float(share * 2.0 * (hold.half_length_m @ hold.planned_mass_kg))
    capped = " (the end of the hold)" if share == 0.5 else ""
    return Reckoned(
        moment,
        f"the planned load of every hold off its middle by {_TWO_SD}, {100.0 * share:.0f} % of "
        f"its length{capped}, all toward the same end and added up.",
    )


def bags_misplaced(model: FlightModel, *, sign: float) -> Reckoned:
    """Return the moment of bags that lie in another hold than planned."""
    hold, bag_kg = model.program.hold, model.scenario.operation.load_sheet.bag_mass
    mean = hold.misplaced
    number = math.floor(mean + DEVIATIONS * math.sqrt(mean))
    moment, left = 0.0, number
    if hold.arm_m.size > 1:
        far = float((sign * hold.arm_m).max())
        for h in np.argsort(sign * hold.arm_m, kind="stable"):  # the farthest way first
            moved = min(left, int(hold.bags[h]))
            moment += moved * bag_kg * (far - sign * float(hold.arm_m[h]))
            left -= moved
    return Reckoned(
        moment,
        f"{number - left} bags at the standard {bag_kg:g} kg in the most {_END[sign]} hold instead "
        f"of the farthest one; the number is the mean of {mean:g} and {_TWO_SD} of its count.",
    )


def configuration(
    model: FlightModel, *, group: str, sign: float, part: Literal["gear", "flaps"]
) -> Reckoned:
    """Return the moment of gear or flap travel that the limits do not take in already.

    The planned path has none of it: gear and flaps stand as the limits take them.
    """
    included = model.scenario.aircraft.limits_already_include
    name = "landing gear" if part == "gear" else "flaps"
    if part in included:
        return Reckoned(0.0, f"the certified limits already include the travel of the {name}.")
    other: tuple[Literal["gear", "flaps"], ...] = ("flaps",) if part == "gear" else ("gear",)
    alone = Scenario(
        model.scenario.aircraft.model_copy(update={"limits_already_include": other}),
        model.scenario.operation,
    )
    data = configuration_data(alone)
    ends = model.program.timeline.end_s
    moment = 0.0
    for phase in group_phases(model)[group]:
        number = model.phases.index(phase)
        low, high = float(ends[number - 1]) if number else 0.0, float(ends[number])
        inside = data.time_s[(data.time_s > low) & (data.time_s < high)]
        times = np.concatenate([[low, high], inside])
        here = np.interp(times, data.time_s, data.moment_kgm)
        moment = max(moment, float((sign * here).max()))
    reference = model.scenario.aircraft.limits_refer_to
    stand = reference.gear if part == "gear" else reference.flaps or "retracted"
    return Reckoned(
        moment,
        f"largest moment of the {name} {_END[sign]} in these phases; the limits refer to {stand}.",
    )


def passengers_to_lavatory(model: FlightModel, *, sign: float, movers: int) -> Reckoned:
    """Return the moment of passengers who go from the worst seats to the worst lavatory."""
    plan, operation = model.plan, model.scenario.operation
    if plan.lavatories.arm_m.size == 0:
        return Reckoned(0.0, "there is no lavatory.")
    place = int((sign * plan.lavatories.arm_m).argmax())
    target = float(plan.lavatories.arm_m[place])
    anywhere = operation.seating.scope == "cabin"
    people = [(zone.adults, zone.children) for zone in operation.zones]
    if anywhere:
        people = [(sum(a for a, _ in people), sum(c for _, c in people))]
    adult, child = adult_standard_kg(operation), child_standard_kg(operation)
    ways = [np.empty(0)]
    for number, (adults, children) in enumerate(people):
        here = ~plan.blocked if anywhere else ~plan.blocked & (plan.zone == number)
        away = np.sort(sign * (target - plan.arm_m[here]))[::-1][: adults + children]
        mass = np.where(np.arange(away.size) < adults, adult, child)
        ways.append(mass * np.maximum(away, 0.0))
    moments = np.sort(np.concatenate(ways))[::-1][:movers]
    if moments.size == 0:
        return Reckoned(0.0, "nobody is aboard, or nobody moves.")
    who = "one passenger" if moments.size == 1 else f"{moments.size} passengers"
    queue = moments.size - int(plan.lavatories.count[place])
    return Reckoned(
        float(moments.sum()),
        f"{who} at standard mass from the most adverse seat in use to {plan.lavatories.name[place]}"
        + (f", {queue} of them waiting at it" if queue > 0 else "")
        + " (method: FAA AC 120-27, from memory).",
    )


def _mean_rounds(service: ServiceData) -> list[tuple[float, float]]:
    """Return (departure, return) of each cart (s) with every seat taken and mean service times."""
    rounds: list[tuple[float, float]] = []
    for k in range(service.number.size):
        waits = [rounds[j][1] for j in range(k) if service.in_the_way[j, k]]
        start = max([float(service.start_s[k]), *waits])
        stops = slice(service.stop_start[k], service.stop_start[k + 1])
        arms = service.stop_arm_m[stops]
        if arms.size == 0 or start >= service.stow_s[k]:
            rounds.append((math.inf, -math.inf))
            continue
        galley = float(service.galley_arm_m[k])
        walked = float(np.abs(np.diff(np.concatenate([[galley], arms, [galley]]))).sum())
        seats = int(service.seat_start[service.stop_start[k + 1]] - service.seat_start[stops.start])
        back = start + walked / service.speed_mps + seats * float(service.seconds[k])
        rounds.append((start, min(back, float(service.stow_s[k]))))
    return rounds


def _carts_out(service: ServiceData, carts: Sequence[int], *, sign: float) -> float:
    """Return the moment of carts that are out together, each where it counts most (kg m)."""
    total, free = 0.0, list(range(service.crew_arm_m.size))
    for k in carts:
        galley = float(service.galley_arm_m[k])
        free.sort(key=lambda c: abs(float(service.crew_arm_m[c]) - galley))
        hands, free = free[: service.crew[k]], free[service.crew[k] :]
        stations = service.crew_arm_m[hands]
        stops = service.stop_arm_m[service.stop_start[k] : service.stop_start[k + 1]]
        moments = [
            sign
            * (
                float(service.mass_kg[k]) * (place - galley)
                + service.crew_mass_kg * float((place - stations).sum())
            )
            for place in (galley, *stops.tolist())
        ]
        total += max(0.0, *moments)
    return total


def carts_and_crew(model: FlightModel, *, sign: float) -> Reckoned:
    """Return the moment of the carts that may be out at once, or of one who walks without."""
    service = model.program.service
    zones = model.scenario.operation.zones
    if not any(zone.adults + zone.children for zone in zones):
        return Reckoned(0.0, "nobody is aboard to be served.")
    rounds = _mean_rounds(service)
    worst, most = 0.0, 0
    for start, _ in rounds:
        out = [j for j, (leaves, back) in enumerate(rounds) if leaves <= start < back]
        moment = _carts_out(service, out, sign=sign)
        worst, most = max((worst, most), (moment, len(out)))
    walk = 0.0
    if service.walk_rate_per_s > 0.0 and service.walk_from_s < service.walk_until_s:
        ways = [sign * (end - service.crew_arm_m) for end in service.end_arm_m]
        walk = service.crew_mass_kg * max(0.0, float(np.concatenate(ways).max(initial=0.0)))
    if walk > worst:
        return Reckoned(
            walk, f"one crew member from the station to the {_END[sign]} end of the cabin."
        )
    if worst == 0.0:
        return Reckoned(0.0, "no cart and no walk of the crew takes mass this way.")
    return Reckoned(
        worst,
        f"{'one cart is' if most == 1 else f'{most} carts are'} out at once (every seat served at "
        f"mean pace); each counts at full mass with its crew where it takes most {_END[sign]} "
        "(method: FAA AC 120-27, from memory).",
    )


def water_to_waste(model: FlightModel, *, group: str, sign: float) -> Reckoned:
    """Return the moment of potable water that has become waste."""
    places, zones = model.program.places, model.scenario.operation.zones
    phases = group_phases(model)
    moment = max(0.0, sign * places.water_kg * places.water_shift_m)
    if moment == 0.0:
        return Reckoned(0.0, "use of water takes no mass this way.")
    if not (places.lavatory_arm_m.size and any(zone.adults + zone.children for zone in zones)):
        return Reckoned(0.0, "nobody uses the water.")
    used_from = min((model.phases.index(p) for p in phases["in_flight"]), default=math.inf)
    if all(model.phases.index(p) <= used_from for p in phases[group]) and group != "in_flight":
        return Reckoned(0.0, "these phases come before the water is used.")
    return Reckoned(
        moment,
        f"all {places.water_kg:g} kg of potable water has gone to the waste tank, "
        f"{abs(places.water_shift_m):.2f} m {_END[sign]}.",
    )


def person_variances(model: FlightModel) -> tuple[float, float]:
    """Return the variances of the mass of an adult with cabin bag and of a child (kg2)."""
    mass, share = model.scenario.operation.mass, model.scenario.operation.passengers.male_share
    bag, bag_mean = mass.bag, bag_mean_kg(mass)
    man, woman, child = (population_moments(mass, i) for i in range(3))
    mean = share * man[0] + (1.0 - share) * woman[0]
    square = share * (man[1] ** 2 + man[0] ** 2)
    square += (1.0 - share) * (woman[1] ** 2 + woman[0] ** 2)
    between = max(0.0, square - mean * mean)
    if model.scenario.operation.load_sheet.basis == "by_sex":  # how many of each is known
        between = share * man[1] ** 2 + (1.0 - share) * woman[1] ** 2
    carried = 1.0 - bag.none_share
    of_bags = carried * (bag.sd**2 + bag_mean**2) - (carried * bag_mean) ** 2
    return between + max(0.0, of_bags), child[1] ** 2


def passenger_mass(model: FlightModel, *, about_m: float, sign: float) -> Reckoned:
    """Return 2 SD of the moment of the passengers' own masses on the seats that they fill.

    Where they are weighed, what a zone weighs is known but for the scale's error: only who sits
    where in it is not.
    """
    adult, child = person_variances(model)
    operation = model.scenario.operation
    plan, zones, sheet = model.plan, operation.zones, operation.load_sheet
    weighed, off = sheet.basis == "weighed", 0.0
    anywhere = model.scenario.operation.seating.scope == "cabin"
    counts = [(zone.adults, zone.children) for zone in zones]
    if anywhere:
        counts = [(sum(a for a, _ in counts), sum(c for _, c in counts))]
    variance = 0.0
    for number, (adults, children) in enumerate(counts):
        here = np.flatnonzero(~plan.blocked & (anywhere | (plan.zone == number)))
        people = min(adults + children, here.size)
        if people == 0:
            continue
        order = filling_order(plan.arm_m[here], position=plan.position[here], from_front=sign < 0.0)
        arms = plan.arm_m[here[order[:people]]]
        centre = float(arms.mean()) if weighed else about_m
        squares = float(((arms - centre) ** 2).sum())
        mean_kg = adults * adult_standard_kg(operation) + children * child_standard_kg(operation)
        off += sheet.scale_error * mean_kg / (adults + children) * people * (centre - about_m)
        variance += squares * (adults * adult + children * child) / (adults + children)
    distances = "distances from their zone's middle, and of the scale" if weighed else "distances"
    return Reckoned(
        DEVIATIONS * math.hypot(math.sqrt(variance), off if weighed else 0.0),
        f"{_TWO_SD} of the passengers' own masses on the seats they fill, independent of each "
        f"other: 2 s sqrt(sum of squared {distances}), s = {math.sqrt(adult):.1f} kg for an adult.",
    )
