"""Take-off rotation against Newton and Euler about the CG, and its closed limits."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from cgrisk.aircraft.rotation import (
    Rotation,
    nose_wheel_load,
    pitch_acceleration,
    rotation_moment,
)
from cgrisk.aircraft.trim import STANDARD_GRAVITY
from tests.oracles import force_balance
from tests.trim_cases import (
    ELEVATOR_DOWN,
    ELEVATOR_UP,
    ground_thrust,
    shipped_aerodynamics,
    shipped_rotation,
)

AERO, ROTATION = shipped_aerodynamics(), shipped_rotation()
RUN: dict[str, Any] = {
    "mass_kg": 65_000.0,
    "h": 0.25,
    "eas_mps": 68.0,
    "stabilizer_rad": radians(-2.0),
    "elevator_rad": radians(-20.0),
    "thrust_n": ground_thrust(68.0),
    "flap": 2,
    "gear_down": 1.0,
}
STANDING = {**RUN, "elevator_rad": 0.0}


def random_runs(seed: int, number: int) -> list[dict[str, Any]]:
    """Speeds from rest to above any rotation speed; some runs fly, see :func:`on_wheels`."""
    draw = np.random.default_rng(seed)
    return [
        {
            "mass_kg": float(draw.uniform(50e3, 80e3)),
            "h": float(draw.uniform(0.05, 0.50)),
            "eas_mps": float(draw.choice([0.0, draw.uniform(0.0, 85.0)], p=[0.1, 0.9])),
            "stabilizer_rad": radians(draw.uniform(-12.0, 4.0)),
            "elevator_rad": float(draw.uniform(ELEVATOR_UP, ELEVATOR_DOWN)),
            "thrust_n": float(draw.uniform(0.0, 230e3)),
            "flap": int(draw.integers(0, 5)),
            "gear_down": float(draw.choice([1.0, draw.uniform()])),
        }
        for _ in range(number)
    ]


def on_wheels(rotation: Rotation, runs: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Those that have load on the main wheels, turning about them or rolling on all."""
    kept = [
        run
        for run in runs
        if force_balance.rotate(AERO, rotation, **run).main_load > 0.0
        and force_balance.stand(AERO, rotation, **run).main_load > 0.0
    ]
    assert len(kept) > len(runs) / 2
    return kept


def other_ground_runs() -> list[Rotation]:
    return [
        ROTATION,
        replace(ROTATION, friction=0.0),
        replace(ROTATION, friction=0.5),
        replace(ROTATION, drag_height_m=4.6, thrust_height_m=5.0),
        replace(ROTATION, pitch_attitude=radians(-1.5), ground_slope=1.0, ground_downwash=1.0),
        replace(ROTATION, pitch_inertia=1.0e6, main_gear_h=0.75, cg_height_m=5.0),
        replace(ROTATION, tail_lift_least=-0.4, tail_lift_greatest=0.2),
    ]


@pytest.mark.parametrize("rotation", other_ground_runs())
def test_pitch_acceleration_is_newton_and_euler(rotation: Rotation) -> None:
    for run in on_wheels(rotation, random_runs(31, 150)):
        expected = force_balance.rotate(AERO, rotation, **run)
        assert pitch_acceleration(AERO, rotation, **run) == pytest.approx(
            expected.theta_dd, rel=1e-9, abs=1e-12
        )


@pytest.mark.parametrize("rotation", other_ground_runs())
def test_nose_wheel_carries_what_statics_says(rotation: Rotation) -> None:
    for run in on_wheels(rotation, random_runs(32, 150)):
        expected = force_balance.stand(AERO, rotation, **run)
        assert nose_wheel_load(AERO, rotation, **run) == pytest.approx(
            expected.nose_load, rel=1e-9, abs=1e-6
        )


def test_elevator_rests_when_the_nose_wheel_is_asked() -> None:
    unsaid = {name: value for name, value in RUN.items() if name != "elevator_rad"}
    assert nose_wheel_load(AERO, ROTATION, **unsaid) == nose_wheel_load(
        AERO, ROTATION, **unsaid, elevator_rad=0.0
    )
    gear_down = {name: value for name, value in RUN.items() if name != "gear_down"}
    for function in (pitch_acceleration, nose_wheel_load, rotation_moment):
        assert function(AERO, ROTATION, **gear_down) == function(AERO, ROTATION, **RUN)


