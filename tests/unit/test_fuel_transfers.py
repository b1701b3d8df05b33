"""Transfers of fuel between tanks: by hand, against small steps, late, stuck, and as strata."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cgrisk.aircraft import fill_plan, transfer_fuel
from cgrisk.decide.conventional_fuel import fuel_path, planned_transfers
from cgrisk.decide.fuel_states import fuel_states
from cgrisk.flight import fly_block, prepare, trace
from cgrisk.rare import strata_of
from tests.flight_cases import edited
from tests.oracles.stepped_fuel import fuel_by_steps
from tests.simpy_cases import certain, times_rates
from tests.twin_cases import trim_aircraft, twin_scenario

STILL = {
    **times_rates(0.0),
    "operation.crowd.sign_off_share": 0.0,
    "operation.service.carts": [],
    "operation.service.crew_walks": 0.0,
    "operation.phases": [
        {"kind": "take_off", "minutes": 10.0, "fuel_flow": 1.0},
        {"kind": "cruise", "minutes": 60.0, "fuel_flow": 0.0},
        {"kind": "landing", "minutes": 1.0, "fuel_flow": 0.0},
    ],
}


def pumped(**transfer):
    """Nobody moves; 600 kg are burnt before the cruise, in which nothing is burnt."""
    return certain({**STILL, **trim_aircraft(**transfer)})


def moment_gained(scenario):
    """What the planned moment gains in the cruise, and over how many seconds."""
    path = prepare(scenario).planned
    cruise = path[path["phase"] == "cruise"]
    rising = cruise[np.concatenate([np.diff(cruise["moment_kgm"]) != 0.0, [False]])]
    ends = np.flatnonzero(np.diff(cruise["moment_kgm"].to_numpy()) != 0.0)
    gained = cruise["moment_kgm"].iloc[-1] - cruise["moment_kgm"].iloc[0]
    if rising.empty:
        return gained, 0.0, 0.0
    begin, end = rising["time_s"].iloc[0], cruise["time_s"].iloc[ends[-1] + 1]
    return gained, begin, end - begin


def test_a_transfer_at_constant_mass_by_hand():
    """0.6 m3 of 800 kg/m3 go 10 m aft at 0.5 kg/s: 4,800 kg m in 960 s."""
    gained, begin, lasts = moment_gained(pumped(at_fuel=7_000.0))
    assert gained == pytest.approx(4_800.0, abs=1e-6)
    assert begin == pytest.approx(600.0, abs=1e-9)
    assert lasts == pytest.approx(960.0, abs=1e-6)


def test_it_waits_for_the_fuel_and_for_the_cruise():
    """Fuel stays at 6,400 kg in the cruise: a transfer at 6,400 kg falls due, one below not."""
    assert moment_gained(pumped(at_fuel=6_400.0))[0] == pytest.approx(4_800.0, abs=1e-6)
    assert moment_gained(pumped(at_fuel=6_399.9))[0] == 0.0
    burning = pumped(at_fuel=6_000.0).resolved()["operation"]["phases"]
    burning[1]["fuel_flow"] = 1.0
    path = prepare(edited({"operation.phases": burning}, pumped(at_fuel=6_000.0))).planned
    path = path.drop_duplicates("time_s", keep="last")
    # 400 kg are burnt in 400 s from main at arm 17, before the transfer's 5 kg m/s come to it.
    late = path[(path["time_s"] >= 1_000.0 - 1e-6) & (path["time_s"] <= 1_960.0 + 1e-6)]
    slope = np.diff(late["moment_kgm"]) / np.diff(late["time_s"])
    assert slope[0] == pytest.approx(0.5 * 10.0 - 17.0, abs=1e-6)
    early = path[(path["time_s"] >= 600.0) & (path["time_s"] <= 1_000.0 + 1e-6)]
    whole = early["moment_kgm"].iloc[-1] - early["moment_kgm"].iloc[0]
    assert whole == pytest.approx(-17.0 * 400.0, abs=1e-4)


@pytest.mark.parametrize(
    ("quantity", "moved_m3"),
    [(0.6, 0.6), (None, 1.0), (5.0, 1.0), (1e-3, 1e-3)],
    ids=["quantity", "until full", "more than there is room for", "a litre"],
)
def test_it_ends_with_the_quantity_or_a_full_tank(quantity, moved_m3):
    scenario = pumped(at_fuel=7_000.0, quantity=quantity)
    assert moment_gained(scenario)[0] == pytest.approx(8_000.0 * moved_m3, abs=1e-6)
    filled = fill_plan(scenario.aircraft, 7_000.0 / 800.0)
    after = transfer_fuel(scenario.aircraft, filled, number=0)
    assert after.tolist() == pytest.approx([8.75 - moved_m3, moved_m3], abs=1e-12)


def test_back_and_forth_leaves_the_moment_as_it_was():
    """Aft, then forward all there is: the giving tank runs dry and what was moved is back.

    600 kg are burnt before the cruise, then 1 kg/s: aft from 600 s on, forward from 1,600 s on.
    """
    aft = trim_aircraft(at_fuel=7_000.0)["aircraft.fuel_transfers"][0]
    forward = {"name": "trim forward", "from_tanks": ["trim"], "to_tanks": ["main"]}
    both = [aft, {**forward, "at_fuel": 5_400.0, "flow": 0.25}]
    burning = pumped().resolved()["operation"]["phases"]
    burning[1]["fuel_flow"] = 1.0
    base = edited({"operation.phases": burning}, pumped())
    with_them = prepare(edited({"aircraft.fuel_transfers": both}, base)).planned
    without = prepare(edited({"aircraft.fuel_transfers": []}, base)).planned
    at = np.array([600.0, 1_080.0, 1_560.0, 1_600.0, 2_560.0, 3_520.0, 4_200.0])
    gained = [np.interp(at, p["time_s"], p["moment_kgm"]) for p in (with_them, without)]
    by_hand = [0.0, 2_400.0, 4_800.0, 4_800.0, 2_400.0, 0.0, 0.0]
    assert gained[0] - gained[1] == pytest.approx(by_hand, abs=1e-6)


def test_least_margin_is_that_of_the_moment_with_all_fuel_aft():
    """The extreme of the flight is found at the transfer's end, not between two other events."""
    model = prepare(pumped(at_fuel=7_000.0))
    rows = model.planned_margins.set_index(["phase", "side"])
    without = prepare(pumped(at_fuel=0.0)).planned_margins.set_index(["phase", "side"])
    place = ("cruise", "aft")
    lost = without.loc[place, "moment_margin_kgm"] - rows.loc[place, "moment_margin_kgm"]
    assert lost == pytest.approx(4_800.0, abs=1e-6)
    assert rows.loc[place, "time_of_least_s"] == pytest.approx(1_560.0, abs=1e-6)


