"""Small invented aircraft and operations that the tests of the aeroplane share. All SI."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from cgrisk.scenario import AircraftFile, OperationFile, Scenario

SHIPPED = Path(__file__).resolve().parents[1] / "scenarios" / "single_aisle"


def shipped_scenario() -> Scenario:
    """The shipped case, read without the checks between files."""
    read = {
        name: tomllib.loads((SHIPPED / f"{name}.toml").read_text(encoding="utf-8"))
        for name in ("aircraft", "operation")
    }
    context = {"system": "kg/m"}
    return Scenario(
        aircraft=AircraftFile.model_validate(read["aircraft"], context=context),
        operation=OperationFile.model_validate(read["operation"], context=context),
    )


def small_aircraft(*, system: str | None = None, **changes: Any) -> AircraftFile:
    """An aircraft with hardly anything in it; numbers are SI unless a file system is named."""
    data: dict[str, Any] = {
        "schema": 1,
        "units": system or "kg/m",
        "name": "invented",
        "reference": {
            "lemac": 10.0,
            "mac": 2.0,
            "index_arm": 10.5,
            "index_scale": 100.0,
            "index_constant": 40.0,
        },
        "masses": {
            "max_taxi": 7600.0,
            "max_take_off": 7500.0,
            "max_landing": 7400.0,
            "max_zero_fuel": 7000.0,
            "dry_operating": 5000.0,
            "dry_operating_arm": 10.4,
        },
        "envelopes": [
            {"phases": ["take_off"], "forward": [[5000.0, 10.0]], "aft": [[5000.0, 40.0]]}
        ],
        "cabin": {
            "first_row_arm": 5.0,
            "seats": "AB-CD",
            "rows": [{"rows": "1-4", "pitch": 1.0}],
        },
    }
    data.update(changes)
    return AircraftFile.model_validate(data, context={"system": system} if system else None)


def small_scenario(aircraft: AircraftFile, *, rows: str = "1-4", **changes: Any) -> Scenario:
    """An operation of that aircraft: one zone with these rows unless told otherwise."""
    data: dict[str, Any] = {
        "schema": 1,
        "units": "kg/m",
        "name": "invented",
        "aircraft": "aircraft.toml",
        "zones": [{"name": "A", "rows": rows, "adults": 0}],
        "fuel": {"block": 0.0},
        "phases": [{"kind": "take_off", "minutes": 1.0, "fuel_flow": 0.0}],
    }
    data.update(changes)
    return Scenario(aircraft=aircraft, operation=OperationFile.model_validate(data))


def fuel_aircraft(
    tanks: list[dict[str, Any]],
    *,
    refuel: list[list[str]] | None = None,
    burn: list[tuple[list[str], float]] | None = None,
    **changes: Any,
) -> AircraftFile:
    """An aircraft with these tanks; filled and burnt one after the other unless told otherwise."""
    names = [[tank["name"]] for tank in tanks]
    return small_aircraft(
        tanks=tanks,
        refuel_order=[{"tanks": step} for step in (refuel or names)],
        burn_schedule=[
            {"tanks": step, "down_to": down_to}
            for step, down_to in (burn or [(name, 0.0) for name in names])
        ],
        **changes,
    )
