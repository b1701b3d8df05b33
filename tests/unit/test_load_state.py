"""Load states: a scenario loaded otherwise is checked like a file, and is the same when it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cgrisk.decide import hold_mass_kg, scenario_with, state_of, zone_seat_counts
from cgrisk.errors import UsageError
from cgrisk.flight import prepare
from tests.flight_cases import edited, shipped_scenario


def test_the_same_load_is_the_same_scenario() -> None:
    scenario = shipped_scenario()
    assert scenario_with(scenario, state_of(scenario)).digest() == scenario.digest()


def test_zone_counts_and_holds_reach_the_load_sheet() -> None:
    scenario = shipped_scenario()
    state = state_of(scenario)
    moved = replace(
        state, adults=(41, 48, 51), bags=(state.bags[0] + 10, *state.bags[1:]), fuel_kg=9000.0
    )
    there = scenario_with(scenario, moved, name="moved")
    assert there.name == "moved"
    before, after = prepare(scenario).sheet, prepare(there).sheet
    assert after.zero_fuel_mass_kg - before.zero_fuel_mass_kg == pytest.approx(130.0)
    assert hold_mass_kg(there, moved)[0] - hold_mass_kg(scenario, state)[0] == pytest.approx(130.0)
    assert there.operation.fuel.block == 9000.0


def test_seats_of_zones_leave_blocked_ones_out() -> None:
    assert zone_seat_counts(shipped_scenario()).tolist() == [54, 60, 60]
    blocked = edited({"operation.seating.blocked": ["12", "1A"]})
    assert zone_seat_counts(blocked).tolist() == [53, 54, 60]


def test_nobody_aboard_is_a_load() -> None:
    scenario = shipped_scenario()
    zeros = (0, 0, 0)
    empty = scenario_with(scenario, replace(state_of(scenario), adults=zeros, children=zeros))
    assert np.isfinite(prepare(empty).sheet.zero_fuel_cg_pct_mac)


def test_more_people_than_seats_is_refused() -> None:
    scenario = shipped_scenario()
    full = replace(state_of(scenario), adults=(60, 48, 50))
    with pytest.raises(UsageError, match=r"zones\[0\]"):
        scenario_with(scenario, full)
