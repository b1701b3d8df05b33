"""Scenarios for tests: the shipped invented case, and edits of it in SI."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

from cgrisk.scenario import AircraftFile, OperationFile, Scenario

SHIPPED = Path(__file__).parents[1] / "scenarios" / "single_aisle"


def shipped_scenario() -> Scenario:
    """The shipped case, read without the loader under test elsewhere."""
    context = {"system": "kg/m"}
    aircraft = tomllib.loads((SHIPPED / "aircraft.toml").read_text())
    operation = tomllib.loads((SHIPPED / "operation.toml").read_text())
    return Scenario(
        AircraftFile.model_validate(aircraft, context=context),
        OperationFile.model_validate(operation, context=context),
    )


def edited(changes: dict[str, Any], base: Scenario | None = None) -> Scenario:
    """The shipped case with leaves replaced: {"operation.seating.rule": "random", ...} in SI."""
    data = copy.deepcopy((base or shipped_scenario()).resolved())
    for path, value in changes.items():
        *parents, leaf = path.split(".")
        place: Any = data
        for name in parents:
            place = place[int(name)] if isinstance(place, list) else place[name]
        place[int(leaf) if isinstance(place, list) else leaf] = copy.deepcopy(value)
    return Scenario.from_resolved(data)


#: Nothing random but the seats: no parties, no changes, one zone's worth of equal people.
SEATING_ALONE: dict[str, Any] = {
    "operation.seating.rule": "random",
    "operation.seating.movers_share": 0.0,
    "operation.parties": [],
    "operation.passengers.last_minute_off": 0.0,
    "operation.passengers.last_minute_on": 0.0,
    "operation.zones": [
        {"name": "A", "rows": "1-9", "adults": 44, "children": 0},
        {"name": "B", "rows": "10-19", "adults": 52, "children": 0},
        {"name": "C", "rows": "20-29", "adults": 52, "children": 0},
    ],
    "operation.load_sheet.arm_step": 0.0,
}
