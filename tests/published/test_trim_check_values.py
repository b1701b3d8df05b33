"""Check values of longitudinal trim and rotation, each with its source and how it was obtained.

``read`` in the published text, ``second-hand`` quoted elsewhere, ``memory`` recalled and not seen,
``computed`` by arithmetic on the others. The shipped aircraft is invented: its numbers were
computed once, apart from the package, and are no published data.
"""

from __future__ import annotations

from dataclasses import replace
from math import degrees, radians, sqrt
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import qmc

from cgrisk.aircraft import cg_after_moving
from cgrisk.aircraft.atmosphere import standard_air
from cgrisk.aircraft.rotation import nose_wheel_load, pitch_acceleration
from cgrisk.aircraft.trim import (
    STANDARD_GRAVITY,
    Aerodynamics,
    State,
    derivative_trim,
    lift_coefficient,
    neutral_point,
    setting_slope,
    stabilizer_to_trim,
    static_margin,
)
from cgrisk.units import FT_TO_M, KT_TO_MPS, LB_TO_KG
from tests.oracles import force_balance
from tests.trim_cases import (
    ELEVATOR_UP,
    LARGEST_LIFT,
    ground_thrust,
    shipped_aerodynamics,
    shipped_rotation,
)

AERO, ROTATION = shipped_aerodynamics(), shipped_rotation()
SLUG_TO_KG = LB_TO_KG * STANDARD_GRAVITY / FT_TO_M


def clean(aero: Aerodynamics, **changes: Any) -> Aerodynamics:
    """An aircraft without flap, gear and Mach effects."""
    none = {"flap_lift": (0.0,), "flap_moment": (0.0,), "flap_centre": (0.0,)}
    still = {"mach": (0.0, 1.0), "mach_centre": (0.0, 0.0), "mach_moment": (0.0, 0.0)}
    return replace(aero, **none, **still, flap_downwash=(1.0,), gear_moment=0.0, **changes)


#: A. Cook, Flight Dynamics Principles, worked trim example, a light twin turboprop laboratory
#: aircraft. Read: mass, wing area, span, chord. From memory and only jointly consistent: tail area
#: 7.79, l_t 6.184 from the quarter chord, slopes 5.19 and 3.2, h_0 -0.08, downwash 0.2798.
LIGHT_TWIN = clean(
    AERO,
    wing_area_m2=25.08,
    mac_m=1.716,
    aspect_ratio=15.85**2 / 25.08,
    tail_area_m2=7.79,
    tail_arm_m=6.184 + (0.25 + 0.08) * 1.716,  # from the wing-body centre instead
    wing_slope=5.19,
    tail_slope=3.2,
    tail_efficiency=1.0,
    downwash=0.2798,
    centre_h=-0.08,
)


def test_light_twin_stability() -> None:
    """Cook: h 0.29, K_n 0.122, h_n 0.412 (read), with slopes over the *wing-body's* slope.

    The book divides by the slope of the wing-body and takes the tail's arm from the CG; T8 divides
    by the slope of the whole aircraft. dCm/dalpha is the same; the neutral point is not (computed:
    0.397), so K_n is compared after changing the divisor.
    """
    state = State(mass_kg=6_300.0, h=0.29, eas_mps=70.0)
    lift, moment = force_balance.moment_slope(LIGHT_TWIN, state)
    assert moment == pytest.approx(-5.19 * 0.122, abs=5.19 * 6e-4)
    margin = static_margin(LIGHT_TWIN, state) * lift / 5.19
    assert margin == pytest.approx(0.122, abs=6e-4)
    assert 0.29 + margin == pytest.approx(0.412, abs=6e-4)
    assert neutral_point(LIGHT_TWIN, state) == pytest.approx(0.397, abs=5e-4)
    # the book's own sum with l_T 6.115 and V_T 1.1069 (computed)
    arm = 6.184 - 1.716 * (0.29 - 0.25)
    volume = 7.79 * arm / (25.08 * 1.716)
    assert (arm, volume) == pytest.approx((6.115, 1.1069), abs=5e-4)
    assert -0.08 + volume * (3.2 / 5.19) * (1 - 0.2798) == pytest.approx(0.412, abs=5.1e-4)