def test_arrays_give_what_each_run_gives() -> None:
    runs = on_wheels(ROTATION, random_runs(33, 60))
    together = {name: np.array([run[name] for run in runs]) for name in runs[0]}
    for function in (pitch_acceleration, nose_wheel_load, rotation_moment):
        alone = [float(function(AERO, ROTATION, **run)) for run in runs]
        np.testing.assert_allclose(function(AERO, ROTATION, **together), alone, rtol=1e-12)


def test_moment_acceleration_and_nose_load_change_sign_together() -> None:
    for run in on_wheels(ROTATION, random_runs(34, 100)):
        moment = rotation_moment(AERO, ROTATION, **run)
        assert np.sign(pitch_acceleration(AERO, ROTATION, **run)) == np.sign(moment)
        assert np.sign(nose_wheel_load(AERO, ROTATION, **run)) == -np.sign(moment)


def test_nose_wheel_at_rest_is_a_lever() -> None:
    """Brakes released at no airspeed: weight, thrust, friction; no air."""
    weight = RUN["mass_kg"] * STANDARD_GRAVITY
    for thrust in (0.0, 120e3, 210e3):
        at_rest = {**STANDING, "eas_mps": 0.0, "thrust_n": thrust}
        lever = weight * (0.54 - 0.25) * 4.2 + 0.02 * weight * 3.25 - thrust * 1.25
        assert nose_wheel_load(AERO, ROTATION, **at_rest) == pytest.approx(lever / 13.3, rel=1e-12)
    free = replace(ROTATION, friction=0.0)
    unpowered = {**STANDING, "eas_mps": 0.0, "thrust_n": 0.0}
    assert nose_wheel_load(AERO, free, **unpowered) == pytest.approx(
        weight * 0.29 * 4.2 / 13.3, rel=1e-12
    )
    # the CG above the main wheels: nothing on the nose wheel
    assert nose_wheel_load(AERO, free, **{**unpowered, "h": 0.54}) == pytest.approx(0.0, abs=1e-6)


def test_controls_do_nothing_at_rest() -> None:
    at_rest = {**RUN, "eas_mps": 0.0}
    for change in ({"stabilizer_rad": -0.2}, {"elevator_rad": 0.2}, {"flap": 0}, {"gear_down": 0}):
        assert pitch_acceleration(AERO, ROTATION, **(at_rest | change)) == pitch_acceleration(
            AERO, ROTATION, **at_rest
        )


@pytest.mark.parametrize(
    ("stabilizer_deg", "elevator_deg", "limit"), [(-14.0, -25.0, -1.15), (25.0, 17.0, 1.05)]
)
def test_tail_lift_stops_at_its_limits(
    stabilizer_deg: float, elevator_deg: float, limit: float
) -> None:
    beyond = {
        **RUN, "stabilizer_rad": radians(stabilizer_deg), "elevator_rad": radians(elevator_deg)
    }  # fmt: skip
    further = {**beyond, "stabilizer_rad": radians(1.2 * stabilizer_deg)}
    reached = rotation_moment(AERO, ROTATION, **beyond)
    assert rotation_moment(AERO, ROTATION, **further) == reached
    # what the tail's limit is worth: its lift on the arm to the main wheels, and less friction
    wider = replace(ROTATION, tail_lift_least=limit - 0.01, tail_lift_greatest=limit + 0.01)
    lift = 0.5 * 1.225 * RUN["eas_mps"] ** 2 * 0.90 * 33.0 * 0.01 * np.sign(limit)
    arm = 17.5 - (0.54 - 0.14 + 0.01) * 4.2
    assert rotation_moment(AERO, wider, **beyond) - reached == pytest.approx(
        -lift * arm + 0.02 * lift * 3.25, rel=1e-9
    )