@pytest.mark.parametrize("late_s", [[0.0, 0.0], [900.0, 0.0], [np.inf, 0.0], [0.0, np.inf]])
def test_the_shipped_transfers_against_small_steps(late_s):
    """Every 20 s of nine hours; the steps of 2 s are off by what flows in some of them."""
    scenario = twin_scenario()
    times, mass, moment, tanks = fuel_by_steps(scenario, late_s=late_s, step_s=2.0)
    model = prepare(scenario)
    if late_s == [0.0, 0.0]:
        path, kg = model.planned, model.sheet.zero_fuel_mass_kg
        still = model.planned["moment_kgm"] - model.sheet.zero_fuel_moment_kgm
        got = np.interp(times[::10], path["time_s"], still)
        np.testing.assert_allclose(
            np.interp(times[::10], path["time_s"], path["mass_kg"]) - kg, mass[::10], atol=0.5
        )
        np.testing.assert_allclose(got, moment[::10], atol=250.0)
        # The trim tank is full in the night and empty at the end.
        assert max(state["trim"] for state in tanks) == pytest.approx(3.0, abs=1e-6)
        assert tanks[-1]["trim"] == pytest.approx(0.0, abs=1e-6)
    elif np.isinf(late_s[1]):
        assert tanks[-1]["trim"] == pytest.approx(3.0, abs=1e-6)


