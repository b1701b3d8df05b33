"""Rotation at take-off: what pitches the aircraft about its main wheels during the ground run.

Moments are taken about the point where the main wheels touch the ground, with the nose wheel
carrying nothing. Sources: terms as in J. Roskam, Airplane Design (read in transcription);
MIL-STD-1797A 5.2.7.3. No published worked example was found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.aircraft.atmosphere import RHO0
from cgrisk.aircraft.trim import STANDARD_GRAVITY, Aerodynamics, by_flap
from cgrisk.scenario import AircraftFile

__all__ = ["Rotation", "nose_wheel_load", "pitch_acceleration", "rotation_moment", "rotation_of"]

Floats = NDArray[np.float64]

_FULL_ELEVATOR_RAD = np.deg2rad(25.0)
#: Elevator effectiveness falls with its angle: by this share at 25 degrees.
_ELEVATOR_FADE = 0.3
_GREATEST_RAD = _FULL_ELEVATOR_RAD / np.sqrt(3.0 * _ELEVATOR_FADE)


@dataclass(frozen=True, slots=True)
class Rotation:
    """What the ground run needs beside the aerodynamics.

    Attributes
    ----------
    main_gear_h : float
        Main wheels' contact point (share of MAC).
    wheelbase_m : float
        From nose wheel to main wheels.
    cg_height_m, thrust_height_m, drag_height_m : float
        Heights above the ground of CG, thrust line and drag.
    friction : float
        Rolling friction.
    pitch_inertia : float
        Moment of inertia in pitch about the CG (kg m2).
    drag_zero, drag_induced : float
        D = q S (drag_zero + drag_induced CL^2).
    ground_slope, ground_downwash : float
        Factors of ground effect on lift slope and downwash.
    pitch_attitude : float
        Pitch attitude on the ground (rad).
    tail_lift_least, tail_lift_greatest : float
        Limits of the tail's lift coefficient.
    """

    main_gear_h: float
    wheelbase_m: float
    cg_height_m: float
    thrust_height_m: float
    drag_height_m: float
    friction: float
    pitch_inertia: float
    drag_zero: float
    drag_induced: float
    ground_slope: float = 1.05
    ground_downwash: float = 0.55
    pitch_attitude: float = 0.0
    tail_lift_least: float = -1.15
    tail_lift_greatest: float = 1.05


def rotation_of(aircraft: AircraftFile) -> Rotation | None:
    """Return what the ground run needs, from an aircraft file; None if it holds none."""
    run, aero = aircraft.ground_run, aircraft.aerodynamics
    if run is None or aero is None:
        return None
    return Rotation(
        main_gear_h=run.main_gear / 100.0,
        wheelbase_m=run.wheelbase,
        cg_height_m=run.cg_height,
        thrust_height_m=run.thrust_height,
        drag_height_m=run.drag_height,
        friction=run.friction,
        pitch_inertia=run.pitch_inertia,
        drag_zero=aero.drag_zero,
        drag_induced=aero.drag_induced,
        ground_slope=run.ground_lift,
        ground_downwash=run.ground_downwash,
        pitch_attitude=math.radians(run.pitch_attitude),
        tail_lift_least=run.tail_lift_least,
        tail_lift_greatest=run.tail_lift_greatest,
    )


@dataclass(frozen=True, slots=True)
class _Forces:
    """Forces (N) and moments (N m) on the ground."""

    weight: Floats
    wing: Floats
    tail: Floats
    drag: Floats
    moment: Floats
    centre_h: Floats


def _forces(
    aero: Aerodynamics,
    rotation: Rotation,
    *,
    mass_kg: ArrayLike,
    eas_mps: ArrayLike,
    stabilizer_rad: ArrayLike,
    elevator_rad: ArrayLike,
    flap: ArrayLike,
    gear_down: ArrayLike,
) -> _Forces:
    pressure = 0.5 * RHO0 * np.asarray(eas_mps, dtype=np.float64) ** 2
    area = pressure * aero.wing_area_m2
    flaps = by_flap(aero.flap_lift, flap)
    clean = (
        rotation.ground_slope * aero.wing_slope * (rotation.pitch_attitude - aero.zero_lift_angle)
    )
    spread = by_flap(aero.flap_downwash, flap)
    downwash = rotation.ground_downwash * aero.downwash / aero.wing_slope * (clean + spread * flaps)
    # Beyond the angle of the greatest effect more elevator adds nothing.
    elevator = np.clip(np.asarray(elevator_rad, dtype=np.float64), -_GREATEST_RAD, _GREATEST_RAD)
    fade = 1.0 - _ELEVATOR_FADE * (elevator / _FULL_ELEVATOR_RAD) ** 2
    incidence = (
        np.asarray(stabilizer_rad, dtype=np.float64)
        + rotation.pitch_attitude
        - downwash
        + aero.elevator_effect * elevator * fade
    )
    tail = np.clip(
        aero.tail_slope * incidence, rotation.tail_lift_least, rotation.tail_lift_greatest
    )
    lift = clean + flaps
    moment = (
        aero.zero_lift_moment
        + by_flap(aero.flap_moment, flap)
        + aero.gear_moment * np.asarray(gear_down, dtype=np.float64)
    )
    return _Forces(
        weight=np.asarray(mass_kg, dtype=np.float64) * STANDARD_GRAVITY,
        wing=np.asarray(area * lift),
        tail=np.asarray(pressure * aero.tail_efficiency * aero.tail_area_m2 * tail),
        drag=np.asarray(area * (rotation.drag_zero + rotation.drag_induced * lift**2)),
        moment=np.asarray(area * aero.mac_m * moment),
        centre_h=np.asarray(aero.centre_h + by_flap(aero.flap_centre, flap)),
    )


def rotation_moment(
    aero: Aerodynamics,
    rotation: Rotation,
    *,
    mass_kg: ArrayLike,
    h: ArrayLike,
    eas_mps: ArrayLike,
    stabilizer_rad: ArrayLike,
    thrust_n: ArrayLike,
    elevator_rad: ArrayLike = 0.0,
    flap: ArrayLike = 0,
    gear_down: ArrayLike = 1.0,
) -> Floats:
    """Return the moment about the main wheels' contact point, nose wheel unloaded (N m, nose up).

    The inertia of the accelerating aircraft is counted: its mass by its acceleration along the
    runway acts at the height of the CG.

    Parameters
    ----------
    aero, rotation
        The aircraft.
    mass_kg, h : array_like
        Mass, and CG as a share of MAC.
    eas_mps : array_like
        Equivalent airspeed.
    stabilizer_rad, elevator_rad : array_like
        Stabilizer incidence and elevator angle.
    thrust_n : array_like
        Thrust of all engines.
    flap, gear_down : array_like
        As in :class:`cgrisk.aircraft.trim.State`.
    """
    forces = _forces(
        aero,
        rotation,
        mass_kg=mass_kg,
        eas_mps=eas_mps,
        stabilizer_rad=stabilizer_rad,
        elevator_rad=elevator_rad,
        flap=flap,
        gear_down=gear_down,
    )
    chord, thrust = aero.mac_m, np.asarray(thrust_n, dtype=np.float64)
    behind_cg = (rotation.main_gear_h - np.asarray(h, dtype=np.float64)) * chord
    behind_centre = (rotation.main_gear_h - forces.centre_h) * chord
    ground = forces.weight - forces.wing - forces.tail
    pull = thrust - forces.drag - rotation.friction * ground
    return np.asarray(
        -forces.weight * behind_cg
        + forces.wing * behind_centre
        + forces.moment
        - forces.tail * (aero.tail_arm_m - behind_centre)
        - thrust * rotation.thrust_height_m
        + forces.drag * rotation.drag_height_m
        + pull * rotation.cg_height_m
    )


def pitch_acceleration(
    aero: Aerodynamics,
    rotation: Rotation,
    *,
    mass_kg: ArrayLike,
    h: ArrayLike,
    **run: ArrayLike,
) -> Floats:
    """Return the pitch acceleration with which the nose leaves the ground (rad/s2, nose up).

    Parameters as in :func:`rotation_moment`. The main wheels roll freely, so that the aircraft
    turns about a point above them: the inertia is I_yy + m x_b^2 + mu m x_b z_cg, with x_b the
    distance of the wheels behind the CG and z_cg its height.
    """
    moment = rotation_moment(aero, rotation, mass_kg=mass_kg, h=h, **run)
    mass = np.asarray(mass_kg, dtype=np.float64)
    behind = (rotation.main_gear_h - np.asarray(h, dtype=np.float64)) * aero.mac_m
    inertia = (
        rotation.pitch_inertia
        + mass * behind**2
        + rotation.friction * mass * behind * rotation.cg_height_m
    )
    return np.asarray(moment / inertia)


def nose_wheel_load(aero: Aerodynamics, rotation: Rotation, **run: ArrayLike) -> Floats:
    """Return the load on the nose wheel while the aircraft rolls without pitching (N).

    Parameters as in :func:`rotation_moment`; negative where the nose has left the ground. All
    wheels roll with the same friction, at ground level, so that the nose wheel's load changes the
    moment by its distance alone.
    """
    return np.asarray(-rotation_moment(aero, rotation, **run) / rotation.wheelbase_m)
