"""Fuel tanks: moment by fill, the order of filling and the order of burning.

Filling and burning are stated here in plain steps, for planning and as the reference of the
compiled kernel.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.aircraft.balance import balance_of
from cgrisk.errors import UsageError
from cgrisk.scenario import AircraftFile, Tank

__all__ = [
    "TOLERANCE_KGM",
    "TankTable",
    "burn",
    "burn_steps",
    "fill_plan",
    "moment_at",
    "refuel_steps",
    "tank_tables",
    "transfer_fuel",
]

Floats = NDArray[np.float64]
#: Largest error of a tank's moment between two nodes of its table. On a light aircraft of 7.5 t
#: with a chord of 1.8 m, 0.05 kg m are 0.0004 % MAC; on a larger one, less.
TOLERANCE_KGM = 0.05
#: How far the quantities in the file may miss the capacity, as a share of it: they are printed
#: figures. The last layer takes the difference.
_CAPACITY_SLACK = 1e-3
#: Quantities nearer than this to a tank's level (m3) count as that level.
_ROUNDING_M3 = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class TankTable:
    """Moment of a tank's fuel by volume, straight between nodes.

    Attributes
    ----------
    name : str
        Name of the tank.
    capacity_m3 : float
        Usable capacity.
    volume_m3 : float64 array, shape (nodes,)
        From 0 to the capacity, strictly rising.
    moment_m4 : float64 array, shape (nodes,)
        Integral of arm over volume from empty up to each node, 0 at the first; times the density
        it is the moment about the datum.

    Raises
    ------
    UsageError
        If the nodes are not of that form.
    """

    name: str
    capacity_m3: float
    volume_m3: Floats
    moment_m4: Floats

    def __post_init__(self) -> None:
        for field in ("volume_m3", "moment_m4"):
            values = np.array(getattr(self, field), dtype=np.float64, ndmin=1)
            values.setflags(write=False)
            object.__setattr__(self, field, values)
        volume, moment = self.volume_m3, self.moment_m4
        if not (
            volume.shape == moment.shape
            and volume.size >= 2
            and np.isfinite(volume).all()
            and np.isfinite(moment).all()
            and volume[0] == moment[0] == 0.0
            and volume[-1] == self.capacity_m3
            and np.all(np.diff(volume) > 0.0)
        ):
            raise UsageError(
                argument=f"tank {self.name!r}",
                expected="volumes that rise from 0 to the capacity, and a moment of 0 when empty",
                got=list(zip(volume.tolist(), moment.tolist(), strict=False)),
                cure="Check the tank's layers, points or fuel index table.",
            )


def _check_capacity(tank: Tank, given_m3: float) -> None:
    if abs(given_m3 - tank.capacity) > _CAPACITY_SLACK * tank.capacity:
        raise UsageError(
            argument=f"tank {tank.name!r}",
            expected=f"quantities that reach the capacity of {1e3 * tank.capacity:g} l",
            got=f"{1e3 * given_m3:g} l",
            cure="Correct the capacity or the layers or points.",
        )


def _from_layers(tank: Tank) -> TankTable:
    """Nodes where layers meet: the moment is exactly straight in between."""
    thickness, arm = np.array(tank.layers, dtype=np.float64).T
    _check_capacity(tank, float(thickness.sum()))
    nodes = np.concatenate([[0.0], np.cumsum(thickness)])
    nodes[-1] = tank.capacity
    moment = np.concatenate([[0.0], np.cumsum(np.diff(nodes) * arm)])
    return TankTable(tank.name, tank.capacity, nodes, moment)


def _from_arms(tank: Tank, *, density: float, tolerance_kgm: float) -> TankTable:
    """Nodes for a moment V x arm(V) that is quadratic between points.

    Over a width h a straight line misses it by at most |slope of the arm| x h^2 / 4, in the
    middle. Below the first point the arm is constant.
    """
    points = list(tank.arm_by_quantity)
    _check_capacity(tank, points[-1][0])
    points[-1] = (tank.capacity, points[-1][1])
    if points[0][0] > 0.0:
        points.insert(0, (0.0, points[0][1]))
    volumes, arms = [np.zeros(1)], [np.array([points[0][1]])]
    for (v0, a0), (v1, a1) in pairwise(points):
        miss_kgm = density * abs(a1 - a0) * (v1 - v0) / 4.0
        pieces = max(1, int(np.ceil(np.sqrt(miss_kgm / tolerance_kgm))))
        volumes.append(np.linspace(v0, v1, pieces + 1)[1:])
        arms.append(np.linspace(a0, a1, pieces + 1)[1:])
    volume = np.concatenate(volumes)
    return TankTable(tank.name, tank.capacity, volume, volume * np.concatenate(arms))


def _from_index(aircraft: AircraftFile) -> TankTable:
    """One tank that holds everything, from (mass, index) at reference density."""
    balance, density = balance_of(aircraft), aircraft.reference_density
    points = list(aircraft.fuel_index)
    if points[0][0] > 0.0:
        points.insert(0, (0.0, 0.0))  # no fuel, no index
    mass, index = np.array(points, dtype=np.float64).T
    moment_kgm = index * balance.index_scale_kgm + mass * balance.index_arm_m
    volume = mass / density
    return TankTable("all tanks", float(volume[-1]), volume, moment_kgm / density)


def tank_tables(
    aircraft: AircraftFile, *, tolerance_kgm: float = TOLERANCE_KGM
) -> tuple[TankTable, ...]:
    """Return the tanks of an aircraft; a fuel index table becomes one tank that holds everything.

    Tanks given as layers are exact. A fuel index table is straight between its points, and taken
    as a function of volume at the reference density: the moment depends on how full the tanks are.

    Parameters
    ----------
    aircraft : AircraftFile
        Aircraft with tanks or a fuel index table.
    tolerance_kgm : float
        Largest error (kg m, at reference density) that straight lines between nodes may make in
        the moment of a tank given as arms by quantity.

    Raises
    ------
    UsageError
        If the tolerance is not above 0, or a tank's quantities do not reach its capacity.
    """
    if not tolerance_kgm > 0.0:
        raise UsageError(
            argument="tolerance_kgm",
            expected="a moment above 0",
            got=tolerance_kgm,
            cure=f"The default is {TOLERANCE_KGM:g} kg m.",
        )
    if aircraft.fuel_index:
        return (_from_index(aircraft),)
    return tuple(
        _from_layers(tank)
        if tank.layers
        else _from_arms(tank, density=aircraft.reference_density, tolerance_kgm=tolerance_kgm)
        for tank in aircraft.tanks
    )


def moment_at(table: TankTable, volume_m3: ArrayLike) -> Floats:
    """Return the volume moment (m4) of a tank at volumes (m3, 0 to its capacity)."""
    volume = np.asarray(volume_m3, dtype=np.float64)
    return np.asarray(np.interp(volume, table.volume_m3, table.moment_m4))


def refuel_steps(aircraft: AircraftFile) -> tuple[tuple[int, ...], ...]:
    """Return the indices of the tanks that each refuelling step fills together."""
    if aircraft.fuel_index:
        return ((0,),)
    number = {tank.name: i for i, tank in enumerate(aircraft.tanks)}
    return tuple(tuple(number[name] for name in step.tanks) for step in aircraft.refuel_order)


def burn_steps(aircraft: AircraftFile) -> tuple[tuple[tuple[int, ...], float], ...]:
    """Return the tank indices of each burn step, and the volume it leaves in each (m3)."""
    if aircraft.fuel_index:
        return (((0,), 0.0),)
    number = {tank.name: i for i, tank in enumerate(aircraft.tanks)}
    return tuple(
        (tuple(number[name] for name in step.tanks), step.down_to)
        for step in aircraft.burn_schedule
    )


def fill_plan(aircraft: AircraftFile, volume_m3: float) -> Floats:
    """Return the volume in each tank (m3, shape (tanks,)) after filling in the refuelling order.

    The tanks of a step take equal quantities until they are full; one that is full drops out and
    the others share the rest.

    Parameters
    ----------
    aircraft : AircraftFile
        Aircraft.
    volume_m3 : float
        Volume to fill in.

    Raises
    ------
    UsageError
        If the volume is negative, or more than the tanks of the refuelling order hold.
    """
    capacity = [table.capacity_m3 for table in tank_tables(aircraft)]
    volumes = np.zeros(len(capacity))
    left = volume_m3
    for step in refuel_steps(aircraft):
        left -= _share_out(volumes, {t: capacity[t] for t in step}, left)
    if not (volume_m3 >= 0.0 and left <= _ROUNDING_M3):
        raise UsageError(
            argument="volume_m3",
            expected=f"0 to {volume_m3 - left if left > 0.0 else sum(capacity):g} m3",
            got=volume_m3,
            cure="Plan less fuel, or name every tank in the refuelling order.",
        )
    return volumes


def burn(aircraft: AircraftFile, volumes_m3: ArrayLike, burnt_m3: float) -> Floats:
    """Return the volume in each tank (m3, shape (tanks,)) after burning by the schedule.

    The tanks of a step feed equal flows while they stand above the level at which the step ends.

    Parameters
    ----------
    aircraft : AircraftFile
        Aircraft.
    volumes_m3 : array_like, shape (tanks,)
        Volume in each tank before.
    burnt_m3 : float
        Volume burnt.

    Raises
    ------
    UsageError
        If the volume is negative, or more than the schedule can take from these tanks, or there is
        not one volume for each tank.
    """
    volumes = np.array(volumes_m3, dtype=np.float64)
    tanks_aboard = 1 if aircraft.fuel_index else len(aircraft.tanks)
    if volumes.shape != (tanks_aboard,):
        raise UsageError(
            argument="volumes_m3",
            expected=f"one volume for each of {tanks_aboard} tanks",
            got=volumes.tolist(),
            cure="Take the volumes of fill_plan.",
        )
    left = burnt_m3
    for tanks, down_to_m3 in burn_steps(aircraft):
        left -= _share_out(volumes, dict.fromkeys(tanks, down_to_m3), left, sign=-1.0)
    if not (burnt_m3 >= 0.0 and left <= _ROUNDING_M3):
        raise UsageError(
            argument="burnt_m3",
            expected=f"0 to {burnt_m3 - max(left, 0.0):g} m3",
            got=burnt_m3,
            cure="Plan more fuel or a shorter flight, or let the burn schedule empty the tanks.",
        )
    return volumes


def transfer_fuel(aircraft: AircraftFile, volumes_m3: ArrayLike, *, number: int) -> Floats:
    """Return the volume in each tank (m3, shape (tanks,)) after a transfer as planned, at once.

    The giving tanks give equal quantities until they are empty, the taking ones take equal
    quantities until they are full; nothing is burnt meanwhile.

    Parameters
    ----------
    aircraft : AircraftFile
        Aircraft with tanks.
    volumes_m3 : array_like, shape (tanks,)
        Volume in each tank before.
    number : int
        Which of the aircraft's ``fuel_transfers``, from 0.
    """
    transfer = aircraft.fuel_transfers[number]
    capacity = {tank.name: tank.capacity for tank in aircraft.tanks}
    place = {tank.name: i for i, tank in enumerate(aircraft.tanks)}
    volumes = np.array(volumes_m3, dtype=np.float64)
    there = sum(volumes[place[name]] for name in transfer.from_tanks)
    room = sum(capacity[name] - volumes[place[name]] for name in transfer.to_tanks)
    moved = min(there, room) if transfer.quantity is None else min(there, room, transfer.quantity)
    _share_out(volumes, {place[name]: 0.0 for name in transfer.from_tanks}, moved, sign=-1.0)
    _share_out(volumes, {place[name]: capacity[name] for name in transfer.to_tanks}, moved)
    return volumes


def _share_out(
    volumes: Floats, level: dict[int, float], quantity_m3: float, *, sign: float = 1.0
) -> float:
    """Move tanks towards their levels, up (+1) or down (-1), in equal quantities; return the sum.

    A tank that reaches its level drops out and the rest share on, until the quantity is used.
    """
    used = 0.0
    while quantity_m3 - used > 0.0:
        room = {t: sign * (end - volumes[t]) for t, end in level.items()}
        room = {t: gap for t, gap in room.items() if gap > 0.0}
        if not room:
            break
        each = (quantity_m3 - used) / len(room)
        if min(room.values()) >= each:
            for t in room:
                volumes[t] += sign * each
            return quantity_m3
        each = min(room.values())
        for t, gap in room.items():
            volumes[t] = level[t] if gap == each else volumes[t] + sign * each
            used += each
    return used
