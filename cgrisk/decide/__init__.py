"""What to do: buffers, operational envelopes, cabin zones, seating policies."""

from cgrisk.decide.load_state import (
    LoadState,
    hold_mass_kg,
    scenario_with,
    state_of,
    zone_seat_counts,
)
from cgrisk.decide.zone_division import (
    CabinRows,
    Division,
    Rules,
    best_divisions,
    conventional_cost,
    cost_table,
    division_cost,
    variance_cost,
)
from cgrisk.decide.zone_scenario import (
    cabin_rows,
    existing_boundaries,
    rows_text,
    spread,
    zone_rows,
    zoned_scenario,
)
from cgrisk.decide.zone_seating import ZoneArms, closed_form_arm, zone_arm_study
from cgrisk.decide.zone_study import (
    EXISTING,
    LOADS,
    ZoneQuestion,
    ZoneStudy,
    label_of,
    study_zones,
)
from cgrisk.decide.zone_trade import (
    Flown,
    Step,
    TradeRow,
    fly_zones,
    seating_sd_kgm,
    trade,
)

__all__ = [
    "EXISTING",
    "LOADS",
    "CabinRows",
    "Division",
    "Flown",
    "LoadState",
    "Rules",
    "Step",
    "TradeRow",
    "ZoneArms",
    "ZoneQuestion",
    "ZoneStudy",
    "best_divisions",
    "cabin_rows",
    "closed_form_arm",
    "conventional_cost",
    "cost_table",
    "division_cost",
    "existing_boundaries",
    "fly_zones",
    "hold_mass_kg",
    "label_of",
    "rows_text",
    "scenario_with",
    "seating_sd_kgm",
    "spread",
    "state_of",
    "study_zones",
    "trade",
    "variance_cost",
    "zone_arm_study",
    "zone_rows",
    "zone_seat_counts",
    "zoned_scenario",
]
