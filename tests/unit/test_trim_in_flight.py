"""Trim along the flight: the kernel against small steps, and what is read from it."""

from __future__ import annotations

from math import radians

import numpy as np
import pytest

from cgrisk.aircraft.trim import State, aerodynamics_of, stabilizer_to_trim
from cgrisk.flight import fly_block, prepare, trace
from cgrisk.flight.trim_program import conditions, why_no_trim
from cgrisk.risk.quantiles import upper_quantile_bound
from cgrisk.risk.summary import figures_text, summarise
from cgrisk.risk.trim import margins, required_authority, trim_demand, trim_risk
from cgrisk.sampling import simulate
from tests.flight_cases import edited, shipped_scenario
from tests.oracles import force_balance

PHASES = ("climb", "cruise", "descent", "approach", "landing")


@pytest.fixture(scope="module")
def model():
    return prepare(shipped_scenario())


@pytest.fixture(scope="module")
def sample():
    return simulate(shipped_scenario(), flights=6000, seed=4, jobs=2)


def row(model, flight):
    rows = fly_block(model, seed=9, flights=np.array([flight], dtype=np.uint32))
    return dict(zip(model.columns, rows[0].tolist(), strict=True))


def setting_at(model, time, mass, moment):
    """The setting from the nodes' coefficients, by interpolation."""
    trim = model.program.trim
    parts = (trim.base_rad, trim.by_mass, trim.by_moment)
    base, by_mass, by_moment = (np.interp(time, trim.time_s, values) for values in parts)
    return base + by_mass * mass + by_moment * moment


def test_coefficients_at_the_nodes_are_those_of_the_forces(model):
    """Every node's setting from all forces at their points, for three masses and CGs."""
    aero, trim = aerodynamics_of(model.scenario.aircraft), model.program.trim
    planned = model.planned
    mass = np.interp(trim.time_s, planned["time_s"], planned["mass_kg"])
    here = conditions(model.scenario, aero, time_s=trim.time_s, mass_kg=mass)
    checked = 0
    for k in range(0, trim.time_s.size, 3):
        if here.flap[k] != round(here.flap[k]):
            continue  # the oracle has whole flap positions alone
        for m, cg in ((50_000.0, 18.0), (62_000.0, 30.0), (70_000.0, 38.0)):
            moment = m * model.balance.pct_to_arm(cg)
            state = State(
                mass_kg=m,
                h=cg / 100.0,
                eas_mps=float(here.eas_mps[k]),
                mach=float(here.mach[k]),
                thrust_n=float(here.thrust_n[k]),
                flap=int(here.flap[k]),
                gear_down=float(here.gear_down[k]),
            )
            wanted = force_balance.trim(aero, state).stabilizer
            got = trim.base_rad[k] + trim.by_mass[k] * m + trim.by_moment[k] * moment
            assert got == pytest.approx(wanted, abs=1e-9)
            checked += 1
    assert checked > 60


@pytest.mark.parametrize("flight", [0, 3, 8])
def test_extremes_are_those_of_small_steps(model, flight):
    path = trace(model, seed=9, flight=flight)
    figures = row(model, flight)
    for phase in PHASES:
        part = path[path["phase"] == phase]
        least, most, aft = np.inf, -np.inf, -np.inf
        for i in range(0, len(part), 2):  # both ends of every stretch
            a, b = part.iloc[i], part.iloc[i + 1]
            share = np.linspace(0.0, 1.0, 200)
            time = a["time_s"] + share * (b["time_s"] - a["time_s"])
            mass = a["mass_kg"] + share * (b["mass_kg"] - a["mass_kg"])
            moment = a["moment_kgm"] + share * (b["moment_kgm"] - a["moment_kgm"])
            found = setting_at(model, time, mass, moment)
            least, most = min(least, found.min()), max(most, found.max())
            aft = max(aft, float(a["cg_pct_mac"]), float(b["cg_pct_mac"]))
        # The exact extreme may lie a little beyond those of the steps.
        low, high = np.rad2deg(least), np.rad2deg(most)
        assert low - 2e-3 <= figures[f"trim_nose_up_deg.{phase}"] <= low + 1e-9
        assert high - 1e-9 <= figures[f"trim_nose_down_deg.{phase}"] <= high + 2e-3
        assert figures[f"cg_aft_pct_mac.{phase}"] == pytest.approx(aft, abs=1e-9)


