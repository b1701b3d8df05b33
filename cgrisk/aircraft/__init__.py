"""The aeroplane: balance, envelope, tanks and cabin. Pure functions of checked data, all SI.

- ``balance``: chord, index formula, CG shifts, payload under the certified maxima;
- ``envelope``: CG limits against mass, margins, curtailed limits;
- ``tanks``: moment of the fuel by volume, filling and burning by the schedules;
- ``cabin``: seats, zones, lavatories, galleys and crew seats as arrays;
- ``plan_text``: the cabin as a picture in text.
"""

from __future__ import annotations

from cgrisk.aircraft.balance import (
    Balance,
    PayloadLimit,
    balance_of,
    centre_of_gravity,
    cg_after_adding,
    cg_after_moving,
    dry_operating,
    payload_limit,
)
from cgrisk.aircraft.cabin import (
    POSITIONS,
    CabinPlan,
    CrewSeats,
    Galleys,
    Lavatories,
    cabin_plan,
    zone_arms,
)
from cgrisk.aircraft.envelope import Limits, certified_limits, curtailed, polygon
from cgrisk.aircraft.plan_text import cabin_text
from cgrisk.aircraft.tanks import (
    TOLERANCE_KGM,
    TankTable,
    burn,
    burn_steps,
    fill_plan,
    moment_at,
    refuel_steps,
    tank_tables,
    transfer_fuel,
)

__all__ = [
    "POSITIONS",
    "TOLERANCE_KGM",
    "Balance",
    "CabinPlan",
    "CrewSeats",
    "Galleys",
    "Lavatories",
    "Limits",
    "PayloadLimit",
    "TankTable",
    "balance_of",
    "burn",
    "burn_steps",
    "cabin_plan",
    "cabin_text",
    "centre_of_gravity",
    "certified_limits",
    "cg_after_adding",
    "cg_after_moving",
    "curtailed",
    "dry_operating",
    "fill_plan",
    "moment_at",
    "payload_limit",
    "polygon",
    "refuel_steps",
    "tank_tables",
    "transfer_fuel",
    "zone_arms",
]
