"""What the trim takes from an aircraft file: every figure in its place and unit, or left out."""

from __future__ import annotations

from dataclasses import asdict, replace
from math import inf, radians
from typing import Any

import numpy as np
import pytest

from cgrisk.aircraft.rotation import Rotation, rotation_of
from cgrisk.aircraft.stabilizer import UNKNOWN_STABILIZER, table_setting, trim_settings_of
from cgrisk.aircraft.trim import Aerodynamics, aerodynamics_of
from cgrisk.flight import prepare
from cgrisk.scenario.aerodynamics_file import TrimTable
from tests.aircraft_cases import shipped_scenario, small_aircraft
from tests.flight_cases import edited
from tests.trim_cases import shipped_aerodynamics

#: Every number another, so that none can stand in another's place.
DATA: dict[str, Any] = {
    "wing_area": 20.0,
    "span": 14.0,
    "tail_area": 5.0,
    "tail_arm": 8.0,
    "wing_lift_slope": 4.7,
    "tail_lift_slope": 3.3,
    "aerodynamic_centre": 23.0,
    "zero_lift_angle": -3.0,
    "zero_lift_moment": -0.07,
    "tail_efficiency": 0.91,
    "downwash": 0.37,
    "elevator_effect": 0.49,
    "thrust_below_cg": 0.3,
    "gear_moment": -0.011,
}
PLAIN = Aerodynamics(
    wing_area_m2=20.0,
    mac_m=2.0,
    tail_area_m2=5.0,
    tail_arm_m=8.0,
    wing_slope=4.7,
    tail_slope=3.3,
    aspect_ratio=9.8,
    tail_efficiency=0.91,
    downwash=0.37,
    centre_h=0.23,
    zero_lift_angle=radians(-3.0),
    zero_lift_moment=-0.07,
    elevator_effect=0.49,
    thrust_below_m=0.3,
    gear_moment=-0.011,
)


def assert_same(found: Aerodynamics | None, wanted: Aerodynamics) -> None:
    assert found is not None
    got = asdict(found)
    for name, value in asdict(wanted).items():
        assert got[name] == pytest.approx(value, rel=1e-14, abs=1e-15), name


def test_the_shipped_wing_and_tail_are_those_written_out_for_the_tests() -> None:
    found = aerodynamics_of(shipped_scenario().aircraft)
    assert found is not None
    wanted = shipped_aerodynamics()
    flaps = {name: getattr(found, name) for name in asdict(found) if name.startswith("flap_")}
    assert_same(found, replace(wanted, **flaps))
    assert flaps["flap_max_lift"] == (1.45, 2.10, 2.65)


def test_without_flaps_and_tables_nothing_depends_on_them() -> None:
    assert aerodynamics_of(small_aircraft()) is None
    found = aerodynamics_of(small_aircraft(aerodynamics=DATA))
    assert_same(found, PLAIN)
    assert PLAIN.flap_lift == PLAIN.flap_moment == PLAIN.flap_centre == (0.0,)
    assert PLAIN.flap_downwash == (1.0,)
    assert PLAIN.flap_max_lift == (1.4,)
    assert PLAIN.mach == PLAIN.mach_centre == PLAIN.mach_moment == (0.0,)
    # Tail volume by hand: 5 x 8 / (20 x 2).
    assert PLAIN.tail_volume == 1.0


def test_flaps_and_mach_tables_are_read_in_order() -> None:
    flaps = [
        {"name": "up", "greatest_lift": 1.5},
        {
            "name": "out",
            "lift": 0.6,
            "pitching_moment": -0.2,
            "centre_shift": -3.0,
            "downwash_factor": 1.2,
            "greatest_lift": 2.1,
        },
    ]
    tables = {"mach_centre": [[0.5, 1.0], [0.7, 3.0]], "mach_moment": [[0.6, -0.01], [0.8, -0.03]]}
    found = aerodynamics_of(small_aircraft(aerodynamics=DATA | tables, flaps=flaps))
    wanted = replace(
        PLAIN,
        flap_lift=(0.0, 0.6),
        flap_moment=(0.0, -0.2),
        flap_centre=(0.0, -0.03),
        flap_downwash=(1.1, 1.2),
        flap_max_lift=(1.5, 2.1),
        mach=(0.5, 0.6, 0.7, 0.8),
        mach_centre=(0.01, 0.02, 0.03, 0.03),
        mach_moment=(-0.01, -0.01, -0.02, -0.03),
    )
    assert_same(found, wanted)


