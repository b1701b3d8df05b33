"""The shipped single-aisle aircraft as the trim modules take it. Every number is invented."""

from __future__ import annotations

from math import radians

from cgrisk.aircraft.rotation import Rotation
from cgrisk.aircraft.trim import Aerodynamics

#: Wing span, m; elevator stops, trailing edge down positive, rad; largest lift coefficients.
SPAN_M = 34.0
ELEVATOR_UP, ELEVATOR_DOWN = radians(-25.0), radians(17.0)
LARGEST_LIFT = (1.45, 1.85, 2.10, 2.40, 2.65)


def shipped_aerodynamics() -> Aerodynamics:
    """Aerodynamics of the invented single-aisle aircraft; plausible, of no real type."""
    return Aerodynamics(
        wing_area_m2=125.0,
        mac_m=4.2,
        tail_area_m2=33.0,
        tail_arm_m=17.5,
        wing_slope=4.95,
        tail_slope=3.50,
        aspect_ratio=SPAN_M**2 / 125.0,
        tail_efficiency=0.90,
        downwash=0.36,
        centre_h=0.14,
        zero_lift_angle=radians(-2.2),
        zero_lift_moment=-0.095,
        elevator_effect=0.48,
        thrust_below_m=1.25,
        gear_moment=-0.008,
        flap_lift=(0.0, 0.25, 0.45, 0.75, 1.05),
        flap_moment=(0.0, -0.07, -0.13, -0.215, -0.30),
        flap_centre=(0.0, -0.01, -0.01, -0.01, -0.01),
        flap_downwash=(1.10, 1.10, 1.10, 1.10, 1.10),
        mach=(0.40, 0.70, 0.76, 0.80, 0.84),
        mach_centre=(0.0, 0.018, 0.030, 0.045, 0.075),
        mach_moment=(0.0, -0.014, -0.0236, -0.030, -0.030),
    )


def shipped_rotation() -> Rotation:
    """Ground run of the same invented aircraft: thrust line 1.25 m below the CG, drag at it."""
    return Rotation(
        main_gear_h=0.54,
        wheelbase_m=13.3,
        cg_height_m=3.25,
        thrust_height_m=3.25 - 1.25,
        drag_height_m=3.25,
        friction=0.02,
        pitch_inertia=3.4e6,
        drag_zero=0.020,
        drag_induced=0.043,
        ground_slope=1.05,
        ground_downwash=0.55,
        pitch_attitude=0.0,
        tail_lift_least=-1.15,
        tail_lift_greatest=1.05,
    )


def ground_thrust(speed_mps: float) -> float:
    """Thrust of both engines on the ground run, N."""
    return 210e3 * (1.0 - 0.0022 * speed_mps)