def test_light_twin_speeds() -> None:
    """Cook: Vmd 150.012 kt, stall 116.092 kt at 6,562 ft (read); CLmax, CD0, K from memory.

    The two speeds' ratio agrees to their digits. Each alone is 0.1 % off in the knot (the book's
    appears to be 0.515 m/s) and less in the density.
    """
    density = standard_air(6_562.0 * FT_TO_M).density_kgpm3
    assert density == pytest.approx(1.006, abs=1e-3)
    at_stall, at_least_drag = (
        lift_coefficient(
            LIGHT_TWIN,
            State(mass_kg=6_300.0, h=0.29, eas_mps=kt * KT_TO_MPS * sqrt(density / 1.225)),
        )
        for kt in (116.092, 150.012)
    )
    assert at_stall == pytest.approx(1.37, rel=2.5e-3)
    assert at_least_drag == pytest.approx(sqrt(0.03 / 0.04456), rel=2.5e-3)
    assert at_stall / at_least_drag == pytest.approx(1.37 / sqrt(0.03 / 0.04456), rel=2e-4)


def test_course_example_by_components() -> None:
    """B. Course example in Raymer's method (read; inputs incomplete, a plausibility check).

    CLa_w 5.0, x_ac 0.25, mac 4.3 ft, areas 134 and 31 ft2, arm 15 ft, eta 0.9, a_h 4.4747, 1 - e'
    0.6188, fuselage 1.1783. Printed: neutral point 0.377, Cm_alpha -1.0647 at h 0.1861. Where the
    arm is measured from is not said, and decides between 0.37 and 0.40.
    """
    body = 1.1783 / 5.0  # the fuselage moves the wing-body centre forward
    found = []
    for arm_from in (0.0, 0.1861, 0.25):
        aero = clean(
            AERO,
            wing_area_m2=134.0 * FT_TO_M**2,
            mac_m=4.3 * FT_TO_M,
            tail_area_m2=31.0 * FT_TO_M**2,
            tail_arm_m=(15.0 + 4.3 * (arm_from - 0.25 + body)) * FT_TO_M,
            wing_slope=5.0,
            tail_slope=4.4747,
            tail_efficiency=0.9,
            downwash=1.0 - 0.6188,
            centre_h=0.25 - body,
        )
        state = State(mass_kg=900.0, h=0.1861, eas_mps=50.0)
        found.append(float(neutral_point(aero, state)))
        lift, moment = force_balance.moment_slope(aero, state)
        assert -lift * static_margin(aero, state) == pytest.approx(moment, rel=1e-9)
        # the printed slope and point go together over the slope of the whole aircraft
        assert -lift * (0.377 - 0.1861) == pytest.approx(-1.0647, abs=1e-3)
    assert min(found) == pytest.approx(0.37, abs=0.005)
    assert max(found) == pytest.approx(0.40, abs=0.005)


#: C. NASA CR-2144 (1972), large four-engine jet transport, 40,000 ft, Mach 0.80 (read in public
#: transcriptions): slugs, feet, seconds.
def large_jet_derivatives() -> tuple[float, float]:
    density = standard_air(40_000.0 * FT_TO_M).density_kgpm3 / (SLUG_TO_KG / FT_TO_M**3)
    mass = 636_636.0 * LB_TO_KG / SLUG_TO_KG
    flow = density * 774.0 * 5_500.0
    return -0.317 * 2.0 * mass / flow, -0.00105 * 2.0 * 33.1e6 / (flow * 27.31)


def test_large_jet_static_margin() -> None:
    """C. Computed from the read values: C_Zalpha -5.04, C_malpha -1.022, margin .203, h_n .453."""
    normal, moment = large_jet_derivatives()
    assert normal == pytest.approx(-5.04, abs=0.005)
    assert moment == pytest.approx(-1.022, abs=1e-3)
    margin = moment / normal
    assert margin == pytest.approx(0.203, abs=5e-4)
    assert 0.25 + margin == pytest.approx(0.453, abs=5e-4)
    air = standard_air(40_000.0 * FT_TO_M)
    assert 774.0 * FT_TO_M / air.sound_mps == pytest.approx(0.80, abs=1e-3)
    # at the neutral point the control that trims no longer depends on lift
    controls = [
        derivative_trim(
            lift=lift,
            lift_zero=0.1,
            moment_zero=0.02,
            lift_alpha=-normal,
            moment_alpha=moment,
            lift_control=0.4,
            moment_control=-1.5,
            dh=margin,
        )[1]
        for lift in (0.3, 0.6)
    ]
    assert controls[0] == pytest.approx(controls[1], abs=1e-12)


