"""The trim of a planned flight: speed, altitude, flaps and thrust over time, as the kernel's nodes.

Speeds change at a stated rate: up, from the start of the faster phase; down, centred on the start
of the slower one. Flaps that change with the speed take as long as it. Altitude changes evenly over
a phase. Thrust is that of the planned mass: drag
and the climb; it does not follow the sampled mass, so that the setting is linear in mass and
moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft.atmosphere import RHO0, mach_number, standard_air
from cgrisk.aircraft.balance import Balance
from cgrisk.aircraft.stabilizer import TrimSettings
from cgrisk.aircraft.trim import STANDARD_GRAVITY, Aerodynamics, State, stabilizer_to_trim
from cgrisk.flight.kernel.data import TrimData
from cgrisk.scenario import Scenario
from cgrisk.units import FT_TO_M, KT_TO_MPS

__all__ = ["Conditions", "air_phases", "conditions", "no_trim", "trim_data", "why_no_trim"]

Floats = NDArray[np.float64]

#: Kinds of phase in which the aircraft is in the air from start to end.
_AIR: Final = ("climb", "cruise", "descent", "approach", "landing")
#: Longest time between nodes: where speed or flaps change, where anything does, where nothing (s).
_FINEST_S, _FINE_S, _COARSE_S = 4.0, 10.0, 600.0
#: Mach number above which linear aerodynamics say nothing.
_MOST_MACH = 0.95


@dataclass(frozen=True, slots=True)
class Conditions:
    """Planned conditions at instants of the flight.

    Attributes
    ----------
    time_s, eas_mps, altitude_m, mach, thrust_n : float64 array, shape (n,)
        Time, equivalent airspeed, pressure altitude, Mach number, thrust.
    flap : float64 array, shape (n,)
        Number of the flap position; in between while they travel.
    gear_down : float64 array, shape (n,)
        0 up to 1 down.
    """

    time_s: Floats
    eas_mps: Floats
    altitude_m: Floats
    mach: Floats
    thrust_n: Floats
    flap: Floats
    gear_down: Floats


def air_phases(scenario: Scenario) -> tuple[int, ...]:
    """Return the numbers of the phases whose trim is followed, in order."""
    return tuple(i for i, p in enumerate(scenario.operation.phases) if p.kind in _AIR)


def why_no_trim(scenario: Scenario) -> str:
    """Return why no trim can be computed in flight; empty if it can."""
    aircraft, phases = scenario.aircraft, scenario.operation.phases
    if aircraft.aerodynamics is None:
        return "the aircraft file has no [aerodynamics]"
    if aircraft.stabilizer is None:
        return "the aircraft file has no [stabilizer]"
    inside = air_phases(scenario)
    if not inside:
        return "no phase is flown in the air"
    slow = [phases[i].name or phases[i].kind for i in inside if phases[i].speed_kt <= 0.0]
    if slow:
        return f"no speed_kt is given for {', '.join(slow)}"
    time = _nodes(scenario)
    speed, height, _, _ = _corners(scenario)
    fastest = float(mach_number(_at(time, speed), altitude_m=_at(time, height)).max())
    if fastest > _MOST_MACH:
        return (
            f"the planned Mach number reaches {fastest:.2f}, above {_MOST_MACH}; speed_kt is "
            "equivalent airspeed, in knots"
        )
    return ""


def _corners(scenario: Scenario) -> tuple[list[tuple[float, float]], ...]:
    """Return (time, value) corners of speed (m/s), altitude (m), flap number, gear down."""
    aircraft, phases = scenario.aircraft, scenario.operation.phases
    numbers = {flap.name: i for i, flap in enumerate(aircraft.flaps)}
    ends = np.cumsum([60.0 * phase.minutes for phase in phases])
    starts = np.concatenate([[0.0], ends[:-1]])
    rate = scenario.operation.speed_change * KT_TO_MPS
    speed, height, flap, gear = [], [], [], []
    for i, phase in enumerate(phases):
        fast, low = phase.speed_kt * KT_TO_MPS, phase.altitude_ft * FT_TO_M
        start, end = float(starts[i]), float(ends[i])
        flaps, down = float(numbers.get(phase.flaps or "", 0)), float(phase.gear == "down")
        if i == 0:
            speed, height, flap, gear = [(0.0, fast)], [(0.0, low)], [(0.0, flaps)], [(0.0, 1.0)]
        if speed[-1][1] <= 0.0:  # no speed was given before: as fast as this phase from the start
            speed = [(0.0, fast)]
        before = speed[-1][1]
        if phase.kind not in _AIR and fast < before:
            fast = before  # on the ground the trim is not followed
        need = abs(fast - before) / rate
        first, last = start, min(start + need, end)
        if fast < before:
            first = start - min(0.5 * need, start - speed[-1][0])
            last = min(first + need, end)
        if fast != before:
            speed += [(first, before), (last, fast)]
        height += [(start, height[-1][1]), (end, low)]
        if flaps != flap[-1][1]:
            flap += _travel(flap[-1][1], flaps, first, max(last, start + aircraft.flap_travel_s))
        if down != gear[-1][1]:
            gear += [(max(end - aircraft.gear.travel_s, start), gear[-1][1]), (end, down)]
    return speed, height, flap, gear


def _travel(before: float, after: float, start: float, end: float) -> list[tuple[float, float]]:
    """Return the corners of flaps that travel evenly, with one at every position on the way."""
    step = 1.0 if after > before else -1.0
    inner = np.arange(np.floor(before) + (step > 0), after, step)
    numbers = [before, *(n for n in inner if min(before, after) < n < max(before, after)), after]
    span = (end - start) / (after - before)
    return [(start + (number - before) * span, number) for number in numbers]


def _at(time: Floats, corners: list[tuple[float, float]]) -> Floats:
    return np.interp(time, [t for t, _ in corners], [value for _, value in corners])


def conditions(
    scenario: Scenario, aero: Aerodynamics, *, time_s: Floats, mass_kg: Floats
) -> Conditions:
    """Return the planned conditions at instants in the air.

    Parameters
    ----------
    scenario : Scenario
        Phases with their speeds and altitudes.
    aero : Aerodynamics
        For the drag.
    time_s, mass_kg : float64 array, shape (n,)
        Instants, and the planned mass at them.
    """
    speed, height, flap, gear = _corners(scenario)
    eas, altitude = _at(time_s, speed), _at(time_s, height)
    climb = (_at(time_s + 0.5, height) - _at(time_s - 0.5, height)) / 1.0
    true = eas * np.sqrt(RHO0 / standard_air(altitude).density_kgpm3)
    area = 0.5 * RHO0 * eas**2 * aero.wing_area_m2
    lift = mass_kg * STANDARD_GRAVITY / area
    data = scenario.aircraft.aerodynamics
    assert data is not None
    flaps = np.interp(
        _at(time_s, flap),
        np.arange(max(len(scenario.aircraft.flaps), 1)),
        [each.drag for each in scenario.aircraft.flaps] or [0.0],
    )
    extra = flaps + data.gear_drag * _at(time_s, gear)
    drag = area * (data.drag_zero + extra + data.drag_induced * lift**2)
    thrust = np.maximum(drag + mass_kg * STANDARD_GRAVITY * climb / true, 0.0)
    return Conditions(
        time_s=time_s,
        eas_mps=eas,
        altitude_m=altitude,
        mach=mach_number(eas, altitude_m=altitude),
        thrust_n=thrust,
        flap=_at(time_s, flap),
        gear_down=_at(time_s, gear),
    )


def _nodes(scenario: Scenario) -> Floats:
    """Return the instants at which coefficients are laid down: dense where conditions change."""
    inside = air_phases(scenario)
    ends = np.cumsum([60.0 * phase.minutes for phase in scenario.operation.phases])
    start = float(ends[inside[0] - 1]) if inside[0] else 0.0
    end = float(ends[inside[-1]])
    corners = _corners(scenario)
    # The climb ends and begins at once: a second to either side keeps it from spreading.
    marks = {start, end, *(float(t) + d for t in ends for d in (-1.0, 0.0, 1.0))}
    marks |= {t for table in corners for t, _ in table}
    times = np.array(sorted(t for t in marks if start <= t <= end))
    moving = [np.diff(_at(times, table)) != 0.0 for table in corners]
    out = [times[:1]]
    for (a, b), *moves in zip(pairwise(times), *moving, strict=True):
        longest = _COARSE_S if not any(moves) else _FINE_S
        if moves[0] or moves[2]:
            longest = _FINEST_S
        pieces = int(np.ceil((b - a) / longest))
        out.append(np.linspace(a, b, pieces + 1)[1:])
    return np.concatenate(out)


def no_trim(phases: int) -> TrimData:
    """Return the data of a flight whose trim is not followed."""
    time, zero = np.array([0.0, 1.0]), np.zeros(2)
    slot = np.full(phases, -1, dtype=np.int64)
    return TrimData(slot, np.nan, time, zero, zero.copy(), zero.copy(), np.ones(2))


def trim_data(
    scenario: Scenario,
    *,
    aero: Aerodynamics,
    settings: TrimSettings,
    balance: Balance,
    planned_time_s: Floats,
    planned_mass_kg: Floats,
    start_rad: float = np.nan,
) -> TrimData:
    """Return the setting's coefficients at nodes of the planned flight.

    Parameters
    ----------
    scenario, aero, settings, balance
        The aircraft and its phases.
    planned_time_s, planned_mass_kg : float64 array
        The planned mass over time, for the thrust.
    start_rad : float
        Where the stabilizer is when the first phase in the air begins; nan: in trim.
    """
    time = _nodes(scenario)
    mass = np.interp(time, planned_time_s, planned_mass_kg)
    here = conditions(scenario, aero, time_s=time, mass_kg=mass)

    def setting(mass_kg: Floats, moment_kgm: Floats) -> Floats:
        arm = np.divide(moment_kgm, mass_kg, out=np.zeros_like(mass_kg), where=mass_kg > 0.0)
        state = State(
            mass_kg=mass_kg,
            h=(arm - balance.lemac_m) / balance.mac_m,
            eas_mps=here.eas_mps,
            mach=here.mach,
            thrust_n=here.thrust_n,
            flap=here.flap,
            gear_down=here.gear_down,
        )
        return stabilizer_to_trim(aero, state)

    # Linear in mass and moment: three settings tell the coefficients.
    zero = np.zeros_like(time)
    moment = mass * balance.lemac_m
    base, lifted = setting(zero, zero), setting(mass, zero)
    phases = len(scenario.operation.phases)
    slot = np.full(phases, -1, dtype=np.int64)
    inside = air_phases(scenario)
    slot[list(inside)] = np.arange(len(inside))
    out = np.maximum(here.flap, np.append(here.flap[1:], 0.0)) > 0.0
    return TrimData(
        slot=slot,
        start_rad=start_rad,
        time_s=time,
        base_rad=base,
        by_mass=(lifted - base) / mass,
        by_moment=(setting(mass, moment) - lifted) / moment,
        rate_radps=np.where(out, settings.rate_flaps_down_radps, settings.rate_flaps_up_radps),
    )
