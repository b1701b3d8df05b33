"""The CG path of one flight from start of taxi to shutdown, and its extremes.

Between two events mass and moment are linear in time. Events: the end of a phase, a tank that
reaches a node of its table or the end of its burn step, a transfer of fuel that falls due, starts
or ends, gear or flaps that start or stop moving,
a change of movement in the cabin, a corner of the envelope, a node of the planned path.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel
from cgrisk.flight.kernel.data import (
    ConfigurationData,
    FuelData,
    LimitData,
    PathData,
    SheetData,
    TimelineData,
    TransferData,
    TrimData,
)
from cgrisk.flight.kernel.margins import (
    error_extremes,
    least_margin,
    least_moment,
    seconds_outside,
)
from cgrisk.flight.kernel.transfers import (
    Pumps,
    flow_between,
    next_turn,
    ready_pumps,
    run_pumps,
    turn_pump,
    turn_pumps,
)
from cgrisk.flight.kernel.trim import follow_trim, start_trim

__all__ = ["fly_path"]

_SIDES = 2


@kernel
def _piece(limit: LimitData, place: int, mass: float) -> int:
    """Return the piece of a limit that holds at a mass and just below it."""
    first = limit.start[place]
    i: int = first + limit.pieces[place] - 1
    while i > first and limit.mass_low_kg[i] >= mass:
        i -= 1
    return i


@kernel
def _open_tanks(
    fuel: FuelData, step: int, volumes: NDArray[np.float64], active: NDArray[np.int64]
) -> int:
    """Write the tanks of a burn step that still feed; return how many."""
    count = 0
    if step < fuel.burn_start.size - 1:
        for i in range(fuel.burn_start[step], fuel.burn_start[step + 1]):
            t = fuel.burn_tanks[i]
            if volumes[t] > fuel.burn_down_to_m3[step]:
                active[count] = t
                count += 1
    return count


@kernel
def _still_open(
    fuel: FuelData, step: int, volumes: NDArray[np.float64], active: NDArray[np.int64], count: int
) -> int:
    """Keep of the first ``count`` feeding tanks those above the step's level; return how many.

    A tank that has reached it stays out, though a transfer may fill it meanwhile.
    """
    kept = 0
    for k in range(count):
        if volumes[active[k]] > fuel.burn_down_to_m3[step]:
            active[kept] = active[k]
            kept += 1
    return kept


@kernel
def _feeds(active: NDArray[np.int64], count: int, tank: int) -> bool:
    feeds = False
    for k in range(count):
        feeds = feeds or active[k] == tank
    return feeds


@kernel
def fly_path(
    mass: float,
    moment: float,
    density: float,
    flow_factor: float,
    volumes: NDArray[np.float64],
    segment: NDArray[np.int64],
    active: NDArray[np.int64],
    pumps: Pumps,
    fuel: FuelData,
    transfer: TransferData,
    timeline: TimelineData,
    limit: LimitData,
    configuration: ConfigurationData,
    movement: PathData,
    movements: int,
    sheet: SheetData,
    sides: NDArray[np.float64],
    errors: NDArray[np.float64],
    marks: NDArray[np.float64],
    trim: TrimData,
    settings: NDArray[np.float64],
    stabilizer: NDArray[np.float64],
    record: NDArray[np.float64],
    moments_alone: bool,
) -> int:
    """Fly from ``mass`` and ``moment`` at start of taxi; write the extremes.

    Parameters
    ----------
    mass, moment : float
        At start of taxi, fuel included, configuration and movement excluded (kg, kg m).
    density, flow_factor : float
        Fuel density (kg/m3) and factor on the planned flow.
    volumes, segment, active
        Volumes in the tanks (m3, used up here), their table intervals, and scratch, each (T,).
    pumps : Pumps
        How late each transfer of fuel starts; the rest of it is scratch.
    movement, movements
        Changes of moment by movement, of which the first ``movements`` are used.
    sides : float64 array, shape (2 * P, PER_SIDE)
        Out: by phase and side (forward, aft): least margin (m), when (s) and at what mass (kg),
        least moment margin (kg m), time outside (s).
    errors : float64 array, shape (2, 2)
        Out: by phase group, least and greatest error against the planned path (m); nan for a
        group without a phase.
    marks : float64 array, shape (2, 4)
        Out: at take-off and at landing: mass, moment, fuel mass, fuel moment.
    trim : TrimData
        The setting that trims.
    settings : float64 array, shape (phases in the air, 4)
        Out: by phase in the air: most nose-up and nose-down setting (rad), greatest distance of the
        stabilizer from it (rad), most aft CG (m).
    stabilizer : float64 array, shape (1,)
        Scratch: where the stabilizer is.
    record : float64 array, shape (n, 4)
        Out: time, mass, moment, phase at the ends of every stretch, as far as it has room.
    moments_alone : bool
        Leave out (nan) all of ``sides`` but the moment margins, ``errors`` and ``settings``.

    Returns
    -------
    int
        Number of rows that a full record takes.
    """
    phases = timeline.end_s.size
    for i in range(sides.shape[0]):
        sides[i, :] = math.nan
        sides[i, 3] = math.inf
        if not moments_alone:
            sides[i, 0] = math.inf
            sides[i, 4] = 0.0
    errors[:, 0] = math.inf
    errors[:, 1] = -math.inf
    start_trim(trim, settings, stabilizer)
    if moments_alone:
        settings[:] = math.nan
    node = 0
    step = 0
    tanks_on = _open_tanks(fuel, step, volumes, active)
    while tanks_on == 0 and step < fuel.burn_start.size - 1:
        step += 1
        tanks_on = _open_tanks(fuel, step, volumes, active)
    fuel_aboard = 0.0
    for k in range(volumes.size):
        fuel_aboard += density * volumes[k]
    ready_pumps(transfer, pumps, mass, fuel_aboard)
    t = 0.0
    config = 0  # last configuration point passed
    moment += configuration.moment_kgm[0]
    move = 0
    move_rate = 0.0
    plan = 0
    planned_nodes = sheet.node_time_s.size
    written = 0
    for phase in range(phases):
        end = timeline.end_s[phase]
        for mark in range(2):
            if phase != (timeline.take_off if mark == 0 else timeline.landing):
                continue
            marks[mark, 0] = mass
            marks[mark, 1] = moment
            fuel_mass, volume_moment = 0.0, 0.0
            for k in range(volumes.size):
                i = segment[k]
                slope = (fuel.node_moment_m4[i + 1] - fuel.node_moment_m4[i]) / (
                    fuel.node_volume_m3[i + 1] - fuel.node_volume_m3[i]
                )
                fuel_mass += density * volumes[k]
                volume_moment += fuel.node_moment_m4[i] + slope * (
                    volumes[k] - fuel.node_volume_m3[i]
                )
            marks[mark, 2] = fuel_mass
            marks[mark, 3] = density * volume_moment
        forward = _piece(limit, _SIDES * phase, mass)
        aft = _piece(limit, _SIDES * phase + 1, mass)
        while t < end:
            # Changes that fall on this instant come first.
            while move < movements and movement.time_s[move] <= t:
                move_rate += movement.rate_kgmps[move]
                moment += movement.jump_kgm[move]
                move += 1
            while config + 1 < configuration.time_s.size and configuration.time_s[config + 1] <= t:
                config += 1
            while plan + 2 < planned_nodes and sheet.node_time_s[plan + 1] <= t:
                plan += 1
            running, over = turn_pumps(transfer, fuel, pumps, volumes, t, mass)
            if over > 0:
                step = 0
                tanks_on = _open_tanks(fuel, step, volumes, active)
                while tanks_on == 0 and step < fuel.burn_start.size - 1:
                    step += 1
                    tanks_on = _open_tanks(fuel, step, volumes, active)
            flow = timeline.flow_kgps[phase] * flow_factor if tanks_on > 0 else 0.0
            per_tank = flow / (density * tanks_on) if tanks_on > 0 else 0.0
            rate = move_rate
            dt = end - t
            first_dry = -1  # tank that reaches a node or its step's end first
            if running > 0:
                pumps.net[:] = 0.0
                for k in range(tanks_on):
                    pumps.net[active[k]] -= per_tank
                flow_between(transfer, pumps, density)
                for tank in range(volumes.size):
                    net = pumps.net[tank]
                    if net == 0.0:
                        continue
                    i = segment[tank]
                    slope = (fuel.node_moment_m4[i + 1] - fuel.node_moment_m4[i]) / (
                        fuel.node_volume_m3[i + 1] - fuel.node_volume_m3[i]
                    )
                    rate += net * density * slope
                    end_m3 = fuel.node_volume_m3[i + 1]
                    if net < 0.0:
                        end_m3 = fuel.node_volume_m3[i]
                        if _feeds(active, tanks_on, tank):
                            end_m3 = max(end_m3, fuel.burn_down_to_m3[step])
                    reach = (end_m3 - volumes[tank]) / net
                    if reach <= dt:
                        dt = reach
                        first_dry = tank
            elif flow > 0.0:
                for k in range(tanks_on):
                    tank = active[k]
                    i = segment[tank]
                    slope = (fuel.node_moment_m4[i + 1] - fuel.node_moment_m4[i]) / (
                        fuel.node_volume_m3[i + 1] - fuel.node_volume_m3[i]
                    )
                    rate -= per_tank * density * slope
                    floor = max(fuel.node_volume_m3[i], fuel.burn_down_to_m3[step])
                    reach = (volumes[tank] - floor) / per_tank
                    if reach <= dt:
                        dt = reach
                        first_dry = tank
            if config + 1 < configuration.time_s.size:
                span = configuration.time_s[config + 1] - configuration.time_s[config]
                rate += (
                    configuration.moment_kgm[config + 1] - configuration.moment_kgm[config]
                ) / span
                if configuration.time_s[config + 1] - t < dt:
                    dt = configuration.time_s[config + 1] - t
                    first_dry = -1
            if move < movements and movement.time_s[move] - t < dt:
                dt = movement.time_s[move] - t
                first_dry = -1
            if plan + 1 < planned_nodes and 0.0 < sheet.node_time_s[plan + 1] - t < dt:
                dt = sheet.node_time_s[plan + 1] - t
                first_dry = -1
            turn = -1
            if pumps.pumps.size > 0:
                dt, turn = next_turn(transfer, pumps, density, t, mass, flow, dt)
                if turn >= 0:
                    first_dry = -1
            corner = -1
            if flow > 0.0:
                low = limit.mass_low_kg[forward]
                if (mass - low) / flow < dt:
                    dt = (mass - low) / flow
                    corner = 0
                low = limit.mass_low_kg[aft]
                if (mass - low) / flow < dt:
                    dt = (mass - low) / flow
                    corner = 1
                if corner >= 0:
                    first_dry = -1
                    turn = -1
            dt = max(dt, 0.0)
            for side in range(_SIDES):
                i = forward if side == 0 else aft
                sign = -1.0 if side == 0 else 1.0
                a, b = limit.intercept_m[i], limit.slope_m[i]
                row = _SIDES * phase + side
                need = least_moment(mass, moment, -flow, rate, dt, a, b, sign)
                if need < sides[row, 3]:
                    sides[row, 3] = need
                if moments_alone:
                    continue
                margin, when = least_margin(mass, moment, -flow, rate, dt, a, b, sign)
                if margin < sides[row, 0]:
                    sides[row, 0] = margin
                    sides[row, 1] = t + when
                    sides[row, 2] = mass - flow * when
                if need < 0.0:
                    sides[row, 4] += seconds_outside(mass, moment, -flow, rate, dt, a, b, sign)
            if planned_nodes > 1 and not moments_alone:
                span = sheet.node_time_s[plan + 1] - sheet.node_time_s[plan]
                planned_mu = (sheet.node_mass_kg[plan + 1] - sheet.node_mass_kg[plan]) / span
                planned_nu = (sheet.node_moment_kgm[plan + 1] - sheet.node_moment_kgm[plan]) / span
                since = t - sheet.node_time_s[plan]
                least, greatest = error_extremes(
                    mass,
                    moment,
                    -flow,
                    rate,
                    sheet.node_mass_kg[plan] + planned_mu * since,
                    sheet.node_moment_kgm[plan] + planned_nu * since,
                    planned_mu,
                    planned_nu,
                    dt,
                )
                group = timeline.group[phase]
                errors[group, 0] = min(errors[group, 0], least)
                errors[group, 1] = max(errors[group, 1], greatest)
            slot = trim.slot[phase]
            if slot >= 0 and dt > 0.0 and not moments_alone:
                node = follow_trim(
                    trim, node, stabilizer, t, dt, mass, moment, -flow, rate, settings[slot]
                )
            if written < record.shape[0]:
                record[written, 0] = t
                record[written, 1] = mass
                record[written, 2] = moment
                record[written, 3] = phase
            written += 1
            # Advance to the event.
            mass -= flow * dt
            moment += rate * dt
            if running > 0:
                for k in range(volumes.size):
                    volumes[k] += pumps.net[k] * dt
                run_pumps(transfer, pumps, density, dt)
            else:
                for k in range(tanks_on):
                    volumes[active[k]] -= per_tank * dt
            t = end if dt >= end - t else t + dt
            if turn >= 0:
                turn_pump(transfer, pumps, turn, t, dt)
            if written < record.shape[0]:
                record[written, 0] = t
                record[written, 1] = mass
                record[written, 2] = moment
                record[written, 3] = phase
            written += 1
            if first_dry >= 0 and running > 0 and pumps.net[first_dry] > 0.0:
                i = segment[first_dry]
                volumes[first_dry] = fuel.node_volume_m3[i + 1]
                if i + 2 < fuel.node_start[first_dry + 1]:
                    segment[first_dry] = i + 1
            elif first_dry >= 0 and running > 0 and not _feeds(active, tanks_on, first_dry):
                i = segment[first_dry]
                volumes[first_dry] = fuel.node_volume_m3[i]
                if i > fuel.node_start[first_dry]:
                    segment[first_dry] = i - 1
            elif first_dry >= 0:
                i = segment[first_dry]
                floor = max(fuel.node_volume_m3[i], fuel.burn_down_to_m3[step])
                volumes[first_dry] = floor
                if (
                    fuel.node_volume_m3[i] >= fuel.burn_down_to_m3[step]
                    and i > fuel.node_start[first_dry]
                ):
                    segment[first_dry] = i - 1
                tanks_on = _still_open(fuel, step, volumes, active, tanks_on)
                while tanks_on == 0 and step < fuel.burn_start.size - 1:
                    step += 1
                    tanks_on = _open_tanks(fuel, step, volumes, active)
            if corner == 0:
                forward -= 1
            elif corner == 1:
                aft -= 1
    for group in range(errors.shape[0]):
        if errors[group, 0] > errors[group, 1]:  # no phase of this group was flown
            errors[group, 0] = math.nan
            errors[group, 1] = math.nan
    return written