#: D. Roskam, derivative tables of a large transport, h = 0.25 (read in transcription).
LARGE_TRANSPORT = {
    "20,000 ft, Mach 0.65": {
        "lift": 0.40, "alpha_deg": 2.5, "lift_zero": 0.21, "lift_alpha": 4.4, "moment_zero": 0.0,
        "moment_alpha": -1.00, "stabilizer": (0.70, -2.7), "elevator": (0.32, -1.30),
        "lift_there": 0.402,
    },
    "40,000 ft, Mach 0.90": {
        "lift": 0.52, "alpha_deg": 2.4, "lift_zero": 0.29, "lift_alpha": 5.5, "moment_zero": 0.0,
        "moment_alpha": -1.60, "stabilizer": (0.65, -2.5), "elevator": (0.30, -1.20),
        "lift_there": 0.520,
    },
}  # fmt: skip


@pytest.mark.parametrize("flight", LARGE_TRANSPORT)
@pytest.mark.parametrize("control", ["stabilizer", "elevator"])
@pytest.mark.parametrize("dh", [-0.10, 0.0, 0.08])
def test_large_transport_trim(flight: str, control: str, dh: float) -> None:
    """T9 on the read derivatives against an independent solve; dh is the CG moved from 0.25."""
    row = LARGE_TRANSPORT[flight]
    by_alpha = row["lift_zero"] + row["lift_alpha"] * radians(row["alpha_deg"])
    assert by_alpha == pytest.approx(row["lift_there"], abs=5e-4)
    assert by_alpha == pytest.approx(row["lift"], abs=2.1e-3)
    lift_control, moment_control = row[control]
    alpha, angle = derivative_trim(
        lift=row["lift"],
        lift_zero=row["lift_zero"],
        moment_zero=row["moment_zero"],
        lift_alpha=row["lift_alpha"],
        moment_alpha=row["moment_alpha"],
        lift_control=lift_control,
        moment_control=moment_control,
        dh=dh,
    )
    # moments about the moved CG: those about 0.25, and the whole lift on the arm dh
    matrix = np.array([[row["lift_alpha"], lift_control], [row["moment_alpha"], moment_control]])
    right = [row["lift"] - row["lift_zero"], -row["moment_zero"] - row["lift"] * dh]
    assert (alpha, angle) == pytest.approx(np.linalg.solve(matrix, right), abs=1e-12)
    if control == "stabilizer" and dh == 0.0:
        # trim as computed lies near the published attitude, a little nose up of zero stabilizer
        assert degrees(alpha) == pytest.approx(row["alpha_deg"], abs=0.25)
        computed = {"20,000 ft, Mach 0.65": -0.974, "40,000 ft, Mach 0.90": -1.658}[flight]
        assert degrees(angle) == pytest.approx(computed, abs=1e-3)


def test_textbook_static_margin() -> None:
    """E. Nelson, problem 2.1 (read): dCm/dCL -.15, Cm .08 at CL 0, h .30: CL .53, h_n .45."""
    lift_alpha = 4.5  # any slope: the answer does not depend on it

    def control(lift: float, dh: float = 0.0) -> float:
        return derivative_trim(
            lift=lift,
            lift_zero=0.0,
            moment_zero=0.08,
            lift_alpha=lift_alpha,
            moment_alpha=-0.15 * lift_alpha,
            lift_control=0.4,
            moment_control=-1.2,
            dh=dh,
        )[1]

    assert brentq(control, 0.1, 1.5) == pytest.approx(0.53, abs=0.005)
    neutral = 0.30 + brentq(lambda dh: control(0.8, dh) - control(0.2, dh), 0.0, 0.5)
    assert neutral == pytest.approx(0.45, abs=1e-9)


# Plausibility of the shipped aircraft (invented): all computed.


@pytest.mark.parametrize("mach", [0.0, 0.40, 0.70])
@pytest.mark.parametrize("flap", range(5))
def test_shipped_neutral_point(flap: int, mach: float) -> None:
    """Computed: 0.53 to 0.57, flaps or clean, up to Mach 0.7; further aft above."""
    state = State(mass_kg=65e3, h=0.25, eas_mps=90.0, mach=mach, flap=flap)
    assert 0.53 <= neutral_point(AERO, state) <= 0.57
    assert neutral_point(AERO, replace(state, mach=0.80)) > 0.57


def test_shipped_slope_over_the_plausible_ranges() -> None:
    """Computed: SD 7 %, extremes -15 and +18 % of the mean, at any speed."""
    low, high = np.array([[0.85, 3.3, 0.30], [0.95, 4.2, 0.45]])
    draws = qmc.scale(qmc.Sobol(3, scramble=False).random_base2(10), low, high)
    state = State(mass_kg=65e3, h=0.25, eas_mps=90.0)

    def slope(efficiency: float, tail_slope: float, downwash: float) -> float:
        aero = replace(AERO, tail_efficiency=efficiency, tail_slope=tail_slope, downwash=downwash)
        return float(setting_slope(aero, state))

    slopes = np.array([slope(*row) for row in draws.tolist()])
    mean = slopes.mean()
    assert slopes.std() / mean == pytest.approx(0.07, abs=0.005)
    assert slope(0.95, 4.2, 0.45) / mean - 1.0 == pytest.approx(-0.15, abs=0.01)
    assert slope(0.85, 3.3, 0.30) / mean - 1.0 == pytest.approx(0.18, abs=0.01)