@pytest.mark.parametrize("rate", [0.4, 0.005])
def test_the_stabilizer_lags_as_in_small_steps(rate):
    """A stabilizer that goes after the setting at its rate, by steps of 0.02 s."""
    changes = {f"aircraft.stabilizer.rate_flaps_{way}": rate for way in ("up", "down")}
    model = prepare(edited(changes))
    path = trace(model, seed=9, flight=1)
    air = path[path["phase"].isin(PHASES)]
    time = np.arange(float(air["time_s"].iloc[0]), float(air["time_s"].iloc[-1]), 0.02)
    mass = np.interp(time, path["time_s"], path["mass_kg"])
    moment = np.interp(time, path["time_s"], path["moment_kgm"])
    wanted = np.rad2deg(setting_at(model, time, mass, moment))
    at, lag = float(np.rad2deg(model.program.trim.start_rad)), np.zeros(time.size)
    for i, goal in enumerate(wanted):
        at = min(max(goal, at - 0.02 * rate), at + 0.02 * rate)
        lag[i] = abs(goal - at)
    ends = np.cumsum([60.0 * p.minutes for p in model.scenario.operation.phases])
    figures = row(model, 1)
    for phase in PHASES:
        number = model.phases.index(phase)
        inside = (time >= ends[number - 1]) & (time <= ends[number])
        # Within a step the setting may jump with people; between nodes its slope is the mean one.
        assert figures[f"trim_lag_deg.{phase}"] == pytest.approx(lag[inside].max(), abs=0.03)
    assert (figures["trim_lag_deg.approach"] > 0.4) == (rate == 0.005)
    made = 4.0 - model.take_off.set_units
    first = abs(made - float(wanted[0]))
    assert figures["trim_lag_deg.climb"] >= first - 1e-6, "the take-off setting is held at first"


def test_between_the_nodes_the_setting_is_nearly_that_of_the_formula(model):
    """Straight coefficients between nodes against the formula itself, every quarter second."""
    aero, trim, planned = (
        aerodynamics_of(model.scenario.aircraft),
        model.program.trim,
        model.planned,
    )
    time = np.arange(trim.time_s[0] + 0.1, trim.time_s[-1], 0.25)
    mass = np.interp(time, planned["time_s"], planned["mass_kg"])
    moment = np.interp(time, planned["time_s"], planned["moment_kgm"])
    here = conditions(model.scenario, aero, time_s=time, mass_kg=mass)
    state = State(
        mass_kg=mass,
        h=(moment / mass - model.balance.lemac_m) / model.balance.mac_m,
        eas_mps=here.eas_mps,
        mach=here.mach,
        thrust_n=here.thrust_n,
        flap=here.flap,
        gear_down=here.gear_down,
    )
    gap = np.rad2deg(stabilizer_to_trim(aero, state) - setting_at(model, time, mass, moment))
    # The thrust of a climb changes at once where altitude turns: apart from these seconds.
    ends = np.cumsum([60.0 * p.minutes for p in model.scenario.operation.phases])
    far = np.min(np.abs(time[:, None] - ends[None, :]), axis=1) > 1.1
    assert np.abs(gap[far]).max() < 0.01
    assert np.abs(gap).max() < 0.25


@pytest.mark.parametrize("changes", [{"operation.phases.1.speed_kt": 0.0}])
def test_a_flight_that_starts_in_the_air_starts_at_its_own_speed(changes):
    model = prepare(edited(changes))
    table = model.planned_trim
    assert table[["trim_nose_up_deg", "trim_nose_down_deg"]].abs().to_numpy().max() < 10.0


def test_tables_are_those_of_the_rows(sample):
    demand = trim_demand(sample).set_index(["phase", "direction", "probability"])
    values = sample.rows["trim_nose_up_deg.approach"].to_numpy()
    got = demand.loc[("approach", "nose_up", 0.05)]
    assert got["estimate"] == pytest.approx(np.quantile(values, 0.05), abs=0.01)
    assert got["margin_deg"] == pytest.approx(got["estimate"] + 12.0)
    down = demand.loc[("approach", "nose_down", 0.95)]
    assert down["margin_deg"] == pytest.approx(4.0 - down["estimate"])
    planned = sample.model.planned_trim.set_index("phase")
    authority = required_authority(sample, risks=(0.01,)).set_index(["phase", "direction"])
    for phase in PHASES:
        for direction, column, sign in (
            ("nose_up", "trim_nose_up_deg", -1.0),
            ("nose_down", "trim_nose_down_deg", 1.0),
        ):
            extra = sign * (sample.rows[f"{column}.{phase}"] - planned.loc[phase, column])
            exact = upper_quantile_bound(extra.to_numpy(), 0.99).high
            got = authority.loc[(phase, direction)]
            assert -1e-9 <= got["reserve_deg"] - max(exact, 0.0) <= 0.01 + 1e-9
            room = sign * ({"nose_up": -12.0, "nose_down": 4.0}[direction] - got["planned_deg"])
            assert got["left_deg"] == pytest.approx(room - got["reserve_deg"])


