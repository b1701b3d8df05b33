"""Every fuel state a flight may pass through: from each quantity aboard down the burn schedule."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import burn, fill_plan, moment_at, tank_tables, transfer_fuel
from cgrisk.errors import UsageError
from cgrisk.scenario import Scenario

__all__ = ["DENSITIES", "FuelStates", "fuel_states"]

Floats = NDArray[np.float64]

#: Jet fuel at 15 C: the limits of ASTM D1655 (kg/m3), and between them the scenario's own mean.
DENSITIES: Final = (775.0, 840.0)
_BLOCKS, _STEPS = 36, 90


class FuelStates(NamedTuple):
    """Mass and moment of fuel states, each (n,), and the greatest step of mass between them."""

    mass_kg: Floats
    moment_kgm: Floats
    step_kg: float


def _burnt_down(
    scenario: Scenario, filled: Floats, *, density: float, steps: int
) -> Iterator[Floats]:
    """Yield the volumes in the tanks while what was filled in is burnt.

    Transfers of fuel take place at once when they fall due. What is burnt before the cruise is
    burnt without them, and so is all that the tanks hold above their fuel.
    """
    aircraft, phases = scenario.aircraft, scenario.operation.phases
    kinds = [phase.kind for phase in phases]
    pending = list(range(len(aircraft.fuel_transfers))) if "cruise" in kinds else []
    pending.sort(key=lambda number: -aircraft.fuel_transfers[number].at_fuel)
    before = phases[: kinds.index("cruise")] if pending else []
    climb = sum(60.0 * phase.minutes * phase.fuel_flow for phase in before) / density
    block = float(filled.sum())
    volumes, base = filled, 0.0
    for burnt in np.linspace(0.0, block, steps + 1).tolist():
        if burnt <= climb:
            yield burn(aircraft, filled, burnt)
        while pending:
            due = max(base, block - aircraft.fuel_transfers[pending[0]].at_fuel / density)
            if due > burnt:
                break
            volumes = burn(aircraft, volumes, due - base)
            yield volumes
            volumes, base = transfer_fuel(aircraft, volumes, number=pending.pop(0)), due
            yield volumes
        yield burn(aircraft, volumes, burnt - base)


def fuel_states(
    scenario: Scenario,
    *,
    densities_kgpm3: Sequence[float] | None = None,
    blocks: int = _BLOCKS,
    steps: int = _STEPS,
) -> FuelStates:
    """Return fuel states: from empty tanks to full ones, each burnt down by the schedule.

    Transfers of fuel are taken as planned, each at once when it falls due.

    Parameters
    ----------
    scenario : Scenario
    densities_kgpm3 : sequence of float, optional
        775 and 840 kg/m3 (limits of ASTM D1655) and the scenario's mean if not given.
    blocks, steps : int
        Quantities filled in, and steps of the burn of each.

    Raises
    ------
    UsageError
        If a density is not above 0.
    """
    aircraft = scenario.aircraft
    if densities_kgpm3 is None:
        densities_kgpm3 = (*DENSITIES, scenario.operation.fuel.density_mean)
    tables = tank_tables(aircraft)
    capacity = sum(table.capacity_m3 for table in tables)
    found: list[tuple[float, float]] = []
    for density in sorted(set(densities_kgpm3)):
        if not density > 0.0:
            raise UsageError(
                argument="densities_kgpm3",
                expected="densities above 0",
                got=density,
                cure="Give kg/m3; jet fuel has 775 to 840.",
            )
        for block in np.linspace(0.0, capacity, blocks + 1).tolist():
            try:
                filled = fill_plan(aircraft, block)
            except UsageError:  # tanks that the refuelling order leaves out
                break
            states = _burnt_down(scenario, filled, density=density, steps=steps)
            with suppress(UsageError):  # the schedule does not empty all tanks
                for volumes in states:
                    moment = sum(
                        float(moment_at(table, volume))
                        for table, volume in zip(tables, volumes, strict=True)
                    )
                    found.append((density * float(volumes.sum()), density * moment))
    both = np.array(sorted(set(found)))
    return FuelStates(both[:, 0], both[:, 1], max(densities_kgpm3) * capacity / steps)
