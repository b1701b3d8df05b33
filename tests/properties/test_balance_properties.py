"""What must hold of CG shifts, margins and fuel whatever the aircraft and its load."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from cgrisk.aircraft import (
    Balance,
    Limits,
    balance_of,
    burn,
    cabin_plan,
    centre_of_gravity,
    cg_after_adding,
    cg_after_moving,
    curtailed,
    fill_plan,
    moment_at,
    polygon,
    tank_tables,
)
from cgrisk.scenario import AircraftFile
from tests.aircraft_cases import fuel_aircraft, shipped_scenario

PLAN = cabin_plan(shipped_scenario())
BALANCE = balance_of(shipped_scenario().aircraft)
ARMS = st.floats(0.0, 40.0)
MASSES = st.floats(1.0, 80_000.0)
SIDES = ("forward", "aft")


@given(
    st.lists(st.floats(20.0, 180.0), min_size=1, max_size=174),
    st.floats(20_000.0, 60_000.0),
    ARMS,
    st.data(),
)
def test_one_passenger_who_moves(
    passengers: list[float], rest_kg: float, rest_arm_m: float, data: st.DataObject
) -> None:
    who = data.draw(st.integers(0, len(passengers) - 1))
    there = data.draw(st.integers(0, PLAN.seats - 1))
    arms = PLAN.arm_m[: len(passengers)].copy()
    masses = [rest_kg, *passengers]
    total, before = centre_of_gravity(masses, arm_m=[rest_arm_m, *arms])
    start, end = float(arms[who]), float(PLAN.arm_m[there])
    arms[who] = end
    _, after = centre_of_gravity(masses, arm_m=[rest_arm_m, *arms])
    by_hand = passengers[who] * (end - start) / sum(masses)
    assert after - before == pytest.approx(by_hand, abs=1e-12)
    moved = cg_after_moving(before, mass_kg=total, moved_kg=passengers[who], from_m=start, to_m=end)
    assert moved == pytest.approx(after, rel=1e-13)
    shift_pct = BALANCE.arm_to_pct(after) - BALANCE.arm_to_pct(before)
    assert shift_pct == pytest.approx(100.0 * by_hand / BALANCE.mac_m, abs=1e-10)


@given(MASSES, ARMS, st.floats(0.1, 5_000.0), ARMS)
def test_adding_draws_the_cg_towards_what_is_added(
    mass: float, arm: float, added: float, at: float
) -> None:
    after = cg_after_adding(arm, mass_kg=mass, added_kg=added, at_m=at)
    assert min(arm, at) - 1e-12 <= after <= max(arm, at) + 1e-12
    assert after == pytest.approx(centre_of_gravity([mass, added], arm_m=[arm, at])[1], rel=1e-12)


@given(st.floats(-50.0, 50.0), st.floats(0.5, 12.0), ARMS, st.floats(100.0, 5_000.0), MASSES, ARMS)
def test_chord_and_index_there_and_back(
    lemac: float, mac: float, index_arm: float, scale: float, mass: float, arm: float
) -> None:
    balance = Balance(lemac, mac, index_arm, scale, 40.0)
    assert balance.pct_to_arm(balance.arm_to_pct(arm)) == pytest.approx(arm, abs=1e-12)
    index = balance.index(mass, arm_m=arm)
    moment = balance.moment_from_index(index, mass_kg=mass)
    assert moment == pytest.approx(mass * arm, rel=1e-10, abs=1e-8)
    assert balance.cg_pct_mac(mass, moment) == pytest.approx(balance.arm_to_pct(arm), abs=1e-6)


@st.composite
def points(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Points of one side on a coarse grid, so that steps and level stretches occur."""
    masses = draw(st.lists(st.integers(40, 80), min_size=1, max_size=8))
    masses = sorted(m for m in set(masses) for _ in range(min(2, masses.count(m))))
    pct = draw(st.lists(st.integers(0, 160), min_size=len(masses), max_size=len(masses)))
    return np.array(masses, dtype=float), np.array(pct) / 4.0


