"""A flight flown again for its replay is the flight of the run, part by part and move by move."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.flight import (
    CONTRIBUTIONS,
    PARTS,
    SIDES,
    group_phases,
    phase_column,
    prepare,
    replay_flight,
)
from cgrisk.risk.replay import closest_approaches, happenings
from tests.cabin_cases import NOBODY_UP
from tests.flight_cases import edited, shipped_scenario
from tests.replay_cases import ODD, nearest_aft, ready

SEED = 1
SITS, OUT, WAITS, INSIDE, STANDS, BACK = 1, 2, 3, 4, 5, 6


@pytest.fixture(scope="module")
def shipped():
    """The shipped case's flight nearest the aft limit."""
    model = prepare(shipped_scenario())
    return replay_flight(model, seed=SEED, flight=nearest_aft(model, seed=SEED))


@pytest.fixture(scope="module", params=["shipped", *ODD])
def replay(request, shipped):
    if request.param == "shipped":
        return shipped
    return replay_flight(ready(request.param), seed=SEED, flight=3)


def part(replay, name):
    return replay.part_moment_kgm[PARTS.index(name)]


def test_parts_add_up_to_the_error_of_the_cg(replay):
    mac = replay.model.balance.mac_m
    planned = replay.model.balance.cg_pct_mac(replay.planned_mass_kg, replay.planned_moment_kgm)
    error = replay.contributions_kgm.sum(axis=0) / replay.path.mass_kg * 100.0 / mac
    np.testing.assert_allclose(error, replay.cg_pct_mac - planned, atol=1e-9)
    mass = replay.path.mass_kg - replay.planned_mass_kg
    np.testing.assert_allclose(replay.part_mass_kg.sum(axis=0), mass, atol=1e-6)


def test_parts_at_take_off_are_those_of_the_flights_figures(replay):
    first = int(np.argmax(replay.path.phase == replay.model.program.timeline.take_off))
    found = dict(zip(PARTS, replay.contributions_kgm[:, first, 0], strict=True))
    found["movement"] = found.pop("passengers") + found.pop("service")
    for name in CONTRIBUTIONS:
        wanted = replay.figures[f"take_off_error_kgm.{name}"]
        assert found[name] == pytest.approx(wanted, abs=1e-6), name


def test_the_cabins_moment_reaches_the_flights_extremes(replay):
    moved = part(replay, "passengers") + part(replay, "service")
    least, greatest = min(moved.min(), 0.0), max(moved.max(), 0.0)
    assert least == pytest.approx(replay.figures["cabin_moment_min_kgm"], abs=1e-6)
    assert greatest == pytest.approx(replay.figures["cabin_moment_max_kgm"], abs=1e-6)


def test_closest_approaches_are_the_flights_extremes(replay):
    for near in closest_approaches(replay):
        margins = {
            phase: replay.figures[phase_column("margin_pct_mac", phase=phase, side=near.side)]
            for phase in group_phases(replay.model)[near.group]
        }
        column = phase_column("time_of_least_s", phase=near.phase, side=near.side)
        assert near.margin_pct_mac == pytest.approx(min(margins.values()), abs=1e-9)
        assert near.margin_pct_mac == pytest.approx(margins[near.phase], abs=1e-9)
        assert near.time_s == replay.figures[column]
        assert replay.path.start_s[near.stretch] <= near.time_s <= replay.path.end_s[near.stretch]
        ends = replay.cg_pct_mac[near.stretch]
        assert ends.min() - 1e-9 <= near.cg_pct_mac <= ends.max() + 1e-9
    assert len({(a.side, a.group) for a in closest_approaches(replay)}) == 4


def test_stretches_follow_one_another(replay):
    path = replay.path
    assert path.start_s[0] == 0.0
    assert path.end_s[-1] == replay.model.program.timeline.end_s[-1]
    np.testing.assert_allclose(path.start_s[1:], path.end_s[:-1], atol=1e-9)
    np.testing.assert_allclose(path.mass_kg[1:, 0], path.mass_kg[:-1, 1], atol=1e-6)


def test_everybody_lands_in_his_seat_and_walks_without_jumps(replay):
    model = replay.model
    timeline = model.program.timeline
    landed_s = timeline.end_s[timeline.landing]
    people = replay.diary[replay.diary["kind"] == 0]
    spacing = model.program.places.spacing_m
    for number, rows in people.groupby("number"):
        home = model.plan.arm_m[replay.seat[int(number)]]
        before = rows[rows["time_s"] <= landed_s]
        if not before.empty:  # else he got up after landing alone
            last = before.iloc[-1]
            assert (last["state"], last["arm_m"]) == (SITS, home)
        assert rows.iloc[0]["arm_m"] == home
        time, arm = rows["time_s"].to_numpy(), rows["arm_m"].to_numpy()
        state, speed = rows["state"].to_numpy(), rows["speed_mps"].to_numpy()
        gap = np.abs(arm[:-1] + speed[:-1] * np.diff(time) - arm[1:])
        # To the tail, up the queue and into the lavatory people step at once.
        steps = np.isin(state[1:], (WAITS, INSIDE))
        assert gap[~steps].max(initial=0.0) < 1e-5
        assert gap[steps].max(initial=0.0) <= spacing * (replay.figures["longest_queue"] + 2.0)


