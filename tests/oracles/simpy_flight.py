"""A slow second version of the whole flight, in SimPy: one process a person, a cart, a crew member.

Written from the words of ``cgrisk.flight.cabin_life`` alone, with its own random numbers. Boarding
is the rule "random" within zones; masses of the papers, holds and fuel are without doubt.
"""

from __future__ import annotations

import gc
from typing import Any

import numpy as np

from cgrisk.aircraft import (
    CabinPlan,
    balance_of,
    burn,
    cabin_plan,
    certified_limits,
    dry_operating,
    fill_plan,
    moment_at,
    tank_tables,
)
from cgrisk.scenario import Scenario
from tests.oracles.simpy_cabin import CabinLife
from tests.oracles.simpy_crew import IN_FLIGHT, TimeTable
from tests.oracles.stepped_fuel import fuel_by_steps

POSITIONS = ("window", "middle", "aisle")
GRID_S = 5.0


class FuelPath:
    """Mass and moment of the fuel on a fine grid of times, and limits of the in-flight phases."""

    def __init__(
        self, scenario: Scenario, table: TimeTable, late_s: list[float] | None = None
    ) -> None:
        if late_s:
            self.times, self.masses, self.moments, _ = fuel_by_steps(
                scenario, late_s=late_s, step_s=GRID_S
            )
            return
        aircraft, fuel = scenario.aircraft, scenario.operation.fuel
        density = fuel.density or aircraft.reference_density
        start = fill_plan(aircraft, fuel.block / density)
        tanks = tank_tables(aircraft)
        times, masses, moments = [], [], []
        burnt = 0.0
        for begin, end, phase in table.phases:
            steps = int(np.ceil((end - begin) / GRID_S)) + 1
            for time in np.linspace(begin, end, steps):
                used = burnt + phase.fuel_flow * (time - begin)
                volumes = burn(aircraft, start, used / density)
                times.append(time)
                masses.append(density * float(np.sum(volumes)))
                moments.append(
                    density
                    * sum(float(moment_at(t, v)) for t, v in zip(tanks, volumes, strict=True))
                )
            burnt += phase.fuel_flow * (end - begin)
        self.times, self.masses, self.moments = map(np.array, (times, masses, moments))

    def at(self, time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return mass (kg) and moment (kg m) of the fuel aboard at times (s)."""
        return (
            np.interp(time, self.times, self.masses),
            np.interp(time, self.times, self.moments),
        )


def zero_fuel(scenario: Scenario, life: CabinLife) -> tuple[float, float]:
    """Return the real mass and moment without fuel, everybody in his seat."""
    mass, arm = dry_operating(scenario.aircraft)
    moment = mass * arm
    for person in life.aboard:
        mass += person.body_kg + person.bag_kg
        moment += (person.body_kg + person.bag_kg) * person.arm
    arms = {hold.name: hold.arm for hold in scenario.aircraft.holds}
    for load in scenario.operation.hold_loads:
        kg = load.bags * scenario.operation.load_sheet.bag_mass + load.cargo
        mass += kg
        moment += kg * arms[load.hold]
    return mass, moment


def margins(scenario: Scenario, life: CabinLife, fuel: FuelPath) -> dict[str, float]:
    """Return the least moment margins of climb, cruise and descent to the certified limits."""
    times, before, after, slopes = life.ledger.curve(life.table.end)
    balance, limits = balance_of(scenario.aircraft), certified_limits(scenario.aircraft)
    dry_kg, dry_kgm = zero_fuel(scenario, life)
    least = {"forward": np.inf, "aft": np.inf}
    for begin, end, phase in life.table.phases:
        if phase.kind not in IN_FLIGHT:
            continue
        steps = int(np.ceil((end - begin) / GRID_S)) + 1
        grid = np.linspace(begin, end, steps)
        index = np.searchsorted(times, grid, side="right") - 1
        # What happens at the very end of the phase belongs to the next one.
        index[-1] = np.searchsorted(times, end - 1e-6, side="left") - 1
        on_grid = after[index] + slopes[index] * (grid - times[index])
        inside = (times > begin) & (times < end - 1e-6)
        when = np.concatenate([grid, times[inside], times[inside]])
        movement = np.concatenate([on_grid, before[inside], after[inside]])
        fuel_kg, fuel_kgm = fuel.at(when)
        mass, moment = dry_kg + fuel_kg, dry_kgm + fuel_kgm + movement
        for side, sign in (("forward", 1.0), ("aft", -1.0)):
            limit = limits[phase.kind].limit(mass, side=side)
            arm = balance.lemac_m + limit * balance.mac_m / 100.0
            least[side] = min(least[side], float(np.min(sign * (moment - mass * arm))))
    return {f"in_flight.{side}_kgm": value for side, value in least.items()}


def readings(life: CabinLife) -> dict[str, float]:
    """Return what happened in the cabin on one flight."""
    _, before, after, _ = life.ledger.curve(life.table.end)
    out = {
        "cabin_moment_min_kgm": float(min(0.0, before.min(), after.min())),
        "cabin_moment_max_kgm": float(max(0.0, before.max(), after.max())),
        "passengers": len(life.aboard),
        "trips": sum(person.times_up for person in life.aboard),
        "most_up": life.most_up,
        "mean_up": life.up_seconds / life.table.end,
        "longest_queue": life.longest_queue,
        "lavatory_visits": len(life.waits),
        "mean_wait_s": float(np.mean(life.waits)) if life.waits else 0.0,
        "longest_wait_s": max(life.waits, default=0.0),
        "put_off": life.put_off,
        "turned_back": life.turned_back,
        "stopped_behind_cart": life.stopped,
        "rows_not_served": sum(cart.left_out for cart in life.crew.carts),
    }
    for code, position in enumerate(POSITIONS):
        times_up = [person.times_up for person in life.aboard if person.position == code]
        out[f"never_up.{position}"] = sum(n == 0 for n in times_up)
        out[f"once_up.{position}"] = sum(n == 1 for n in times_up)
        out[f"more_up.{position}"] = sum(n > 1 for n in times_up)
    return out


def late_transfers(scenario: Scenario, rng: np.random.Generator) -> list[float]:
    """Return how late each transfer of fuel starts on a flight (s), infinity if it is stuck."""
    return [
        float("inf")
        if rng.random() < transfer.stuck
        else float(rng.exponential(60.0 * transfer.late_mean))
        for transfer in scenario.aircraft.fuel_transfers
    ]


def fly_once(
    scenario: Scenario, plan: CabinPlan, table: TimeTable, rng: np.random.Generator
) -> CabinLife:
    """Fly one flight and return the cabin as it is at the end."""
    life = CabinLife(scenario, plan, table, rng)
    life.fly()
    return life


def fly(scenario: Scenario, *, seed: int, flights: int) -> dict[str, np.ndarray]:
    """Fly some flights and return the readings, one value a flight."""
    plan, table = cabin_plan(scenario), TimeTable(scenario.operation)
    fuel = FuelPath(scenario, table)
    rows: list[dict[str, Any]] = []
    gc.disable()  # each flight is one knot of references: collected once, below
    try:
        for flight in range(flights):
            rng = np.random.default_rng([seed, flight])
            life = fly_once(scenario, plan, table, rng)
            if scenario.aircraft.fuel_transfers:
                fuel = FuelPath(scenario, table, late_transfers(scenario, rng))
            rows.append({**readings(life), **margins(scenario, life, fuel)})
            if flight % 20 == 19:
                del life
                gc.collect()
    finally:
        gc.enable()
    return {name: np.array([row[name] for row in rows], dtype=float) for name in rows[0]}