def certain_twin_fuel(stuck):
    """The shipped twin aisle with nothing in doubt but its transfers."""
    changes = {f"aircraft.fuel_transfers.{i}.stuck": chance for i, chance in enumerate(stuck)}
    changes |= {f"aircraft.fuel_transfers.{i}.late_mean": 0.0 for i in range(2)}
    doubt = {
        "aircraft.fuel_uncertainty.gauging_of_reading": 0.0,
        "aircraft.fuel_uncertainty.gauging_of_capacity": 0.0,
        "operation.fuel.density_sd": 0.0,
        "operation.fuel.burn_sd": 0.0,
    }
    return twin_scenario({**changes, **doubt})


def test_a_stuck_forward_transfer_moves_the_landing_cg_by_hand():
    """3,000 l stay in the tail and as much less in the outer tanks: same words, same mass."""
    flights = np.arange(50, dtype=np.uint32)
    whole, stuck = (
        pd.DataFrame(fly_block(model, seed=3, flights=flights), columns=list(model.columns))
        for model in (prepare(certain_twin_fuel(s)) for s in ([0.0, 0.0], [0.0, 1.0]))
    )
    # Litres at landing: the outer tanks have what the inner ones' last 7,000 leave of the wings'.
    litres = next(
        (64_500.0 - sum(p.fuel_flow * 60.0 * p.minutes for p in phases)) / 0.8 - 7_000.0
        for phases in [certain_twin_fuel([0.0, 1.0]).operation.phases[:-2]]
    )
    outer = [(litres - left) / 2.0 for left in (0.0, 3_000.0)]
    assert 2_000.0 < outer[0] < 3_600.0
    assert 0.0 < outer[1] < 2_000.0
    from_outer = (outer[0] - 2_000.0) * 37.4 + (2_000.0 - outer[1]) * 36.2
    by_hand = 0.8 * (1_800.0 * 58.3 + 1_200.0 * 59.2 - 2.0 * from_outer)
    assert np.allclose(whole["landing_mass_kg"], stuck["landing_mass_kg"], rtol=0, atol=1e-6)
    arm = (stuck["landing_cg_pct_mac"] - whole["landing_cg_pct_mac"]) * 7.2 / 100.0
    moved = (arm * whole["landing_mass_kg"]).to_numpy()
    np.testing.assert_allclose(moved, by_hand, atol=0.01)
    assert by_hand == pytest.approx(52_744.0, abs=0.5)
    assert (stuck["take_off_cg_pct_mac"] == whole["take_off_cg_pct_mac"]).all()
    assert (stuck["trips"] == whole["trips"]).all()


def test_delays_are_exponential(seed_offset):
    """From the moment that has gone aft by the landing; those that had not begun are cut off."""
    scenario = pumped(at_fuel=7_000.0, quantity=None, flow=0.2, late_mean=20.0)
    model = prepare(scenario)
    flights = np.arange(4_000, dtype=np.uint32)
    rows = fly_block(model, seed=11 + seed_offset, flights=flights)
    frame = pd.DataFrame(rows, columns=list(model.columns))
    # 0.2 kg/s over at most 3,600 s are 720 kg, less than the tank holds.
    mass = frame["landing_mass_kg"]
    moment = frame["landing_cg_pct_mac"] / 100.0 * 4.2 * mass
    start = frame["take_off_cg_pct_mac"] / 100.0 * 4.2 * frame["take_off_mass_kg"]
    burnt = frame["take_off_mass_kg"] - mass
    gained = moment - start + burnt * (17.0 - 16.4)
    late = 3_600.0 - (gained / (0.2 * 10.0)).to_numpy()
    assert late.min() > 0.0
    begun = late[late < 3_600.0 - 1e-6]
    share = np.exp(-3_600.0 / 1_200.0)
    unbegun = int((late >= 3_600.0 - 1e-6).sum())
    assert stats.binomtest(unbegun, late.size, share).pvalue > 1e-6
    law = stats.truncexpon(b=3.0, scale=1_200.0)
    assert stats.kstest(begun, law.cdf).pvalue > 1e-6


