"""The fuel part of the conventional stack: density and gauges, followed down the burn schedule."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.aircraft import (
    burn_steps,
    fill_plan,
    moment_at,
    refuel_steps,
    tank_tables,
    transfer_fuel,
)
from cgrisk.flight import FlightModel, group_phases
from cgrisk.scenario import AircraftFile

__all__ = ["FuelPath", "density_moments", "fuel_path", "gauge_moments", "planned_transfers"]

Floats = NDArray[np.float64]

#: Volumes nearer than this to a level (m3) count as that level.
_ROUNDING_M3 = 1e-9
#: A transfer takes place while this much is burnt (kg): the stack knows no time.
_TRANSFER_KG = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class FuelPath:
    """Fuel aboard while it burns by the schedule; its moment is straight between the nodes.

    Attributes
    ----------
    density : float
        kg/m3.
    start_m3 : float
        Volume aboard before anything is burnt.
    burnt_m3 : float64 array, shape (nodes,)
        From 0 to all that the schedule can take.
    moment_m4 : float64 array, shape (nodes,)
        Volume moment about the datum.
    """

    density: float
    start_m3: float
    burnt_m3: Floats
    moment_m4: Floats

    def mass_kg(self, burnt_kg: Floats) -> Floats:
        """Return the mass aboard after masses have been burnt."""
        used = np.minimum(burnt_kg / self.density, self.burnt_m3[-1])
        mass: Floats = self.density * (self.start_m3 - used)
        return mass

    def moment_kgm(self, burnt_kg: Floats) -> Floats:
        """Return the moment about the datum after masses have been burnt."""
        moment_m4: Floats = np.asarray(
            np.interp(burnt_kg / self.density, self.burnt_m3, self.moment_m4), dtype=np.float64
        )
        return self.density * moment_m4


def planned_transfers(model: FlightModel) -> list[tuple[int, float]]:
    """Return the planned transfers of fuel: which, and the fuel burnt when it falls due (kg)."""
    transfer, timeline = model.program.transfer, model.program.timeline
    if not math.isfinite(transfer.earliest_s):
        return []
    starts = np.concatenate([[0.0], timeline.end_s[:-1]])
    early = np.minimum(timeline.end_s, transfer.earliest_s) - starts
    taxi = float((timeline.flow_kgps * np.maximum(early, 0.0)).sum())
    due = [max(taxi, model.program.fuel.block_kg - at) for at in transfer.at_kg.tolist()]
    return sorted(enumerate(due), key=lambda item: item[1])


def fuel_path(
    aircraft: AircraftFile,
    volumes_m3: ArrayLike,
    *,
    density: float,
    transfers: Sequence[tuple[int, float]] = (),
) -> FuelPath:
    """Burn tanks by the schedule to the end and keep every node of their moment.

    Parameters
    ----------
    aircraft : AircraftFile
        Aircraft.
    volumes_m3 : array_like, shape (tanks,)
        Volume in each tank at the start.
    density : float
        Of the fuel, kg/m3.
    transfers : sequence of (int, float)
        Transfers of fuel in order, from :func:`planned_transfers`; each at once.
    """
    tables = tank_tables(aircraft)
    volumes = np.array(volumes_m3, dtype=np.float64)
    start = float(volumes.sum())

    def moment() -> float:
        pairs = zip(tables, volumes, strict=True)
        return sum(float(moment_at(table, volume)) for table, volume in pairs)

    burnt, moments = [0.0], [moment()]
    for number, due_kg in (*transfers, (-1, math.inf)):
        due_m3 = due_kg / density
        for tanks, down_to_m3 in burn_steps(aircraft):
            while burnt[-1] < due_m3 and (
                feeding := [t for t in tanks if volumes[t] > down_to_m3 + _ROUNDING_M3]
            ):
                ends = {}
                for t in feeding:
                    nodes = tables[t].volume_m3
                    below = nodes[nodes < volumes[t] - _ROUNDING_M3]
                    ends[t] = max(down_to_m3, float(below[-1]) if below.size else 0.0)
                drop = min(volumes[t] - ends[t] for t in feeding)
                drop = min(drop, (due_m3 - burnt[-1]) / len(feeding))
                for t in feeding:
                    left = volumes[t] - drop
                    volumes[t] = ends[t] if left - ends[t] <= _ROUNDING_M3 else left
                burnt.append(min(burnt[-1] + drop * len(feeding), due_m3))
                moments.append(moment())
        if number >= 0:
            volumes = transfer_fuel(aircraft, volumes, number=number)
            burnt.append(burnt[-1] + _TRANSFER_KG / density)
            moments.append(moment())
    return FuelPath(density, start, np.array(burnt), np.array(moments))


def _windows(model: FlightModel, group: str) -> list[tuple[float, float]]:
    """Return the fuel burnt by the plan (kg) at start and end of each phase of a group."""
    planned = model.planned
    burnt = planned["mass_kg"].iloc[0] - planned["mass_kg"]
    out = []
    for phase in group_phases(model)[group]:
        here = burnt[planned["phase"] == phase]
        out.append((float(here.min()), float(here.max())))
    return out


def _largest(
    nominal: FuelPath,
    other: FuelPath,
    *,
    windows: list[tuple[float, float]],
    about_m: float,
    sign: float,
) -> float:
    """Return the largest moment toward a side of one path less the other at equal mass burnt."""
    kinks = np.concatenate([path.density * path.burnt_m3 for path in (nominal, other)])
    places = np.concatenate(
        [[low, high, *kinks[(kinks > low) & (kinks < high)]] for low, high in windows]
    )
    error = other.moment_kgm(places) - nominal.moment_kgm(places)
    error -= about_m * (other.mass_kg(places) - nominal.mass_kg(places))
    return max(0.0, float((sign * error).max()))


def _filled(model: FlightModel, *, density: float) -> Floats:
    """Return the tanks' volumes with the planned mass at a density, as far as they hold it."""
    aircraft = model.scenario.aircraft
    tables, named = tank_tables(aircraft), {t for step in refuel_steps(aircraft) for t in step}
    room = sum(tables[t].capacity_m3 for t in named)
    return fill_plan(aircraft, min(model.program.fuel.block_kg / density, room))


