"""The take-off setting: made from the load sheet, needed by the aircraft; errors on the sheet."""

from __future__ import annotations

import json

import numpy as np
import pytest

from cgrisk.aircraft.stabilizer import table_setting, trim_settings_of
from cgrisk.aircraft.trim import State
from cgrisk.errors import UsageError
from cgrisk.flight import conditions, fly_block, prepare, with_entry_error
from cgrisk.report import check_text
from cgrisk.risk.entry import entry_consequences
from cgrisk.risk.summary import figures_text, summarise
from cgrisk.risk.trim import crew_table, take_off_figures, take_off_risk
from cgrisk.sampling import simulate
from cgrisk.scenario.aerodynamics_file import TrimTable
from cgrisk.scenario.entry_file import EntryError
from tests.flight_cases import edited, shipped_scenario
from tests.oracles import force_balance

RUN_COLUMNS = ("nose_wheel_kn.below_vr", "nose_wheel_kn.brake_release", "rotation_degps2")
TABLE = {
    "flaps": "take-off",
    "rating": None,
    "points": [
        [60_000.0, 20.0, 6.0],
        [60_000.0, 40.0, 3.0],
        [70_000.0, 20.0, 7.0],
        [70_000.0, 40.0, 3.5],
    ],
}
BY_TABLE = {
    "aircraft.aerodynamics": None,
    "aircraft.stabilizer": None,
    "aircraft.ground_run": None,
    "aircraft.trim_tables": [TABLE],
}


@pytest.fixture(scope="module")
def model():
    return prepare(shipped_scenario())


def test_units_are_the_crew_s_and_rounding_goes_to_the_step(model):
    settings = trim_settings_of(model.scenario.aircraft)
    assert settings.to_units(np.deg2rad(-2.0)) == pytest.approx(6.0)  # zero at +4 deg, 1 deg a unit
    assert settings.to_rad(settings.to_units(0.03)) == pytest.approx(0.03)
    assert (settings.rounded(4.649), settings.rounded(4.65), settings.rounded(-0.05)) == (
        4.6,
        4.7,
        -0.1,
    )
    assert model.take_off.set_units == pytest.approx(model.take_off.exact_units, abs=0.05 + 1e-12)


def test_the_setting_is_that_of_the_forces_at_v2_and_ten_knots(model):
    plan = model.take_off
    run = plan.run
    speed = run.v2_mps + 10.0 * 1852.0 / 3600.0
    stall = np.sqrt(plan.mass_kg * 9.80665 / (0.5 * 1.225 * 125.0 * 2.10))
    assert run.v2_mps == pytest.approx(1.13 * stall)
    assert run.vr_mps == pytest.approx(1.10 * stall)
    state = State(
        mass_kg=plan.mass_kg,
        h=plan.cg_pct_mac / 100.0,
        eas_mps=speed,
        mach=speed / 340.294,
        thrust_n=210e3 * (1.0 - 0.0022 * speed),
        flap=1,
    )
    angle = np.rad2deg(force_balance.trim(run.aero, state).stabilizer)
    assert plan.exact_units == pytest.approx(4.0 - angle, abs=1e-5)