def test_one_table_alone_leaves_the_other_at_nothing() -> None:
    centre = aerodynamics_of(small_aircraft(aerodynamics=DATA | {"mach_centre": [[0.6, 2.0]]}))
    assert_same(
        centre,
        replace(PLAIN, mach=(0.0, 0.6), mach_centre=(0.02, 0.02), mach_moment=(0.0, 0.0)),
    )
    moment = aerodynamics_of(small_aircraft(aerodynamics=DATA | {"mach_moment": [[0.6, 0.04]]}))
    assert_same(
        moment,
        replace(PLAIN, mach=(0.0, 0.6), mach_centre=(0.0, 0.0), mach_moment=(0.04, 0.04)),
    )


def test_the_stabilizer_is_read_in_radians() -> None:
    assert trim_settings_of(small_aircraft()) is None
    data = {
        "nose_up_stop": -11.0,
        "nose_down_stop": 3.0,
        "rate_flaps_up": 0.25,
        "rate_flaps_down": 0.5,
        "elevator_up": 24.0,
        "elevator_down": 16.0,
        "elevator_share": 0.35,
        "unit_degrees": 0.8,
        "unit_zero": 1.5,
        "step": 0.2,
        "take_off_band": [2.0, 8.0],
    }
    found = trim_settings_of(small_aircraft(stabilizer=data))
    assert found is not None
    assert found.band == (2.0, 8.0)
    assert {
        name: value for name, value in asdict(found).items() if name != "band"
    } == pytest.approx(
        {
            "nose_up_stop_rad": radians(-11.0),
            "nose_down_stop_rad": radians(3.0),
            "rate_flaps_up_radps": radians(0.25),
            "rate_flaps_down_radps": radians(0.5),
            "elevator_up_rad": radians(24.0),
            "elevator_down_rad": radians(16.0),
            "elevator_share": 0.35,
            "unit_rad": radians(0.8),
            "zero_rad": radians(1.5),
            "step": 0.2,
        }
    )
    # 1.5 degrees less 5 units of 0.8 are 2.5 degrees nose up.
    assert float(found.to_rad(5.0)) == pytest.approx(radians(-2.5))
    assert float(found.to_units(radians(-2.5))) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("units", "rounded"),
    [(0.14, 0.1), (0.149999, 0.1), (0.15, 0.2), (-0.15, -0.2), (-0.14, -0.1), (5.0, 5.0)],
)
def test_a_setting_is_rounded_half_away_from_zero(units: float, rounded: float) -> None:
    assert UNKNOWN_STABILIZER.rounded(units) == rounded
    for none in (0.0, 5e-324, 1e-300, 1e-18):
        assert replace(UNKNOWN_STABILIZER, step=none).rounded(units) == units


def test_a_stabilizer_of_which_nothing_is_known_stops_nowhere() -> None:
    assert UNKNOWN_STABILIZER.nose_up_stop_rad == -inf
    assert UNKNOWN_STABILIZER.nose_down_stop_rad == inf
    assert UNKNOWN_STABILIZER.rate_flaps_up_radps == inf
    assert UNKNOWN_STABILIZER.rate_flaps_down_radps == inf
    assert UNKNOWN_STABILIZER.step == 0.1


