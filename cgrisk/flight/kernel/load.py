"""Dry operating mass, holds and fuel of one flight."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel
from cgrisk.flight.kernel.data import DryData, FuelData, HoldData
from cgrisk.flight.kernel.keys import Keys, words
from cgrisk.randomness.variates import (
    index,
    normal,
    poisson,
    truncated_normal,
    uniform,
    uniform53,
)

__all__ = ["draw_density", "draw_dry", "draw_holds", "fill_tanks", "fuel_moment", "read_gauges"]

DRY, CARGO, FUEL = 1, 9, 10  # randomness.keys.Cause
# Entity 0 of each cause is the flight itself; dry has 1 for this flight's part, cargo one for each
# compartment, fuel one for each tank, from 1.
_SPREAD = 4.0  # density and flow are drawn within this many standard deviations


@kernel
def draw_dry(dry: DryData, keys: Keys, row: int) -> tuple[int, float, float]:
    """Return (aircraft number, dry operating mass in kg, its arm in m)."""
    w0, w1, _w2, _w3 = words(keys, row, DRY, 0, 0)
    aircraft = index(uniform53(w0, w1), dry.fleet_mass_kg.size)
    v0, v1, v2, v3 = words(keys, row, DRY, 1, 0)
    mass = dry.mass_kg + dry.fleet_mass_kg[aircraft]
    mass += dry.mass_sd_kg * normal(uniform53(v0, v1))
    arm = dry.arm_m + dry.fleet_arm_m[aircraft] + dry.arm_sd_m * normal(uniform53(v2, v3))
    return aircraft, mass, arm


@kernel
def draw_holds(
    hold: HoldData, keys: Keys, row: int, bags: NDArray[np.int64]
) -> tuple[float, float]:
    """Return (mass in kg, moment in kg m) of all hold loads; ``bags`` is scratch, (H,)."""
    holds = hold.arm_m.size
    total = 0
    for h in range(holds):
        bags[h] = hold.bags[h]
        total += hold.bags[h]
    w0, w1, w2, _w3 = words(keys, row, CARGO, 0, 0)
    bag_mean = max(hold.bag_mean_kg + hold.bag_sd_flight_kg * normal(uniform53(w0, w1)), 0.0)
    if hold.misplaced > 0.0 and holds > 1 and total > 0:
        misplaced = min(poisson(uniform(w2), hold.misplaced), total)
        for i in range(misplaced):
            v0, v1, _v2, _v3 = words(keys, row, CARGO, 0, 1 + i)
            pick = index(uniform(v0), total)  # any bag aboard is as likely as any other
            source = 0
            while pick >= bags[source]:
                pick -= bags[source]
                source += 1
            target = index(uniform(v1), holds - 1)
            target += 1 if target >= source else 0
            bags[source] -= 1
            bags[target] += 1
    mass, moment = 0.0, 0.0
    for h in range(holds):
        w0, w1, w2, _w3 = words(keys, row, CARGO, 1 + h, 0)
        load = bags[h] * bag_mean + math.sqrt(bags[h]) * hold.bag_sd_kg * normal(uniform(w0))
        load += hold.cargo_kg[h] * (1.0 + hold.cargo_sd * normal(uniform(w1)))
        load = max(load, 0.0)
        # The load's centroid stays inside the compartment.
        place = truncated_normal(uniform(w2), 0.0, 2.0 * hold.position_sd, -1.0, 1.0)
        mass += load
        moment += load * (hold.arm_m[h] + hold.half_length_m[h] * place)
    return mass, moment


@kernel
def draw_density(fuel: FuelData, keys: Keys, row: int) -> tuple[float, float]:
    """Return (density in kg/m3, factor on the planned fuel flow)."""
    w0, w1, w2, w3 = words(keys, row, FUEL, 0, 0)
    mean, sd = fuel.density_mean, fuel.density_sd
    density = truncated_normal(
        uniform53(w0, w1), mean, sd, mean - _SPREAD * sd, mean + _SPREAD * sd
    )
    low = max(1.0 - _SPREAD * fuel.burn_sd, 0.0)
    factor = truncated_normal(uniform53(w2, w3), 1.0, fuel.burn_sd, low, 2.0 - low)
    return density, factor


@kernel
def fill_tanks(fuel: FuelData, volume_m3: float, volumes: NDArray[np.float64]) -> float:
    """Fill tanks in the refuelling order; write volumes (T,) and return what does not fit."""
    for t in range(fuel.capacity_m3.size):
        volumes[t] = 0.0
    left = volume_m3
    for step in range(fuel.refuel_start.size - 1):
        first, last = fuel.refuel_start[step], fuel.refuel_start[step + 1]
        # Each pass fills at least one tank or uses up the fuel.
        for _ in range(last - first):
            open_tanks = 0
            room = math.inf
            for i in range(first, last):
                gap = fuel.capacity_m3[fuel.refuel_tanks[i]] - volumes[fuel.refuel_tanks[i]]
                if gap > 0.0:
                    open_tanks += 1
                    room = min(room, gap)
            if open_tanks == 0 or left <= 0.0:
                break
            share = min(room, left / open_tanks)
            for i in range(first, last):
                t = fuel.refuel_tanks[i]
                gap = fuel.capacity_m3[t] - volumes[t]
                if gap > 0.0:
                    volumes[t] = fuel.capacity_m3[t] if share >= gap else volumes[t] + share
            left -= share * open_tanks
    return max(left, 0.0)


@kernel
def read_gauges(
    fuel: FuelData, keys: Keys, row: int, density: float, volumes: NDArray[np.float64]
) -> None:
    """Turn the volumes that the gauges show into those that are in the tanks."""
    for t in range(fuel.capacity_m3.size):
        if volumes[t] > 0.0:
            reading = fuel.gauging_of_reading * volumes[t] * density
            span = fuel.gauging_of_capacity * fuel.capacity_m3[t] * fuel.reference_density
            sd = math.sqrt(reading * reading + span * span)
            if sd > 0.0:
                w0, w1, _w2, _w3 = words(keys, row, FUEL, 1 + t, 0)
                volume = volumes[t] + sd * normal(uniform53(w0, w1)) / density
                volumes[t] = min(max(volume, 0.0), fuel.capacity_m3[t])


@kernel
def fuel_moment(fuel: FuelData, volumes: NDArray[np.float64], segment: NDArray[np.int64]) -> float:
    """Return the volume moment (m4) of the fuel; write each tank's table interval (T,)."""
    total = 0.0
    for t in range(fuel.capacity_m3.size):
        first, last = fuel.node_start[t], fuel.node_start[t + 1]
        i = first
        while i < last - 2 and volumes[t] > fuel.node_volume_m3[i + 1]:
            i += 1
        segment[t] = i
        slope = (fuel.node_moment_m4[i + 1] - fuel.node_moment_m4[i]) / (
            fuel.node_volume_m3[i + 1] - fuel.node_volume_m3[i]
        )
        total += fuel.node_moment_m4[i] + slope * (volumes[t] - fuel.node_volume_m3[i])
    return total