QUERY = st.one_of(st.integers(30, 90).map(float), st.floats(30.0, 90.0))
CG = st.one_of(st.integers(0, 160).map(lambda k: k / 4.0), st.floats(-5.0, 45.0))


@given(points(), points(), QUERY, CG)
def test_margins_are_antisymmetric_under_mirroring(
    forward: tuple[np.ndarray, np.ndarray],
    aft: tuple[np.ndarray, np.ndarray],
    mass: float,
    cg: float,
) -> None:
    limits = Limits(*forward, *aft)
    mirrored = Limits(aft[0], -aft[1], forward[0], -forward[1])
    assert limits.margin(mass, cg, side="forward") == mirrored.margin(mass, -cg, side="aft")
    assert limits.margin(mass, cg, side="aft") == mirrored.margin(mass, -cg, side="forward")
    assert limits.limit(mass, side="aft") == -mirrored.limit(mass, side="forward")


@given(points(), points(), QUERY)
def test_on_the_limit_is_inside_by_nothing(
    forward: tuple[np.ndarray, np.ndarray], aft: tuple[np.ndarray, np.ndarray], mass: float
) -> None:
    limits = Limits(*forward, *aft)
    for side in SIDES:
        limit = limits.limit(mass, side=side)
        assert limits.margin(mass, limit, side=side) == 0.0
        low, high, intercept, slope = limits.segments(side)
        touching = (low <= mass) & (mass <= high)
        values = intercept[touching] + slope[touching] * mass
        narrower = values.max() if side == "forward" else values.min()
        assert limit == pytest.approx(narrower, abs=1e-9)


@given(points(), points(), QUERY, CG, st.floats(0.0, 10.0), st.floats(0.0, 10.0))
def test_a_curtailment_comes_off_every_margin(
    forward: tuple[np.ndarray, np.ndarray],
    aft: tuple[np.ndarray, np.ndarray],
    mass: float,
    cg: float,
    off_forward: float,
    off_aft: float,
) -> None:
    limits = Limits(*forward, *aft)
    narrower = curtailed(limits, forward_pct=off_forward, aft_pct=off_aft)
    for side, off in zip(SIDES, (off_forward, off_aft), strict=True):
        before = limits.margin(mass, cg, side=side)
        assert narrower.margin(mass, cg, side=side) == pytest.approx(before - off, abs=1e-11)


@given(points(), points(), st.integers(30, 59), st.integers(60, 90))
def test_outline_is_closed_and_stands_on_the_limits(
    forward: tuple[np.ndarray, np.ndarray],
    aft: tuple[np.ndarray, np.ndarray],
    low: int,
    high: int,
) -> None:
    limits = Limits(*forward, *aft)
    cg, mass = polygon(limits, mass_range_kg=(low, high))
    assert (cg[0], mass[0]) == (cg[-1], mass[-1])
    assert mass.min() == low
    assert mass.max() == high
    top = int(np.flatnonzero(mass == high)[0])
    for side, part in (("forward", slice(0, top + 1)), ("aft", slice(top + 1, -1))):
        margin = limits.margin(mass[part], cg[part], side=side)
        assert np.all(margin <= 1e-12)  # below 0 only at the wide end of a step
        level = np.array([np.sum(limits.points(side)[0] == m) < 2 for m in mass[part]])
        assert np.all(np.abs(margin[level]) <= 1e-12)


@st.composite
def layers(draw: st.DrawFn) -> list[tuple[float, float]]:
    """Whole litres and arms of a few layers, in m3 and m."""
    thickness = draw(st.lists(st.integers(1, 3_000), min_size=1, max_size=5))
    arms = draw(st.lists(st.floats(1.0, 40.0), min_size=len(thickness), max_size=len(thickness)))
    return [(t / 1e3, a) for t, a in zip(thickness, arms, strict=True)]


