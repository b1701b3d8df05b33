"""Scenarios that tilting admits: nobody moves, everybody travels alone."""

from __future__ import annotations

from typing import Any

from tests.cabin_cases import NO_SERVICE, NOBODY_UP
from tests.flight_cases import SEATING_ALONE

STILL: dict[str, Any] = {**NOBODY_UP, **NO_SERVICE}
#: Seats, masses, dry mass, holds and fuel.
ALL_LOADS: dict[str, Any] = {**STILL, **SEATING_ALONE}
LAST_MINUTE: dict[str, Any] = {
    "operation.passengers.last_minute_off": 0.3,
    "operation.passengers.last_minute_on": 0.3,
}
#: Seats and masses.
PEOPLE: dict[str, Any] = {
    **ALL_LOADS,
    "aircraft.dry_uncertainty": {},
    "aircraft.fuel_uncertainty": {},
    "operation.fuel.density_sd": 0.0,
    "operation.fuel.burn_sd": 0.0,
    "operation.cargo.bag_sd": 0.0,
    "operation.cargo.bag_sd_flight": 0.0,
    "operation.cargo.cargo_sd": 0.0,
    "operation.cargo.position_sd": 0.0,
    "operation.cargo.misplaced_bags": 0.0,
}
#: Seats, everybody of one mass.
SEATS: dict[str, Any] = {
    **PEOPLE,
    "operation.passengers.male_share": 1.0,
    "operation.mass.body.men.sd": 0.0,
    "operation.mass.body.men.skewness": 0.0,
    "operation.mass.bag.sd": 0.0,
    "operation.mass.bag.none_share": 0.0,
}
#: 44 in 54, 52 in 60 and 52 in 60 seats; two zones full, so that the third counts; one zone.
CABINS: dict[str, dict[str, Any]] = {
    "three_zones": {},
    "last_zone": {"operation.zones.0.adults": 54, "operation.zones.1.adults": 60},
    "whole_cabin": {
        "operation.zones": [{"name": "A", "rows": "1-29", "adults": 166, "children": 0}]
    },
}
#: An error on the load sheet, but for its probability.
SWAP = [{"name": "swap", "kind": "swapped_holds", "holds": ["forward hold", "aft hold"]}]
