"""Load states: how many sit in each zone, what lies in each hold, how much fuel there is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import CabinPlan, cabin_plan
from cgrisk.errors import UsageError
from cgrisk.flight.paper_masses import recount
from cgrisk.scenario import Scenario
from cgrisk.scenario.document import key_text
from cgrisk.scenario.loading import meaning_problems
from cgrisk.scenario.problems import Problem

__all__ = ["LoadState", "hold_mass_kg", "scenario_with", "state_of", "zone_seat_counts"]


@dataclass(frozen=True, slots=True)
class LoadState:
    """What is loaded by the plan; all else stays as the scenario has it.

    Attributes
    ----------
    adults, children : tuple of int
        By cabin zone, in the scenario's order.
    bags : tuple of int
        Checked bags by hold, in the aircraft's order.
    cargo_kg : tuple of float
        Other load by hold.
    fuel_kg : float
        Block fuel.
    """

    adults: tuple[int, ...]
    children: tuple[int, ...]
    bags: tuple[int, ...]
    cargo_kg: tuple[float, ...]
    fuel_kg: float

    @property
    def passengers(self) -> int:
        """Passengers aboard."""
        return sum(self.adults) + sum(self.children)


def state_of(scenario: Scenario) -> LoadState:
    """Return the load state a scenario is written for."""
    operation = scenario.operation
    loads = {load.hold: load for load in operation.hold_loads}
    held = [loads.get(hold.name) for hold in scenario.aircraft.holds]
    return LoadState(
        adults=tuple(zone.adults for zone in operation.zones),
        children=tuple(zone.children for zone in operation.zones),
        bags=tuple(0 if load is None else load.bags for load in held),
        cargo_kg=tuple(0.0 if load is None else load.cargo for load in held),
        fuel_kg=operation.fuel.block,
    )


def hold_mass_kg(scenario: Scenario, state: LoadState) -> NDArray[np.float64]:
    """Return the planned mass in each hold, bags at their standard mass, shape (holds,)."""
    bag = scenario.operation.load_sheet.bag_mass
    return np.array([n * bag + c for n, c in zip(state.bags, state.cargo_kg, strict=True)])


def zone_seat_counts(scenario: Scenario, *, plan: CabinPlan | None = None) -> NDArray[np.int64]:
    """Return how many seats each zone has that are not blocked, shape (zones,)."""
    plan = cabin_plan(scenario) if plan is None else plan
    open_seats = ~np.asarray(plan.blocked, dtype=bool)
    zones = len(scenario.operation.zones)
    return np.bincount(
        np.asarray(plan.zone)[open_seats & (plan.zone >= 0)], minlength=zones
    ).astype(np.int64)


def scenario_with(scenario: Scenario, state: LoadState, *, name: str | None = None) -> Scenario:
    """Return the scenario loaded otherwise, checked like a file.

    Parameters
    ----------
    scenario : Scenario
    state : LoadState
    name : str, optional
        Of the operation; the scenario's own if not given.

    Raises
    ------
    UsageError
        If the load does not fit: more people than seats, too much in a hold, too little fuel.
    """
    data = scenario.resolved()
    operation: dict[str, Any] = data["operation"]
    for zone, adults, children in zip(
        operation["zones"], state.adults, state.children, strict=True
    ):
        recount(zone, adults=int(adults), children=int(children))
    operation["hold_loads"] = [
        {"hold": hold.name, "bags": int(bags), "cargo": float(cargo)}
        for hold, bags, cargo in zip(
            scenario.aircraft.holds, state.bags, state.cargo_kg, strict=True
        )
    ]
    operation["fuel"]["block"] = float(state.fuel_kg)
    if name is not None:
        operation["name"] = name
    there = Scenario.from_resolved(data, origin=scenario.origin)
    known: set[Problem] | None = None
    for problem in meaning_problems(there):
        if known is None:
            known = set(meaning_problems(scenario))
        if problem not in known:
            raise UsageError(
                argument=f"load, {key_text(problem.path)}",
                expected=problem.expected,
                got=problem.got,
                cure="Choose a load that fits the aircraft.",
            )
    return there