def test_elevator_loses_effect_with_deflection() -> None:
    """At 25 degrees seven tenths of the small-angle effect is left (assumption of the model)."""
    unlimited = replace(ROTATION, tail_lift_least=-9.0, tail_lift_greatest=9.0)
    at = [
        float(rotation_moment(AERO, unlimited, **{**RUN, "elevator_rad": d}))
        for d in (0.0, -1e-4, radians(-25.0))
    ]
    small = (at[1] - at[0]) / 1e-4
    assert (at[2] - at[0]) / radians(25.0) == pytest.approx(0.7 * small, rel=1e-6)
    angles = np.radians(np.linspace(-25.0, 17.0, 43))
    moments = rotation_moment(AERO, unlimited, **{**RUN, "elevator_rad": angles})
    assert np.all(np.diff(moments) < 0.0)  # and yet more deflection always does more


def nose_lifts_at(**changes: float) -> float:
    """Speed at which the nose wheel comes off with the elevator at rest, m/s."""

    def load(speed: float) -> float:
        run = STANDING | changes | {"eas_mps": speed, "thrust_n": ground_thrust(speed)}
        return float(nose_wheel_load(AERO, ROTATION, **run))

    return float(brentq(load, 1.0, 200.0))


def test_more_nose_up_trim_rotates_earlier_and_too_little_is_heavy() -> None:
    speeds = [nose_lifts_at(stabilizer_rad=radians(i)) for i in (1.0, -1.0, -3.0, -5.0, -7.0)]
    assert np.all(np.diff(speeds) < 0.0)
    settings = np.radians([2.0, 0.0, -2.0, -4.0])
    rates = pitch_acceleration(AERO, ROTATION, **{**RUN, "stabilizer_rad": settings})
    assert np.all(np.diff(rates) > 0.0)


def test_aft_cg_rotates_earlier() -> None:
    speeds = [nose_lifts_at(h=h) for h in (0.15, 0.25, 0.35, 0.42)]
    assert np.all(np.diff(speeds) < 0.0)
    rates = pitch_acceleration(AERO, ROTATION, **{**RUN, "h": np.array([0.1, 0.2, 0.3, 0.4])})
    assert np.all(np.diff(rates) > 0.0)


@pytest.mark.parametrize("speed", [0.0, 30.0, 70.0])
def test_cg_lightens_the_nose_at_one_rate(speed: float) -> None:
    """Weight on a lever: -W c/wheelbase for a unit of h, at any speed."""
    loads = nose_wheel_load(
        AERO, ROTATION, **{**STANDING, "eas_mps": speed, "h": np.array([0.1, 0.2, 0.3])}
    )
    weight = STANDING["mass_kg"] * STANDARD_GRAVITY
    np.testing.assert_allclose(np.diff(loads) / 0.1, -weight * 4.2 / 13.3, rtol=1e-10)


def test_thrust_lightens_the_nose() -> None:
    loads = nose_wheel_load(
        AERO, ROTATION, **{**STANDING, "thrust_n": np.array([0.0, 100e3, 200e3])}
    )
    np.testing.assert_allclose(np.diff(loads) / 100e3, -1.25 / 13.3, rtol=1e-10)


def test_wheels_carry_the_aircraft_that_rises_about_them() -> None:
    """The oracle's own reaction: N = W - L + m x_b theta_dd, and no friction without load."""
    for run in on_wheels(ROTATION, random_runs(35, 50)):
        turning = force_balance.rotate(AERO, ROTATION, **run)
        standing = force_balance.stand(AERO, ROTATION, **run)
        ahead = (0.54 - run["h"]) * 4.2
        assert turning.main_load == pytest.approx(
            standing.main_load + standing.nose_load + run["mass_kg"] * ahead * turning.theta_dd,
            abs=1e-3,
        )


def test_effective_inertia_without_air() -> None:
    """At rest: turning about the contact, I_yy + m x_b^2 + mu m x_b z_cg; no m z_cg^2."""
    at_rest = {**RUN, "eas_mps": 0.0}
    m, ahead = RUN["mass_kg"], 0.29 * 4.2
    for friction in (0.0, 0.02, 0.5):
        rotation = replace(ROTATION, friction=friction)
        inertia = 3.4e6 + m * ahead**2 + friction * m * ahead * 3.25
        assert pitch_acceleration(AERO, rotation, **at_rest) == pytest.approx(
            rotation_moment(AERO, rotation, **at_rest) / inertia, rel=1e-12
        )
