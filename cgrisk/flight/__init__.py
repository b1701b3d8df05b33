"""One flight as a pure function of a scenario and random keys.

``prepare`` makes a scenario ready: load sheet, planned path, flat arrays. ``fly_block`` flies
flights by their numbers and returns a row of figures each; ``trace`` replays one of them. The
compiled part is in ``flight.kernel``: people, loads, life in the cabin (its law: ``cabin_life``),
the exact CG path. ``cabin_diary`` tells who was where in one flight.
"""

from __future__ import annotations

from cgrisk.flight.aboard import passengers_aboard, zone_errors_kgm
from cgrisk.flight.columns import SIDES, TRIM_FIGURES, column_names, phase_column
from cgrisk.flight.contract import CABIN_FIGURES, CONTRIBUTIONS, IN_FLIGHT
from cgrisk.flight.draws import entity_words
from cgrisk.flight.entry import entry_error_text, with_entry_error
from cgrisk.flight.loadsheet import LoadSheet, SheetLine, make_load_sheet
from cgrisk.flight.model import (
    FlightModel,
    entity_counts,
    fly_block,
    load_block,
    prepare,
)
from cgrisk.flight.one_flight import cabin_diary, diary_record, path_record, trace
from cgrisk.flight.planned import (
    GROUPS,
    OperationalShift,
    group_phases,
    operational_shift,
    zero_fuel_scale,
)
from cgrisk.flight.replay import PARTS, FlightReplay, Stretches, replay_flight, stretches_of
from cgrisk.flight.take_off import TakeOffPlan, take_off_columns
from cgrisk.flight.trim_program import conditions, why_no_trim

__all__ = [
    "CABIN_FIGURES",
    "CONTRIBUTIONS",
    "GROUPS",
    "IN_FLIGHT",
    "PARTS",
    "SIDES",
    "TRIM_FIGURES",
    "FlightModel",
    "FlightReplay",
    "LoadSheet",
    "OperationalShift",
    "SheetLine",
    "Stretches",
    "TakeOffPlan",
    "cabin_diary",
    "column_names",
    "conditions",
    "diary_record",
    "entity_counts",
    "entity_words",
    "entry_error_text",
    "fly_block",
    "group_phases",
    "load_block",
    "make_load_sheet",
    "operational_shift",
    "passengers_aboard",
    "path_record",
    "phase_column",
    "prepare",
    "replay_flight",
    "stretches_of",
    "take_off_columns",
    "trace",
    "why_no_trim",
    "with_entry_error",
    "zero_fuel_scale",
    "zone_errors_kgm",
]
