"""A slow flight path: small steps in time, tanks burnt by the plain schedule, limits looked up.

Uses the aircraft package's plain functions, nothing of the compiled kernel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cgrisk.aircraft import balance_of, burn, certified_limits, fill_plan, moment_at, tank_tables
from cgrisk.scenario import Scenario


@dataclass
class SlowPath:
    time_s: np.ndarray
    phase: np.ndarray
    mass_kg: np.ndarray
    cg_pct: np.ndarray
    margin: dict[tuple[int, str], float]
    moment_margin: dict[tuple[int, str], float]


def planned_path(
    scenario: Scenario, *, zero_fuel_kg: float, zero_fuel_moment: float, steps: int
) -> SlowPath:
    """The planned path at ``steps`` instants a phase, both ends included."""
    aircraft, operation = scenario.aircraft, scenario.operation
    density = operation.fuel.density or aircraft.reference_density
    tables, limits, balance = (
        tank_tables(aircraft),
        certified_limits(aircraft),
        balance_of(aircraft),
    )
    start = fill_plan(aircraft, operation.fuel.block / density)
    time, phase_of, masses, cgs = [], [], [], []
    margin: dict[tuple[int, str], float] = {}
    moments: dict[tuple[int, str], float] = {}
    burnt, clock = 0.0, 0.0
    for number, phase in enumerate(operation.phases):
        seconds = 60.0 * phase.minutes
        for share in np.linspace(0.0, 1.0, steps):
            volume = (burnt + phase.fuel_flow * seconds * share) / density
            volumes = burn(aircraft, start, volume)
            fuel = sum(density * v for v in volumes)
            moment = zero_fuel_moment + sum(
                density * float(moment_at(t, v)) for t, v in zip(tables, volumes, strict=True)
            )
            mass = zero_fuel_kg + fuel
            cg = 100.0 * (moment / mass - aircraft.reference.lemac) / aircraft.reference.mac
            time.append(clock + seconds * share)
            phase_of.append(number)
            masses.append(mass)
            cgs.append(cg)
            for side in ("forward", "aft"):
                m = float(limits[phase.kind].margin(mass, cg, side=side))
                key = (number, side)
                margin[key] = min(margin.get(key, np.inf), m)
                moments[key] = min(moments.get(key, np.inf), m * mass * balance.mac_m / 100.0)
        burnt += phase.fuel_flow * seconds
        clock += seconds
    return SlowPath(
        np.array(time), np.array(phase_of), np.array(masses), np.array(cgs), margin, moments
    )
