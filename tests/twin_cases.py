"""The shipped twin-aisle case for tests, and small cases with transfers of fuel. All SI."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from cgrisk.scenario import AircraftFile, OperationFile, Scenario
from tests.flight_cases import edited
from tests.simpy_cases import CERTAIN

TWIN = Path(__file__).parents[1] / "scenarios" / "twin_aisle"


def twin_scenario(changes: dict[str, Any] | None = None) -> Scenario:
    """The shipped twin-aisle case, read without the loader, with these changes."""
    context = {"system": "kg/m"}
    read = {
        name: tomllib.loads((TWIN / f"{name}.toml").read_text())
        for name in ("aircraft", "operation")
    }
    scenario = Scenario(
        AircraftFile.model_validate(read["aircraft"], context=context),
        OperationFile.model_validate(read["operation"], context=context),
    )
    return edited(changes or {}, scenario)


def certain_twin(changes: dict[str, Any] | None = None) -> Scenario:
    """The same without doubt in the papers, holds and fuel, everybody seated at random."""
    bags = {"operation.cargo.bag_mean": 15.0, "operation.load_sheet.bag_mass": 15.0}
    return edited({**CERTAIN, **bags, **(changes or {})}, twin_scenario())


#: A tank of 10 m3 at arm 17, another at arm 27 that feeds last, burnt at 3,600 kg/h in cruise.
def trim_aircraft(**transfer: Any) -> dict[str, Any]:
    """Changes of the shipped single aisle: two plain tanks and one transfer between them."""
    spec = {
        "name": "trim aft",
        "from_tanks": ["main"],
        "to_tanks": ["trim"],
        "at_fuel": 6_000.0,
        "flow": 0.5,
        "quantity": 0.6,
    }
    return {
        "aircraft.tanks": [
            {"name": "main", "capacity": 10.0, "layers": [[10.0, 17.0]]},
            {"name": "trim", "capacity": 1.0, "layers": [[1.0, 27.0]]},
        ],
        "aircraft.refuel_order": [{"tanks": ["main"]}, {"tanks": ["trim"]}],
        "aircraft.burn_schedule": [{"tanks": ["main"]}, {"tanks": ["trim"]}],
        "aircraft.fuel_transfers": [{**spec, **transfer}],
        "operation.fuel.block": 7_000.0,
    }