def test_few_flights_give_no_bound():
    few = simulate(shipped_scenario(), flights=50, seed=4)
    assert np.isinf(required_authority(few, risks=(0.01,))["reserve_deg"]).all()
    summarise(few).answer(flights_per_second=1.0)


def test_authority_that_runs_out_is_counted():
    stop = prepare(shipped_scenario()).planned_trim["trim_nose_down_deg"].max()
    scenario = edited(
        {
            "aircraft.stabilizer.nose_down_stop": float(stop),
            "aircraft.stabilizer.rate_flaps_down": 0.02,
        }
    )
    sample = simulate(scenario, flights=2000, seed=4)
    table = trim_risk(sample).set_index(["phase", "event"])
    past = (sample.rows["trim_nose_down_deg.approach"] > stop).sum()
    assert 0 < past == table.loc[("approach", "nose_down_stop"), "hits"]
    held = np.rad2deg(radians(17.0) * 0.3) * 0.48
    beyond = (sample.rows["trim_lag_deg.approach"] > held).sum()
    assert beyond == table.loc[("approach", "rate"), "hits"]
    assert table.loc[("any", "nose_down_stop"), "hits"] >= past


def test_margins_fall_one_for_one_with_the_cg(sample):
    table = margins(sample)
    static = table[(table["figure"] == "static_margin") & (table["phase"] == "cruise")]
    manoeuvre = table[(table["figure"] == "manoeuvre_margin") & (table["phase"] == "cruise")]
    aft = sample.rows["cg_aft_pct_mac.cruise"].quantile(0.95)
    planned = sample.model.planned_trim.set_index("phase").loc["cruise", "cg_aft_pct_mac"]
    drop = static["value"].iloc[0] - static["value"].iloc[1]
    assert drop == pytest.approx(aft - planned, abs=0.02)
    assert (manoeuvre["value"].to_numpy() > static["value"].to_numpy()).all()
    flare = table[table["figure"] == "flare_elevator"]["value"]
    assert (flare < 0.0).all(), "common practice, no published source: the flare is a pull"
    assert flare.is_monotonic_decreasing, "a forward CG takes more of it"


def test_without_aerodynamics_everything_else_is_the_same():
    bare = edited({"aircraft.aerodynamics": None, "aircraft.ground_run": None})
    model, whole = prepare(bare), prepare(shipped_scenario())
    flights = np.arange(300, dtype=np.uint32)
    few, all_of_it = (fly_block(m, seed=2, flights=flights) for m in (model, whole))
    assert few.tobytes() == all_of_it[:, : few.shape[1]].tobytes()
    assert model.columns == whole.columns[: few.shape[1]]
    text = figures_text(summarise(simulate(bare, flights=200, seed=1)))
    assert "Trim in flight is left out: the aircraft file has no [aerodynamics]." in text
    assert "take-off setting is left out" in text


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"aircraft.aerodynamics": None}, "no [aerodynamics]"),
        ({"aircraft.stabilizer": None}, "no [stabilizer]"),
        ({"operation.phases.3.speed_kt": 0.0}, "no speed_kt is given for cruise"),
        ({"operation.phases.3.speed_kt": 330.0}, "the planned Mach number reaches 1.0"),
    ],
)
def test_what_is_missing_is_said(changes, reason):
    assert reason in why_no_trim(edited(changes))
    assert prepare(edited(changes)).planned_trim.empty


def test_planned_demand_is_that_of_the_planned_path(model):
    path, table = model.planned, model.planned_trim.set_index("phase")
    for phase in PHASES:
        part = path[path["phase"] == phase]
        time = np.linspace(part["time_s"].iloc[0], part["time_s"].iloc[-1], 4000)
        mass = np.interp(time, part["time_s"], part["mass_kg"])
        moment = np.interp(time, part["time_s"], part["moment_kgm"])
        found = np.rad2deg(setting_at(model, time, mass, moment))
        assert table.loc[phase, "trim_nose_up_deg"] == pytest.approx(found.min(), abs=5e-3)
        assert table.loc[phase, "trim_nose_down_deg"] == pytest.approx(found.max(), abs=5e-3)
