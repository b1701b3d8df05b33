"""The take-off setting of the load sheet, and what the actual aircraft does with it on the runway.

Setting, VR and V2 come from the planned mass and CG; what happens comes from the actual ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from cgrisk.aircraft.atmosphere import RHO0, mach_number
from cgrisk.aircraft.balance import Balance
from cgrisk.aircraft.rotation import Rotation, nose_wheel_load, pitch_acceleration, rotation_of
from cgrisk.aircraft.stabilizer import (
    UNKNOWN_STABILIZER,
    TrimSettings,
    table_setting,
    trim_settings_of,
)
from cgrisk.aircraft.trim import (
    STANDARD_GRAVITY,
    Aerodynamics,
    State,
    aerodynamics_of,
    stabilizer_to_trim,
)
from cgrisk.scenario import Scenario
from cgrisk.scenario.aerodynamics_file import TrimTable
from cgrisk.units import KT_TO_MPS

__all__ = ["TakeOffPlan", "TakeOffRun", "add_take_off_figures", "plan_take_off", "take_off_columns"]

Floats = NDArray[np.float64]
Value = Floats | float

#: The setting trims at V2 and this much more.
_ABOVE_V2_MPS: Final = 10.0 * KT_TO_MPS
#: Speeds below VR at which an early rotation is looked for, as shares of it.
_BELOW_VR: Final = np.linspace(0.0, 1.0, 41)[1:]
_SETTING: Final = ("take_off_setting_needed_units", "take_off_mis_trim_units")
_RUN: Final = ("nose_wheel_kn.below_vr", "nose_wheel_kn.brake_release", "rotation_degps2")
#: Places on the chord between which the CG of a limit is looked for.
_LOW_H, _HIGH_H = -1.0, 2.0


@dataclass(frozen=True, slots=True)
class TakeOffRun:
    """The ground run with the load sheet's speeds.

    Attributes
    ----------
    aero, rotation
        The aircraft.
    vr_mps, v2_mps : float
        Rotation and take-off safety speed of the planned mass.
    thrust_n, thrust_fall : float
        Thrust at rest, and its fall with speed as a share (per m/s).
    pull_rad : float
        Elevator angle of the rotation (trailing edge up: negative).
    needed_radps2 : float
        Pitch acceleration without which it does not rotate.
    """

    aero: Aerodynamics
    rotation: Rotation
    vr_mps: float
    v2_mps: float
    thrust_n: float
    thrust_fall: float
    pull_rad: float
    needed_radps2: float

    def thrust(self, eas_mps: Value) -> Floats:
        """Return the thrust at a speed (N)."""
        return np.asarray(self.thrust_n * (1.0 - self.thrust_fall * np.asarray(eas_mps)))


@dataclass(frozen=True, slots=True)
class TakeOffPlan:
    """The take-off of the load sheet.

    Attributes
    ----------
    mass_kg, cg_pct_mac : float
        Planned take-off mass and CG.
    settings : TrimSettings
        Stabilizer and its units.
    flap : int
        Number of the flap position.
    table : TrimTable or None
        The operator's trim table, where there is one for these flaps and this rating.
    exact_units, set_units : float
        Setting that the planned load needs, and as the load sheet gives it.
    run : TakeOffRun or None
        Ground run; None without its data.
    balance : Balance
        Chord.
    altitude_m : float
        Pressure altitude of the runway.
    """

    mass_kg: float
    cg_pct_mac: float
    settings: TrimSettings
    flap: int
    table: TrimTable | None
    exact_units: float
    set_units: float
    run: TakeOffRun | None
    balance: Balance
    altitude_m: float

    def needed_units(self, *, mass_kg: Value, cg_pct_mac: Value) -> Floats:
        """Return the setting (trim units) that an actual mass and CG need at the planned speeds."""
        if self.table is not None:
            return table_setting(self.table, mass_kg=mass_kg, cg_pct_mac=cg_pct_mac)
        assert self.run is not None
        return _computed(self.run, self.settings, self.flap, self.altitude_m, mass_kg, cg_pct_mac)

    def least_nose_load(self, *, mass_kg: Value, h: Value, units: Value) -> Floats:
        """Return the least nose-wheel load at speeds up to VR, elevator neutral (N)."""
        assert self.run is not None
        speed = _BELOW_VR * self.run.vr_mps
        load = nose_wheel_load(
            self.run.aero,
            self.run.rotation,
            mass_kg=np.asarray(mass_kg)[..., None],
            h=np.asarray(h)[..., None],
            eas_mps=speed,
            stabilizer_rad=self.settings.to_rad(np.asarray(units)[..., None]),
            thrust_n=self.run.thrust(speed),
            flap=self.flap,
        )
        return np.asarray(load.min(axis=-1))

    def released_nose_load(self, *, mass_kg: Value, h: Value) -> Floats:
        """Return the nose-wheel load at brake release with full thrust (N)."""
        assert self.run is not None
        return nose_wheel_load(
            self.run.aero,
            self.run.rotation,
            mass_kg=mass_kg,
            h=h,
            eas_mps=0.0,
            stabilizer_rad=0.0,
            thrust_n=self.run.thrust(0.0),
            flap=self.flap,
        )

    def acceleration(self, *, mass_kg: Value, h: Value, units: Value) -> Floats:
        """Return the pitch acceleration at VR with the stated pull (rad/s2)."""
        assert self.run is not None
        return pitch_acceleration(
            self.run.aero,
            self.run.rotation,
            mass_kg=mass_kg,
            h=h,
            eas_mps=self.run.vr_mps,
            stabilizer_rad=self.settings.to_rad(units),
            thrust_n=self.run.thrust(self.run.vr_mps),
            elevator_rad=self.run.pull_rad,
            flap=self.flap,
        )

    def cg_limits(self) -> dict[str, float]:
        """Return the CGs (% MAC) at the planned mass at which the setting made fails.

        Returns
        -------
        dict of str to float
            ``uncommanded_rotation``, ``no_rotation``, ``nose_lifts_at_release``; nan where there
            is none on the chord and near it.
        """
        mass = self.mass_kg

        def early(h: float) -> float:
            return float(self.least_nose_load(mass_kg=mass, h=h, units=self.set_units))

        def late(h: float) -> float:
            assert self.run is not None
            rate = self.acceleration(mass_kg=mass, h=h, units=self.set_units)
            return float(rate) - self.run.needed_radps2

        def lifts(h: float) -> float:
            return float(self.released_nose_load(mass_kg=mass, h=h))

        found = {}
        for name, function in (
            ("uncommanded_rotation", early),
            ("no_rotation", late),
            ("nose_lifts_at_release", lifts),
        ):
            ends = function(_LOW_H), function(_HIGH_H)
            crossed = ends[0] * ends[1] < 0.0
            found[name] = 100.0 * brentq(function, _LOW_H, _HIGH_H) if crossed else np.nan
        return found

    def usable_band(self, *, share: float = 0.07, knots: float = 10.0) -> tuple[float, float]:
        """Return the settings (trim units, least to most) usable at the planned mass and CG.

        More nose-up than the most, the nose lifts by itself before VR less the smaller of a share
        of it and some knots: the margin is borrowed from the early-rotation abuse test of AMC
        25.107(e)(4). Less than the least, the stated pull does not rotate the aircraft at VR. Both
        are kept within the mechanical stops; nan where no setting is usable.
        """
        assert self.run is not None
        low = float(self.settings.to_units(self.settings.nose_down_stop_rad))
        high = float(self.settings.to_units(self.settings.nose_up_stop_rad))
        mass, h = self.mass_kg, self.cg_pct_mac / 100.0
        early_mps = self.run.vr_mps - min(share * self.run.vr_mps, knots * KT_TO_MPS)

        def early(units: float) -> float:
            assert self.run is not None
            load = nose_wheel_load(
                self.run.aero,
                self.run.rotation,
                mass_kg=mass,
                h=h,
                eas_mps=early_mps,
                stabilizer_rad=self.settings.to_rad(units),
                thrust_n=self.run.thrust(early_mps),
                flap=self.flap,
            )
            return float(load)

        def late(units: float) -> float:
            assert self.run is not None
            return float(self.acceleration(mass_kg=mass, h=h, units=units)) - self.run.needed_radps2

        most = _crossing(early, low, high, rising=False)
        least = _crossing(late, low, high, rising=True)
        return (least, most) if least <= most else (np.nan, np.nan)


def _crossing(
    function: Callable[[float], float], low: float, high: float, *, rising: bool
) -> float:
    """Return where a monotone function changes sign; the end where it holds all along, else nan."""
    at_low, at_high = function(low), function(high)
    if rising:
        if at_low >= 0.0:
            return low
        return float(brentq(function, low, high)) if at_high >= 0.0 else np.nan
    if at_high >= 0.0:
        return high
    return float(brentq(function, low, high)) if at_low >= 0.0 else np.nan


def _computed(
    run: TakeOffRun,
    settings: TrimSettings,
    flap: int,
    altitude_m: float,
    mass_kg: Value,
    cg_pct_mac: Value,
) -> Floats:
    speed = run.v2_mps + _ABOVE_V2_MPS
    state = State(
        mass_kg=mass_kg,
        h=np.asarray(cg_pct_mac) / 100.0,
        eas_mps=speed,
        mach=mach_number(speed, altitude_m=altitude_m),
        thrust_n=run.thrust(speed),
        flap=flap,
    )
    return settings.to_units(stabilizer_to_trim(run.aero, state))


def _run(scenario: Scenario, *, mass_kg: float, flap: int) -> TakeOffRun | None:
    aircraft = scenario.aircraft
    aero, rotation, data = aerodynamics_of(aircraft), rotation_of(aircraft), aircraft.ground_run
    settings = trim_settings_of(aircraft)
    if aero is None or rotation is None or data is None or settings is None:
        return None
    lift = 0.5 * RHO0 * aero.wing_area_m2 * aero.flap_max_lift[flap]
    stall = float(np.sqrt(mass_kg * STANDARD_GRAVITY / lift))
    return TakeOffRun(
        aero=aero,
        rotation=rotation,
        vr_mps=data.rotation_speed * stall,
        v2_mps=data.take_off_speed * stall,
        thrust_n=1e3 * data.thrust,
        thrust_fall=data.thrust_fall,
        pull_rad=-data.rotation_elevator * settings.elevator_up_rad,
        needed_radps2=float(np.deg2rad(data.rotation_needed)),
    )


def plan_take_off(scenario: Scenario, *, balance: Balance, record: Floats) -> TakeOffPlan | None:
    """Return the take-off of the load sheet.

    Parameters
    ----------
    scenario : Scenario
        What is flown.
    balance : Balance
        Chord.
    record : float64 array, shape (n, 4)
        The planned path: time, mass, moment, phase.

    Returns
    -------
    TakeOffPlan or None
        None without a take-off phase, or without both of table and ground run.
    """
    phases, settings = scenario.operation.phases, trim_settings_of(scenario.aircraft)
    kinds = [phase.kind for phase in phases]
    if "take_off" not in kinds:
        return None
    number = kinds.index("take_off")
    first = int(np.argmax(record[:, 3] == number))
    mass = float(record[first, 1])
    cg = float(balance.arm_to_pct(record[first, 2] / mass))
    name = phases[number].flaps or ""
    names = [flap.name for flap in scenario.aircraft.flaps]
    flap = names.index(name) if name in names else 0
    run = _run(scenario, mass_kg=mass, flap=flap)
    rating = scenario.operation.thrust_rating
    tables = [
        table
        for table in scenario.aircraft.trim_tables
        if table.flaps == name and table.rating in (None, rating)
    ]
    tables.sort(key=lambda table: table.rating is None)  # the rating's own table comes first
    table = tables[0] if tables else None
    if run is None and table is None:
        return None
    if settings is None:
        settings = UNKNOWN_STABILIZER
    if table is not None:
        exact = float(table_setting(table, mass_kg=mass, cg_pct_mac=cg))
    else:
        assert run is not None
        exact = float(_computed(run, settings, flap, 0.0, mass, cg))
    return TakeOffPlan(
        mass_kg=mass,
        cg_pct_mac=cg,
        settings=settings,
        flap=flap,
        table=table,
        exact_units=exact,
        set_units=settings.rounded(exact),
        run=run,
        balance=balance,
        altitude_m=0.0,
    )


def take_off_columns(plan: TakeOffPlan | None) -> tuple[str, ...]:
    """Return the names of a flight's take-off figures.

    Setting needed and setting made less needed (trim units, more is more nose-up); least load on
    the nose wheel below VR and at brake release (kN); pitch acceleration at VR (deg/s2).
    """
    if plan is None:
        return ()
    return _SETTING if plan.run is None else _SETTING + _RUN


def add_take_off_figures(plan: TakeOffPlan, columns: tuple[str, ...], rows: Floats) -> None:
    """Write the take-off figures of flights into their rows, from their take-off mass and CG."""
    place = {name: i for i, name in enumerate(columns)}
    mass, cg = rows[:, place["take_off_mass_kg"]], rows[:, place["take_off_cg_pct_mac"]]
    needed = plan.needed_units(mass_kg=mass, cg_pct_mac=cg)
    rows[:, place[_SETTING[0]]] = needed
    rows[:, place[_SETTING[1]]] = plan.set_units - needed
    if plan.run is not None:
        h = cg / 100.0
        early = plan.least_nose_load(mass_kg=mass, h=h, units=plan.set_units)
        rows[:, place[_RUN[0]]] = 1e-3 * early
        rows[:, place[_RUN[1]]] = 1e-3 * plan.released_nose_load(mass_kg=mass, h=h)
        rate = plan.acceleration(mass_kg=mass, h=h, units=plan.set_units)
        rows[:, place[_RUN[2]]] = np.rad2deg(rate)
