"""The exact CG path: against small steps, by hand, and at the limit itself."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cgrisk.flight import SIDES, fly_block, phase_column, prepare, trace
from cgrisk.flight.kernel.data import PathData
from cgrisk.flight.kernel.margins import (
    error_extremes,
    least_margin,
    least_moment,
    seconds_outside,
)
from tests.flight_cases import edited, shipped_scenario
from tests.oracles.plain_flight import planned_path

CALM = {
    "aircraft.dry_uncertainty.mass_sd_aircraft": 0.0,
    "aircraft.dry_uncertainty.mass_sd_flight": 0.0,
    "aircraft.dry_uncertainty.cg_sd_aircraft": 0.0,
    "aircraft.dry_uncertainty.cg_sd_flight": 0.0,
}


@pytest.fixture(scope="module")
def model():
    return prepare(shipped_scenario())


def test_planned_path_against_small_steps(model):
    slow = planned_path(
        model.scenario,
        zero_fuel_kg=model.sheet.zero_fuel_mass_kg,
        zero_fuel_moment=model.sheet.zero_fuel_moment_kgm,
        steps=400,
    )
    fast = model.planned
    for number, phase in enumerate(model.phases):
        part = fast[fast["phase"] == phase]
        here = slow.phase == number
        mass = np.interp(slow.time_s[here], part["time_s"], part["mass_kg"])
        moment = np.interp(slow.time_s[here], part["time_s"], part["moment_kgm"])
        cg = model.balance.cg_pct_mac(mass, moment)
        np.testing.assert_allclose(mass, slow.mass_kg[here], rtol=1e-12)
        np.testing.assert_allclose(cg, slow.cg_pct[here], atol=2e-9)
        for side in SIDES:
            rows = model.planned_margins
            row = rows[(rows["phase"] == phase) & (rows["side"] == side)].iloc[0]
            # The grid can only miss the least value, by less than one step's change.
            least = slow.margin[number, side]
            assert row["margin_pct_mac"] <= least + 1e-9
            assert row["margin_pct_mac"] == pytest.approx(least, abs=0.005)
            assert row["moment_margin_kgm"] <= slow.moment_margin[number, side] + 1e-3
            assert row["moment_margin_kgm"] == pytest.approx(
                slow.moment_margin[number, side], abs=20.0
            )


def test_figures_of_a_flight_are_those_of_its_replay(model):
    flights = np.arange(40, dtype=np.uint32)
    rows = pd.DataFrame(fly_block(model, seed=9, flights=flights), columns=model.columns)
    from cgrisk.aircraft import certified_limits

    limits = certified_limits(model.scenario.aircraft)
    kinds = {n: p.kind for n, p in zip(model.phases, model.scenario.operation.phases, strict=True)}
    for flight in (0, 7, 39):
        path = trace(model, seed=9, flight=flight)
        planned = model.planned
        errors = {True: [np.inf, -np.inf], False: [np.inf, -np.inf]}
        for phase in model.phases:
            part = path[path["phase"] == phase]
            t0, t1 = part["time_s"].to_numpy()[::2], part["time_s"].to_numpy()[1::2]
            share = np.linspace(0.0, 1.0, 200)[:, None]
            time = (t0 + share * (t1 - t0)).ravel()
            # Between its own ends: the moment may jump from one stretch to the next.
            mass, moment = (
                (x[::2] + share * (x[1::2] - x[::2])).ravel()
                for x in (part["mass_kg"].to_numpy(), part["moment_kgm"].to_numpy())
            )
            cg = model.balance.cg_pct_mac(mass, moment)
            for side in SIDES:
                margin = limits[kinds[phase]].margin(mass, cg, side=side)
                got = rows.loc[flight, phase_column("margin_pct_mac", phase=phase, side=side)]
                assert got <= margin.min() + 1e-9
                assert got == pytest.approx(margin.min(), abs=1e-4)
            p_mass = np.interp(time, planned["time_s"], planned["mass_kg"])
            p_moment = np.interp(time, planned["time_s"], planned["moment_kgm"])
            error = cg - model.balance.cg_pct_mac(p_mass, p_moment)
            flying = kinds[phase] in ("climb", "cruise", "descent")
            errors[flying] = [
                min(errors[flying][0], error.min()),
                max(errors[flying][1], error.max()),
            ]
        for flying, group in ((False, "take_off_and_landing"), (True, "in_flight")):
            low = rows.loc[flight, f"error_min_pct_mac.{group}"]
            high = rows.loc[flight, f"error_max_pct_mac.{group}"]
            assert low <= errors[flying][0] + 1e-9
            assert high >= errors[flying][1] - 1e-9
            assert low == pytest.approx(errors[flying][0], abs=1e-4)
            assert high == pytest.approx(errors[flying][1], abs=1e-4)


def test_parts_add_up_to_the_take_off_error(model):
    rows = fly_block(model, seed=2, flights=np.arange(500, dtype=np.uint32))
    frame = pd.DataFrame(rows, columns=model.columns)
    parts = frame.filter(like="take_off_error_kgm.").sum(axis=1)
    program = model.program
    arm = model.balance.pct_to_arm(frame["take_off_cg_pct_mac"])
    whole = frame["take_off_mass_kg"] * (arm - program.sheet.take_off_arm_m)
    np.testing.assert_allclose(parts, whole, atol=1e-6)


def test_one_scripted_walker_by_hand():
    """84 kg from row 20 (arm 21.8 m) to a lavatory at 30.4 m, three minutes there, and back."""
    weight, seat, lavatory, speed = 84.0, 21.8, 30.4, 0.8
    walk = (lavatory - seat) / speed
    leave = 3600.0
    times = np.array([leave, leave + walk, leave + walk + 180.0, leave + 2 * walk + 180.0])
    rates = weight * speed * np.array([1.0, -1.0, -1.0, 1.0])
    still = prepare(edited(CALM))
    moving = prepare(edited(CALM), script=PathData(times, rates, np.zeros(4)))
    before = trace(still, seed=4, flight=11)
    after = trace(moving, seed=4, flight=11)
    for minute in range(58, 68):
        t = 60.0 * minute
        if t <= leave:
            place = seat
        elif t <= leave + walk:
            place = seat + speed * (t - leave)
        elif t <= leave + walk + 180.0:
            place = lavatory
        else:
            place = max(seat, lavatory - speed * (t - leave - walk - 180.0))
        mass = np.interp(t, before["time_s"], before["mass_kg"])
        moment = np.interp(t, before["time_s"], before["moment_kgm"])
        by_hand = moment / mass + weight * (place - seat) / mass
        got = np.interp(t, after["time_s"], after["moment_kgm"]) / np.interp(
            t, after["time_s"], after["mass_kg"]
        )
        assert got == pytest.approx(by_hand, abs=1e-9)
    # 0.63 % MAC for 20 m in 64 t with a chord of 4.19 m scales to this walk.
    shift = 100.0 * weight * (lavatory - seat) / (64_000.0 * 4.20)
    extra = (after["cg_pct_mac"].max() - before["cg_pct_mac"].max()) / shift
    assert 0.0 <= extra < 1.2


def test_a_cg_on_the_limit_is_inside():
    """A constant limit through the planned take-off CG itself: margin 0, not outside."""
    model = prepare(shipped_scenario())
    planned = model.planned
    cg = float(planned.loc[planned["phase"] == "taxi_out", "cg_pct_mac"].max())
    aft = [[40_000.0, cg], [73_900.0, cg]]
    phases = model.scenario.resolved()["aircraft"]["envelopes"]
    phases[0]["aft"] = aft
    on_limit = prepare(edited({"aircraft.envelopes": phases}))
    rows = on_limit.planned_margins
    row = rows[(rows["phase"] == "taxi_out") & (rows["side"] == "aft")].iloc[0]
    assert row["margin_pct_mac"] == pytest.approx(0.0, abs=1e-12)
    assert row["moment_margin_kgm"] == pytest.approx(0.0, abs=1e-6)


stretch = st.tuples(
    st.floats(30_000.0, 80_000.0),  # mass
    st.floats(16.0, 19.0),  # arm
    st.floats(-4.0, 0.0),  # mass rate
    st.floats(-400.0, 400.0),  # moment rate less the mass rate's own
    st.floats(0.1, 4000.0),  # seconds
    st.floats(16.0, 19.0),  # limit at the start
    st.floats(-1e-3, 1e-3),  # slope
    st.sampled_from([-1.0, 1.0]),
)


@given(stretch)
def test_extremes_of_a_stretch_against_a_grid(values):
    m0, arm, mu, extra, dt, limit, slope, sign = values
    mu = max(mu, -0.5 * m0 / dt)
    moment0, nu = m0 * arm, mu * arm + extra
    a = limit - slope * m0
    tau = np.linspace(0.0, dt, 4001)
    m = m0 + mu * tau
    moment = moment0 + nu * tau
    margin = sign * (a + slope * m - moment / m)
    need = margin * m
    line = (m0, moment0, mu, nu, dt, a, slope, sign)
    least, when = least_margin(*line)
    assert least <= margin.min() + 1e-9
    scale = max(1e-6, float(np.abs(np.diff(margin)).max()))
    assert least >= margin.min() - scale
    assert 0.0 <= when <= dt
    at = m0 + mu * when
    assert sign * (a + slope * at - (moment0 + nu * when) / at) == pytest.approx(least, abs=1e-9)
    kgm = least_moment(*line)
    assert kgm <= need.min() + 1e-4
    assert kgm >= need.min() - max(1e-3, float(np.abs(np.diff(need)).max()))
    outside = seconds_outside(*line)
    # Where the CG runs along the limit, rounding decides the sign: bracket it by 1e-4 kg m.
    slack = 4.0 * dt / 4000.0
    assert dt * np.mean(need < -1e-4) - slack <= outside <= dt * np.mean(need < 1e-4) + slack


@given(stretch, st.floats(30_000.0, 80_000.0), st.floats(-4.0, 0.0), st.floats(-400.0, 400.0))
def test_error_extremes_against_a_grid(values, p0, pmu, pextra):
    m0, arm, mu, extra, dt, planned_arm, _slope, _sign = values
    mu, pmu = max(mu, -0.5 * m0 / dt), max(pmu, -0.5 * p0 / dt)
    moment0, nu = m0 * arm, mu * arm + extra
    planned0, pnu = p0 * planned_arm, pmu * planned_arm + pextra
    tau = np.linspace(0.0, dt, 4001)
    error = (moment0 + nu * tau) / (m0 + mu * tau) - (planned0 + pnu * tau) / (p0 + pmu * tau)
    low, high = error_extremes(m0, moment0, mu, nu, p0, planned0, pmu, pnu, dt)
    step = max(1e-9, float(np.abs(np.diff(error)).max()))
    assert low <= error.min() + 1e-9
    assert high >= error.max() - 1e-9
    assert low >= error.min() - step
    assert high <= error.max() + step
