"""Fuel in small steps of time, with transfers between tanks: slow and obvious.

Written from the words of ``FuelTransfer`` and of the burn schedule. Kilograms, seconds, metres.
"""

from __future__ import annotations

from math import inf
from typing import Any

import numpy as np

from cgrisk.aircraft import fill_plan, moment_at, tank_tables
from cgrisk.scenario import Scenario


class Pump:
    """One transfer on one flight."""

    def __init__(self, spec: Any, late_s: float) -> None:
        self.spec, self.late_s = spec, late_s
        self.starts, self.over = inf, False
        self.left = inf if spec.quantity is None else spec.quantity
        self.gives, self.takes = list(spec.from_tanks), list(spec.to_tanks)

    def run(self, tanks: dict[str, float], room: dict[str, float], m3: float) -> None:
        """Move a volume, or what is left, what there is or what there is room for."""
        m3 = min(
            m3,
            self.left,
            sum(tanks[name] for name in self.gives),
            sum(room[name] - tanks[name] for name in self.takes),
        )
        self.left -= m3
        for names, sign in ((self.gives, -1.0), (self.takes, 1.0)):
            for name in names:
                tanks[name] += sign * m3 / len(names)
        for name in list(self.gives):
            if tanks[name] <= 1e-9:
                self.gives.remove(name)
        for name in list(self.takes):
            if tanks[name] >= room[name] - 1e-9:
                self.takes.remove(name)
        if self.left <= 1e-9 or not self.gives or not self.takes:
            self.over = True


def fuel_by_steps(
    scenario: Scenario, *, late_s: list[float], step_s: float, flow_factor: float = 1.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[dict[str, float]]]:
    """Return times, mass and moment of the fuel, and the tanks, from start of taxi to shutdown.

    ``late_s`` tells how late each transfer starts; infinity: not at all.
    """
    aircraft, operation = scenario.aircraft, scenario.operation
    density = operation.fuel.density or aircraft.reference_density
    names = [tank.name for tank in aircraft.tanks]
    room = {tank.name: tank.capacity for tank in aircraft.tanks}
    tables = dict(zip(names, tank_tables(aircraft), strict=True))
    filled = fill_plan(aircraft, operation.fuel.block / density)
    tanks = dict(zip(names, filled.tolist(), strict=True))
    pumps = [Pump(spec, late) for spec, late in zip(aircraft.fuel_transfers, late_s, strict=True)]
    steps = [(step.tanks, step.down_to) for step in aircraft.burn_schedule]
    at_step, shut = 0, set[str]()
    times, masses, moments, states = [], [], [], []
    clock, cruising = 0.0, False

    def note() -> None:
        times.append(clock)
        masses.append(density * sum(tanks.values()))
        moments.append(density * sum(float(moment_at(tables[n], tanks[n])) for n in names))
        states.append(dict(tanks))

    note()
    for phase in operation.phases:
        cruising = cruising or phase.kind == "cruise"
        pieces = int(np.ceil(60.0 * phase.minutes / step_s))
        for _ in range(pieces):
            dt = 60.0 * phase.minutes / pieces
            aboard = density * sum(tanks.values())
            for pump in pumps:
                if cruising and pump.starts == inf and aboard <= pump.spec.at_fuel:
                    pump.starts = clock + pump.late_s
                if pump.starts <= clock and not pump.over:
                    pump.run(tanks, room, pump.spec.flow * dt / density)
                    if pump.over:
                        at_step, shut = 0, set()
            need = phase.fuel_flow * flow_factor * dt / density
            while need > 0.0 and at_step < len(steps):
                feeding, level = steps[at_step]
                open_tanks = [n for n in feeding if n not in shut and tanks[n] > level]
                if not open_tanks:
                    at_step, shut = at_step + 1, set()
                    continue
                each = min(need / len(open_tanks), *(tanks[n] - level for n in open_tanks))
                for n in open_tanks:
                    tanks[n] -= each
                    if tanks[n] - level <= 1e-12:
                        tanks[n] = level
                        shut.add(n)
                need -= each * len(open_tanks)
                if need < 1e-12:
                    need = 0.0
            clock += dt
            note()
    return np.array(times), np.array(masses), np.array(moments), states