def density_moments(
    model: FlightModel, *, group: str, about_m: float, sign: float, limits: tuple[float, float]
) -> float:
    """Return what another density does to the moment of the planned mass of fuel (kg m).

    The same mass at another density fills the tanks to another level. The largest deviation
    toward the side over the phases of the group, at either end of the range.

    Parameters
    ----------
    model : FlightModel
    group : str
        take_off_and_landing or in_flight.
    about_m : float
        Arm about which a difference in mass counts (tanks too small for the lighter fuel).
    sign : float
        -1 forward, 1 aft.
    limits : tuple of float
        Least and greatest density (kg/m3).
    """
    aircraft, planned = model.scenario.aircraft, model.program.fuel.planned_density
    transfers = planned_transfers(model)
    nominal = fuel_path(
        aircraft, _filled(model, density=planned), density=planned, transfers=transfers
    )
    windows = _windows(model, group)
    return max(
        _largest(
            nominal,
            fuel_path(
                aircraft, _filled(model, density=density), density=density, transfers=transfers
            ),
            windows=windows,
            about_m=about_m,
            sign=sign,
        )
        for density in limits
    )


def gauge_moments(
    model: FlightModel, *, group: str, about_m: float, sign: float, deviations: float
) -> float:
    """Return what gauging errors do to the moment of the fuel (kg m), tank by tank, added up.

    Each tank that has fuel holds more or less than its gauge shows by so many standard deviations,
    within its capacity, whichever is worse for the side; the difference is followed down the burn
    schedule and the worst instant of the group counts.

    Parameters
    ----------
    model, group, about_m, sign
        As in :func:`density_moments`.
    deviations : float
        How many standard deviations count.
    """
    aircraft, fuel = model.scenario.aircraft, model.program.fuel
    density = fuel.planned_density
    shown = _filled(model, density=density)
    transfers = planned_transfers(model)
    nominal = fuel_path(aircraft, shown, density=density, transfers=transfers)
    windows = _windows(model, group)
    total = 0.0
    for t, volume in enumerate(shown):
        if volume <= 0.0:
            continue
        sd_kg = math.hypot(
            fuel.gauging_of_reading * volume * density,
            fuel.gauging_of_capacity * fuel.capacity_m3[t] * fuel.reference_density,
        )
        worst = 0.0
        for error in (-1.0, 1.0):
            real = shown.copy()
            real[t] += error * deviations * sd_kg / density
            real[t] = min(max(real[t], 0.0), fuel.capacity_m3[t])
            path = fuel_path(aircraft, real, density=density, transfers=transfers)
            worst = max(worst, _largest(nominal, path, windows=windows, about_m=about_m, sign=sign))
        total += worst
    return total