def test_figures_of_a_flight_are_those_of_its_own_mass_and_cg(model):
    rows = fly_block(model, seed=3, flights=np.arange(40, dtype=np.uint32))
    place = {name: i for i, name in enumerate(model.columns)}
    plan = model.take_off
    for row in rows[::13]:
        mass, cg = row[place["take_off_mass_kg"]], row[place["take_off_cg_pct_mac"]]
        made = float(plan.settings.to_rad(plan.set_units))
        state = {
            "mass_kg": mass,
            "h": cg / 100.0,
            "stabilizer_rad": made,
            "flap": 1,
            "gear_down": 1.0,
        }
        vr = plan.run.vr_mps
        rotated = force_balance.rotate(
            plan.run.aero,
            plan.run.rotation,
            eas_mps=vr,
            elevator_rad=plan.run.pull_rad,
            thrust_n=float(plan.run.thrust(vr)),
            **state,
        )
        assert row[place[RUN_COLUMNS[2]]] == pytest.approx(np.rad2deg(rotated.theta_dd), rel=1e-9)
        loads = [
            force_balance.stand(
                plan.run.aero,
                plan.run.rotation,
                eas_mps=vr * k / 40.0,
                elevator_rad=0.0,
                thrust_n=float(plan.run.thrust(vr * k / 40.0)),
                **state,
            ).nose_load
            for k in range(1, 41)
        ]
        assert row[place[RUN_COLUMNS[0]]] == pytest.approx(1e-3 * min(loads), rel=1e-9)
        needed = float(plan.needed_units(mass_kg=mass, cg_pct_mac=cg))
        assert row[place["take_off_setting_needed_units"]] == needed
        assert row[place["take_off_mis_trim_units"]] == plan.set_units - needed


def test_the_cgs_of_the_limits_are_on_them(model):
    plan = model.take_off
    limits = plan.cg_limits()
    mass = plan.mass_kg
    at = limits["uncommanded_rotation"] / 100.0
    load = plan.least_nose_load(mass_kg=mass, h=at, units=plan.set_units)
    assert float(load) == pytest.approx(0.0, abs=1.0)
    assert float(plan.least_nose_load(mass_kg=mass, h=at + 0.01, units=plan.set_units)) < 0.0
    at = limits["no_rotation"] / 100.0
    rate = plan.acceleration(mass_kg=mass, h=at, units=plan.set_units)
    assert np.rad2deg(float(rate)) == pytest.approx(3.0, abs=1e-6)
    at = limits["nose_lifts_at_release"] / 100.0
    # Statics alone: weight behind the wheels balances the thrust above the ground less inertia.
    pull = 210e3 - 0.02 * mass * 9.80665
    moment = -mass * 9.80665 * (0.54 - at) * 4.2 - 210e3 * 2.0 + pull * 3.25
    assert moment == pytest.approx(0.0, abs=10.0)
    assert limits["no_rotation"] < plan.cg_pct_mac < limits["uncommanded_rotation"]


def test_the_ends_of_the_usable_band_are_the_limits(model):
    plan = model.take_off
    least, most = plan.usable_band()
    h = plan.cg_pct_mac / 100.0
    rate = plan.acceleration(mass_kg=plan.mass_kg, h=h, units=least)
    assert np.rad2deg(float(rate)) == pytest.approx(3.0, abs=1e-6)
    assert least < plan.set_units < most
    # Common practice, no published source: too much nose-up trim rotates early, too little late.
    early = plan.least_nose_load(mass_kg=plan.mass_kg, h=h, units=most + 1.5)
    assert float(early) < 0.0
    assert float(plan.acceleration(mass_kg=plan.mass_kg, h=h, units=least - 0.5)) < float(rate)
    tight = prepare(edited({"aircraft.stabilizer.nose_up_stop": 0.0}))
    assert tight.take_off.usable_band()[1] == pytest.approx(4.0), "inside the mechanical range"


