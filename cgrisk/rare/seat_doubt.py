"""Which seats of a scenario are taken for certain, which in doubt, and what else varies."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight import FlightModel
from cgrisk.rare.seat_sums import SumPlan, plan_of_sum

__all__ = ["Region", "kinds_in_play", "regions", "sum_plans", "what_else_varies", "why_coupled"]


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """Seats that a known number of people fill.

    Attributes
    ----------
    seats : int64 array, shape (n,)
        Those that may be used.
    adults, children : int
        On the load sheet.
    """

    seats: NDArray[np.int64]
    adults: int
    children: int


def regions(model: FlightModel) -> Iterator[Region]:
    """Yield the regions of a cabin: zones, or the whole of it."""
    cabin = model.program.cabin
    for r in range(cabin.region_start.size - 1):
        zones = cabin.zone_region == r
        yield Region(
            cabin.region_seats[cabin.region_start[r] : cabin.region_start[r + 1]],
            int(cabin.zone_adults[zones].sum()),
            int(cabin.zone_children[zones].sum()),
        )


def kinds_in_play(model: FlightModel, *, with_children: bool) -> NDArray[np.int64]:
    """Return the kinds of party that board where there are (no) children."""
    party = model.program.party
    running = party.family_cumulative if with_children else party.adult_cumulative
    return np.flatnonzero(np.diff(running, prepend=0.0) > 0.0)


def why_coupled(model: FlightModel) -> str:
    """Return why those who sit down are no random set of seats; empty where they are."""
    cabin, party = model.program.cabin, model.program.party
    groups = list(regions(model))
    free = any(r.seats.size > r.adults + r.children for r in groups)
    if any(r.seats.size < r.adults + r.children for r in groups):
        return "There are more people than seats."
    off = cabin.last_minute_off > 0.0 and bool((cabin.zone_adults > 0).any())
    if off or (cabin.last_minute_on > 0.0 and free):
        return "Last-minute changes vary who is aboard."
    if cabin.movers_share > 0.0 and free and cabin.reseating_share < 1.0:
        return "People change seats after boarding."
    mass = model.program.mass
    if mass.standard_kg[0] != mass.standard_kg[1] or (mass.region_factor != 1.0).any():
        return "People count by sex or as weighed, so that standard masses differ."
    for region in groups:
        if region.adults > 0 and region.children > 0:
            return "Children sit beside an adult, which couples seats."
        if cabin.parties_apart:
            continue
        kinds = kinds_in_play(model, with_children=region.children > 0)
        size = party.children_high if region.children > 0 else party.adults_high
        if region.adults + region.children > 0 and int(size[kinds].max()) > 1:
            return "Parties sit together, which couples seats."
    return ""


def sum_plans(model: FlightModel) -> list[tuple[Region, SumPlan]]:
    """Return what is known and what is in doubt, by region.

    Raises
    ------
    ComputationError
        If the sums of arms cannot be counted.
    """
    cabin = model.program.cabin
    plans = []
    for region in regions(model):
        left, fixed = region.adults + region.children, 0.0
        doubt: NDArray[np.int64] = region.seats[:0]
        # Scores are a turn plus a random part below 1, or (one turn only) an exponential clock.
        for turn in np.unique(cabin.score_base[region.seats]):
            doubt = region.seats[cabin.score_base[region.seats] == turn]
            if left < doubt.size:
                break
            fixed += float(cabin.arm_m[doubt].sum())
            left -= doubt.size
            doubt = doubt[:0]
        weight = 1.0 / cabin.score_scale[doubt] if cabin.exponential_score else None
        plan = plan_of_sum(fixed, arm_m=cabin.arm_m[doubt], weight=weight, take=left)
        plans.append((region, plan))
    return plans


def what_else_varies(model: FlightModel) -> Iterator[str]:
    """Yield, in words, what varies from flight to flight besides the seating."""
    program = model.program
    dry, mass, party, hold = program.dry, program.mass, program.party, program.hold
    fuel, urge, crowd, service = program.fuel, program.urge, program.crowd, program.service
    fleet = np.ptp(dry.fleet_mass_kg) > 0.0 or np.ptp(dry.fleet_arm_m) > 0.0
    if fleet or dry.mass_sd_kg > 0.0 or dry.arm_sd_m > 0.0:
        yield "dry operating mass and CG"
    groups = list(regions(model))
    adults = any(r.adults for r in groups)
    bodies: set[int] = {2} if any(r.children for r in groups) else set()
    if adults and mass.male_share > 0.0:
        bodies.add(0)
    if adults and mass.male_share < 1.0:
        bodies.add(1)
    kinds = kinds_in_play(model, with_children=False)
    mixed = len(bodies - {2}) == 2 and mass.shift_kg[0] != mass.shift_kg[1]
    uneven = adults and bool(np.ptp(party.shift_kg[kinds]) > 0.0)
    carried = bool(mass.listed_infants.any())
    scaled = bool((mass.weighed_kg >= 0.0).any()) and mass.scale_sd > 0.0
    if mixed or uneven or carried or scaled or any(mass.scale_kg[i] > 0.0 for i in bodies):
        yield "body masses"
    always = mass.bag_none <= 0.0 and mass.bag_shape == 0.0
    if adults and mass.bag_scale_kg > 0.0 and mass.bag_none < 1.0 and not always:
        yield "cabin bags"
    bags, cargo = bool(hold.bags.any()), bool((hold.cargo_kg > 0.0).any())
    if (
        (bags and (hold.bag_sd_kg > 0.0 or hold.bag_sd_flight_kg > 0.0 or hold.misplaced > 0.0))
        or (cargo and hold.cargo_sd > 0.0)
        or ((bags or cargo) and hold.position_sd > 0.0)
    ):
        yield "hold loads"
    gauging = fuel.gauging_of_reading > 0.0 or fuel.gauging_of_capacity > 0.0
    transfer = program.transfer
    pumped = np.isfinite(transfer.earliest_s) and bool(
        ((transfer.late_s > 0.0) | (transfer.stuck > 0.0)).any()
    )
    if fuel.density_sd > 0.0 or fuel.burn_sd > 0.0 or gauging or pumped:
        yield "fuel"
    trips = bool((urge.seat_rate_per_s > 0.0).any()) and bool((urge.factor > 0.0).any())
    if trips or crowd.sign_off_share > 0.0:
        yield "movement of passengers"
    if crowd.surge_probability > 0.0 and crowd.surge_people > 0 and crowd.cruise_s.size > 0:
        yield "surges"
    walks = service.crew_arm_m.size > 0 and service.crew_mass_kg > 0.0
    if walks and service.walk_rate_per_s > 0.0 and service.walk_from_s < service.walk_until_s:
        yield "crew walks"
    if service.number.size > 0:
        yield "carts"
