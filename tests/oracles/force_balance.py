"""Trim and take-off rotation from every force at its own point; no formula of the package.

Axes: x aft from the leading edge of the chord, z up, both in m; a moment is positive nose up. The
forces are an affine function of the unknowns, so the balance is probed at the origin and along each
unknown and handed to ``numpy.linalg.solve``: nothing is solved by hand.

Shared with the formulas under test, and so not tested by this module:

- lift acts at right angles to the path and weight along it: small angles, thrust not inclined;
- drag and the inertia of a speeding-up aircraft act through the CG in flight, so that only the
  thrust line's distance from the CG gives a moment;
- the tail's arm is measured from the wing-body aerodynamic centre as flaps and Mach number have
  moved it: the tail moves along with that centre;
- linear lift of wing-body and tail, downwash from the wing-body lift, one tail efficiency;
- on the ground: rigid gear, wheels without inertia that roll freely, friction (a share of the load
  on all wheels) at ground level, no pitch rate yet, one pitch attitude.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import degrees, pi, sqrt
from typing import Any, NamedTuple

import numpy as np

GRAVITY = 9.80665
SEA_LEVEL_DENSITY = 1.225


class Force(NamedTuple):
    """A force, aft and up, in N, and where it acts."""

    aft: float
    up: float
    x: float
    z: float


class Point(NamedTuple):
    """Where moments are taken about."""

    x: float
    z: float


class Trimmed(NamedTuple):
    """Balanced flight: angles in rad, forces in N."""

    alpha: float
    stabilizer: float
    elevator: float
    tail_lift: float
    wing_lift: float


class GroundRun(NamedTuple):
    """Motion on the wheels: rad/s2, N, N, m/s2 (forward)."""

    theta_dd: float
    main_load: float
    nose_load: float
    forward: float


def resultant(forces: Sequence[Force], couple: float, about: Point) -> tuple[float, float, float]:
    """Sum of forces aft and up, and of nose-up moments about a point."""
    aft = sum(force.aft for force in forces)
    up = sum(force.up for force in forces)
    moment = couple
    for force in forces:
        moment += (force.z - about.z) * force.aft - (force.x - about.x) * force.up
    return aft, up, moment


def solve_affine(
    residual: Callable[[np.ndarray], np.ndarray], scales: Sequence[float]
) -> np.ndarray:
    """Zero of an affine function of several unknowns, each of the size of its scale."""
    at_zero = residual(np.zeros(len(scales)))
    columns = []
    for k, scale in enumerate(scales):
        probe = np.zeros(len(scales))
        probe[k] = scale
        columns.append(residual(probe) - at_zero)
    return np.linalg.solve(np.column_stack(columns), -at_zero) * np.array(scales)


def read_table(at: float, points: Sequence[float], values: Sequence[float]) -> float:
    """Straight lines between points, flat outside."""
    if at <= points[0]:
        return values[0]
    for k in range(1, len(points)):
        if at <= points[k]:
            part = (at - points[k - 1]) / (points[k] - points[k - 1])
            return values[k - 1] * (1.0 - part) + values[k] * part
    return values[-1]


def helmbold_slope(aspect_ratio: float, mach: float) -> float:
    """Lift slope of a straight wing in subsonic flow, 1/rad."""
    flow = sqrt(1.0 - mach**2)
    return 2.0 * pi * aspect_ratio / (2.0 + sqrt(4.0 + (aspect_ratio * flow) ** 2))


def slopes(aero: Any, mach: float) -> tuple[float, float]:
    """Lift slopes of wing-body and tail at a Mach number, 1/rad."""
    factor = helmbold_slope(aero.aspect_ratio, mach) / helmbold_slope(aero.aspect_ratio, 0.0)
    return aero.wing_slope * factor, aero.tail_slope * factor


def centre_m(aero: Any, *, flap: int, mach: float = 0.0) -> float:
    """Wing-body aerodynamic centre, m aft of the leading edge of the chord."""
    moved = aero.flap_centre[flap] + read_table(mach, aero.mach, aero.mach_centre)
    return (aero.centre_h + moved) * aero.mac_m


def pure_moment(aero: Any, *, pressure: float, flap: int, gear: float, mach: float = 0.0) -> float:
    """Couple of the wing-body at zero lift, N m."""
    coefficient = (
        aero.zero_lift_moment
        + aero.flap_moment[flap]
        + gear * aero.gear_moment
        + read_table(mach, aero.mach, aero.mach_moment)
    )
    return pressure * aero.wing_area_m2 * aero.mac_m * coefficient


def forces_in_flight(
    aero: Any, state: Any, *, alpha: float, stabilizer: float, elevator: float
) -> tuple[list[Force], float]:
    """Weight, wing-body lift, tail lift, thrust and what opposes it; and the couple."""
    pressure = 0.5 * SEA_LEVEL_DENSITY * state.eas_mps**2
    wing, tail = slopes(aero, state.mach)
    centre = centre_m(aero, flap=state.flap, mach=state.mach)
    by_flap = aero.flap_lift[state.flap]
    over_zero_lift = alpha - aero.zero_lift_angle
    wing_lift = pressure * aero.wing_area_m2 * (wing * over_zero_lift + by_flap)
    downwash = aero.downwash * (over_zero_lift + aero.flap_downwash[state.flap] * by_flap / wing)
    at_tail = alpha - downwash + stabilizer + aero.elevator_effect * elevator
    tail_lift = pressure * aero.tail_efficiency * aero.tail_area_m2 * tail * at_tail
    cg = state.h * aero.mac_m
    forces = [
        Force(0.0, -state.load_factor * state.mass_kg * GRAVITY, cg, 0.0),
        Force(0.0, wing_lift, centre, 0.0),
        Force(0.0, tail_lift, centre + aero.tail_arm_m, 0.0),
        Force(-state.thrust_n, 0.0, cg, -aero.thrust_below_m),
        Force(state.thrust_n, 0.0, cg, 0.0),
    ]
    return forces, pure_moment(
        aero, pressure=pressure, flap=state.flap, gear=state.gear_down, mach=state.mach
    )


def trim(
    aero: Any,
    state: Any,
    *,
    about: tuple[float, float] = (0.0, 0.0),
    stabilizer: float | None = None,
) -> Trimmed:
    """Balance the vertical forces and the moments about any point.

    Unknown are alpha and the stabilizer, the elevator being the state's; or alpha and the elevator
    where the stabilizer is given.
    """
    point = Point(*about)

    def angles(unknown: np.ndarray) -> dict[str, float]:
        alpha, control = (float(value) for value in unknown)
        if stabilizer is None:
            return {"alpha": alpha, "stabilizer": control, "elevator": state.elevator_rad}
        return {"alpha": alpha, "stabilizer": stabilizer, "elevator": control}

    def unbalanced(unknown: np.ndarray) -> np.ndarray:
        forces, couple = forces_in_flight(aero, state, **angles(unknown))
        _, up, moment = resultant(forces, couple, point)
        return np.array([up, moment / aero.mac_m]) / (state.mass_kg * GRAVITY)

    found = angles(solve_affine(unbalanced, (0.1, 0.1)))
    forces, _ = forces_in_flight(aero, state, **found)
    return Trimmed(**found, tail_lift=forces[2].up, wing_lift=forces[1].up)


def slope_by_differences(aero: Any, state: Any, *, step: float = 0.05) -> float:
    """Stabilizer angle for a unit of h; two balances a step to either side, rad."""

    def at(h: float) -> float:
        names = type(state).__dataclass_fields__
        moved = type(state)(**{name: getattr(state, name) for name in names} | {"h": h})
        return trim(aero, moved).stabilizer

    return (at(state.h + step) - at(state.h - step)) / (2.0 * step)


def neutral_point(aero: Any, state: Any, *, about: tuple[float, float] = (0.0, 0.0)) -> float:
    """Where the lift that comes with more alpha acts, controls left alone; in chords."""
    point = Point(*about)
    held = {"stabilizer": -0.03, "elevator": 0.01}
    low = resultant(*forces_in_flight(aero, state, alpha=0.02, **held), point)
    high = resultant(*forces_in_flight(aero, state, alpha=0.12, **held), point)
    return (point.x - (high[2] - low[2]) / (high[1] - low[1])) / aero.mac_m


def moment_slope(aero: Any, state: Any) -> tuple[float, float]:
    """Slopes of total lift and of pitching moment about the CG with alpha, as coefficients."""
    held = {"stabilizer": -0.03, "elevator": 0.01}
    cg = Point(state.h * aero.mac_m, 0.0)
    low = resultant(*forces_in_flight(aero, state, alpha=0.02, **held), cg)
    high = resultant(*forces_in_flight(aero, state, alpha=0.12, **held), cg)
    unit = 0.1 * 0.5 * SEA_LEVEL_DENSITY * state.eas_mps**2 * aero.wing_area_m2
    return (high[1] - low[1]) / unit, (high[2] - low[2]) / (unit * aero.mac_m)


def forces_on_ground(
    aero: Any,
    rotation: Any,
    *,
    mass_kg: float,
    h: float,
    eas_mps: float,
    stabilizer_rad: float,
    elevator_rad: float,
    thrust_n: float,
    flap: int,
    gear_down: float = 1.0,
) -> tuple[list[Force], float]:
    """All forces but those of the wheels; z is the height above the ground."""
    pressure = 0.5 * SEA_LEVEL_DENSITY * eas_mps**2
    centre = centre_m(aero, flap=flap)
    over_zero_lift = rotation.pitch_attitude - aero.zero_lift_angle
    by_flap = aero.flap_lift[flap]
    wing = aero.wing_slope * rotation.ground_slope
    wing_lift = wing * over_zero_lift + by_flap
    free_downwash = aero.downwash * (
        rotation.ground_slope * over_zero_lift
        + aero.flap_downwash[flap] * by_flap / aero.wing_slope
    )
    deflected = elevator_rad * (1.0 - 0.3 * (degrees(elevator_rad) / 25.0) ** 2)
    at_tail = (
        rotation.pitch_attitude
        + stabilizer_rad
        - rotation.ground_downwash * free_downwash
        + aero.elevator_effect * deflected
    )
    tail_lift = min(
        max(aero.tail_slope * at_tail, rotation.tail_lift_least), rotation.tail_lift_greatest
    )
    drag = rotation.drag_zero + rotation.drag_induced * wing_lift**2
    area = pressure * aero.wing_area_m2
    high = rotation.cg_height_m
    return [
        Force(0.0, -mass_kg * GRAVITY, h * aero.mac_m, high),
        Force(0.0, area * wing_lift, centre, high),
        Force(
            0.0,
            pressure * aero.tail_efficiency * aero.tail_area_m2 * tail_lift,
            centre + aero.tail_arm_m,
            high,
        ),
        Force(-thrust_n, 0.0, 0.0, rotation.thrust_height_m),
        Force(area * drag, 0.0, 0.0, rotation.drag_height_m),
    ], pure_moment(aero, pressure=pressure, flap=flap, gear=gear_down)


def rotate(aero: Any, rotation: Any, *, mass_kg: float, h: float, **run: Any) -> GroundRun:
    """Newton and Euler about the CG, the nose wheel carrying nothing.

    Unknown: pitch acceleration, load on the main wheels, acceleration of the CG aft and up. The
    last equation keeps the main wheels' contact on the ground, and lets it roll: nothing is asked
    of its motion along the ground. The load therefore carries the aircraft's upward acceleration,
    N = W - L + m x_b theta_dd, and the friction follows it.
    """
    fixed, couple = forces_on_ground(aero, rotation, mass_kg=mass_kg, h=h, **run)
    cg = Point(h * aero.mac_m, rotation.cg_height_m)
    gear_x = rotation.main_gear_h * aero.mac_m
    weight = mass_kg * GRAVITY

    def equations(unknown: np.ndarray) -> np.ndarray:
        theta_dd, load, aft_acceleration, up_acceleration = (float(value) for value in unknown)
        wheels = Force(rotation.friction * load, load, gear_x, 0.0)
        aft, up, moment = resultant([*fixed, wheels], couple, cg)
        # acceleration of the contact: that of the CG and (0, theta_dd, 0) x (arm), x aft, z up
        turn = np.cross([0.0, theta_dd, 0.0], [gear_x - cg.x, 0.0, -cg.z])
        return np.array(
            [
                (aft - mass_kg * aft_acceleration) / weight,
                (up - mass_kg * up_acceleration) / weight,
                (moment - rotation.pitch_inertia * theta_dd) / (weight * aero.mac_m),
                (up_acceleration + turn[2]) / GRAVITY,
            ]
        )

    theta_dd, load, aft_acceleration, _ = solve_affine(equations, (0.1, weight, 1.0, 1.0))
    return GroundRun(float(theta_dd), float(load), 0.0, -float(aft_acceleration))


def stand(aero: Any, rotation: Any, *, mass_kg: float, h: float, **run: Any) -> GroundRun:
    """Loads on main and nose wheels while the aircraft rolls on all of them, not pitching."""
    fixed, couple = forces_on_ground(aero, rotation, mass_kg=mass_kg, h=h, **run)
    cg = Point(h * aero.mac_m, rotation.cg_height_m)
    gear_x = rotation.main_gear_h * aero.mac_m
    weight = mass_kg * GRAVITY

    def equations(unknown: np.ndarray) -> np.ndarray:
        main, nose, aft_acceleration = (float(value) for value in unknown)
        wheels = [
            Force(rotation.friction * main, main, gear_x, 0.0),
            Force(rotation.friction * nose, nose, gear_x - rotation.wheelbase_m, 0.0),
        ]
        aft, up, moment = resultant([*fixed, *wheels], couple, cg)
        return np.array(
            [
                (aft - mass_kg * aft_acceleration) / weight,
                up / weight,
                moment / (weight * aero.mac_m),
            ]
        )

    main, nose, aft_acceleration = solve_affine(equations, (weight, weight, 1.0))
    return GroundRun(0.0, float(main), float(nose), -float(aft_acceleration))
