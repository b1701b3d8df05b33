"""Moment of the fuel by volume, filling and burning, against fuel counted litre by litre."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from cgrisk.aircraft import (
    TankTable,
    balance_of,
    burn,
    burn_steps,
    fill_plan,
    moment_at,
    refuel_steps,
    tank_tables,
)
from cgrisk.errors import UsageError
from cgrisk.scenario import AircraftFile
from tests.aircraft_cases import fuel_aircraft, shipped_scenario, small_aircraft
from tests.oracles.hand_tanks import (
    burn_by_litres,
    fill_by_litres,
    moment_by_litres,
    moment_of_whole_quantity,
)

WING = [(1_400, 16.9), (1_300, 17.3), (1_100, 17.75), (900, 18.2), (700, 18.7), (400, 19.25)]
POINTS = [(500.0, 16.8), (2_000.0, 17.4), (6_000.0, 17.1)]
INDEX = [(400.0, -1.5), (1_600.0, -2.0), (4_000.0, 3.0)]


def by_points(points: list[tuple[float, float]], capacity: float) -> AircraftFile:
    """One tank given as litres and arms."""
    return fuel_aircraft(
        [
            {
                "name": "tank",
                "capacity": capacity / 1e3,
                "arm_by_quantity": [[litres / 1e3, arm] for litres, arm in points],
            }
        ]
    )


def three_tanks(**changes: Any) -> AircraftFile:
    """A centre tank of 7 l, a small one of 3 l and wings of 10 and 10 l."""
    sizes = {"centre": 7, "left": 10, "right": 10, "tail": 3}
    tanks = [
        {"name": name, "capacity": litres / 1e3, "layers": [[litres / 1e3, 10.0]]}
        for name, litres in sizes.items()
    ]
    steps: dict[str, Any] = {"refuel": [["left", "right", "tail"], ["centre"]], "burn": BURN}
    return fuel_aircraft(tanks, **(steps | changes))


BURN = [(["centre", "tail"], 0.001), (["left", "right"], 0.004), (["left", "right", "tail"], 0.0)]


def test_layers_against_single_litres() -> None:
    left_wing = tank_tables(shipped_scenario().aircraft)[1]
    assert left_wing.name == "left wing"
    assert left_wing.capacity_m3 == 5.8
    for litres in (0, 1, 1_399, 1_400, 1_401, 2_700, 3_333, 4_700, 5_799, 5_800):
        by_hand = moment_by_litres(WING, litres) / 1e3
        assert moment_at(left_wing, litres / 1e3) == pytest.approx(by_hand, rel=1e-12, abs=1e-15)


def test_layers_are_exact_where_they_meet() -> None:
    centre = tank_tables(shipped_scenario().aircraft)[0]
    assert centre.volume_m3.tolist() == [0.0, 6.4]
    assert centre.moment_m4.tolist() == [0.0, 6.4 * 16.75]


@pytest.mark.parametrize("tolerance_kgm", [0.05, 1.0, 20.0])
def test_arms_by_quantity_stay_within_the_tolerance_and_use_it(tolerance_kgm: float) -> None:
    (table,) = tank_tables(by_points(POINTS, 6_000.0), tolerance_kgm=tolerance_kgm)
    litres = np.linspace(0.0, 6_000.0, 24_001)
    exact = np.array([moment_of_whole_quantity(POINTS, q) for q in litres]) / 1e3
    error_kgm = 800.0 * np.abs(moment_at(table, litres / 1e3) - exact)
    assert error_kgm.max() <= tolerance_kgm * (1.0 + 1e-9)
    # not by many more nodes than it takes: the widest gap would break half the tolerance
    assert error_kgm.max() > 0.5 * tolerance_kgm


def test_the_default_tolerance_is_small_on_a_light_aircraft() -> None:
    (table,) = tank_tables(by_points(POINTS, 6_000.0))
    litres = np.linspace(0.0, 6_000.0, 24_001)
    exact = np.array([moment_of_whole_quantity(POINTS, q) for q in litres]) / 1e3
    error_kgm = 800.0 * np.abs(moment_at(table, litres / 1e3) - exact).max()
    assert 100.0 * error_kgm / (7_500.0 * 1.8) < 0.002  # % MAC at 7.5 t and a chord of 1.8 m
    assert table.volume_m3.size < 300


def test_given_quantities_are_nodes() -> None:
    (table,) = tank_tables(by_points(POINTS, 6_000.0))
    assert {0.0, 0.5, 2.0, 6.0} <= set(table.volume_m3.tolist())
    assert moment_at(table, 2.0) == pytest.approx(2.0 * 17.4, rel=1e-15)
    assert moment_at(table, 0.25) == pytest.approx(0.25 * 16.8, rel=1e-15)  # below the first point


def test_one_point_is_a_constant_arm() -> None:
    (table,) = tank_tables(by_points([(6_000.0, 17.0)], 6_000.0))
    assert table.volume_m3.tolist() == [0.0, 6.0]
    assert moment_at(table, 1.5) == pytest.approx(1.5 * 17.0, rel=1e-15)


def test_fuel_index_table_is_one_tank() -> None:
    aircraft = small_aircraft(fuel_index=INDEX, reference_density=800.0)
    (table,) = tank_tables(aircraft)
    assert (table.name, table.capacity_m3) == ("all tanks", 5.0)
    assert refuel_steps(aircraft) == ((0,),)
    assert burn_steps(aircraft) == (((0,), 0.0),)
    assert fill_plan(aircraft, 4.0).tolist() == [4.0]
    assert burn(aircraft, [4.0], 1.5).tolist() == [2.5]
    # by hand: moment = index x 100 kg m + mass x 10.5 m; the table excludes the constant
    for mass, index in [(0.0, 0.0), (200.0, -0.75), *INDEX, (1_000.0, -1.75), (2_800.0, 0.5)]:
        moment_kgm = 800.0 * float(moment_at(table, mass / 800.0))
        assert moment_kgm == pytest.approx(100.0 * index + 10.5 * mass, rel=1e-13, abs=1e-12)
        if mass > 0.0:  # and back through the index formula, which includes it
            found = balance_of(aircraft).index(mass, arm_m=moment_kgm / mass)
            assert found - 40.0 == pytest.approx(index, abs=1e-10)


def test_index_table_that_begins_with_no_fuel() -> None:
    (table,) = tank_tables(small_aircraft(fuel_index=[(0.0, 0.0), *INDEX]))
    assert table.volume_m3.size == 4


def test_capacity_takes_small_differences_of_printed_figures() -> None:
    layers = [[1.0, 10.0], [0.9995, 12.0]]
    (table,) = tank_tables(fuel_aircraft([{"name": "t", "capacity": 2.0, "layers": layers}]))
    assert table.volume_m3.tolist() == [0.0, 1.0, 2.0]
    assert table.moment_m4.tolist() == [0.0, 10.0, 22.0]


@pytest.mark.parametrize("form", ["layers", "arm_by_quantity"])
def test_quantities_that_miss_the_capacity_are_refused(form: str) -> None:
    aircraft = fuel_aircraft([{"name": "t", "capacity": 2.0, form: [[1.9, 10.0]]}])
    with pytest.raises(UsageError, match=r"tank 't': expected quantities .* 2000 l; got '1900 l'"):
        tank_tables(aircraft)


@pytest.mark.parametrize(
    ("volume", "moment"),
    [
        ([0.0, 1.0, 1.0, 2.0], [0.0, 1.0, 1.0, 2.0]),
        ([0.0, 1.0], [0.0, 1.0]),
        ([0.1, 2.0], [0.0, 1.0]),
        ([0.0, 2.0], [0.1, 1.0]),
        ([0.0, 2.0], [0.0, float("nan")]),
        ([0.0, 2.0], [0.0]),
        ([2.0], [0.0]),
    ],
    ids=["not rising", "short", "no zero", "moment of nothing", "nan", "lengths", "one node"],
)
def test_tables_that_make_no_tank(volume: list[float], moment: list[float]) -> None:
    with pytest.raises(UsageError, match="tank 't': expected volumes that rise from 0"):
        TankTable("t", 2.0, np.array(volume), np.array(moment))


def test_tables_are_read_only() -> None:
    table = tank_tables(shipped_scenario().aircraft)[0]
    with pytest.raises(ValueError, match="read-only"):
        table.moment_m4[0] = 1.0


@pytest.mark.parametrize("tolerance_kgm", [0.0, -1.0, float("nan")])
def test_a_tolerance_is_above_nothing(tolerance_kgm: float) -> None:
    with pytest.raises(UsageError, match="tolerance_kgm: expected a moment above 0"):
        tank_tables(by_points(POINTS, 6_000.0), tolerance_kgm=tolerance_kgm)


def test_steps_name_tanks_by_number() -> None:
    aircraft = three_tanks()
    assert refuel_steps(aircraft) == ((1, 2, 3), (0,))
    assert burn_steps(aircraft) == (((0, 3), 0.001), ((1, 2), 0.004), ((1, 2, 3), 0.0))


@pytest.mark.parametrize("litres", range(0, 31))
def test_filling_against_single_litres(litres: int) -> None:
    by_hand = fill_by_litres([7, 10, 10, 3], [[1, 2, 3], [0]], litres)
    found = 1e3 * fill_plan(three_tanks(), litres / 1e3)
    # whole litres cannot be shared out evenly: nobody is off by a litre or more
    assert np.abs(found - by_hand).max() < 1.0
    assert found.sum() == pytest.approx(litres, abs=1e-9)
    if litres in (0, 3, 6, 9, 11, 23, 30):  # where they can
        np.testing.assert_allclose(found, by_hand, atol=1e-9)


def test_a_full_tank_drops_out_and_the_rest_share_on() -> None:
    found = 1e3 * fill_plan(three_tanks(), 0.014)
    np.testing.assert_allclose(found, [0.0, 5.5, 5.5, 3.0], rtol=1e-13)
    assert 1e3 * fill_plan(three_tanks(), 0.030) == pytest.approx([7.0, 10.0, 10.0, 3.0])


@pytest.mark.parametrize("litres", range(0, 31))
def test_burning_against_single_litres(litres: int) -> None:
    steps = [([0, 3], 1), ([1, 2], 4), ([1, 2, 3], 0)]
    full = [7, 10, 10, 3]
    takes = 29  # the litre left in the centre tank cannot be used
    if litres > takes:
        with pytest.raises(UsageError, match=r"expected 0 to 0\.029 m3; got 0\.03"):
            burn(three_tanks(), np.array(full) / 1e3, litres / 1e3)
        return
    by_hand = burn_by_litres(full, steps, litres)
    found = 1e3 * burn(three_tanks(), np.array(full) / 1e3, litres / 1e3)
    assert np.abs(found - by_hand).max() < 1.0
    assert found.sum() == pytest.approx(30 - litres, abs=1e-9)
    if litres in (0, 2, 4, 8, 10, 20, 29):
        np.testing.assert_allclose(found, by_hand, atol=1e-9)


def test_a_tank_at_its_level_feeds_nothing() -> None:
    found = 1e3 * burn(three_tanks(), [0.007, 0.004, 0.010, 0.001], 0.008)
    np.testing.assert_allclose(found, [1.0, 4.0, 8.0, 1.0], rtol=1e-12)


def test_burning_leaves_the_given_volumes_alone() -> None:
    before = np.array([0.007, 0.010, 0.010, 0.003])
    burn(three_tanks(), before, 0.020)
    assert before.tolist() == [0.007, 0.010, 0.010, 0.003]


def test_shipped_fuel_by_hand() -> None:
    aircraft = shipped_scenario().aircraft
    full_wings = fill_plan(aircraft, 13.0)
    np.testing.assert_allclose(full_wings, [1.4, 5.8, 5.8], rtol=1e-14)
    np.testing.assert_allclose(burn(aircraft, full_wings, 5.0), [0.0, 4.0, 4.0], atol=1e-14)
    moment = sum(
        float(moment_at(table, volume))
        for table, volume in zip(tank_tables(aircraft), full_wings, strict=True)
    )
    wing = 1.4 * 16.9 + 1.3 * 17.3 + 1.1 * 17.75 + 0.9 * 18.2 + 0.7 * 18.7 + 0.4 * 19.25
    assert moment == pytest.approx(1.4 * 16.75 + 2.0 * wing, rel=1e-14)


@pytest.mark.parametrize("volume", [-1e-3, 0.0301, float("nan")])
def test_more_or_less_than_the_tanks_hold(volume: float) -> None:
    with pytest.raises(UsageError, match=r"volume_m3: expected 0 to 0\.03 m3"):
        fill_plan(three_tanks(), volume)


def test_a_tank_that_is_never_refuelled_cannot_be_counted_on() -> None:
    with pytest.raises(UsageError, match=r"expected 0 to 0\.02 m3; got 0\.025"):
        fill_plan(three_tanks(refuel=[["left", "right"]]), 0.025)


@pytest.mark.parametrize("burnt", [-1e-3, float("nan")])
def test_burning_less_than_nothing(burnt: float) -> None:
    with pytest.raises(UsageError, match="burnt_m3: expected 0 to"):
        burn(three_tanks(), [0.007, 0.010, 0.010, 0.003], burnt)


def test_burning_needs_a_volume_for_each_tank() -> None:
    with pytest.raises(UsageError, match="one volume for each of 4 tanks"):
        burn(three_tanks(), [0.007, 0.010], 0.001)