def tank(name: str, its_layers: list[tuple[float, float]]) -> dict[str, Any]:
    return {"name": name, "capacity": sum(v for v, _ in its_layers), "layers": its_layers}


@given(layers(), layers(), st.floats(0.0, 1.0))
def test_moments_of_tanks_add_up(
    first: list[tuple[float, float]], second: list[tuple[float, float]], share: float
) -> None:
    two = fuel_aircraft([tank("a", first), tank("b", second)])  # filled one after the other
    one = fuel_aircraft([tank("ab", first + second)])
    (whole,) = tank_tables(one)
    volume = share * min(whole.capacity_m3, sum(t.capacity_m3 for t in tank_tables(two)))
    volumes = fill_plan(two, volume)
    parts = [moment_at(t, v) for t, v in zip(tank_tables(two), volumes, strict=True)]
    assert sum(parts) == pytest.approx(moment_at(whole, volume), rel=1e-9, abs=1e-12)


@given(layers(), st.lists(st.floats(0.0, 1.0), min_size=2, max_size=20))
def test_moment_rises_with_fuel_aft_of_the_datum(
    its_layers: list[tuple[float, float]], shares: list[float]
) -> None:
    (table,) = tank_tables(fuel_aircraft([tank("a", its_layers)]))
    volumes = np.unique(np.array(shares)) * table.capacity_m3
    moments = moment_at(table, volumes)
    gained = np.diff(moments)
    assert np.all(gained >= 0.0)
    # each litre adds between the least and the greatest arm of the tank
    arms = [arm for _, arm in its_layers]
    assert np.all(gained >= np.diff(volumes) * min(arms) - 1e-9)
    assert np.all(gained <= np.diff(volumes) * max(arms) + 1e-9)


@st.composite
def fuel_systems(draw: st.DrawFn) -> AircraftFile:
    """One to four tanks, filled and burnt in groups."""
    litres = draw(st.lists(st.integers(1, 8_000), min_size=1, max_size=4))
    names = [f"tank {i}" for i in range(len(litres))]
    order = draw(st.permutations(names))
    cut = draw(st.integers(0, len(names)))
    groups = [list(group) for group in (order[:cut], order[cut:]) if group]
    level = draw(st.integers(0, 4_000)) / 1e3
    return fuel_aircraft(
        [tank(name, [(q / 1e3, 10.0)]) for name, q in zip(names, litres, strict=True)],
        refuel=groups,
        burn=[*((group, level) for group in groups[::-1]), (names, 0.0)],
    )


@given(fuel_systems(), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_filling_and_burning_lose_no_fuel(
    aircraft: AircraftFile, filled: float, burnt: float, part: float
) -> None:
    capacity = np.array([table.capacity_m3 for table in tank_tables(aircraft)])
    volume = filled * float(capacity.sum())
    volumes = fill_plan(aircraft, volume)
    assert volumes.sum() == pytest.approx(volume, abs=1e-9)
    assert np.all((volumes >= 0.0) & (volumes <= capacity))
    used = burnt * float(volumes.sum())
    left = burn(aircraft, volumes, used)
    assert left.sum() == pytest.approx(volumes.sum() - used, abs=1e-9)
    assert np.all((left >= 0.0) & (left <= volumes))
    # burning in two goes comes to the same: the schedule has no memory but the tanks
    halfway = burn(aircraft, volumes, part * used)
    np.testing.assert_allclose(burn(aircraft, halfway, used - part * used), left, atol=1e-9)


@given(fuel_systems(), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_more_fuel_leaves_no_tank_with_less(
    aircraft: AircraftFile, one: float, other: float
) -> None:
    assume(one != other)
    capacity = sum(table.capacity_m3 for table in tank_tables(aircraft))
    less, more = (fill_plan(aircraft, share * capacity) for share in sorted((one, other)))
    assert np.all(less <= more + 1e-12)
