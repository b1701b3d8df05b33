"""Longitudinal trim: the stabilizer setting that balances an aircraft, and what it depends on.

Linear aerodynamics in closed form. Signs: x aft positive; pitching moment nose-up positive; tail
lift up positive; stabilizer incidence positive with the leading edge up, so that nose-up trim is
negative; elevator positive with the trailing edge down; the thrust line is below the CG by a
positive distance. A place h on the chord is a share of MAC behind its leading edge.

Sources: B. Etkin and L. D. Reid, Dynamics of Flight, chapter 2 (from memory); derivative form: B.
Etkin, Dynamics of Atmospheric Flight, equations 6.4,11 to 6.4,16. Changes of the setting with the
CG are far better known than its absolute level, which rests on the downwash, the flaps' moment and
the place of the aerodynamic centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.aircraft.atmosphere import RHO0, standard_air
from cgrisk.scenario import AircraftFile

__all__ = [
    "STANDARD_GRAVITY",
    "Aerodynamics",
    "State",
    "aerodynamics_of",
    "by_flap",
    "derivative_trim",
    "elevator_to_hold",
    "lift_coefficient",
    "mach_factor",
    "manoeuvre_distance",
    "neutral_point",
    "setting_slope",
    "stabilizer_to_trim",
    "static_margin",
    "tail_lift_coefficient",
]

Floats = NDArray[np.float64]

STANDARD_GRAVITY: Final = 9.80665


@dataclass(frozen=True, slots=True)
class Aerodynamics:
    """Longitudinal aerodynamics of an aircraft; slopes per radian at Mach 0.

    Attributes
    ----------
    wing_area_m2, mac_m : float
        Reference area and chord.
    tail_area_m2, tail_arm_m : float
        Area of the horizontal tail, and distance of its aerodynamic centre behind that of wing and
        body.
    wing_slope, tail_slope : float
        Lift slopes of wing and body, and of the tail on its own area.
    aspect_ratio : float
        Span squared over wing area, for the effect of the Mach number on slopes.
    tail_efficiency : float
        Dynamic pressure at the tail over that of the flight.
    downwash : float
        Change of the downwash angle at the tail with incidence.
    centre_h : float
        Aerodynamic centre of wing and body, flaps up, at low Mach numbers.
    zero_lift_angle : float
        Incidence at which wing and body have no lift, flaps up (rad).
    zero_lift_moment : float
        Pitching moment coefficient of wing and body without lift.
    elevator_effect : float
        Change of the tail's incidence by an elevator angle, as a share of it.
    thrust_below_m : float
        Distance of the thrust line below the CG.
    gear_moment : float
        Change of the moment coefficient with the gear down.
    flap_lift, flap_moment, flap_centre, flap_downwash, flap_max_lift : tuple of float
        By flap position, retracted first: change of lift and moment coefficient at the same
        incidence, shift of the aerodynamic centre, downwash of the flaps' lift as a multiple of
        that of the wing's, greatest lift coefficient.
    mach, mach_centre, mach_moment : tuple of float
        Shift of the aerodynamic centre and of the zero-lift moment by Mach number: linear between
        points, constant beyond.
    """

    wing_area_m2: float
    mac_m: float
    tail_area_m2: float
    tail_arm_m: float
    wing_slope: float
    tail_slope: float
    aspect_ratio: float
    tail_efficiency: float
    downwash: float
    centre_h: float
    zero_lift_angle: float
    zero_lift_moment: float
    elevator_effect: float
    thrust_below_m: float
    gear_moment: float
    flap_lift: tuple[float, ...] = (0.0,)
    flap_moment: tuple[float, ...] = (0.0,)
    flap_centre: tuple[float, ...] = (0.0,)
    flap_downwash: tuple[float, ...] = (1.0,)
    flap_max_lift: tuple[float, ...] = (1.4,)
    mach: tuple[float, ...] = (0.0,)
    mach_centre: tuple[float, ...] = (0.0,)
    mach_moment: tuple[float, ...] = (0.0,)

    @property
    def tail_volume(self) -> float:
        """Tail volume: tail area by its arm over wing area by chord."""
        return self.tail_area_m2 * self.tail_arm_m / (self.wing_area_m2 * self.mac_m)


@dataclass(frozen=True, slots=True)
class State:
    """Conditions of flight; each a number or an array, which broadcast.

    Attributes
    ----------
    mass_kg, h : array_like
        Mass, and CG as a share of MAC.
    eas_mps, mach : array_like
        Equivalent airspeed and Mach number.
    thrust_n : array_like
        Thrust of all engines.
    flap : array_like of int or float
        Number of the flap position, retracted 0; between two, straight between their values.
    gear_down : array_like
        0 up to 1 down.
    load_factor : array_like
        Lift over weight.
    elevator_rad : array_like
        Elevator angle.
    """

    mass_kg: ArrayLike
    h: ArrayLike
    eas_mps: ArrayLike
    mach: ArrayLike = 0.0
    thrust_n: ArrayLike = 0.0
    flap: ArrayLike = 0
    gear_down: ArrayLike = 0.0
    load_factor: ArrayLike = 1.0
    elevator_rad: ArrayLike = 0.0


def aerodynamics_of(aircraft: AircraftFile) -> Aerodynamics | None:
    """Return the aerodynamics that an aircraft file holds; None if it holds none."""
    data, flaps = aircraft.aerodynamics, aircraft.flaps
    if data is None:
        return None
    centre = data.mach_centre or ((0.0, 0.0),)
    moment = data.mach_moment or ((0.0, 0.0),)
    mach = tuple(sorted({m for m, _ in (*centre, *moment)}))
    return Aerodynamics(
        wing_area_m2=data.wing_area,
        mac_m=aircraft.reference.mac,
        tail_area_m2=data.tail_area,
        tail_arm_m=data.tail_arm,
        wing_slope=data.wing_lift_slope,
        tail_slope=data.tail_lift_slope,
        aspect_ratio=data.span**2 / data.wing_area,
        tail_efficiency=data.tail_efficiency,
        downwash=data.downwash,
        centre_h=data.aerodynamic_centre / 100.0,
        zero_lift_angle=math.radians(data.zero_lift_angle),
        zero_lift_moment=data.zero_lift_moment,
        elevator_effect=data.elevator_effect,
        thrust_below_m=data.thrust_below_cg,
        gear_moment=data.gear_moment,
        flap_lift=tuple(flap.lift for flap in flaps) or (0.0,),
        flap_moment=tuple(flap.pitching_moment for flap in flaps) or (0.0,),
        flap_centre=tuple(flap.centre_shift / 100.0 for flap in flaps) or (0.0,),
        flap_downwash=tuple(flap.downwash_factor for flap in flaps) or (1.0,),
        flap_max_lift=tuple(flap.greatest_lift for flap in flaps) or (1.4,),
        mach=mach,
        mach_centre=_by_mach(mach, centre, 0.01),
        mach_moment=_by_mach(mach, moment, 1.0),
    )


def _by_mach(
    mach: tuple[float, ...], table: tuple[tuple[float, float], ...], unit: float
) -> tuple[float, ...]:
    values = np.interp(mach, [m for m, _ in table], [value for _, value in table])
    return tuple(unit * float(value) for value in values)


def by_flap(table: tuple[float, ...], flap: ArrayLike) -> Floats:
    """Return a value of a table by flap position, straight between two positions."""
    return np.interp(np.asarray(flap, dtype=np.float64), np.arange(len(table)), table)


def _array(value: ArrayLike) -> Floats:
    return np.asarray(value, dtype=np.float64)


def mach_factor(aero: Aerodynamics, mach: ArrayLike) -> Floats:
    """Return a lift slope over that at Mach 0 (Helmbold's form with Prandtl-Glauert)."""
    square = aero.aspect_ratio**2
    below = 2.0 + np.sqrt(4.0 + square * (1.0 - _array(mach) ** 2))
    return np.asarray((2.0 + np.sqrt(4.0 + square)) / below)


def _dynamic_pressure(state: State) -> Floats:
    return np.asarray(0.5 * RHO0 * _array(state.eas_mps) ** 2)


def lift_coefficient(aero: Aerodynamics, state: State) -> Floats:
    """Return the lift coefficient of the whole aircraft."""
    weight = _array(state.mass_kg) * STANDARD_GRAVITY
    return np.asarray(
        _array(state.load_factor) * weight / (_dynamic_pressure(state) * aero.wing_area_m2)
    )


def _centre(aero: Aerodynamics, state: State) -> Floats:
    """Return the aerodynamic centre of wing and body."""
    shift = np.interp(_array(state.mach), aero.mach, aero.mach_centre)
    return np.asarray(aero.centre_h + shift + by_flap(aero.flap_centre, state.flap))


def _zero_lift_moment(aero: Aerodynamics, state: State) -> Floats:
    shift = np.interp(_array(state.mach), aero.mach, aero.mach_moment)
    flaps = by_flap(aero.flap_moment, state.flap)
    gear = aero.gear_moment * _array(state.gear_down)
    return np.asarray(aero.zero_lift_moment + shift + flaps + gear)


def tail_lift_coefficient(aero: Aerodynamics, state: State) -> Floats:
    """Return the tail's lift coefficient, on its own area, that balances the moments at the CG.

    CL_h = [Cm0 + CL (h - h_ac) + CT z_T / c] / (eta V_H).
    """
    lift = lift_coefficient(aero, state)
    thrust = _array(state.thrust_n) / (_dynamic_pressure(state) * aero.wing_area_m2)
    moment = (
        _zero_lift_moment(aero, state)
        + lift * (_array(state.h) - _centre(aero, state))
        + thrust * aero.thrust_below_m / aero.mac_m
    )
    return np.asarray(moment / (aero.tail_efficiency * aero.tail_volume))


def stabilizer_to_trim(aero: Aerodynamics, state: State) -> Floats:
    """Return the stabilizer incidence that balances the aircraft (rad, leading edge up positive).

    i_t = CL_h / a_h - alpha + eps - tau d_e, with alpha and eps from the lift of wing and body.
    """
    factor = mach_factor(aero, state.mach)
    wing, tail = aero.wing_slope * factor, aero.tail_slope * factor
    tail_lift = tail_lift_coefficient(aero, state)
    share = aero.tail_efficiency * aero.tail_area_m2 / aero.wing_area_m2
    flaps = by_flap(aero.flap_lift, state.flap)
    clean = lift_coefficient(aero, state) - share * tail_lift - flaps
    alpha = aero.zero_lift_angle + clean / wing
    spread = by_flap(aero.flap_downwash, state.flap)
    downwash = aero.downwash / wing * (clean + spread * flaps)
    elevator = aero.elevator_effect * _array(state.elevator_rad)
    return np.asarray(tail_lift / tail - alpha + downwash - elevator)


def setting_slope(aero: Aerodynamics, state: State) -> Floats:
    """Return how the trim setting changes with the CG (rad per chord).

    di_t/dh = CL / (eta V_H a_h) + (CL c / l_h) (1 - e') / a_wb.
    """
    factor = mach_factor(aero, state.mach)
    lift = lift_coefficient(aero, state)
    own = lift / (aero.tail_efficiency * aero.tail_volume * aero.tail_slope * factor)
    wing = lift * aero.mac_m / aero.tail_arm_m * (1.0 - aero.downwash) / (aero.wing_slope * factor)
    return np.asarray(own + wing)


def elevator_to_hold(aero: Aerodynamics, *, needed_rad: ArrayLike, set_rad: ArrayLike) -> Floats:
    """Return the elevator that holds the aircraft while the stabilizer is not where it should be.

    Parameters
    ----------
    aero : Aerodynamics
        The aircraft.
    needed_rad, set_rad : array_like
        Stabilizer incidence that trims without elevator, and the one it has.
    """
    return np.asarray((_array(needed_rad) - _array(set_rad)) / aero.elevator_effect)


def neutral_point(aero: Aerodynamics, state: State) -> Floats:
    """Return the neutral point with the controls fixed (share of MAC)."""
    factor = mach_factor(aero, state.mach)
    wing, tail = aero.wing_slope * factor, aero.tail_slope * factor
    share = aero.tail_efficiency * tail * (1.0 - aero.downwash)
    whole = wing + share * aero.tail_area_m2 / aero.wing_area_m2
    return np.asarray(_centre(aero, state) + share / whole * aero.tail_volume)


def static_margin(aero: Aerodynamics, state: State) -> Floats:
    """Return how far the CG stands ahead of the neutral point (share of MAC)."""
    return np.asarray(neutral_point(aero, state) - _array(state.h))


def manoeuvre_distance(
    aero: Aerodynamics, *, mass_kg: ArrayLike, altitude_m: ArrayLike, mach: ArrayLike
) -> Floats:
    """Return how far the manoeuvre point is behind the neutral point (share of MAC).

    rho S l_h eta V_H a_h / (2 m): the tail's damping of a pitch rate (M. V. Cook, Flight Dynamics
    Principles, chapter 8; from memory).
    """
    density = standard_air(altitude_m).density_kgpm3
    slope = aero.tail_slope * mach_factor(aero, mach)
    damping = aero.tail_efficiency * aero.tail_volume * slope
    return np.asarray(
        density * aero.wing_area_m2 * aero.tail_arm_m * damping / (2.0 * _array(mass_kg))
    )


def derivative_trim(
    *,
    lift: ArrayLike,
    lift_zero: ArrayLike,
    moment_zero: ArrayLike,
    lift_alpha: ArrayLike,
    moment_alpha: ArrayLike,
    lift_control: ArrayLike,
    moment_control: ArrayLike,
    dh: ArrayLike = 0.0,
) -> tuple[Floats, Floats]:
    """Return (incidence, control angle) in trim from stability derivatives (rad).

    Parameters
    ----------
    lift, lift_zero, moment_zero : array_like
        Lift coefficient wanted; lift and moment coefficient at zero incidence and control.
    lift_alpha, moment_alpha, lift_control, moment_control : array_like
        Derivatives with incidence and control (1/rad).
    dh : array_like
        Shift of the CG aft from where the moments are stated (share of MAC).
    """
    shift, base = _array(dh), _array(lift_zero)
    moment = _array(moment_zero) + base * shift
    m_alpha = _array(moment_alpha) + _array(lift_alpha) * shift
    m_control = _array(moment_control) + _array(lift_control) * shift
    whole = _array(lift_alpha) * m_control - _array(lift_control) * m_alpha
    wanted = _array(lift) - base
    alpha = (m_control * wanted + _array(lift_control) * moment) / whole
    control = -(_array(lift_alpha) * moment + m_alpha * wanted) / whole
    return np.asarray(alpha), np.asarray(control)