def planned_take_off() -> tuple[float, float]:
    """Setting, rad, and V_R, m/s: 65 t, flap 2, planned h 0.25.

    V_S from CLmax; V2 = 1.13 V_S and V_R = 1.10 V_S are assumptions. Trim for V2 + 10 kt with
    take-off flap and thrust, gear retracted.
    """
    stall = sqrt(2.0 * 65e3 * STANDARD_GRAVITY / (1.225 * 125.0 * LARGEST_LIFT[2]))
    climb = 1.13 * stall + 10.0 * KT_TO_MPS
    state = State(mass_kg=65e3, h=0.25, eas_mps=climb, thrust_n=ground_thrust(climb), flap=2)
    return float(stabilizer_to_trim(AERO, state)), 1.10 * stall


def ground_run(h: float, speed: float, setting: float) -> dict[str, Any]:
    return {
        "mass_kg": 65e3,
        "h": h,
        "eas_mps": speed,
        "stabilizer_rad": setting,
        "thrust_n": ground_thrust(speed),
        "flap": 2,
    }


def test_shipped_early_rotation() -> None:
    """Computed: nose lift with the elevator at rest, min(7 %, 10 kt) below V_R, beyond h .356.

    The margin is borrowed from the abuse test of AMC 25.107(e)(4) (read).
    """
    setting, rotation_speed = planned_take_off()
    early = rotation_speed - min(0.07 * rotation_speed, 10.0 * KT_TO_MPS)
    limit = brentq(
        lambda h: nose_wheel_load(AERO, ROTATION, **ground_run(h, early, setting)), 0.1, 0.5
    )
    assert limit == pytest.approx(0.356, abs=0.0015)


def test_shipped_no_rotation() -> None:
    """Computed: less than 3 deg/s2 at V_R with 0.9 of full up elevator, forward of h .154."""
    setting, rotation_speed = planned_take_off()
    pull = {"elevator_rad": 0.9 * ELEVATOR_UP}

    def short_of(h: float) -> float:
        run = ground_run(h, rotation_speed, setting)
        return degrees(pitch_acceleration(AERO, ROTATION, **run, **pull)) - 3.0

    assert brentq(short_of, 0.05, 0.4) == pytest.approx(0.154, abs=0.0015)


def test_shipped_nose_lift_at_brake_release() -> None:
    """Computed: full thrust, no airspeed: the nose lifts beyond h .44 at the least mass, 55 t."""

    def load(h: float, mass_kg: float) -> float:
        run = ground_run(h, 0.0, 0.0) | {"mass_kg": mass_kg}
        return float(nose_wheel_load(AERO, ROTATION, **run))

    limits = [brentq(load, 0.3, 0.54, args=(mass,)) for mass in (55e3, 65e3, 76e3)]
    assert limits[0] == pytest.approx(0.44, abs=0.001)
    assert np.all(np.diff(limits) > 0.0)


def test_walker_and_retraction() -> None:
    """Computed: 84 kg at 1.2 m/s in 60 t, chord 4.2 m: .040 % a second; nose gear -0.12 %."""
    after = cg_after_moving(0.0, mass_kg=60e3, moved_kg=84.0, from_m=0.0, to_m=1.2)
    assert 100.0 * after / 4.2 == pytest.approx(0.040, abs=5e-4)
    # retraction: 350 kg by 1 m forward; 0.12 % goes with some 69 t, -0.11 to -0.15 over 55-76 t
    after = cg_after_moving(0.0, mass_kg=69e3, moved_kg=350.0, from_m=0.0, to_m=-1.0)
    assert 100.0 * after / 4.2 == pytest.approx(-0.12, abs=0.005)


def test_trim_rate_a_walker_asks() -> None:
    """di_t/dt = (di_t/dh)(dh/dt), here in cruise: far less than 0.25 deg/s of trim (computed)."""
    state = State(mass_kg=60e3, h=0.25, eas_mps=125.0, mach=0.76)
    rate = degrees(setting_slope(AERO, state) * 84.0 * 1.2 / (60e3 * 4.2))
    assert 0.0 < rate < 0.25 / 20.0