def test_walkers_set_out_and_come_back_in_their_own_aisle(replay):
    plan = replay.model.plan
    people = replay.diary[replay.diary["kind"] == 0]
    assert people["aisle"].between(0, int(plan.aisle.max())).all()
    for number, rows in people.groupby("number"):
        own = plan.aisle[replay.seat[int(number)]]
        before = rows["state"].shift(fill_value=SITS)
        assert (rows["aisle"][(before == SITS) & (rows["state"] == OUT)] == own).all()


def test_people_are_where_the_diary_says_they_go(replay):
    places = replay.model.plan
    people = replay.diary[replay.diary["kind"] == 0]
    inside = people[people["state"] == INSIDE]
    assert (inside["arm_m"] == places.lavatories.arm_m[inside["place"]]).all()
    standing = people[(people["state"] == STANDS) & (people["purpose"] == 0)]
    assert (standing["arm_m"] == places.galleys.arm_m[standing["place"]]).all()


def test_happenings_count_as_the_flights_figures(replay):
    told = {event.text.split(":")[0]: event.text for event in happenings(replay)}
    figures = replay.figures
    for name, text in (("most_up", "most people up at once"), ("longest_queue", "longest queue")):
        if figures[name] > 0:
            assert f" {int(figures[name])}" in told[text]
        else:
            assert text not in told
    times = [event.time_s for event in happenings(replay)]
    assert times == sorted(times)


def test_time_outside_is_that_of_the_flights_figures(shipped):
    """A limit laid through the middle of the path is crossed again and again."""
    middle = float(np.median(shipped.cg_pct_mac[shipped.path.phase == 3]))
    aft = [[40_000.0, middle - 0.2], [70_000.0, middle + 0.2]]
    model = prepare(edited({"aircraft.envelopes.1.aft": aft}))
    replay = replay_flight(model, seed=SEED, flight=shipped.flight)
    crossings = [event for event in happenings(replay) if event.kind == "limit"]
    assert len(crossings) > 6
    for event in crossings:
        assert replay.path.start_s[event.stretch] <= event.time_s
        assert event.time_s <= replay.path.end_s[event.stretch]
    end = replay.model.program.timeline.end_s[-1]
    for side in SIDES:
        own = [event.time_s for event in crossings if f"{side} side" in event.text]
        ends = np.append(own, end) if len(own) % 2 else np.array(own)
        wanted = sum(
            replay.figures[phase_column("outside_s", phase=phase, side=side)]
            for phase in model.phases
        )
        assert np.diff(ends)[::2].sum() == pytest.approx(wanted, abs=1e-6)


def test_crew_members_are_at_their_cart():
    """Carts without mass, nobody up: the moment of the service is that of the crew."""
    carts = shipped_scenario().resolved()["operation"]["service"]["carts"]
    light = {
        f"operation.service.carts.{i}.{name}": 0.0
        for i in range(len(carts))
        for name in ("mass_full", "tray", "returned")
    }
    model = prepare(edited({**NOBODY_UP, **light}))
    replay = replay_flight(model, seed=SEED, flight=5)
    stations, service = model.program.service.crew_arm_m, part(replay, "service")
    times = 0.5 * (replay.path.start_s + replay.path.end_s)
    shift = np.zeros(times.size)

    def arms(kind, number):
        """Arms and states of a cart or member at the times; nan before the first row."""
        rows = replay.diary[(replay.diary["kind"] == kind) & (replay.diary["number"] == number)]
        start = rows["time_s"].to_numpy()
        i = np.searchsorted(start, times, side="right") - 1
        here = rows["arm_m"].to_numpy()[i] + rows["speed_mps"].to_numpy()[i] * (times - start[i])
        out = np.where(i < 0, 0, rows["state"].to_numpy()[i])
        return np.where(i < 0, np.nan, here), out, rows["place"].to_numpy()[i]

    assert ((replay.diary["kind"] == 2) & (replay.diary["state"] == 3)).any()
    for member in replay.diary.query("kind == 2")["number"].unique():
        arm, state, place = arms(2, member)
        for cart in replay.diary.query("kind == 1")["number"].unique():
            arm = np.where((state == 3) & (place == cart), arms(1, cart)[0], arm)
        shift += np.where(state == 0, 0.0, arm - stations[member])
    wanted = model.program.service.crew_mass_kg * shift
    np.testing.assert_allclose(service.mean(axis=1), wanted, atol=1e-5)