def test_risks_are_those_of_the_rows_and_lead_with_the_error_needed():
    scenario = edited(
        {
            "aircraft.ground_run.rotation_needed": 7.0,
            "aircraft.stabilizer.take_off_band": [4.5, 9.0],
        }
    )
    sample = simulate(scenario, flights=2000, seed=8)
    table = take_off_risk(sample).set_index("event")
    rows = sample.rows
    assert table.loc["no_rotation", "hits"] == (rows["rotation_degps2"] < 7.0).sum() > 0
    needed = rows["take_off_setting_needed_units"]
    assert table.loc["needed_outside_band", "hits"] == (needed < 4.5).sum() > 0
    plan = sample.model.take_off
    wanted = plan.cg_limits()["no_rotation"] - plan.cg_pct_mac
    assert table.loc["no_rotation", "cg_error_needed_pct_mac"] == pytest.approx(wanted)
    figures = take_off_figures(sample)
    assert figures["mis_trim_95_pct_units"] == pytest.approx(
        rows["take_off_mis_trim_units"].quantile(0.95), abs=0.01
    )
    assert figures["units_per_pct_mac"] < 0.0, "an aft CG needs less nose-up trim"
    # Too much nose-up trim is made where the CG is really further aft than the setting fits.
    aft = figures["mis_trim_95_pct_as_cg_aft_pct_mac"]
    assert aft == pytest.approx(
        rows["take_off_cg_pct_mac"].quantile(0.95) - plan.cg_pct_mac, abs=0.3
    )
    assert figures["mis_trim_95_pct_deg"] == pytest.approx(-figures["mis_trim_95_pct_units"])
    assert figures["setting_made_is_in_trim_band"] == 1.0
    text = figures_text(summarise(sample))
    assert text.index("CG error needed") < text.index("does not rotate at VR")


def test_people_who_change_zones_in_trim_units(model):
    """Seated otherwise at take-off; in the air by two balances of all forces."""
    table = crew_table(model, people=10).set_index(["phase", "from_zone", "to_zone"])
    arms = dict(zip(model.plan.zones, model.program.cabin.zone_arm_m, strict=True))
    moment = 10 * 84.0 * (arms["C"] - arms["A"])
    row = table.loc[("take_off", "A", "C")]
    shift = 100.0 * moment / (model.take_off.mass_kg * 4.2)
    assert row["cg_shift_pct_mac"] == pytest.approx(shift)
    assert row["trim_units"] < 0.0 < row["elevator_deg"], "tail-heavy: less nose-up trim, a push"
    assert row["elevator_deg"] == pytest.approx(-row["trim_units"] / 0.48)
    back = table.loc[("take_off", "C", "A")]
    assert back["trim_units"] == pytest.approx(-row["trim_units"])
    aero, planned = model.take_off.run.aero, model.planned
    part = planned[planned["phase"] == "cruise"]
    time = np.array([0.5 * (part["time_s"].iloc[0] + part["time_s"].iloc[-1])])
    mass = np.interp(time, planned["time_s"], planned["mass_kg"])
    here = conditions(model.scenario, aero, time_s=time, mass_kg=mass)
    found = []
    for h in (0.3, 0.3 + moment / (float(mass[0]) * 4.2)):
        state = State(
            mass_kg=float(mass[0]),
            h=h,
            eas_mps=float(here.eas_mps[0]),
            mach=float(here.mach[0]),
            thrust_n=float(here.thrust_n[0]),
        )
        found.append(np.rad2deg(force_balance.trim(aero, state).stabilizer))
    cruise = table.loc[("cruise", "A", "C"), "trim_units"]
    assert cruise == pytest.approx(-(found[1] - found[0]), rel=1e-6)
    assert abs(cruise) < 0.5 * abs(row["trim_units"]), "fast flight asks less of the trim"
    with pytest.raises(UsageError, match="people: expected a number of at least 1"):
        crew_table(model, people=0)


# --- the operator's table alone ----------------------------------------------------------------


def test_a_trim_table_is_straight_between_its_points():
    table = TrimTable.model_validate(TABLE | {"points": [tuple(p) for p in TABLE["points"]]})
    assert float(table_setting(table, mass_kg=65_000.0, cg_pct_mac=30.0)) == pytest.approx(4.875)
    assert float(table_setting(table, mass_kg=60_000.0, cg_pct_mac=20.0)) == pytest.approx(6.0)
    assert float(table_setting(table, mass_kg=60_000.0, cg_pct_mac=45.0)) == pytest.approx(2.25)
    line = TrimTable(flaps="x", points=((6e4, 20.0, 5.0), (6e4, 30.0, 4.0)))
    assert float(table_setting(line, mass_kg=7e4, cg_pct_mac=25.0)) == pytest.approx(4.5)
    mass = TrimTable(flaps="x", points=((6e4, 20.0, 5.0), (7e4, 20.0, 6.0)))
    assert float(table_setting(mass, mass_kg=6.5e4, cg_pct_mac=33.0)) == pytest.approx(5.5)


