"""Transfers of fuel between tanks: when each falls due, starts and ends, and what flows meanwhile.

The law is that of ``scenario.aircraft_file.FuelTransfer``. A transfer that runs is linear in time
between two events, like the burn, so that the CG path stays exact.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import inlined_kernel, kernel, maker
from cgrisk.flight.kernel.data import FuelData, TransferData
from cgrisk.flight.kernel.keys import Keys, words
from cgrisk.flight.kernel.rounds import Records
from cgrisk.randomness.variates import exponential, uniform, uniform53

__all__ = [
    "PUMP",
    "Pumps",
    "as_planned",
    "draw_transfers",
    "flow_between",
    "new_pumps",
    "next_turn",
    "ready_pumps",
    "run_pumps",
    "turn_pump",
    "turn_pumps",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FUEL = 10  # randomness.keys.Cause
_WAITS, _DUE, _RUNS, _OVER = 0, 1, 2, 3

#: A transfer in flight: its stage; the mass of the aircraft at which it falls due; how late it
#: starts and when; what is still to be moved; how many tanks give and take.
PUMP = np.dtype(
    [
        ("stage", np.int64),
        ("due_kg", np.float64),
        ("late_s", np.float64),
        ("start_s", np.float64),
        ("left_m3", np.float64),
        ("givers", np.int64),
        ("takers", np.int64),
    ],
    align=True,
)


class Pumps(NamedTuple):
    """The transfers of one flight."""

    pumps: Records
    """of :data:`PUMP`, in the order of the aircraft file."""
    net: Floats
    """(T,) net flow into each tank while any transfer runs (m3/s)."""
    empty: Ints
    """Of each of ``TransferData.from_tanks``: 1 once it has run dry."""
    full: Ints
    """Of each of ``TransferData.to_tanks``: 1 once it was full; it takes no more then."""


@maker
def new_pumps(transfer: TransferData, tanks: int) -> Pumps:
    """Return transfers to be filled flight by flight."""
    return Pumps(
        np.zeros(transfer.at_kg.size, PUMP),
        np.zeros(tanks, np.float64),
        np.zeros(transfer.from_tanks.size, np.int64),
        np.zeros(transfer.to_tanks.size, np.int64),
    )


@kernel
def as_planned(pumps: Pumps) -> None:
    """Let every transfer take place on time."""
    for x in range(pumps.pumps.size):
        pumps.pumps[x].late_s = 0.0


@kernel
def draw_transfers(transfer: TransferData, keys: Keys, row: int, tanks: int, pumps: Pumps) -> None:
    """Draw how late each transfer starts; never, where it is stuck.

    Entities of the cause fuel behind those of the tanks, one a transfer.
    """
    for x in range(pumps.pumps.size):
        late = 0.0
        if transfer.late_s[x] > 0.0 or transfer.stuck[x] > 0.0:
            w0, w1, w2, _w3 = words(keys, row, FUEL, 1 + tanks + x, 0)
            if transfer.late_s[x] > 0.0:
                late = transfer.late_s[x] * exponential(uniform(w2))
            if uniform53(w0, w1) < transfer.stuck[x]:
                late = math.inf
        pumps.pumps[x].late_s = late


@kernel
def ready_pumps(transfer: TransferData, pumps: Pumps, mass: float, fuel_kg: float) -> None:
    """Make the transfers wait for their fuel; ``mass`` of the aircraft, ``fuel_kg`` of it fuel."""
    pumps.empty[:] = 0
    pumps.full[:] = 0
    for x in range(pumps.pumps.size):
        pump = pumps.pumps[x]
        pump.stage = _WAITS
        pump.due_kg = mass - fuel_kg + transfer.at_kg[x]
        pump.start_s = math.inf
        pump.left_m3 = transfer.quantity_m3[x]


@inlined_kernel
def turn_pumps(
    transfer: TransferData,
    fuel: FuelData,
    pumps: Pumps,
    volumes: Floats,
    time_s: float,
    mass: float,
) -> tuple[int, int]:
    """Bring all transfers up to the present; return (how many run, how many have just ended)."""
    running, ended = 0, 0
    for x in range(pumps.pumps.size):
        pump = pumps.pumps[x]
        if pump.stage == _WAITS and time_s >= transfer.earliest_s and mass <= pump.due_kg:
            pump.stage = _DUE
            pump.start_s = time_s + pump.late_s
        if pump.stage == _DUE and pump.start_s <= time_s:
            pump.stage = _RUNS
        if pump.stage != _RUNS:
            continue
        pump.givers, pump.takers = 0, 0
        for i in range(transfer.from_start[x], transfer.from_start[x + 1]):
            if volumes[transfer.from_tanks[i]] <= 0.0:
                pumps.empty[i] = 1
            pump.givers += 1 - pumps.empty[i]
        for i in range(transfer.to_start[x], transfer.to_start[x + 1]):
            if volumes[transfer.to_tanks[i]] >= fuel.capacity_m3[transfer.to_tanks[i]]:
                pumps.full[i] = 1
            pump.takers += 1 - pumps.full[i]
        if pump.givers == 0 or pump.takers == 0 or pump.left_m3 <= 0.0:
            pump.stage = _OVER
            ended += 1
        else:
            running += 1
    return running, ended


@inlined_kernel
def next_turn(
    transfer: TransferData,
    pumps: Pumps,
    density: float,
    time_s: float,
    mass: float,
    burn_kgps: float,
    within_s: float,
) -> tuple[float, int]:
    """Return (when, which transfer) the next one falls due, starts or has moved its quantity.

    As a time from now, if within ``within_s``; else that and -1.
    """
    soonest, which = within_s, -1
    for x in range(pumps.pumps.size):
        pump = pumps.pumps[x]
        wait = math.inf
        if pump.stage == _WAITS:
            if time_s < transfer.earliest_s:
                wait = transfer.earliest_s - time_s
            elif burn_kgps > 0.0:
                wait = (mass - pump.due_kg) / burn_kgps
        elif pump.stage == _DUE:
            wait = pump.start_s - time_s
        elif pump.stage == _RUNS:
            wait = pump.left_m3 * density / transfer.flow_kgps[x]
        if wait < soonest:
            soonest, which = wait, x
    return soonest, which


@inlined_kernel
def turn_pump(
    transfer: TransferData, pumps: Pumps, x: int, time_s: float, elapsed_s: float
) -> None:
    """Take note that what ``next_turn`` foretold has come, whatever rounding says.

    ``time_s`` is when, ``elapsed_s`` how long it took.
    """
    pump = pumps.pumps[x]
    if pump.stage == _WAITS and time_s - elapsed_s >= transfer.earliest_s:
        pump.due_kg = math.inf
    elif pump.stage == _DUE:
        pump.start_s = time_s
    elif pump.stage == _RUNS:
        pump.left_m3 = 0.0


@inlined_kernel
def flow_between(transfer: TransferData, pumps: Pumps, density: float) -> None:
    """Add the flows of all transfers that run to the net flow into each tank (m3/s)."""
    for x in range(pumps.pumps.size):
        pump = pumps.pumps[x]
        if pump.stage != _RUNS:
            continue
        flow = transfer.flow_kgps[x] / density
        for i in range(transfer.from_start[x], transfer.from_start[x + 1]):
            if pumps.empty[i] == 0:
                pumps.net[transfer.from_tanks[i]] -= flow / pump.givers
        for i in range(transfer.to_start[x], transfer.to_start[x + 1]):
            if pumps.full[i] == 0:
                pumps.net[transfer.to_tanks[i]] += flow / pump.takers


@inlined_kernel
def run_pumps(transfer: TransferData, pumps: Pumps, density: float, elapsed_s: float) -> None:
    """Take what has been moved in a time from what is still to be moved."""
    for x in range(pumps.pumps.size):
        pump = pumps.pumps[x]
        if pump.stage == _RUNS:
            pump.left_m3 -= transfer.flow_kgps[x] / density * elapsed_s
