"""The page of a replay: the plan of the cabin, safe text, a policy that forbids the network."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from html.parser import HTMLParser
from importlib.resources import files

import numpy as np
import pytest

from cgrisk.aircraft import cabin_plan
from cgrisk.flight import prepare, replay_flight
from cgrisk.report.replay import cabin_drawing, page_data, replay_page
from cgrisk.report.replay.page import safe_json
from tests.flight_cases import edited
from tests.replay_cases import MARKUP, ODD, marked_up, ready


class Attributes(HTMLParser):
    """Names of the attributes of all elements."""

    def __init__(self) -> None:
        super().__init__()
        self.names: set[str] = set()

    def handle_starttag(self, _tag, attrs):
        self.names |= {name for name, _ in attrs}


@pytest.fixture(scope="module")
def page() -> str:
    """The page of a flight whose scenario has markup in every name."""
    replay = replay_flight(prepare(marked_up()), seed=1, flight=0)
    return replay_page(replay, run=f"run {MARKUP}", why="the flight asked for")


@pytest.mark.parametrize(
    "seats, rows, missing",
    [
        ("ABC-DEF", "1-9", []),
        ("A-B", "1-9", ["9B"]),
        ("A-BC", "1-9", ["4A", "5B", "6C"]),
        ("AB-CDE-FG", "1-9", ["3A", "3B", "4C", "4D", "4E", "5F", "5G"]),
        ("AB-CD-EF", "1-9", []),
        ("A-B-C", "1-9", ["7B"]),
        ("ABC-DEFG-HJK", "1-9", ["1C", "1D", "1G", "1H"]),
    ],
)
def test_seats_of_a_row_stand_side_by_side(seats, rows, missing):
    zones = [{"name": "all", "rows": rows, "adults": 4, "children": 0}]
    changes = {
        "aircraft.cabin.seats": seats,
        "aircraft.cabin.rows": [{"rows": rows, "pitch": 0.8}],
        "aircraft.cabin.missing": missing,
        "operation.zones": zones,
        "operation.service.carts": [],
        "operation.entry_errors": [],
    }
    plan = cabin_plan(edited(changes))
    drawing = cabin_drawing(plan)
    side = np.array(drawing.seat_side_m)
    assert len(drawing.aisle_side_m) == seats.count("-")
    assert np.abs(side).max() <= drawing.half_width_m - 0.25 + 1e-9
    whole = {
        letter: side[[i for i in range(plan.seats) if plan.letter[i] == letter]]
        for letter in set(plan.letter)
    }
    for letter, places in whole.items():  # a letter has one place, whatever is missing
        assert np.ptp(places) < 1e-9, letter
    for row in set(plan.row.tolist()):
        own = np.flatnonzero(plan.row == row)
        taken = np.sort(np.concatenate([side[own], drawing.aisle_side_m]))
        assert np.diff(taken).min() > 0.49
        order = sorted(own, key=lambda i: plan.letter[i])
        assert (np.diff(side[order]) > 0.0).all()


def test_a_row_across_the_cabin_is_drawn_across_it():
    table = [
        {"row": 1, "letter": "A", "arm": 5.0, "position": "aisle"},
        {"row": 1, "letter": "B", "arm": 5.0, "position": "aisle"},
        *(
            {"row": 2, "letter": letter, "arm": 5.8, "position": position}
            for letter, position in (("A", "window"), ("B", "middle"), ("C", "window"))
        ),
    ]
    changes = {
        "aircraft.cabin.seat_table": table,
        "aircraft.cabin.rows": [],
        "operation.zones": [{"name": "all", "rows": "1-2", "adults": 4, "children": 0}],
        "operation.service.carts": [],
        "operation.entry_errors": [],
    }
    drawing = cabin_drawing(cabin_plan(edited(changes)))
    assert drawing.seat_side_m == (-0.5, 0.5, -0.5, 0.0, 0.5)


@pytest.mark.parametrize("name", ODD)
def test_data_are_plain_and_finite(name):
    replay = replay_flight(ready(name), seed=1, flight=3)
    data = json.loads(str(safe_json(page_data(replay))))
    assert len(data["people"]["seat"]) == replay.figures["passengers"]
    assert data["people"]["first"][-1] == len(data["people"]["t"])
    assert (data["trim"] is None) == replay.model.planned_trim.empty
    boxes = data["cabin"]["lavatories"]["boxes"] + data["cabin"]["galleys"]["boxes"]
    assert len({(arm, side) for _, arm, side in boxes}) == len(boxes)


def test_json_cannot_end_its_element():
    text = str(safe_json({"a": "</script><!-- & \u2028\u2029"}))
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text) == {"a": "</script><!-- & \u2028\u2029"}


def test_names_are_text_wherever_they_stand(page):
    assert MARKUP not in page
    assert html.escape(MARKUP, quote=False) in page.replace("&#34;", '"').replace("&#39;", "'")
    assert page.count("<script") == 2
    assert page.count("</script>") == 2
    assert "<img" not in page


def test_the_page_says_what_is_rounded_and_of_which_mass(page):
    assert '<html lang="en-GB">' in page
    assert "What is shown is rounded" in page
    assert "% MAC of the mass at that instant" in page
    assert "prefers-reduced-motion" in page


def test_the_policy_names_the_only_script_and_style(page):
    policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1])
    assert policy.startswith("default-src 'none'; ")
    script = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    style = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    for kind, found in (("script", script), ("style", style)):
        (text,) = found
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    found = Attributes()
    found.feed(page)
    assert "class" in found.names
    assert not [name for name in found.names if name.startswith("on") or name == "style"]
    assert "http:" not in page
    assert "https:" not in page


def test_the_page_is_the_same_every_time(page):
    replay = replay_flight(prepare(marked_up()), seed=1, flight=0)
    assert replay_page(replay, run=f"run {MARKUP}", why="the flight asked for") == page


def test_cautions_and_tables_stand_without_scripts(page):
    plain = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert "not approved data and not for dispatch" in plain
    assert "The moving pictures need scripts" in plain
    assert plain.count("<tr>") > 20


def test_scripts_and_style_are_package_files():
    names = {path.name for path in files("cgrisk.report.replay").joinpath("assets").iterdir()}
    assert {"page.html", "page.css", "path.js", "player.js"} <= names
