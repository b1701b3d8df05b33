"""Files in, checked frozen objects out: the aircraft file, the operation file, what they name.

- ``load_scenario``: files to :class:`Scenario`, or every fault of all of them;
- ``aircraft_file``, ``operation_file``, ``fields``: the models, with unit, range, default, source;
- ``seats``: rows and seat names, expanded.
"""

from __future__ import annotations

from cgrisk.scenario.aircraft_file import AircraftFile, Tank
from cgrisk.scenario.loading import load_scenario
from cgrisk.scenario.operation_file import OperationFile
from cgrisk.scenario.scenario import Scenario
from cgrisk.scenario.seats import expand_seats, parse_rows, select_seats

__all__ = [
    "AircraftFile",
    "OperationFile",
    "Scenario",
    "Tank",
    "expand_seats",
    "load_scenario",
    "parse_rows",
    "select_seats",
]
