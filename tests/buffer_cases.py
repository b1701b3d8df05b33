"""Scenarios in which flights are cheap, for tests that need many of them."""

from __future__ import annotations

from cgrisk.scenario import Scenario
from tests.flight_cases import SEATING_ALONE, edited

#: Nobody gets up, no cart is out: flights are cheap, and everything else is as shipped.
QUIET = {
    "operation.behaviour.trips_window": 0.0,
    "operation.behaviour.trips_middle": 0.0,
    "operation.behaviour.trips_aisle": 0.0,
    "operation.service.crew_walks": 0.0,
    "operation.crowd.sign_off_share": 0.0,
    "operation.service.carts": [],
}
#: Nothing varies but who sits where: masses as on the sheet, still air in the cabin.
STILL = {
    **SEATING_ALONE,
    "operation.mass.body.men": {"mean": 84.0, "sd": 0.0, "skewness": 0.0},
    "operation.mass.body.women": {"mean": 84.0, "sd": 0.0, "skewness": 0.0},
    "operation.mass.body.bias_sd_operation": 0.0,
    "operation.mass.bag": {"mean": 0.0, "sd": 0.0, "none_share": 1.0},
    **QUIET,
    "operation.cargo": {
        "bag_mean": 13.0,
        "bag_sd": 0.0,
        "bag_sd_flight": 0.0,
        "cargo_sd": 0.0,
        "position_sd": 0.0,
        "misplaced_bags": 0.0,
    },
    "operation.fuel.density_sd": 0.0,
    "operation.fuel.burn_sd": 0.0,
    "operation.load_sheet.index_step": 0.0,
    "operation.load_sheet.cg_step": 0.0,
    "aircraft.dry_uncertainty": {},
    "aircraft.fuel_uncertainty": {},
    "aircraft.flaps": [],
    "aircraft.gear.retraction_moment": 0.0,
    "aircraft.aerodynamics": None,
    "aircraft.stabilizer": None,
    "aircraft.ground_run": None,
}


def still_scenario() -> Scenario:
    scenario = edited(STILL)
    phases = [{**p.model_dump(by_alias=True), "flaps": None} for p in scenario.operation.phases]
    return edited({"operation.phases": phases}, base=scenario)
