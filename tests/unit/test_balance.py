"""Chord, index formula, CG shifts, dry operating mass, payload."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from cgrisk.aircraft import (
    Balance,
    balance_of,
    centre_of_gravity,
    cg_after_adding,
    cg_after_moving,
    dry_operating,
    payload_limit,
)
from cgrisk.errors import UsageError
from tests.aircraft_cases import shipped_scenario, small_aircraft

BALANCE = Balance(
    lemac_m=10.0, mac_m=2.0, index_arm_m=10.5, index_scale_kgm=100.0, index_constant=40.0
)


def test_ends_and_middle_of_the_chord() -> None:
    assert [BALANCE.arm_to_pct(arm) for arm in (10.0, 10.5, 12.0, 9.0)] == [0.0, 25.0, 100.0, -50.0]
    assert [BALANCE.pct_to_arm(pct) for pct in (0.0, 25.0, 100.0, -50.0)] == [10.0, 10.5, 12.0, 9.0]


def test_cg_of_a_mass_and_its_moment() -> None:
    assert BALANCE.cg_pct_mac(5_000.0, 5_000.0 * 10.5) == 25.0
    found = BALANCE.cg_pct_mac(np.array([1_000.0, 2_000.0]), np.array([10_000.0, 24_000.0]))
    np.testing.assert_array_equal(found, [0.0, 100.0])


def test_index_by_hand_and_back() -> None:
    assert BALANCE.index(200.0, arm_m=11.0) == 200.0 * 0.5 / 100.0 + 40.0 == 41.0
    assert BALANCE.moment_from_index(41.0, mass_kg=200.0) == 200.0 * 11.0
    assert BALANCE.index(9_999.0, arm_m=10.5) == 40.0  # at the reference arm: the constant alone
    masses, arms = np.array([100.0, 5_000.0]), np.array([3.0, 11.25])
    index = BALANCE.index(masses, arm_m=arms)
    np.testing.assert_allclose(
        BALANCE.moment_from_index(index, mass_kg=masses), masses * arms, rtol=1e-14
    )


def test_numbers_and_arrays_go_together() -> None:
    arms = np.array([9.0, 10.5, 12.0])
    np.testing.assert_array_equal(BALANCE.index(200.0, arm_m=arms), [37.0, 40.0, 43.0])
    shifted = cg_after_adding(10.0, mass_kg=900.0, added_kg=100.0, at_m=arms)
    np.testing.assert_allclose(shifted, [9.9, 10.05, 10.2], rtol=1e-14)
    assert isinstance(BALANCE.arm_to_pct(10.3), float)


def test_a_balance_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError, match="lemac_m"):
        BALANCE.lemac_m = 11.0  # type: ignore[misc]


def test_centre_of_gravity_of_loads() -> None:
    total, arm = centre_of_gravity([100.0, 300.0], arm_m=[0.0, 4.0])
    assert (total, arm) == (400.0, 3.0)
    total, arm = centre_of_gravity([400.0, -300.0], arm_m=[3.0, 4.0])  # the second taken off again
    assert (total, arm) == (100.0, 0.0)


def test_centre_of_gravity_refuses_lists_that_do_not_match() -> None:
    with pytest.raises(UsageError, match="expected one arm for each of the 2 masses; got 3"):
        centre_of_gravity([1.0, 2.0], arm_m=[1.0, 2.0, 3.0])


def test_centre_of_gravity_refuses_no_mass() -> None:
    with pytest.raises(UsageError, match="masses that do not add up to 0"):
        centre_of_gravity([], arm_m=[])


def test_adding_and_taking_off_again() -> None:
    loaded = cg_after_adding(20.0, mass_kg=60_000.0, added_kg=500.0, at_m=31.0)
    assert loaded == pytest.approx(20.0 + 500.0 * 11.0 / 60_500.0, rel=1e-15)
    assert loaded == pytest.approx(
        centre_of_gravity([60_000.0, 500.0], arm_m=[20.0, 31.0])[1], rel=1e-15
    )
    emptied = cg_after_adding(loaded, mass_kg=60_500.0, added_kg=-500.0, at_m=31.0)
    assert emptied == pytest.approx(20.0, rel=1e-14)
    assert cg_after_adding(20.0, mass_kg=60_000.0, added_kg=500.0, at_m=20.0) == 20.0


def test_moving_is_taking_off_here_and_adding_there() -> None:
    moved = cg_after_moving(20.0, mass_kg=60_000.0, moved_kg=300.0, from_m=10.0, to_m=30.0)
    assert moved == 20.0 + 300.0 * 20.0 / 60_000.0
    without = cg_after_adding(20.0, mass_kg=60_000.0, added_kg=-300.0, at_m=10.0)
    again = cg_after_adding(without, mass_kg=59_700.0, added_kg=300.0, at_m=30.0)
    assert again == pytest.approx(moved, rel=1e-14)


@pytest.mark.parametrize(
    "form",
    [{"dry_operating_arm": 10.4}, {"dry_operating_cg": 20.0}, {"dry_operating_index": 35.0}],
    ids=["arm", "pct_mac", "index"],
)
def test_dry_operating_in_each_form(form: dict[str, float]) -> None:
    # 5,000 kg at 10.4 m: 20 % of a chord from 10 to 12 m; 5,000 x -0.1 / 100 + 40 = 35 index units
    masses = {
        "max_taxi": 7600.0,
        "max_take_off": 7500.0,
        "max_landing": 7400.0,
        "max_zero_fuel": 7000.0,
        "dry_operating": 5000.0,
    }
    mass, arm = dry_operating(small_aircraft(masses=masses | form))
    assert mass == 5000.0
    assert arm == pytest.approx(10.4, rel=1e-15)


@pytest.mark.parametrize(
    "forms",
    [{}, {"dry_operating_arm": 10.4, "dry_operating_cg": 20.0}, {"dry_operating_index": 35.0}],
    ids=["none", "two", "index of no mass"],
)
def test_dry_operating_refused(forms: dict[str, float]) -> None:
    masses = dict.fromkeys(("max_taxi", "max_take_off", "max_landing", "max_zero_fuel"), 7000.0)
    masses["dry_operating"] = 0.0 if "dry_operating_index" in forms else 5000.0
    with pytest.raises(UsageError, match=r"aircraft\.masses: expected exactly one of"):
        dry_operating(small_aircraft(masses=masses | forms))


def test_half_a_kilogram_has_a_cg_by_its_index() -> None:
    """Any mass above 0 has: 0.5 kg at 10.4 m are 0.5 x -0.1 / 100 + 40 index units."""
    masses = dict.fromkeys(("max_taxi", "max_take_off", "max_landing", "max_zero_fuel"), 7000.0)
    light = {"dry_operating": 0.5, "dry_operating_index": 39.9995}
    mass, arm = dry_operating(small_aircraft(masses=masses | light))
    assert mass == 0.5
    assert arm == pytest.approx(10.4, rel=1e-10)


def test_shipped_aircraft() -> None:
    aircraft = shipped_scenario().aircraft
    mass, arm = dry_operating(aircraft)
    assert mass == 42_600.0
    assert arm == pytest.approx(17.60 + (43.6 - 40.0) * 1000.0 / 42_600.0, rel=1e-15)
    balance = balance_of(aircraft)
    assert balance.index(mass, arm_m=arm) == pytest.approx(43.6, rel=1e-14)
    assert balance.cg_pct_mac(mass, mass * arm) == pytest.approx(30.5835, abs=5e-5)


@pytest.mark.parametrize(
    ("zero_fuel", "take_off", "landing", "payload", "limited_by"),
    [
        (60.0, 100.0, 100.0, 20.0, "zero_fuel"),
        (90.0, 75.0, 100.0, 15.0, "take_off"),
        (90.0, 100.0, 55.0, 10.0, "landing"),
        (90.0, 50.0, 100.0, -10.0, "take_off"),  # the fuel alone is too much
    ],
)
def test_payload_limit(
    zero_fuel: float, take_off: float, landing: float, payload: float, limited_by: str
) -> None:
    found = payload_limit(
        40.0,
        max_zero_fuel_kg=zero_fuel,
        max_take_off_kg=take_off,
        max_landing_kg=landing,
        take_off_fuel_kg=20.0,
        trip_fuel_kg=15.0,
    )
    assert found == (payload, limited_by)