def test_the_share_stuck_and_nothing_else_drawn_anew(seed_offset):
    flights = np.arange(6_000, dtype=np.uint32)
    base = prepare(pumped(at_fuel=7_000.0))
    plain = fly_block(base, seed=5 + seed_offset, flights=flights)
    model = prepare(pumped(at_fuel=7_000.0, stuck=0.3))
    rows = fly_block(model, seed=5 + seed_offset, flights=flights)
    column = list(model.columns).index("landing_cg_pct_mac")
    moved = rows[:, column] != plain[:, column]
    assert stats.binomtest(int(moved.sum()), flights.size, 0.3).pvalue > 1e-6
    assert np.array_equal(rows[~moved], plain[~moved], equal_nan=True)
    assert (model.planned == base.planned).all().all()
    stuck = {s.name: s for s in strata_of(model)}
    assert {name: s.probability for name, s in stuck.items()} == {
        "none": pytest.approx(0.7),
        "trim aft stuck": pytest.approx(0.3),
    }
    all_stuck = fly_block(stuck["trim aft stuck"].model, seed=5 + seed_offset, flights=flights)
    none = fly_block(stuck["none"].model, seed=5 + seed_offset, flights=flights)
    assert np.array_equal(none, plain, equal_nan=True)
    assert np.array_equal(all_stuck[moved], rows[moved], equal_nan=True)


def test_strata_of_two_transfers_add_up_to_one():
    strata = strata_of(prepare(twin_scenario()))
    assert sum(s.probability for s in strata) == pytest.approx(1.0, abs=1e-15)
    assert [s.name for s in strata] == [
        "none",
        "trim transfer aft stuck",
        "trim transfer forward stuck",
        "trim transfer aft stuck and trim transfer forward stuck",
    ]


def test_fuel_states_hold_those_of_the_planned_flight():
    """Before, between and after the transfers; the stack's path agrees where both have a state."""
    scenario = twin_scenario()
    model = prepare(scenario)
    states = fuel_states(scenario, densities_kgpm3=[800.0], blocks=12, steps=30)
    due = planned_transfers(model)
    assert [number for number, _ in due] == [0, 1]
    assert [kg for _, kg in due] == pytest.approx([6_500.0, 50_000.0])
    path = fuel_path(
        scenario.aircraft,
        fill_plan(scenario.aircraft, 64_500.0 / 800.0),
        density=800.0,
        transfers=due,
    )
    # A state with the whole trim tank: about 5 % MAC aft of one without, at one mass.
    near = np.abs(states.mass_kg - 30_000.0) < 2_000.0
    arms = states.moment_kgm[near] / states.mass_kg[near]
    assert np.ptp(arms) > 1.0
    planned = model.planned.drop_duplicates("time_s")
    burnt = planned["mass_kg"].iloc[0] - planned["mass_kg"]
    still = planned["moment_kgm"] - model.sheet.zero_fuel_moment_kgm
    for kg in (1_000.0, 20_000.0, 45_000.0, 54_000.0):
        of_plan = float(np.interp(kg, burnt, still))
        assert float(path.moment_kgm(np.array(kg))) == pytest.approx(of_plan, abs=100.0)


def test_a_replay_shows_the_transfer(seed_offset):
    model = prepare(pumped(at_fuel=7_000.0, late_mean=10.0))
    path = trace(model, seed=2 + seed_offset, flight=1)
    cruise = path[path["phase"] == "cruise"]
    assert np.ptp(cruise["moment_kgm"]) == pytest.approx(4_800.0, abs=1e-6)
    assert np.ptp(cruise["mass_kg"]) == 0.0
