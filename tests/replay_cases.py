"""Flights to replay: the shipped case near its aft limit, and cabins that are otherwise."""

from __future__ import annotations

from typing import Any

import numpy as np

from cgrisk.flight import FlightModel, fly_block, phase_column, prepare
from cgrisk.scenario import Scenario
from tests.flight_cases import edited, shipped_scenario
from tests.simpy_cases import CASES

#: Shown as text wherever a scenario's name is shown.
MARKUP = "</script><img src=x onerror=\"alert('1')\">&amp;<!--"
_ZONES = [("A", "1-9"), ("B", "10-19"), ("C", "20-29")]


def no_aerodynamics() -> Scenario:
    bare = ("aerodynamics", "ground_run", "stabilizer", "trim_tables")
    empty: dict[str, Any] = {f"aircraft.{name}": None for name in bare[:3]}
    return edited({**empty, "aircraft.trim_tables": [], "operation.operational_envelope": None})


def no_carts() -> Scenario:
    return edited({"operation.service.carts": [], "operation.service.crew_walks": 0.0})


def nobody_aboard() -> Scenario:
    zones = [{"name": n, "rows": r, "adults": 0, "children": 0} for n, r in _ZONES]
    return edited({"operation.zones": zones, "operation.passengers.last_minute_on": 0.0})


def bare_cabin() -> Scenario:
    """Neither lavatory nor galley nor crew."""
    return edited(
        {
            "aircraft.cabin.lavatories": [],
            "aircraft.cabin.galleys": [],
            "aircraft.cabin.crew_seats": [],
            "operation.service.carts": [],
        }
    )


def three_hundred_seats() -> Scenario:
    """Thirty rows of ten, all taken, restless people, carts in both aisles."""
    carts = [
        {"galley": galley, "from_row": first, "to_row": last, "aisle": aisle, "start": 5.0}
        for aisle in (1, 2)
        for galley, first, last in (("forward galley", 1, 15), ("aft galley", 30, 16))
    ]
    zones = [
        {"name": "front", "rows": "1-15", "adults": 150, "children": 0},
        {"name": "rear", "rows": "16-30", "adults": 140, "children": 10},
    ]
    return edited(
        {
            "aircraft.cabin.seats": "ABC-DEFG-HJK",
            "aircraft.cabin.rows": [{"rows": "1-30", "pitch": 0.80}],
            "operation.zones": zones,
            "operation.service.carts": carts,
            "operation.behaviour.trips_window": 1.5,
            "operation.behaviour.trips_middle": 1.5,
            "operation.behaviour.trips_aisle": 1.5,
            "operation.entry_errors": [],
        }
    )


def marked_up() -> Scenario:
    """Markup and script in every name that a scenario has."""
    data = shipped_scenario().resolved()
    changes: dict[str, Any] = {}
    for side in ("aircraft", "operation"):
        for path, value in _names(data[side], side):
            changes[path] = f"{value} {MARKUP}"
    # Names that others refer to stay references.
    for i, cart in enumerate(data["operation"]["service"]["carts"]):
        changes[f"operation.service.carts.{i}.galley"] = f"{cart['galley']} {MARKUP}"
    for i, load in enumerate(data["operation"]["hold_loads"]):
        changes[f"operation.hold_loads.{i}.hold"] = f"{load['hold']} {MARKUP}"
    for i, phase in enumerate(data["operation"]["phases"]):
        changes[f"operation.phases.{i}.name"] = f"{phase['kind']} {MARKUP}"
        if phase["flaps"]:
            changes[f"operation.phases.{i}.flaps"] = f"{phase['flaps']} {MARKUP}"
    for kind in ("refuel_order", "burn_schedule"):
        for i, step in enumerate(data["aircraft"][kind]):
            tanks = [f"{name} {MARKUP}" for name in step["tanks"]]
            changes[f"aircraft.{kind}.{i}.tanks"] = tanks
    return edited({**changes, "operation.entry_errors": []})


def _names(value: Any, path: str) -> list[tuple[str, str]]:
    if isinstance(value, dict):
        own = [(f"{path}.{key}", v) for key, v in value.items() if key == "name" and v]
        return own + [n for key, v in value.items() for n in _names(v, f"{path}.{key}")]
    if isinstance(value, list | tuple):
        return [n for i, v in enumerate(value) for n in _names(v, f"{path}.{i}")]
    return []


#: Cabins and operations in which something is left out, or twice there.
ODD = {
    "two_aisles": CASES["two_aisles"],
    "all": CASES["all"],
    "no_aerodynamics": no_aerodynamics,
    "no_carts": no_carts,
    "nobody_aboard": nobody_aboard,
    "bare_cabin": bare_cabin,
}


def nearest_aft(model: FlightModel, *, seed: int, flights: int = 600) -> int:
    """The flight of the first ones that came nearest to the aft limit."""
    rows = fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))
    columns = [
        model.columns.index(phase_column("margin_pct_mac", phase=phase, side="aft"))
        for phase in model.phases
    ]
    return int(rows[:, columns].min(axis=1).argmin())


def ready(name: str) -> FlightModel:
    return prepare(ODD[name]())