def test_mis_trim_works_from_the_operator_s_table_alone():
    sample = simulate(edited(BY_TABLE), flights=500, seed=2)
    plan = sample.model.take_off
    assert plan.run is None
    column = "take_off_setting_needed_units"
    mass, cg = sample.rows["take_off_mass_kg"], sample.rows["take_off_cg_pct_mac"]
    wanted = table_setting(plan.table, mass_kg=mass, cg_pct_mac=cg)
    np.testing.assert_allclose(sample.rows[column], wanted, rtol=1e-12)
    summary = summarise(sample)
    text = figures_text(summary)
    assert "Rotation is left out" in text
    assert "units on 90 % of flights" in text
    assert "held by" not in text
    json.dumps(summary.answer(flights_per_second=1.0), allow_nan=False)


def test_a_table_of_another_rating_is_not_read():
    other = edited({"aircraft.trim_tables": [TABLE | {"rating": "reduced"}]})
    assert prepare(other).take_off.table is None
    same = edited({"operation.thrust_rating": "reduced"}, base=other)
    assert prepare(same).take_off.table is not None
    both = edited({"aircraft.trim_tables": [TABLE, TABLE | {"rating": "reduced"}]}, base=same)
    assert prepare(both).take_off.table.rating == "reduced", "its own table comes first"


# --- errors on the load sheet ------------------------------------------------------------------


def shift(model, error, flights=1500):
    numbers = np.arange(flights, dtype=np.uint32)
    wrong = with_entry_error(model, error)
    before, after = (fly_block(m, seed=6, flights=numbers) for m in (model, wrong))
    gap = after - before
    names = ("take_off_mass_kg", "take_off_cg_pct_mac", "take_off_setting_needed_units")
    return wrong, [gap[:, model.columns.index(name)] for name in names]


def test_swapped_holds_shift_the_cg_by_hand(model):
    error = EntryError(name="x", kind="swapped_holds", holds=("forward hold", "aft hold"))
    wrong, (mass, cg, _) = shift(model, error)
    holds = {hold.name: hold.arm for hold in model.scenario.aircraft.holds}
    loads = {load.hold: load for load in model.scenario.operation.hold_loads}
    bag = model.program.hold.bag_mean_kg
    carried = {name: load.bags * bag + load.cargo for name, load in loads.items()}
    apart = holds["aft hold"] - holds["forward hold"]
    moment = (carried["forward hold"] - carried["aft hold"]) * apart
    wanted = 100.0 * moment / (model.take_off.mass_kg * 4.2)
    assert cg.mean() == pytest.approx(wanted, rel=0.05)
    assert abs(mass.mean()) < 20.0
    assert wrong.take_off.set_units == model.take_off.set_units, "the sheet stays as it is"


def test_a_wrong_zone_count_moves_people_and_no_mass(model):
    error = EntryError(name="x", kind="zone_count", people=6, from_zone="B", to_zone="A")
    _, (mass, cg, units) = shift(model, error)
    arms = dict(zip(model.plan.zones, model.program.cabin.zone_arm_m, strict=True))
    wanted = 100.0 * 6 * 84.0 * (arms["A"] - arms["B"]) / (model.take_off.mass_kg * 4.2)
    assert cg.mean() == pytest.approx(wanted, rel=0.35)  # who sits where in a zone changes too
    assert abs(mass.mean()) < 30.0
    assert units.mean() > 0.0, "really further forward: more nose-up trim is needed"