@pytest.mark.parametrize(
    ("points", "readings"),
    [
        # One mass: straight between the CGs and beyond, whatever the mass.
        (
            [[6e4, 20.0, 5.0], [6e4, 30.0, 4.0], [6e4, 40.0, 3.5]],
            {
                (6e4, 20.0): 5.0,
                (7e4, 25.0): 4.5,
                (6e4, 35.0): 3.75,
                (5e4, 15.0): 5.5,
                (6e4, 60.0): 2.5,
            },
        ),
        # One CG.
        (
            [[6e4, 20.0, 5.0], [7e4, 20.0, 6.0]],
            {(6.5e4, 20.0): 5.5, (8e4, 50.0): 7.0, (5.5e4, 0.0): 4.5},
        ),
        # A grid: the plane 5 + (m - 60,000) / 10,000 - (h - 20) / 10, and beyond it too.
        (
            [[6e4, 20.0, 5.0], [6e4, 30.0, 4.0], [7e4, 20.0, 6.0], [7e4, 30.0, 5.0]],
            {(6.5e4, 25.0): 5.0, (7e4, 30.0): 5.0, (8e4, 20.0): 7.0, (6e4, 10.0): 6.0},
        ),
    ],
    ids=["one mass", "one CG", "grid"],
)
def test_a_trim_table_is_read_straight_between_its_points_and_beyond(
    points: list[list[float]], readings: dict[tuple[float, float], float]
) -> None:
    table = TrimTable.model_validate({"flaps": "out", "points": points})
    for (mass, cg), units in readings.items():
        assert float(table_setting(table, mass_kg=mass, cg_pct_mac=cg)) == pytest.approx(units)
    masses, cgs = np.array(list(readings)).T
    together = table_setting(table, mass_kg=masses, cg_pct_mac=cgs)
    assert together.tolist() == pytest.approx(list(readings.values()))


RUN: dict[str, Any] = {
    "main_gear": 54.0,
    "wheelbase": 5.5,
    "pitch_inertia": 9e4,
    "cg_height": 1.6,
    "thrust_height": 1.9,
    "drag_height": 1.7,
    "thrust": 30.0,
}


def test_the_ground_run_is_read_figure_by_figure() -> None:
    assert rotation_of(small_aircraft(aerodynamics=DATA)) is None
    assert rotation_of(small_aircraft(ground_run=RUN)) is None
    plain = rotation_of(small_aircraft(aerodynamics=DATA, ground_run=RUN))
    assert plain is not None
    wanted = Rotation(
        main_gear_h=0.54,
        wheelbase_m=5.5,
        cg_height_m=1.6,
        thrust_height_m=1.9,
        drag_height_m=1.7,
        friction=0.02,
        pitch_inertia=9e4,
        drag_zero=0.02,
        drag_induced=0.043,
    )
    # What a file leaves out is what Python leaves out.
    assert asdict(plain) == pytest.approx(asdict(wanted), rel=1e-15)
    others = (wanted.ground_slope, wanted.ground_downwash, wanted.pitch_attitude)
    assert others == (1.05, 0.55, 0.0)
    assert (wanted.tail_lift_least, wanted.tail_lift_greatest) == (-1.15, 1.05)
    told = {
        "friction": 0.03,
        "ground_lift": 1.1,
        "ground_downwash": 0.6,
        "pitch_attitude": 2.0,
        "tail_lift_least": -1.3,
        "tail_lift_greatest": 0.9,
    }
    drag = {"drag_zero": 0.025, "drag_induced": 0.05}
    found = rotation_of(small_aircraft(aerodynamics=DATA | drag, ground_run=RUN | told))
    assert found == replace(
        wanted,
        friction=0.03,
        drag_zero=0.025,
        drag_induced=0.05,
        ground_slope=1.1,
        ground_downwash=0.6,
        pitch_attitude=radians(2.0),
        tail_lift_least=-1.3,
        tail_lift_greatest=0.9,
    )


@pytest.mark.parametrize("step", ["arm_step", "mass_step", "index_step", "cg_step"])
def test_a_step_too_fine_to_round_is_no_step(step: str) -> None:
    """Down to the least number there is, whose multiples could not be counted."""
    sheets = [
        prepare(edited({f"operation.load_sheet.{step}": fine})).sheet
        for fine in (0.0, 5e-324, 1e-300)
    ]
    assert sheets[0].frame().equals(sheets[1].frame())
    assert sheets[0].frame().equals(sheets[2].frame())
