"""Files in, checked frozen objects out: the aircraft file, the operation file, what they name."""

from __future__ import annotations

from cgrisk.scenario.aircraft_file import AircraftFile, Tank
from cgrisk.scenario.operation_file import OperationFile
from cgrisk.scenario.scenario import Scenario
from cgrisk.scenario.seats import expand_seats, parse_rows, select_seats

__all__ = [
    "AircraftFile",
    "OperationFile",
    "Scenario",
    "Tank",
    "expand_seats",
    "parse_rows",
    "select_seats",
]
