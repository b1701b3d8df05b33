"""Scenarios on which the package's cabin is compared with the slow second version."""

from __future__ import annotations

from typing import Any

from cgrisk.scenario import Scenario, load_scenario
from tests.flight_cases import SHIPPED, edited, shipped_scenario

CARTS: list[dict[str, Any]] = [
    {"galley": "forward galley", "from_row": 1, "to_row": 14, "start": 8.0},
    {"galley": "aft galley", "from_row": 29, "to_row": 15, "start": 8.0},
]
#: Nothing is in doubt but the people, and no configuration moves mass.
CERTAIN: dict[str, Any] = {
    "aircraft.dry_uncertainty": {},
    "aircraft.fuel_uncertainty": {},
    "aircraft.gear.retraction_moment": 0.0,
    "aircraft.flaps.1.moment": 0.0,
    "aircraft.flaps.2.moment": 0.0,
    "operation.fuel.density": 800.0,
    "operation.fuel.density_mean": 800.0,
    "operation.fuel.density_sd": 0.0,
    "operation.fuel.burn_sd": 0.0,
    "operation.cargo.bag_mean": 13.0,
    "operation.cargo.bag_sd": 0.0,
    "operation.cargo.bag_sd_flight": 0.0,
    "operation.cargo.cargo_sd": 0.0,
    "operation.cargo.position_sd": 0.0,
    "operation.cargo.misplaced_bags": 0.0,
    "operation.load_sheet.bag_mass": 13.0,
    "operation.load_sheet.arm_step": 0.0,
    "operation.mass.body.bias_sd_operation": 0.0,
    "operation.passengers.last_minute_off": 0.0,
    "operation.passengers.last_minute_on": 0.0,
    "operation.seating.rule": "random",
    "operation.seating.scope": "zone",
    "operation.seating.movers_share": 0.0,
    "aircraft.cabin.water": None,
}
#: Trips per hour with the sign off, by the position of the seat.
RATES = {"window": 0.13, "middle": 0.17, "aisle": 0.37}


def certain(changes: dict[str, Any], base: Scenario | None = None) -> Scenario:
    """The shipped case without doubt, and with these changes."""
    return edited({**CERTAIN, **changes}, base)


def times_rates(factor: float) -> dict[str, Any]:
    """Changes that multiply everybody's rate of getting up."""
    return {f"operation.behaviour.trips_{k}": factor * rate for k, rate in RATES.items()}


def no_service() -> Scenario:
    """Passengers alone; crew walks but no cart."""
    return certain({"operation.service.carts": [], **times_rates(1.5)})


def carts_only() -> Scenario:
    """Nobody gets up: carts and crew walks; a cart waits for another, and one runs out of time."""
    second = {"galley": "forward galley", "from_row": 10, "to_row": 20, "start": 20.0, "tray": 0.9}
    slow = {"galley": "aft galley", "from_row": 29, "to_row": 8, "start": 54.0, "crew": 1}
    return certain(
        {
            **times_rates(0.0),
            "operation.crowd.sign_off_share": 0.0,
            "operation.service.carts": [*CARTS, second, {**slow, "seconds_per_passenger": 20.0}],
            "operation.service.crew_walks": 4.0,
        }
    )


def one_lavatory() -> Scenario:
    """A single lavatory for everybody."""
    lavatories = [{"name": "only", "arm": 30.4, "count": 1, "queue_toward": "fore"}]
    return certain(
        {
            "aircraft.cabin.lavatories": lavatories,
            "operation.behaviour.lavatory_law": "exponential",
            "operation.behaviour.lavatory_mean": 120.0,
            **times_rates(1.2),
        }
    )


def lavatory_closed() -> Scenario:
    """On most flights one of three lavatories is out of use, for a third of them a group's only."""
    lavatories = [
        {"name": "front", "arm": 5.0, "count": 1, "queue_toward": "aft"},
        {"name": "rear", "arm": 30.4, "count": 2, "queue_toward": "fore"},
    ]
    return certain(
        {
            "aircraft.cabin.lavatories": lavatories,
            "operation.behaviour.lavatory_closed": 0.7,
            "operation.behaviour.companion_share": 0.5,
            "operation.behaviour.queue_limit": 4,
            **times_rates(2.0),
        }
    )


def every_lavatory_closed() -> Scenario:
    """The only lavatory is out of use on half the flights: people stand about instead."""
    lavatories = [{"name": "only", "arm": 30.4, "count": 1, "queue_toward": "fore"}]
    return certain(
        {
            "aircraft.cabin.lavatories": lavatories,
            "operation.behaviour.lavatory_closed": 0.5,
            **times_rates(1.5),
        }
    )


def crowd() -> Scenario:
    """A rush after the sign goes off, and a surge on most flights."""
    return certain(
        {
            "operation.crowd.sign_off_share": 0.3,
            "operation.crowd.surge_probability": 0.6,
            "operation.crowd.surge_toward": "either",
            "operation.crowd.surge_people": 40,
        }
    )


