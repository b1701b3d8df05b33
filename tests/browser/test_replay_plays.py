"""A replay in a real browser: it plays, scrubs, steps, and shows the CG of the run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from cgrisk.flight import FlightReplay, group_phases, phase_column, prepare, replay_flight
from cgrisk.report.replay import replay_page
from tests.browser_cases import wait_until, watched_page
from tests.flight_cases import shipped_scenario
from tests.replay_cases import (
    MARKUP,
    ODD,
    marked_up,
    nearest_aft,
    ready,
    three_hundred_seats,
)

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SEED = 1
#: A frame at 60 a second.
FRAME_MS = 16.0


def write(replay: FlightReplay, folder: Path) -> Path:
    file = folder / "replay.html"
    file.write_text(replay_page(replay, run="run", why="a flight"), encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def replay() -> FlightReplay:
    """The shipped case's flight nearest the aft limit."""
    model = prepare(shipped_scenario())
    return replay_flight(model, seed=SEED, flight=nearest_aft(model, seed=SEED))


@pytest.fixture(scope="module")
def file(replay: FlightReplay, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(replay, tmp_path_factory.mktemp("replay"))


@pytest.fixture
def opened(page: Page, file: Path) -> Page:
    page.goto(file.as_uri())
    return page


def shown_cg(page: Page) -> float:
    return float(page.locator("#cg").get_attribute("data-cg") or "nan")


def time_of(page: Page) -> float:
    return float(page.evaluate("cgriskReplay.time"))


def test_every_closest_approach_shows_the_cg_of_the_run(opened: Page, replay: FlightReplay):
    """Limit less margin of the run's own figures is the CG on the page, to 1e-9 % MAC."""
    marks = opened.evaluate("cgriskReplay.marks")
    assert len(marks) == 4
    for k, mark in enumerate(marks):
        opened.locator("#marks button").nth(k).click()
        phases = group_phases(replay.model)[mark["group"].replace(" ", "_").replace("-", "_")]
        columns = {
            phase: replay.figures[phase_column("margin_pct_mac", phase=phase, side=mark["side"])]
            for phase in phases
        }
        phase = min(columns, key=lambda name: columns[name])
        time = replay.figures[phase_column("time_of_least_s", phase=phase, side=mark["side"])]
        mass = replay.figures[phase_column("mass_at_least_kg", phase=phase, side=mark["side"])]
        kind = replay.model.scenario.operation.phases[replay.model.phases.index(phase)].kind
        limit = limit_by_hand(replay, kind, mark["side"], mass)
        sign = 1.0 if mark["side"] == "aft" else -1.0
        assert time_of(opened) == pytest.approx(time, abs=1e-9)
        assert shown_cg(opened) == pytest.approx(limit - sign * columns[phase], abs=1e-9)
        margin = opened.evaluate(
            "([t, side, i]) => cgriskReplay.marginAt(t, side, i)",
            [mark["t"], mark["side"], mark["stretch"]],
        )
        assert margin == pytest.approx(columns[phase], abs=1e-9)


def limit_by_hand(replay: FlightReplay, kind: str, side: str, mass: float) -> float:
    (envelope,) = [e for e in replay.model.scenario.aircraft.envelopes if kind in e.phases]
    points = envelope.aft if side == "aft" else envelope.forward
    return float(np.interp(mass, [m for m, _ in points], [v for _, v in points]))


def test_the_page_follows_the_path_of_the_flight(opened: Page, replay: FlightReplay):
    path = replay.path
    middle = 0.5 * (path.start_s + path.end_s)
    found = opened.evaluate("times => times.map((t) => cgriskReplay.cgAt(t))", middle.tolist())
    mass, moment = path.mass_kg.mean(axis=1), path.moment_kgm.mean(axis=1)
    wanted = replay.model.balance.cg_pct_mac(mass, moment)
    np.testing.assert_allclose(found, wanted, atol=1e-9)
    parts = opened.evaluate(
        "times => times.map((t) => cgriskReplay.contributionsAt(t))", middle.tolist()
    )
    arm = replay.planned_moment_kgm.mean(axis=1) / replay.planned_mass_kg.mean(axis=1)
    error = moment - arm * mass
    np.testing.assert_allclose(np.sum(parts, axis=1), error, atol=1e-6)
    own = replay.part_moment_kgm.mean(axis=2) - arm * replay.part_mass_kg.mean(axis=2)
    np.testing.assert_allclose(np.transpose(parts), own, atol=2e-3)  # drawn to a gram metre


def test_the_stabilizers_demand_is_that_of_the_run(opened: Page, replay: FlightReplay):
    times = np.union1d(replay.path.start_s, replay.model.program.trim.time_s)
    times = np.concatenate([times, times[1:] - 1e-7])
    found = opened.evaluate(
        "times => times.map((t) => [cgriskReplay.demandAt(t), cgriskReplay.stretchAt(t)])",
        times.tolist(),
    )
    for phase in replay.model.planned_trim["phase"]:
        number = replay.model.phases.index(phase)
        own = [v for v, i in found if v is not None and replay.path.phase[i] == number]
        least, most = (replay.figures[f"trim_nose_{way}_deg.{phase}"] for way in ("up", "down"))
        assert min(own) == pytest.approx(least, abs=1e-3)
        assert max(own) == pytest.approx(most, abs=1e-3)
        assert least - 1e-9 <= min(own)
        assert max(own) <= most + 1e-9


def test_it_plays_pauses_and_ends(opened: Page):
    opened.evaluate("cgriskReplay.seek(100)")
    opened.get_by_role("button", name="Play").click()
    wait_until(opened, "cgriskReplay.time > 105")
    opened.get_by_role("button", name="Pause").click()
    stopped = time_of(opened)
    opened.wait_for_timeout(80)
    assert time_of(opened) == stopped
    opened.select_option("#speed", "600")
    opened.evaluate("cgriskReplay.seek(7000)")
    opened.get_by_role("button", name="Play").click()
    wait_until(opened, "!cgriskReplay.playing && cgriskReplay.time > 7100")


def test_scrubbing_shows_the_instant(opened: Page):
    opened.locator("#scrub").fill("3600")
    assert time_of(opened) == 3600.0
    assert opened.locator("#now").inner_text().startswith("1:00:00")
    assert "cruise" in opened.locator("#now").inner_text()


def test_it_steps_from_event_to_event(opened: Page):
    opened.get_by_role("button", name="Start").click()
    times = []
    for _ in range(4):
        opened.get_by_role("button", name="Next event").click()
        times.append(time_of(opened))
    events = [e["t"] for e in opened.evaluate("cgriskReplay.events") if e["t"] > 0.0]
    assert times == sorted(set(events))[:4]
    opened.get_by_role("button", name="Previous event").click()
    assert time_of(opened) == times[2]
    opened.get_by_label("step through every move in the cabin").check()
    opened.get_by_role("button", name="Next event").click()
    assert "gets up" in opened.locator("#told").inner_text()


def test_keys_do_what_the_buttons_do(opened: Page):
    keys = opened.keyboard
    keys.press("Home")
    assert time_of(opened) == 0.0
    keys.press("ArrowRight")
    assert time_of(opened) == 10.0
    keys.press("Shift+ArrowRight")
    assert time_of(opened) == 70.0
    keys.press("ArrowLeft")
    assert time_of(opened) == 60.0
    keys.press("n")
    after = time_of(opened)
    assert after > 60.0
    keys.press("p")
    assert time_of(opened) < after
    keys.press("+")
    assert opened.locator("#speed").input_value() == "180"
    keys.press("2")
    mark = opened.evaluate("cgriskReplay.marks[1]")
    assert time_of(opened) == mark["t"]
    assert shown_cg(opened) == pytest.approx(mark["cg"], abs=1e-9)
    keys.press("Space")
    assert opened.evaluate("cgriskReplay.playing")
    keys.press("Space")
    assert not opened.evaluate("cgriskReplay.playing")
    keys.press("End")
    assert time_of(opened) == opened.evaluate("Number(document.getElementById('scrub').max)")


def test_controls_are_reached_and_named(opened: Page):
    named = opened.evaluate(
        """() => [...document.querySelectorAll("button, input, select, canvas, summary")]
        .map((e) => e.getAttribute("aria-label") || (e.labels && e.labels.length > 0)
          || e.textContent.trim())"""
    )
    assert len(named) > 30
    assert all(named)
    assert opened.evaluate("document.documentElement.lang") == "en-GB"
    opened.locator("#scrub").focus()
    assert "0:" in (opened.locator("#scrub").get_attribute("aria-valuetext") or "")
    assert opened.locator("#live").inner_text()


def test_the_plan_says_when_it_is_and_little_moves_for_those_who_ask(opened: Page):
    opened.evaluate("cgriskReplay.seek(1500)")
    label = opened.locator("#cabin").get_attribute("aria-label") or ""
    assert label.startswith("Plan of the cabin, nose to the left")
    assert f": {opened.locator('#now').inner_text()}" in " ".join(label.split())
    opened.emulate_media(reduced_motion="reduce")
    before = opened.evaluate("cgriskReplay.frames.length")
    opened.evaluate("cgriskReplay.play()")
    opened.wait_for_timeout(700)
    assert time_of(opened) > 1500.0
    assert opened.evaluate("cgriskReplay.frames.length") <= before + 2
    opened.evaluate("cgriskReplay.pause()")
    opened.emulate_media(reduced_motion="no-preference")


def test_people_are_where_the_flight_has_them(opened: Page, replay: FlightReplay):
    plan, people = replay.model.plan, replay.diary[replay.diary["kind"] == 0]
    for time in (1500.0, 3000.0, 4321.0):
        shown = {p["seat"]: p for p in opened.evaluate(f"cgriskReplay.peopleAt({time})")}
        assert len(shown) == replay.figures["passengers"]
        for number, rows in people[people["time_s"] <= time].groupby("number"):
            last, seat = rows.iloc[-1], int(replay.seat[int(number)])
            arm = last["arm_m"] + last["speed_mps"] * (time - last["time_s"])
            person = shown[plan.seat_label(seat)]
            assert person["state"] == last["state"]
            assert person["arm"] == pytest.approx(arm, abs=2e-3)


def test_events_in_the_table_lead_to_their_instant(opened: Page):
    row = opened.locator("#events tr").filter(has_text="cruise begins")
    row.get_by_role("button").click()
    (event,) = [e for e in opened.evaluate("cgriskReplay.events") if e["text"] == "cruise begins"]
    assert time_of(opened) == event["t"]


@pytest.mark.parametrize("name", ODD)
def test_other_cabins_open_and_play(page: Page, tmp_path: Path, name: str):
    replay = replay_flight(ready(name), seed=SEED, flight=3)
    page.goto(write(replay, tmp_path).as_uri())
    end = page.evaluate("Number(document.getElementById('scrub').max)")
    for share in np.linspace(0.0, 1.0, 23):
        page.evaluate("t => cgriskReplay.seek(t)", float(share * end))
    page.evaluate("cgriskReplay.seek(0)")
    page.keyboard.press("Space")
    wait_until(page, "cgriskReplay.time > 0")


def test_markup_in_every_name_is_shown_as_text(page: Page, tmp_path: Path):
    replay = replay_flight(prepare(marked_up()), seed=SEED, flight=0)
    page.goto(write(replay, tmp_path).as_uri())
    assert MARKUP in page.title()
    assert MARKUP in page.locator("h1").inner_text()
    assert MARKUP in page.locator("#events").inner_text()
    page.evaluate("cgriskReplay.seek(3000)")
    assert MARKUP in page.locator("#now").inner_text()
    assert page.locator("img").count() == 0
    assert page.locator("script").count() == 2


def test_the_tables_are_there_without_scripts(browser: Browser, file: Path):
    with watched_page(browser, java_script_enabled=False) as page:
        page.goto(file.as_uri())
        assert not page.locator("#player").is_visible()
        assert page.get_by_text("The moving pictures need scripts").is_visible()
        assert page.locator("#events tr").count() > 15
        assert "not for dispatch" in page.locator(".caution").first.inner_text()


def test_three_hundred_people_move_smoothly(page: Page, tmp_path: Path):
    """Time to draw a frame, the middle one of many, at the busiest the cabin gets."""
    replay = replay_flight(prepare(three_hundred_seats()), seed=SEED, flight=0)
    assert replay.figures["passengers"] > 290
    assert replay.figures["most_up"] > 15
    page.goto(write(replay, tmp_path).as_uri())
    busiest: dict[str, Any] = next(
        e for e in page.evaluate("cgriskReplay.events") if e["text"].startswith("most people")
    )
    page.evaluate("t => cgriskReplay.seek(t - 200)", busiest["t"])
    page.evaluate("cgriskReplay.frames.length = 0")
    page.keyboard.press("Space")
    wait_until(page, "cgriskReplay.frames.length >= 40")
    frames = page.evaluate("cgriskReplay.frames")
    assert float(np.median(frames)) < FRAME_MS
