"""One flight as a pure function of a scenario and random keys.

``prepare`` makes a scenario ready: load sheet, planned path, flat arrays. ``fly_block`` flies
flights by their numbers and returns a row of figures each; ``trace`` replays one of them. The
compiled part is in ``flight.kernel``: people, loads, the exact CG path.
"""

from __future__ import annotations

from cgrisk.flight.columns import SIDES, column_names, phase_column
from cgrisk.flight.contract import CONTRIBUTIONS
from cgrisk.flight.loadsheet import LoadSheet, SheetLine, make_load_sheet
from cgrisk.flight.model import FlightModel, entity_counts, fly_block, prepare, trace
from cgrisk.flight.program import IN_FLIGHT

__all__ = [
    "CONTRIBUTIONS",
    "IN_FLIGHT",
    "SIDES",
    "FlightModel",
    "LoadSheet",
    "SheetLine",
    "column_names",
    "entity_counts",
    "fly_block",
    "make_load_sheet",
    "phase_column",
    "prepare",
    "trace",
]