def test_children_counted_as_adults_are_lighter_than_the_sheet_says(model):
    error = EntryError(name="x", kind="children_as_adults", people=60)
    wrong, (mass, _, _) = shift(model, error)
    zones = wrong.scenario.operation.zones
    told = model.scenario.operation.zones
    assert sum(z.children for z in zones) == sum(z.children for z in told) + 60
    assert sum(z.adults for z in zones) == sum(z.adults for z in told) - 60
    # A child of 2 to 11 years weighs some 28 kg, an adult some 83 (NHANES 2017-2018).
    assert mass.mean() == pytest.approx(-60 * 55.0, rel=0.15)


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (
            {"kind": "zone_count", "people": 60, "from_zone": "A", "to_zone": "C"},
            "at most 8 people",
        ),
        ({"kind": "zone_count", "people": 1, "from_zone": "A", "to_zone": "Q"}, "a zone out of A"),
        ({"kind": "children_as_adults", "people": 900}, "at most 140 people"),
        ({"kind": "swapped_holds"}, "a hold out of forward hold"),
    ],
)
def test_errors_that_cannot_be_made_are_refused(model, error, said):
    with pytest.raises(UsageError, match=said):
        with_entry_error(model, EntryError(name="x", **error))


def test_an_error_that_this_load_does_not_allow_is_a_line_and_no_more():
    crowded = {"operation.with_entry_errors": True, "operation.entry_errors.0.people": 30}
    table = entry_consequences(simulate(edited(crowded), flights=120, seed=3))
    first = table[table["error"] == "wrong zone"]
    assert len(first) == 1
    assert "cannot happen with this load" in first["meaning"].iloc[0]
    assert (table[table["error"] != "wrong zone"]["flights"] == 120).all()
    assert "cannot happen" in check_text(edited(crowded))
    none = edited({"operation.with_entry_errors": True, "operation.entry_errors": []})
    assert "states none" in figures_text(summarise(simulate(none, flights=120, seed=3)))


def test_entry_errors_are_told_apart_and_change_no_flight():
    plain = simulate(shipped_scenario(), flights=400, seed=3)
    asked = simulate(edited({"operation.with_entry_errors": True}), flights=400, seed=3)
    assert plain.rows.to_numpy().tobytes() == asked.rows.to_numpy().tobytes()
    assert entry_consequences(plain).empty
    table = entry_consequences(asked)
    assert set(table["error"]) == {"wrong zone", "holds swapped", "children as adults"}
    assert "Given an error on the load sheet" in figures_text(summarise(asked))
    assert "Given an error" not in figures_text(summarise(plain))


# --- two anonymised investigations, in order of size -------------------------------------------


def test_even_seating_assumed_but_forward_in_fact():
    """AAIB bulletin 2/2018 (read): 4.5 units set, 7 needed. Re-enacted, nothing tuned.

    Two thirds of the load sheet's people of zone C sit in zone A of an aircraft half full.
    """
    zones = [
        {"name": "A", "rows": "1-9", "adults": 25, "children": 0},
        {"name": "B", "rows": "10-19", "adults": 30, "children": 0},
        {"name": "C", "rows": "20-29", "adults": 30, "children": 0},
    ]
    model = prepare(edited({"operation.zones": zones, "operation.parties": []}))
    error = EntryError(name="x", kind="zone_count", people=20, from_zone="C", to_zone="A")
    _, (_, cg, units) = shift(model, error, flights=500)
    assert -14.0 < cg.mean() < -6.0
    assert 1.5 < units.mean() < 4.0, "the same order as 2.5 units"


def test_children_taken_for_adults():
    """ATSB AO-2014-088 (read): 87 children, 3.5 to 5 t overstated, about 1 unit off."""
    model = prepare(shipped_scenario())
    error = EntryError(name="x", kind="children_as_adults", people=87)
    _, (mass, _, units) = shift(model, error, flights=500)
    assert -6000.0 < mass.mean() < -3500.0
    assert abs(units.mean()) < 1.5
