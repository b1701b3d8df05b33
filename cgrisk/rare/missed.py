"""Where the CG goes for want of a transfer of fuel, told from the planned fuel without flying.

A transfer that is stuck leaves its fuel where it was; meanwhile the engines draw on other tanks.
One that starts when another is over may find other tanks full or empty: fuel that goes to the tail
after it should have come back from there stays aft. Both are flown here as planned but for the one
transfer, all fuel moved at once, and the moments compared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import burn, fill_plan, moment_at, tank_tables, transfer_fuel
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel

__all__ = ["SIDES", "Missed", "due_s", "missed", "planned_burn", "planned_transfers_kg"]

Floats = NDArray[np.float64]

SIDES: Final = ("forward", "aft")
#: Instants compared, besides those at which something happens.
_INSTANTS: Final = 24
#: Part of the largest change of the moment that a change towards a side must have to count.
_SOME: Final = 0.01


@dataclass(frozen=True, slots=True)
class Missed:
    """Where a transfer leads that does not take place, or late.

    Attributes
    ----------
    stuck : frozenset of str
        Sides to which the CG goes when it does not take place.
    late_s : dict of str to float
        By side, how late it must start for the CG to end there (s); sides that it does not lead to
        are not in it.
    """

    stuck: frozenset[str]
    late_s: dict[str, float]


def planned_burn(model: FlightModel) -> tuple[Floats, Floats]:
    """Return times (s) and the fuel burnt by then as planned (kg), straight in between."""
    timeline = model.program.timeline
    times = np.append(0.0, timeline.end_s)
    return times, np.append(0.0, np.cumsum(timeline.flow_kgps * np.diff(times)))


def due_s(model: FlightModel, x: int) -> float:
    """Return when a transfer falls due on the planned flight (s); infinity if it does not."""
    times, burnt = planned_burn(model)
    due_kg = model.program.fuel.block_kg - float(model.program.transfer.at_kg[x])
    if due_kg > burnt[-1] or not np.isfinite(model.program.transfer.earliest_s):
        return math.inf
    if due_kg <= 0.0:
        return float(model.program.transfer.earliest_s)
    # The first time, where nothing is burnt for a while.
    last = max(int(np.searchsorted(burnt, due_kg)), 1)
    here = slice(last - 1, last + 1)
    found = float(np.interp(due_kg, burnt[here], times[here]))
    return max(found, float(model.program.transfer.earliest_s))


def planned_transfers_kg(model: FlightModel) -> list[tuple[int, float, float]]:
    """Return number, instant (s) and fuel moved (kg) of the transfers that fall due as planned.

    In the order in which they do; each moved at once.

    Raises
    ------
    UsageError
        If the tanks run dry.
    """
    aircraft, fuel = model.scenario.aircraft, model.program.fuel
    clock, burnt = planned_burn(model)
    due = sorted((due_s(model, x), x) for x in range(model.program.transfer.at_kg.size))
    volumes, gone, found = fill_plan(aircraft, fuel.block_kg / fuel.planned_density), 0.0, []
    for at, number in due:
        if not math.isfinite(at):
            continue
        so_far = float(np.interp(at, clock, burnt))
        volumes = burn(aircraft, volumes, (so_far - gone) / fuel.planned_density)
        after, gone = transfer_fuel(aircraft, volumes, number=number), so_far
        moved = float(np.maximum(after - volumes, 0.0).sum()) * fuel.planned_density
        found.append((number, at, moved))
        volumes = after
    return found


def missed(model: FlightModel, x: int) -> Missed:
    """Return where a transfer leads that is stuck or late.

    To lead to a side to which it leads when stuck it must be late until the landing; to the other,
    until a transfer that follows it is due.

    Parameters
    ----------
    model : FlightModel
    x : int
        Number of the transfer.
    """
    due = due_s(model, x)
    timeline = model.program.timeline
    landing = float(timeline.end_s[timeline.landing])
    if due >= landing:
        return Missed(frozenset(), {})
    others = {
        y: due_s(model, y)
        for y in range(model.program.transfer.at_kg.size)
        if y != x and model.program.transfer.stuck[y] < 1.0
    }
    others = {y: at for y, at in others.items() if at < landing}
    after = sorted(at for at in others.values() if at > due)
    times = np.unique([*np.linspace(due, landing, _INSTANTS), *after])

    def led(start_s: float | None) -> frozenset[str]:
        """Return the sides to which the CG goes, against the planned one."""
        changed = _moments(model, others, x, start_s, times) - planned
        least = _SOME * float(np.abs(changed).max())
        found = {"forward": -float(changed.min()), "aft": float(changed.max())}
        return frozenset(side for side in SIDES if found[side] > max(least, 1e-6))

    try:
        planned = _moments(model, others, x, due, times)
        stuck = led(None)
        late_s = dict.fromkeys(stuck, landing - due)
        for at in after:
            for side in led(at):
                late_s.setdefault(side, at - due)
    except UsageError:  # the tanks run dry without it: nothing is known
        return Missed(frozenset(SIDES), dict.fromkeys(SIDES, landing - due))
    return Missed(stuck, late_s)


def _moments(
    model: FlightModel, others: dict[int, float], x: int, start_s: float | None, times: Floats
) -> Floats:
    """Return the moment of the planned fuel (kg m) at times, with one transfer at its own."""
    aircraft, fuel = model.scenario.aircraft, model.program.fuel
    tables, density = tank_tables(aircraft), fuel.planned_density
    clock, burnt = planned_burn(model)
    # At one instant the one that was due first comes first.
    events = [(at, 0, y) for y, at in others.items()]
    events += [] if start_s is None else [(start_s, 1, x)]
    events.sort()
    volumes, gone = fill_plan(aircraft, fuel.block_kg / density), 0.0
    found = []
    for time in times:
        while events and events[0][0] <= time:
            at, _, number = events.pop(0)
            so_far = float(np.interp(at, clock, burnt))
            volumes = burn(aircraft, volumes, (so_far - gone) / density)
            volumes, gone = transfer_fuel(aircraft, volumes, number=number), so_far
        here = burn(aircraft, volumes, (float(np.interp(time, clock, burnt)) - gone) / density)
        moments = [float(moment_at(table, v)) for table, v in zip(tables, here, strict=True)]
        found.append(density * sum(moments))
    return np.array(found)
