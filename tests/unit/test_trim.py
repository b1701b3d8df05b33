"""Longitudinal trim against a balance of forces at their points, and the directions it must take.

The oracle shares the physical assumptions listed in its own text, not the formulas. The load
factor, Mach number and so on of the random states are drawn apart: not every state can be flown.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cgrisk.aircraft.trim import (
    STANDARD_GRAVITY,
    Aerodynamics,
    State,
    derivative_trim,
    elevator_to_hold,
    lift_coefficient,
    mach_factor,
    manoeuvre_distance,
    neutral_point,
    setting_slope,
    stabilizer_to_trim,
    static_margin,
    tail_lift_coefficient,
)
from tests.oracles import force_balance
from tests.trim_cases import ELEVATOR_DOWN, ELEVATOR_UP, shipped_aerodynamics

AERO = shipped_aerodynamics()
CRUISE = State(mass_kg=62_000.0, h=0.25, eas_mps=130.0, mach=0.76)
APPROACH = State(mass_kg=60_000.0, h=0.25, eas_mps=75.0, flap=4, gear_down=1.0)
BETWEEN = State(mass_kg=65_000.0, h=0.22, eas_mps=110.0)


def random_states(seed: int, number: int) -> list[State]:
    draw = np.random.default_rng(seed)
    return [
        State(
            mass_kg=float(draw.uniform(45e3, 80e3)),
            h=float(draw.uniform(0.10, 0.45)),
            eas_mps=float(draw.uniform(60.0, 180.0)),
            mach=float(draw.uniform(0.0, 0.84)),
            thrust_n=float(draw.uniform(0.0, 200e3)),
            flap=int(draw.integers(0, 5)),
            gear_down=float(draw.choice([0.0, 1.0, draw.uniform()])),
            load_factor=float(draw.uniform(0.5, 2.5)),
            elevator_rad=float(draw.uniform(ELEVATOR_UP, ELEVATOR_DOWN)),
        )
        for _ in range(number)
    ]


def random_aircraft(seed: int, number: int) -> list[Aerodynamics]:
    """Aerodynamics over the plausible ranges (invented), sizes and arms altered too."""
    draw = np.random.default_rng(seed)
    return [
        replace(
            AERO,
            mac_m=float(draw.uniform(3.0, 6.0)),
            tail_area_m2=float(draw.uniform(20.0, 40.0)),
            tail_arm_m=float(draw.uniform(12.0, 22.0)),
            tail_slope=float(draw.uniform(3.3, 4.2)),
            tail_efficiency=float(draw.uniform(0.85, 0.95)),
            downwash=float(draw.uniform(0.30, 0.45)),
            centre_h=float(draw.uniform(0.05, 0.22)),
            zero_lift_moment=float(draw.uniform(-0.15, -0.05)),
            elevator_effect=float(draw.uniform(0.42, 0.55)),
            thrust_below_m=float(draw.uniform(-1.0, 2.0)),
            flap_downwash=tuple(float(k) for k in draw.uniform(1.0, 1.5, 5)),
        )
        for _ in range(number)
    ]


@pytest.mark.parametrize("aero", [AERO, *random_aircraft(3, 7)])
def test_setting_balances_every_force(aero: Aerodynamics) -> None:
    for state in random_states(11, 150):
        about = (float(state.h * 10.0 - 3.0), 0.7)
        balanced = force_balance.trim(aero, state, about=about)
        assert stabilizer_to_trim(aero, state) == pytest.approx(balanced.stabilizer, abs=1e-9)


def test_lift_of_the_tail_balances_every_force() -> None:
    for state in random_states(12, 150):
        balanced = force_balance.trim(AERO, state)
        unit = 0.5 * 1.225 * state.eas_mps**2 * AERO.tail_area_m2 * AERO.tail_efficiency
        assert tail_lift_coefficient(AERO, state) == pytest.approx(
            balanced.tail_lift / unit, abs=1e-9
        )
        total = (balanced.tail_lift + balanced.wing_lift) / (unit / AERO.tail_efficiency)
        assert lift_coefficient(AERO, state) == pytest.approx(
            total * AERO.tail_area_m2 / AERO.wing_area_m2, rel=1e-10
        )


@pytest.mark.parametrize(
    "about", [(0.0, 0.0), (1.05, 0.0), (-40.0, 3.0), (17.5, -2.0), (500.0, 500.0), (-1e3, -1e3)]
)
def test_balance_is_the_same_about_any_point(about: tuple[float, float]) -> None:
    for state in random_states(13, 40):
        there = force_balance.trim(AERO, state, about=about).stabilizer
        assert stabilizer_to_trim(AERO, state) == pytest.approx(there, abs=1e-9)


def test_arrays_give_what_each_state_gives() -> None:
    states = random_states(14, 60)
    columns = {
        name: np.array([getattr(state, name) for state in states])
        for name in State.__dataclass_fields__
    }
    together = State(**columns)
    for function in (
        lift_coefficient,
        tail_lift_coefficient,
        stabilizer_to_trim,
        setting_slope,
        neutral_point,
        static_margin,
    ):
        alone = [float(function(AERO, state)) for state in states]
        np.testing.assert_allclose(function(AERO, together), alone, rtol=1e-13, atol=1e-15)
    grid = stabilizer_to_trim(
        AERO, State(np.full((3, 1), 6e4), h=np.array([0.1, 0.2]), eas_mps=80.0)
    )
    assert np.shape(grid) == (3, 2)


@pytest.mark.parametrize("aero", [AERO, *random_aircraft(4, 7)])
def test_slope_is_the_difference_of_settings(aero: Aerodynamics) -> None:
    step = 0.05
    for state in random_states(15, 60):
        settings = [stabilizer_to_trim(aero, replace(state, h=state.h + d)) for d in (-step, step)]
        slope = setting_slope(aero, state)
        assert slope == pytest.approx((settings[1] - settings[0]) / (2.0 * step), rel=1e-9)
        assert slope == pytest.approx(force_balance.slope_by_differences(aero, state), rel=1e-9)


def test_elevator_holds_what_the_stabilizer_does_not() -> None:
    draw = np.random.default_rng(16)
    for state in random_states(16, 150):
        free = replace(state, elevator_rad=0.0)
        needed = stabilizer_to_trim(AERO, free)
        left = float(draw.uniform(-0.2, 0.07))
        elevator = elevator_to_hold(AERO, needed_rad=needed, set_rad=left)
        held = force_balance.trim(AERO, free, stabilizer=left)
        assert elevator == pytest.approx(held.elevator, abs=1e-9)
        # trimmed again with that elevator, the stabilizer belongs where it was left
        again = replace(state, elevator_rad=float(elevator))
        assert stabilizer_to_trim(AERO, again) == pytest.approx(left, abs=1e-12)


def test_elevator_pulls_when_the_stabilizer_is_too_far_nose_down() -> None:
    assert elevator_to_hold(AERO, needed_rad=-0.05, set_rad=-0.02) < 0.0
    assert elevator_to_hold(AERO, needed_rad=-0.05, set_rad=-0.08) > 0.0
    assert elevator_to_hold(AERO, needed_rad=-0.05, set_rad=-0.05) == 0.0


@pytest.mark.parametrize("aero", [AERO, *random_aircraft(5, 7)])
def test_neutral_point_is_where_added_lift_acts(aero: Aerodynamics) -> None:
    for state in random_states(17, 60):
        expected = force_balance.neutral_point(aero, state, about=(7.0, 1.0))
        assert neutral_point(aero, state) == pytest.approx(expected, abs=1e-9)
        lift, moment = force_balance.moment_slope(aero, state)
        assert static_margin(aero, state) == pytest.approx(-moment / lift, abs=1e-9)


def test_static_margin_falls_one_for_one() -> None:
    for state in random_states(18, 60):
        margin = static_margin(AERO, state)
        assert static_margin(AERO, replace(state, h=state.h + 0.07)) == pytest.approx(
            margin - 0.07, abs=1e-13
        )
        assert margin == pytest.approx(neutral_point(AERO, state) - state.h, abs=1e-13)


@pytest.mark.parametrize("aspect_ratio", [4.0, AERO.aspect_ratio, 14.0])
def test_slopes_grow_with_mach_as_helmbold_says(aspect_ratio: float) -> None:
    aero = replace(AERO, aspect_ratio=aspect_ratio)
    mach = np.linspace(0.0, 0.84, 29)
    ratio = [
        force_balance.helmbold_slope(aspect_ratio, m)
        / force_balance.helmbold_slope(aspect_ratio, 0.0)
        for m in mach
    ]
    found = mach_factor(aero, mach)
    np.testing.assert_allclose(found, ratio, rtol=1e-13)
    assert found[0] == 1.0
    assert np.all(np.diff(found) > 0.0)


def test_slopes_grow_with_mach_between_the_limits_of_span() -> None:
    # Prandtl-Glauert on a wing without ends; no effect of Mach number on a wing without span
    endless = mach_factor(replace(AERO, aspect_ratio=1e9), 0.8)
    assert endless == pytest.approx(1.0 / 0.6, rel=1e-8)
    assert mach_factor(replace(AERO, aspect_ratio=1e-9), 0.8) == pytest.approx(1.0, rel=1e-12)


def test_mach_tables_are_flat_outside() -> None:
    aero = replace(AERO, aspect_ratio=1e-9)  # so that only the tables tell Mach numbers apart
    state = replace(BETWEEN, mach=0.0)
    settings = [float(stabilizer_to_trim(aero, replace(state, mach=m))) for m in (0.0, 0.2, 0.4)]
    assert settings == pytest.approx([settings[0]] * 3, abs=1e-14)
    last = [float(stabilizer_to_trim(aero, replace(state, mach=m))) for m in (0.84, 0.88, 0.92)]
    assert last == pytest.approx([last[0]] * 3, abs=1e-14)
    points = [stabilizer_to_trim(aero, replace(state, mach=m)) for m in (0.76, 0.78, 0.80)]
    assert points[1] == pytest.approx((points[0] + points[2]) / 2.0, abs=1e-14)


def test_lift_coefficient_by_hand() -> None:
    # 100 kN over 100 m2 at 40 m/s: q = 980 Pa, CL = 1.0204...
    aero = replace(AERO, wing_area_m2=100.0)
    state = State(mass_kg=1e5 / STANDARD_GRAVITY, h=0.25, eas_mps=40.0)
    assert lift_coefficient(aero, state) == pytest.approx(1000.0 / 980.0, rel=1e-14)
    doubled = lift_coefficient(aero, replace(state, load_factor=2.0))
    assert doubled == pytest.approx(2000.0 / 980.0, rel=1e-14)


# Directions that must hold. A smaller (more negative) setting is more nose up.


@pytest.mark.parametrize("aero", [AERO, *random_aircraft(6, 7)])
def test_aft_cg_always_needs_less_nose_up_trim(aero: Aerodynamics) -> None:
    for state in random_states(19, 60):
        settings = [stabilizer_to_trim(aero, replace(state, h=h)) for h in np.linspace(0, 0.6, 7)]
        assert np.all(np.diff(settings) > 0.0)


def test_slower_or_heavier_needs_more_nose_up_trim_at_idle() -> None:
    for drawn in random_states(20, 60):
        state = replace(drawn, thrust_n=0.0)
        by_speed = [
            stabilizer_to_trim(AERO, replace(state, eas_mps=v)) for v in (170.0, 140.0, 110.0, 80.0)
        ]
        assert np.all(np.diff(by_speed) < 0.0)
        by_mass = [stabilizer_to_trim(AERO, replace(state, mass_kg=m)) for m in (45e3, 60e3, 80e3)]
        assert np.all(np.diff(by_mass) < 0.0)


def test_thrust_moves_the_cg_that_is_neutral_to_speed() -> None:
    """Thrust below the CG acts as a CG further aft by T z_T/(n W c): there speed asks no trim."""
    for state in random_states(21, 60):
        weight = state.load_factor * state.mass_kg * STANDARD_GRAVITY
        as_if_aft = state.thrust_n * AERO.thrust_below_m / (weight * AERO.mac_m)
        neutral = float(neutral_point(AERO, state)) - as_if_aft
        for h, sign in ((neutral - 0.05, 1.0), (neutral, 0.0), (neutral + 0.05, -1.0)):
            slow, fast = (
                stabilizer_to_trim(AERO, replace(state, h=h, eas_mps=v)) for v in (80.0, 140.0)
            )
            if sign:
                assert (fast - slow) * sign > 0.0
            else:
                assert fast == pytest.approx(slow, abs=1e-12)


def test_each_percent_costs_more_at_more_lift() -> None:
    for state in random_states(22, 60):
        slope, lift = setting_slope(AERO, state), lift_coefficient(AERO, state)
        for changed in (
            replace(state, eas_mps=0.8 * state.eas_mps),
            replace(state, mass_kg=1.2 * state.mass_kg),
            replace(state, load_factor=1.5 * state.load_factor),
        ):
            more = setting_slope(AERO, changed)
            assert more > slope > 0.0
            assert more / slope == pytest.approx(lift_coefficient(AERO, changed) / lift, rel=1e-12)


def test_thrust_below_the_cg_needs_less_nose_up_trim() -> None:
    above = replace(AERO, thrust_below_m=-1.25)
    through = replace(AERO, thrust_below_m=0.0)
    for drawn in random_states(23, 60):
        idle, full = replace(drawn, thrust_n=0.0), replace(drawn, thrust_n=150e3)
        assert stabilizer_to_trim(AERO, full) > stabilizer_to_trim(AERO, idle)
        assert stabilizer_to_trim(above, full) < stabilizer_to_trim(above, idle)
        assert stabilizer_to_trim(through, full) == pytest.approx(
            stabilizer_to_trim(through, idle), abs=1e-14
        )


@pytest.mark.parametrize("state", [CRUISE, APPROACH, BETWEEN], ids=["cruise", "approach", "clean"])
@pytest.mark.parametrize("h", [0.10, 0.18, 0.25])
def test_tail_pushes_down_at_usual_cg(state: State, h: float) -> None:
    """Common practice, no published source."""
    assert tail_lift_coefficient(AERO, replace(state, h=h)) < 0.0


def test_flaps_move_the_trim_and_may_pitch_either_way() -> None:
    """Common practice, no published source: moment and downwash of flaps oppose each other."""
    clean = stabilizer_to_trim(AERO, replace(APPROACH, flap=0))
    assert abs(stabilizer_to_trim(AERO, APPROACH) - clean) > np.radians(0.2)
    bare = replace(AERO, flap_centre=(0.0,) * 5)
    only_moment = replace(bare, flap_lift=(0.0,) * 5)
    only_lift = replace(bare, flap_moment=(0.0,) * 5)
    assert stabilizer_to_trim(only_moment, APPROACH) < clean
    assert stabilizer_to_trim(only_lift, APPROACH) > clean


def test_transonic_shift_asks_nose_up_trim() -> None:
    """Common practice, no published source: the centre moves aft and the nose wants down.

    Against the same slopes without the tables: slopes that grow with Mach number work the other
    way, and with the shipped numbers outweigh the shift in the angle, not in the tail's load.
    """
    still = replace(AERO, mach_centre=(0.0,) * 5, mach_moment=(0.0,) * 5)
    at = [replace(CRUISE, mach=m) for m in (0.40, 0.70, 0.76, 0.80, 0.84)]
    shift = [stabilizer_to_trim(AERO, s) - stabilizer_to_trim(still, s) for s in at]
    assert shift[0] == pytest.approx(0.0, abs=1e-14)
    assert np.all(np.diff(shift) < 0.0)
    assert np.all(np.diff([tail_lift_coefficient(AERO, s) for s in at]) < 0.0)
    assert np.all(np.diff([neutral_point(AERO, s) for s in at]) > 0.0)


def test_gear_moment_asks_nose_up_trim() -> None:
    up, down = (stabilizer_to_trim(AERO, replace(APPROACH, gear_down=g)) for g in (0.0, 1.0))
    assert down < up
    half = stabilizer_to_trim(AERO, replace(APPROACH, gear_down=0.5))
    assert half == pytest.approx((up + down) / 2.0, abs=1e-14)


def test_derivative_form_solves_two_equations() -> None:
    draw = np.random.default_rng(24)
    for _ in range(200):
        lift, lift_zero, lift_alpha, lift_control = draw.uniform(
            [0.2, 0.0, 4.0, 0.2], [1.5, 0.4, 6.5, 1.0]
        )
        moment_zero, moment_alpha, moment_control, dh = draw.uniform(
            [-0.15, -2.0, -3.0, -0.15], [0.1, 0.5, -1.0, 0.15]
        )
        matrix = np.array(
            [
                [lift_alpha, lift_control],
                [moment_alpha + lift_alpha * dh, moment_control + lift_control * dh],
            ]
        )
        right = np.array([lift - lift_zero, -(moment_zero + lift_zero * dh)])
        found = derivative_trim(
            lift=lift,
            lift_zero=lift_zero,
            moment_zero=moment_zero,
            lift_alpha=lift_alpha,
            moment_alpha=moment_alpha,
            lift_control=lift_control,
            moment_control=moment_control,
            dh=dh,
        )
        assert found == pytest.approx(np.linalg.solve(matrix, right), abs=1e-11)


def coefficients(state: State, *, alpha: float, stabilizer: float) -> np.ndarray:
    """Lift and moment about the CG of all forces but the weight, as coefficients."""
    forces, couple = force_balance.forces_in_flight(
        AERO, state, alpha=alpha, stabilizer=stabilizer, elevator=0.0
    )
    cg = force_balance.Point(state.h * AERO.mac_m, 0.0)
    _, up, moment = force_balance.resultant(forces[1:], couple, cg)
    pressure = 0.5 * 1.225 * state.eas_mps**2 * AERO.wing_area_m2
    return np.array([up, moment / AERO.mac_m]) / pressure


def test_derivative_form_agrees_with_the_balance() -> None:
    """Derivatives of the force balance, taken by differences, give back its own trim."""
    for drawn in random_states(25, 40):
        state = replace(drawn, thrust_n=0.0, elevator_rad=0.0)
        zero = coefficients(state, alpha=0.0, stabilizer=0.0)
        by_alpha = 10.0 * (coefficients(state, alpha=0.1, stabilizer=0.0) - zero)
        by_control = 10.0 * (coefficients(state, alpha=0.0, stabilizer=0.1) - zero)
        for dh in (0.0, 0.1):
            _, setting = derivative_trim(
                lift=float(lift_coefficient(AERO, state)),
                lift_zero=zero[0],
                moment_zero=zero[1],
                lift_alpha=by_alpha[0],
                moment_alpha=by_alpha[1],
                lift_control=by_control[0],
                moment_control=by_control[1],
                dh=dh,
            )
            moved = replace(state, h=state.h + dh)
            assert setting == pytest.approx(float(stabilizer_to_trim(AERO, moved)), abs=1e-9)


def test_distance_of_the_manoeuvre_point_by_hand() -> None:
    """rho S l_h eta V_H a_h / (2 m) at sea level: 1.225 x 125 x 17.5 x 0.9 x 1.1 x 3.5 / 120,000.

    Tail volume 33 x 17.5 / (125 x 4.2) = 1.1.
    """
    by_hand = 1.225 * 125.0 * 17.5 * 0.9 * 1.1 * 3.5 / 120_000.0
    found = manoeuvre_distance(AERO, mass_kg=60_000.0, altitude_m=0.0, mach=0.0)
    assert float(found) == pytest.approx(by_hand, rel=1e-4)  # density of the standard air
    assert 0.05 < by_hand < 0.08
    lighter = manoeuvre_distance(AERO, mass_kg=[30_000.0, 60_000.0], altitude_m=0.0, mach=0.76)
    assert lighter[0] == pytest.approx(2.0 * lighter[1], rel=1e-14)
    assert lighter[1] / found == pytest.approx(float(mach_factor(AERO, 0.76)), rel=1e-14)
