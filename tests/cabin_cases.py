"""Edits of the life of a cabin, for scenarios without doubts (``simpy_cases.certain``)."""

from __future__ import annotations

from typing import Any

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
