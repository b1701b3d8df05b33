"""Cabins for tests: the shipped case without doubts about the load, and edits of its life."""

from __future__ import annotations

from typing import Any

from cgrisk.scenario import Scenario
from tests.flight_cases import edited, shipped_scenario

#: No doubt about dry mass, holds and fuel, no gear and flap moments: what is left is who is aboard
#: and how they move.
LIFE_ALONE: dict[str, Any] = {
    "operation.seating.rule": "random",
    "operation.seating.movers_share": 0.0,
    "operation.passengers.last_minute_off": 0.0,
    "operation.passengers.last_minute_on": 0.0,
    "operation.load_sheet.arm_step": 0.0,
    "operation.cargo.bag_mean": 13.0,
    "operation.cargo.bag_sd": 0.0,
    "operation.cargo.bag_sd_flight": 0.0,
    "operation.cargo.cargo_sd": 0.0,
    "operation.cargo.position_sd": 0.0,
    "operation.cargo.misplaced_bags": 0.0,
    "operation.fuel.density_mean": 800.0,
    "operation.fuel.density_sd": 0.0,
    "operation.fuel.burn_sd": 0.0,
    "aircraft.gear.retraction_moment": 0.0,
    "aircraft.flaps.1.moment": 0.0,
    "aircraft.flaps.2.moment": 0.0,
    "aircraft.dry_uncertainty": {
        "mass_bias": 0.0,
        "mass_sd_aircraft": 0.0,
        "mass_sd_flight": 0.0,
        "cg_bias": 0.0,
        "cg_sd_aircraft": 0.0,
        "cg_sd_flight": 0.0,
    },
    "aircraft.fuel_uncertainty": {"gauging_of_reading": 0.0, "gauging_of_capacity": 0.0},
}
#: Nobody gets up of his own accord or in the rush.
NOBODY_UP: dict[str, Any] = {
    "operation.behaviour.trips_window": 0.0,
    "operation.behaviour.trips_middle": 0.0,
    "operation.behaviour.trips_aisle": 0.0,
    "operation.crowd.sign_off_share": 0.0,
}
RESTLESS: dict[str, Any] = {
    "operation.behaviour.trips_window": 0.4,
    "operation.behaviour.trips_middle": 0.5,
    "operation.behaviour.trips_aisle": 0.9,
}
NO_SERVICE: dict[str, Any] = {
    "operation.service.carts": [],
    "operation.service.crew_walks": 0.0,
}


def cart(**changes: Any) -> dict[str, Any]:
    """A round of a cart, in SI and minutes."""
    return {
        "galley": "forward galley",
        "from_row": 1,
        "to_row": 14,
        "aisle": 1,
        "start": 8.0,
        "mass_full": 100.0,
        "tray": 0.6,
        "returned": 0.6,
        "seconds_per_passenger": 12.0,
        "crew": 2,
    } | changes


def phase(kind: str, minutes: float, **changes: Any) -> dict[str, Any]:
    """A phase, in SI and minutes."""
    return {
        "kind": kind,
        "name": None,
        "minutes": minutes,
        "fuel_flow": 0.5,
        "gear": "up",
        "flaps": None,
        "sign": False,
        "getting_up": 1.0,
        "altitude_ft": 0.0,
        "speed_kt": 0.0,
    } | changes


def life(changes: dict[str, Any], base: Scenario | None = None) -> Scenario:
    """The shipped case without doubts about the load, edited."""
    return edited({**LIFE_ALONE, **changes}, base=base)


def _all_at_once() -> dict[str, Any]:
    phases = [dict(p) for p in shipped_scenario().resolved()["operation"]["phases"]]
    kinds = [p["kind"] for p in phases]
    place = kinds.index("cruise")
    pieces = [
        phase("cruise", 24.0, name="first cruise", fuel_flow=0.6),
        phase("cruise", 8.0, name="bumps", fuel_flow=0.6, sign=True),
        phase("cruise", 30.0, name="last cruise", fuel_flow=0.6, getting_up=1.3),
    ]
    phases[place : place + 1] = pieces
    return {
        **RESTLESS,
        "operation.phases": phases,
        "operation.behaviour.walking_cv": 0.4,
        "operation.behaviour.companion_share": 0.4,
        "operation.crowd.sign_off_share": 0.2,
        "operation.crowd.surge_probability": 0.5,
        "operation.crowd.surge_toward": "either",
        "operation.service.carts": [
            cart(),
            cart(galley="aft galley", from_row=29, to_row=15),
            cart(start=20.0, tray=0.3, mass_full=60.0, seconds_per_passenger=5.0),
            cart(start=26.0, tray=0.0, mass_full=40.0, seconds_per_passenger=5.0),
            cart(galley="aft galley", from_row=29, to_row=15, start=30.0, tray=0.0),
        ],
        "operation.service.crew_walks": 6.0,
    }


def _two_aisles() -> dict[str, Any]:
    cabin = shipped_scenario().resolved()["aircraft"]["cabin"]
    rounds = [
        cart(galley=galley, from_row=first, to_row=last, aisle=aisle, seconds_per_passenger=20.0)
        for galley, first, last in (("forward galley", 1, 14), ("aft galley", 29, 15))
        for aisle in (1, 2)
    ]
    return {
        **RESTLESS,
        "aircraft.cabin": cabin
        | {
            "seats": "AB-CDE-FG",
            "lavatories": [
                {"name": "fore", "arm": 5.0, "count": 1, "queue_toward": "aft"},
                {"name": "middle", "arm": 17.4, "count": 2, "queue_toward": "aft"},
                {"name": "aft", "arm": 30.4, "count": 2, "queue_toward": "fore"},
            ],
        },
        "operation.service.carts": rounds,
    }


#: Lives of the cabin that the two versions of the flight are compared on.
CASES: dict[str, dict[str, Any]] = {
    "no_service": NO_SERVICE,
    "carts_only": {**NOBODY_UP, "operation.service.crew_walks": 6.0},
    "one_lavatory": {
        **RESTLESS,
        "aircraft.cabin.lavatories": [
            {"name": "only", "arm": 30.4, "count": 1, "queue_toward": "fore"}
        ],
    },
    "crowd": {
        "operation.crowd.sign_off_share": 0.3,
        "operation.crowd.surge_probability": 0.6,
        "operation.crowd.surge_toward": "either",
    },
    "parties": {
        "operation.behaviour.companion_share": 0.6,
        "operation.parties": [
            {
                "name": "family",
                "share": 0.2,
                "adults": [1, 2],
                "children": [1, 3],
                "same_sex": 0.0,
                "mass_correlation": 0.25,
                "mass_shift": 0.0,
            },
            {
                "name": "team",
                "share": 0.5,
                "adults": [8, 16],
                "children": [0, 0],
                "same_sex": 1.0,
                "mass_correlation": 0.2,
                "mass_shift": 8.0,
            },
        ],
    },
    "two_aisles": _two_aisles(),
    "all": _all_at_once(),
}
