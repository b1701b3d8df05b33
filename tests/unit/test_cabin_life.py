"""Life in the cabin: hand-worked cases, conservation, and one flight against brute force."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest

from cgrisk.aircraft import certified_limits
from cgrisk.flight import cabin_diary, entity_counts, fly_block, phase_column, prepare, trace
from tests.cabin_cases import NO_SERVICE, NOBODY_UP, RESTLESS, cart, phase
from tests.flight_cases import edited, shipped_scenario
from tests.simpy_cases import CASES, certain

GALLEY_ARM = 4.4
SITS = 1


def figures(model, *, seed=1, flights=1):
    rows = fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))
    return pd.DataFrame(rows, columns=model.columns)


def moment_at(path, time):
    """Moment of a replayed path at instants; of two values at a jump, the later."""
    start, end = path.iloc[::2], path.iloc[1::2]
    i = np.searchsorted(start["time_s"].to_numpy(), time, side="right") - 1
    t0, t1 = start["time_s"].to_numpy()[i], end["time_s"].to_numpy()[i]
    m0, m1 = start["moment_kgm"].to_numpy()[i], end["moment_kgm"].to_numpy()[i]
    share = np.divide(time - t0, t1 - t0, out=np.zeros_like(time), where=t1 > t0)
    return m0 + share * (m1 - m0)


def test_nobody_moves_with_the_sign_lit_and_full_compliance():
    phases = shipped_scenario().resolved()["operation"]["phases"]
    changes: dict[str, Any] = {f"operation.phases.{i}.sign": True for i in range(len(phases))}
    model = prepare(edited({**NO_SERVICE, **changes, "operation.behaviour.sign_factor": 0.0}))
    frame = figures(model, flights=500)
    assert (frame["trips"] == 0).all()
    assert (frame["cabin_moment_min_kgm"] == 0.0).all()
    assert (frame["cabin_moment_max_kgm"] == 0.0).all()


@pytest.mark.parametrize("name", ["all", "two_aisles", "crowd"])
def test_everybody_sits_in_take_off_and_landing(name):
    scenario = CASES[name]()
    model = prepare(scenario)
    ends = model.program.timeline.end_s
    starts = np.concatenate([[0.0], ends[:-1]])
    for flight in range(40):
        diary = cabin_diary(model, seed=3, flight=flight)
        people = diary[diary["kind"] == 0]
        assert people["time_s"].is_monotonic_increasing
        for p, start, end in zip(scenario.operation.phases, starts, ends, strict=True):
            if p.kind in ("take_off", "landing"):
                before = people[people["time_s"] <= start + 1e-6].groupby("number").last()
                assert (before["state"] == SITS).all()
                during = people["time_s"].between(start + 1e-6, end - 1e-6)
                assert not during.any()


def test_carts_hand_out_and_take_back_by_hand():
    """One row, six served: trays of 0.6 kg, 60 % of them back on the second round."""
    service = {
        **NOBODY_UP,
        "operation.service.crew_walks": 0.0,
        "operation.service.carts": [
            cart(from_row=10, to_row=10, crew=0),
            cart(from_row=10, to_row=10, crew=0, start=20.0, tray=0.0, mass_full=40.0),
        ],
        "operation.zones": [{"name": "A", "rows": "1-29", "adults": 174, "children": 0}],
        "operation.passengers.male_share": 0.0,
    }
    model = prepare(certain(service))
    still = prepare(certain({**service, **NO_SERVICE}))
    row_arm = 6.6 + 9 * 0.8
    cruise = 33.0 * 60.0
    away = row_arm - GALLEY_ARM
    for flight in range(5):
        path, rest = (trace(m, seed=2, flight=flight) for m in (model, still))
        moved = lambda t: (moment_at(path, t) - moment_at(rest, t)).item()  # noqa: B023, E731
        first = cruise + 8 * 60.0
        arrival = first + away / 0.4
        # 100 kg half way, then at the row; then six trays stay behind.
        assert moved(np.array([first + 0.5 * away / 0.4])) == pytest.approx(50.0 * away, abs=1e-6)
        assert moved(np.array([arrival + 1e-3])) == pytest.approx(100.0 * away, abs=1e-6)
        between = np.array([cruise + 19.9 * 60.0])
        assert moved(between) == pytest.approx(6 * 0.6 * away, abs=1e-6)
        after = np.array([cruise + 40 * 60.0])
        assert moved(after) == pytest.approx(6 * 0.6 * 0.4 * away, abs=1e-6)


def test_crew_go_with_their_cart_from_the_nearest_station():
    service = {
        **NOBODY_UP,
        "operation.service.crew_walks": 0.0,
        "operation.service.carts": [cart(from_row=10, to_row=10, crew=3, mass_full=0.0, tray=0.0)],
    }
    model, still = prepare(certain(service)), prepare(certain({**service, **NO_SERVICE}))
    path, rest = (trace(m, seed=2, flight=0) for m in (model, still))
    start = 33.0 * 60.0 + 8 * 60.0
    # Two from 4.6 m, one from 31.0 m, all at the cart's arm once it stands at the row.
    row_arm = 6.6 + 9 * 0.8
    time = np.array([start + (row_arm - GALLEY_ARM) / 0.4 + 1e-3])
    expected = 75.0 * (3 * row_arm - 2 * 4.6 - 31.0)
    assert (moment_at(path, time) - moment_at(rest, time)).item() == pytest.approx(expected)
    end = np.array([start + 30 * 60.0])
    assert (moment_at(path, end) - moment_at(rest, end)).item() == pytest.approx(0.0, abs=1e-6)


def equal_people() -> dict[str, Any]:
    """Everybody 80 kg; carts alone and of constant mass: the diary then gives the moment."""
    one = {"mean": 80.0, "sd": 0.0, "skewness": 0.0}
    rounds = [
        cart(crew=0, tray=0.0),
        cart(galley="aft galley", from_row=29, to_row=15, crew=0, tray=0.0, mass_full=70.0),
    ]
    return {
        **RESTLESS,
        "operation.mass.body": {
            "men": one,
            "women": one,
            "children": one,
            "bias": 0.0,
            "bias_sd_operation": 0.0,
        },
        "operation.parties": [],
        "operation.service.carts": rounds,
        "operation.service.crew_walks": 4.0,
        "operation.crowd.surge_probability": 1.0,
        "operation.crowd.surge_toward": "aft",
        "operation.behaviour.water_per_visit": 0.0,
    }


def moment_of_diary(diary, time, *, galley, station):
    """Sum over everybody of mass times way from home, straight from the diary."""
    total = np.zeros_like(time)
    for (kind, number), rows in diary.groupby(["kind", "number"]):
        first = rows.iloc[0]["arm_m"]
        home = {0: first, 1: galley[number] if kind == 1 else 0.0, 2: first}[kind]
        mass = {0: 80.0, 1: (100.0, 70.0)[number] if kind == 1 else 0.0, 2: 75.0}[kind]
        i = np.searchsorted(rows["time_s"].to_numpy(), time, side="right") - 1
        t, arm = rows["time_s"].to_numpy(), rows["arm_m"].to_numpy()
        pace = rows["speed_mps"].to_numpy()
        where = np.where(i >= 0, arm[i] + pace[i] * (time - t[i]), home)
        total += mass * (where - home)
    assert station  # crew start from their stations: their first row is there
    return total


def test_one_flight_against_brute_force_at_a_tenth_of_a_second():
    scenario = certain(equal_people())
    model = prepare(scenario)
    still = prepare(
        certain(
            {**equal_people(), **NOBODY_UP, **NO_SERVICE}
            | {"operation.crowd.surge_probability": 0.0}
        )
    )
    end = float(model.program.timeline.end_s[-1])
    time = np.arange(0.05, end, 0.1)
    galley, station = (4.4, 31.4), (4.6, 31.0)
    limits = certified_limits(scenario.aircraft)
    balance = model.balance
    for flight in (0, 5):
        row = figures(model, seed=4, flights=6).iloc[flight]
        diary = cabin_diary(model, seed=4, flight=flight)
        moved = moment_of_diary(diary, time, galley=galley, station=station)
        path, rest = (trace(m, seed=4, flight=flight) for m in (model, still))
        # The kernel's path is that of the same people sitting, plus the diary's moment.
        np.testing.assert_allclose(moment_at(path, time), moment_at(rest, time) + moved, atol=1e-3)
        # No more than 174 people of 80 kg at 1.5 m/s for half a step are missed by the grid.
        missed = 0.05 * 80.0 * 1.5 * max(row["most_up"], 4.0)
        for name, extreme in (("min", moved.min()), ("max", moved.max())):
            exact = row[f"cabin_moment_{name}_kgm"]
            outward = -1.0 if name == "min" else 1.0
            assert -1e-3 <= outward * (exact - extreme) <= missed
        mass = np.interp(time, rest["time_s"], rest["mass_kg"])
        cg = balance.cg_pct_mac(mass, moment_at(rest, time) + moved)
        ends = model.program.timeline.end_s
        which = np.searchsorted(ends, time, side="right")
        for number, name in enumerate(model.phases):
            kind = scenario.operation.phases[number].kind
            here = which == number
            for side in ("forward", "aft"):
                exact = row[phase_column("margin_pct_mac", phase=name, side=side)]
                grid = limits[kind].margin(mass[here], cg[here], side=side).min()
                assert exact <= grid + 1e-6
                assert grid - exact <= 100.0 * missed / (mass.min() * balance.mac_m) + 1e-4


def test_people_up_are_those_of_the_diary():
    model = prepare(CASES["all"]())
    end = float(model.program.timeline.end_s[-1])
    for flight in range(5):
        row = figures(model, seed=6, flights=5).iloc[flight]
        diary = cabin_diary(model, seed=6, flight=flight)
        people = diary[diary["kind"] == 0]
        changes = []
        trips = 0
        for _, rows in people.groupby("number"):
            sits = (rows["state"] == SITS).to_numpy()
            time = rows["time_s"].to_numpy()
            was = np.concatenate([[True], sits[:-1]])
            out, home = time[was & ~sits], time[~was & sits]
            trips += out.size
            changes += [(t, 1) for t in out] + [(t, -1) for t in home]
        changes.sort(key=lambda c: (c[0], -c[1]))
        up = np.cumsum([step for _, step in changes])
        seconds = np.diff([t for t, _ in changes] + [end])
        assert trips == row["trips"]
        assert up.max() == row["most_up"]
        assert float(up @ seconds) / end == pytest.approx(row["mean_up"], rel=1e-9)
        assert (
            sum(
                row[f"{t}_up.{s}"]
                for t in ("never", "once", "more")
                for s in ("window", "middle", "aisle")
            )
            == row["passengers"]
        )


def test_nobody_passes_a_cart():
    """Passengers in the aisle stay on their side of every cart, step by step."""
    model = prepare(certain({**RESTLESS, "operation.behaviour.walking_cv": 0.0}))
    checked = 0
    for flight in range(12):
        diary = cabin_diary(model, seed=8, flight=flight)
        for k in (0, 1, 2, 3):
            rows = diary[(diary["kind"] == 1) & (diary["number"] == k)]
            t0, t1 = rows["time_s"].iloc[0], rows["time_s"].iloc[-1]
            time = np.arange(t0 + 0.25, t1, 0.5)
            i = np.searchsorted(rows["time_s"].to_numpy(), time, side="right") - 1
            at = rows["arm_m"].to_numpy()[i] + rows["speed_mps"].to_numpy()[i] * (
                time - rows["time_s"].to_numpy()[i]
            )
            for _, person in diary[diary["kind"] == 0].groupby("number"):
                t = person["time_s"].to_numpy()
                j = np.searchsorted(t, time, side="right") - 1
                state = np.where(j >= 0, person["state"].to_numpy()[j], SITS)
                arm = person["arm_m"].to_numpy()[j] + person["speed_mps"].to_numpy()[j] * (
                    time - t[j]
                )
                side = np.sign(np.where(np.abs(arm - at) < 1e-5, 0.0, arm - at))
                walks = np.isin(state, (2, 6))
                # On one walk nobody is on both sides of the cart at consecutive instants.
                both = walks[1:] & walks[:-1] & (side[1:] * side[:-1] < 0) & (j[1:] == j[:-1])
                assert not both.any()
                checked += int(walks.sum())
    assert checked > 500


def test_water_goes_to_the_waste_tank_until_there_is_none():
    water = {"potable_arm": 10.0, "waste_arm": 30.0, "mass": 3.2}
    model = prepare(certain({**NO_SERVICE, **RESTLESS, "aircraft.cabin.water": water}))
    dry = prepare(certain({**NO_SERVICE, **RESTLESS, "aircraft.cabin.water": None}))
    frame = figures(model, flights=50)
    assert (frame["lavatory_visits"] > 7).all()
    assert frame["water_used_kg"].to_numpy() == pytest.approx(3.2)
    end = np.array([float(model.program.timeline.end_s[-1]) - 1.0])
    path, rest = (trace(m, seed=1, flight=0) for m in (model, dry))
    moved = (moment_at(path, end) - moment_at(rest, end)).item()
    assert moved == pytest.approx(3.2 * 20.0)


@pytest.mark.parametrize(
    "changes",
    [
        {"operation.behaviour.queue_spacing": 0.0, "operation.behaviour.lavatory_mean": 0.0},
        {"operation.behaviour.retry_mean": 0.1, "operation.behaviour.standing_mean": 0.0},
        {"operation.behaviour.queue_limit": 1, "operation.behaviour.companion_share": 1.0},
        {"operation.behaviour.recall_minutes": 60.0, "operation.behaviour.walking_speed": 0.1},
        {"operation.behaviour.walking_cv": 1.0, "operation.behaviour.lavatory_cv": 3.0},
        {"aircraft.cabin.lavatories": [], "aircraft.cabin.galleys": [], **NO_SERVICE},
        {"aircraft.cabin.lavatories": []},
        {"aircraft.cabin.galleys": [], **NO_SERVICE},
        {"operation.service.carts": [cart(seconds_per_passenger=0.0)] * 6},
        {"operation.service.carts": [cart(start=0.0, seconds_per_passenger=900.0)]},
        {"operation.service.crew_walks": 60.0, "operation.crowd.sign_off_share": 1.0},
        {"operation.crowd.surge_probability": 1.0, "operation.crowd.surge_people": 1000},
        {"operation.phases": [phase("cruise", 30.0)]},
        {"operation.phases": [phase("take_off", 5.0), phase("landing", 5.0)], **NO_SERVICE},
    ],
    ids=str,
)
def test_odd_cabins_fly(changes):
    base: dict[str, Any] = {
        "operation.behaviour.trips_window": 60.0,
        "operation.behaviour.trips_aisle": 5.0,
    }
    frame = figures(prepare(certain({**base, **changes})), flights=60)
    assert np.isfinite(frame["cabin_moment_max_kgm"]).all()
    assert (frame["most_up"] <= frame["passengers"]).all()
    assert (frame["mean_up"] >= 0.0).all()


def test_long_lists_of_moves_give_the_same_flight_alone_and_in_company():
    """More changes of moment than there is room for at first: the flight is lived again."""
    wild = {
        "operation.behaviour.trips_window": 40.0,
        "operation.behaviour.trips_middle": 40.0,
        "operation.behaviour.trips_aisle": 40.0,
        "operation.behaviour.lavatory_mean": 10.0,
        "operation.behaviour.queue_limit": 100,
    }
    model = prepare(certain(wild))
    assert len(trace(model, seed=1, flight=0)) > 2 * 2048
    together = fly_block(model, seed=1, flights=np.arange(8, dtype=np.uint32))
    for flight in range(8):
        alone = fly_block(model, seed=1, flights=np.array([flight], dtype=np.uint32))
        assert alone.tobytes() == together[flight : flight + 1].tobytes()


def test_carts_stay_in_their_galleys_after_the_recall():
    late = {"operation.service.carts": [cart(start=84.0), cart(start=300.0)]}
    model = prepare(certain({**NOBODY_UP, **late}))
    assert (figures(model, flights=50)["rows_not_served"] >= 20).all()
    assert cabin_diary(model, seed=1, flight=0).query("kind == 1").empty


def test_one_who_turned_back_leaves_the_cart_behind():
    """From a cart met on the way out to the seat: as long as the walk takes, no longer."""
    model = prepare(certain({**RESTLESS, "operation.behaviour.walking_cv": 0.0}))
    turned = 0
    for flight in range(60):
        diary = cabin_diary(model, seed=2, flight=flight)
        for _, rows in diary[diary["kind"] == 0].groupby("number"):
            out = rows["state"].to_numpy() == 2
            back = rows["state"].to_numpy() == 6
            for i in np.flatnonzero(out[:-1] & back[1:]):
                start = rows.iloc[i + 1]
                home = rows.iloc[i + 1 :].query("state == 1").iloc[0]
                carts = diary[(diary["kind"] == 1) & (diary["time_s"] <= start["time_s"])]
                if carts.empty or carts.groupby("number").last()["state"].max() == 0:
                    continue  # the sign or a recall, not a cart
                away = abs(home["arm_m"] - start["arm_m"])
                assert home["time_s"] - start["time_s"] < away / 0.8 + 1e-3
                turned += 1
    assert turned > 10


def test_a_cart_that_comes_too_late_leaves_rows_out():
    late = {"operation.service.carts": [cart(start=70.0, seconds_per_passenger=60.0)]}
    frame = figures(prepare(certain({**NOBODY_UP, **late})), flights=200)
    assert frame["rows_not_served"].max() > 0
    assert frame["rows_not_served"].max() <= 14


FRONT = {"name": "front", "arm": 5.0, "count": 1, "queue_toward": "aft"}
REAR = {"name": "rear", "arm": 30.4, "count": 1, "queue_toward": "fore"}


def closing(lavatories, chance, **changes):
    return prepare(
        certain(
            {
                **RESTLESS,
                "aircraft.cabin.lavatories": lavatories,
                "operation.behaviour.lavatory_closed": chance,
                "operation.behaviour.companion_share": 0.5,
                **changes,
            }
        )
    )


def rows_of(model, flights=300):
    return fly_block(model, seed=9, flights=np.arange(flights, dtype=np.uint32))


def test_one_of_two_closed_is_a_group_of_one():
    """Bit for bit, and one after another: each stays 100 s, the next goes in as he comes out."""
    steady = {
        "operation.behaviour.lavatory_mean": 100.0,
        "operation.behaviour.lavatory_cv": 0.0,
        "operation.behaviour.lavatory_share": 1.0,
    }
    model = closing([{**REAR, "count": 2}], 1.0, **steady)
    one, two = (closing([{**REAR, "count": n}], 0.0, **steady) for n in (1, 2))
    assert rows_of(model).tobytes() == rows_of(one).tobytes()
    assert rows_of(model).tobytes() != rows_of(two).tobytes()
    queued = 0
    for flight in range(5):
        diary = cabin_diary(model, seed=9, flight=flight)
        inside, waits = [], []
        for _, rows in diary[diary["kind"] == 0].groupby("number"):
            time, state = rows["time_s"].to_numpy(), rows["state"].to_numpy()
            inside += [(time[i], time[i + 1]) for i in np.flatnonzero(state[:-1] == 4)]
            waits += [time[i + 1] for i in np.flatnonzero((state[:-1] == 3) & (state[1:] == 4))]
        inside.sort()
        for (start, end), (following, _) in pairwise(inside):
            assert following >= end - 1e-9
            assert end - start <= 100.0 + 1e-9  # less where the recall cuts it short
            queued += following == end and following in waits
    assert queued > 20


def test_a_closed_group_is_as_if_not_there():
    """Two groups of one: each flight is bit for bit that of a cabin with the other group alone."""
    both, rear, front = (
        rows_of(closing(groups, chance))
        for groups, chance in (([FRONT, REAR], 1.0), ([REAR], 0.0), ([FRONT], 0.0))
    )
    front_closed = (both == rear).all(axis=1)
    assert (front_closed ^ (both == front).all(axis=1)).all()
    assert binomtest(int(front_closed.sum()), 300, 0.5).pvalue > 1e-6


@pytest.mark.parametrize("galleys", [True, False])
def test_the_only_lavatory_closed_is_an_aircraft_without_one(galleys):
    changes = {} if galleys else {"aircraft.cabin.galleys": [], **NO_SERVICE}
    model, without = closing([REAR], 1.0, **changes), closing([], 0.0, **changes)
    assert rows_of(model).tobytes() == rows_of(without).tobytes()
    frame = figures(model, flights=300)
    assert (frame["lavatory_visits"] == 0).all()
    assert (frame["trips"] > 0).any() == galleys


def test_closing_is_conditioned_on_exactly():
    """Which lavatory is told by other words than whether: the parts put together are the whole."""
    groups = [FRONT, {**REAR, "count": 2}]
    model = closing(groups, 0.3)
    places = model.program.places
    with_chance = lambda chance: rows_of(  # noqa: E731
        replace(
            model,
            program=model.program._replace(places=places._replace(closed_chance=chance)),
        )
    )
    whole, closed, open_ = rows_of(model), with_chance(1.0), with_chance(0.0)
    is_closed = (whole == closed).all(axis=1)
    assert (is_closed | (whole == open_).all(axis=1)).all()
    assert not (closed == open_).all(axis=1).any()
    assert binomtest(int(is_closed.sum()), 300, 0.3).pvalue > 1e-6
    assert entity_counts(model)["movement"] == entity_counts(model)["mass"] + 1


def test_check_tells_of_closed_lavatories():
    from cgrisk.report.check_text import check_text

    def text(lavatories, **changes):
        closed = {"operation.behaviour.lavatory_closed": 0.02}
        return check_text(edited({"aircraft.cabin.lavatories": lavatories, **closed, **changes}))

    assert "the cabin has no lavatory to close" in text([])
    assert "On 2 % of flights the only lavatory is closed: then everybody" in text([REAR])
    alone = {"aircraft.cabin.galleys": [], "operation.service.carts": []}
    assert "the only lavatory is closed: then nobody gets up" in text([REAR], **alone)
    assert "lavatory is closed" not in text([FRONT, REAR])


def test_check_tells_of_queues_and_carts_that_make_no_sense():
    from cgrisk.report.check_text import check_text

    odd = {
        "aircraft.cabin.lavatories.1.queue_toward": "aft",
        "operation.service.carts": [cart(start=84.0)],
    }
    text = check_text(edited(odd))
    assert "The queue of aft lavatories leads away from the seats" in text
    assert "service.carts[0] starts after the crew is called" in text
    assert "leads away" not in check_text(shipped_scenario())