def parties() -> Scenario:
    """Big parties that go together, with children."""
    kinds = [
        {"name": "families", "share": 0.2, "adults": (1, 2), "children": (1, 3)},
        {"name": "friends", "share": 0.4, "adults": (3, 8), "mass_correlation": 0.2},
        {"name": "team", "share": 0.2, "adults": (10, 16), "same_sex": 1.0, "mass_shift": 8.0,
         "mass_correlation": 0.5},
    ]  # fmt: skip
    zones = [
        {"name": "A", "rows": "1-9", "adults": 38, "children": 6},
        {"name": "B", "rows": "10-19", "adults": 40, "children": 12},
        {"name": "C", "rows": "20-29", "adults": 52, "children": 0},
    ]
    return certain(
        {
            "operation.parties": kinds,
            "operation.zones": zones,
            "operation.behaviour.companion_share": 0.6,
        }
    )


def two_aisles() -> Scenario:
    """Two aisles, carts in both, lavatories and galleys in the middle and at the ends."""
    lavatories = [
        {"name": "front", "arm": 5.0, "count": 2, "queue_toward": "aft"},
        {"name": "middle", "arm": 17.33, "count": 2, "queue_toward": "aft"},
        {"name": "rear", "arm": 30.4, "count": 2, "queue_toward": "fore"},
    ]
    galleys = [
        {"name": "forward galley", "arm": 4.4, "standing": 3},
        {"name": "middle galley", "arm": 13.59, "standing": 3},
        {"name": "aft galley", "arm": 31.4, "standing": 6},
    ]
    carts = [
        {**cart, "aisle": aisle, "start": start, "seconds_per_passenger": 20.0}
        for aisle, start in ((1, 5.0), (2, 9.0))
        for cart in CARTS
    ]
    carts += [
        {"galley": "middle galley", "from_row": 10, "to_row": 20, "aisle": 1, "start": 35.0},
        {"galley": "aft galley", "from_row": 18, "to_row": 29, "aisle": 2, "start": 36.0},
    ]
    return certain(
        {
            "aircraft.cabin.seats": "AB-CDE-FG",
            "aircraft.cabin.lavatories": lavatories,
            "aircraft.cabin.galleys": galleys,
            "operation.zones.0.adults": 50,
            "operation.zones.2.adults": 60,
            "operation.service.carts": carts,
            "operation.behaviour.lavatory_share": 0.7,
            "operation.behaviour.walking_cv": 0.3,
            **times_rates(4.0),
        }
    )


def everything() -> Scenario:
    """All at once: the sign on and off again in cruise, water, meals, waste, slow walkers."""
    phases = shipped_scenario().resolved()["operation"]["phases"]
    at = next(i for i, phase in enumerate(phases) if phase["kind"] == "cruise")
    parts = [("quiet", 30.0, False), ("rough", 7.0, True), ("late", 25.0, False)]
    phases[at : at + 1] = [
        {**phases[at], "name": name, "minutes": minutes, "sign": sign}
        for name, minutes, sign in parts
    ]
    drinks = [{**cart, "start": 2.0, "seconds_per_passenger": 5.0} for cart in CARTS]
    meals = [{**cart, "start": 12.0, "tray": 0.9} for cart in CARTS]
    waste = [
        {"galley": "aft galley", "from_row": 1, "to_row": 29, "start": 30.0, "tray": 0.0,
         "seconds_per_passenger": 4.0, "mass_full": 30.0}
    ]  # fmt: skip
    return certain(
        {
            "aircraft.cabin.water": {"potable_arm": 9.0, "waste_arm": 27.0, "mass": 40.0},
            "operation.phases": phases,
            "operation.service.carts": drinks + meals + waste,
            "operation.behaviour.companion_share": 0.4,
            "operation.behaviour.walking_cv": 0.4,
            "operation.behaviour.sign_factor": 0.3,
            "operation.behaviour.retry_mean": 3.0,
            "operation.crowd.sign_off_share": 0.2,
            "operation.crowd.surge_probability": 0.5,
            "operation.crowd.surge_toward": "either",
            "operation.crowd.after_meal_factor": 4.0,
            **times_rates(2.5),
        }
    )


def commuter() -> Scenario:
    """The invented 19-seat commuter, sign off in climb too, and everybody much on the move."""
    base = load_scenario(SHIPPED.parent / "commuter")
    kinds = [{**kind, "same_sex": 0.0} for kind in base.resolved()["operation"]["parties"]]
    phases = base.resolved()["operation"]["phases"]
    lit = [{**phase, "sign": phase["sign"] and phase["kind"] != "climb"} for phase in phases]
    return certain(
        {
            "operation.parties": kinds,
            "operation.phases": lit,
            "operation.behaviour.trips_aisle": 3.0,
            "operation.behaviour.companion_share": 0.3,
            "operation.crowd.sign_off_share": 0.3,
            "operation.crowd.surge_probability": 0.3,
            "operation.crowd.surge_people": 6,
        },
        base,
    )


CASES = {
    "no_service": no_service,
    "carts_only": carts_only,
    "one_lavatory": one_lavatory,
    "crowd": crowd,
    "parties": parties,
    "two_aisles": two_aisles,
    "all": everything,
    "lavatory_closed": lavatory_closed,
    "every_lavatory_closed": every_lavatory_closed,
    "commuter": commuter,
}
