"""The policies file: every fault at once, with its line, and the shipped set without any."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cgrisk.errors import InputError
from cgrisk.scenario.checks_policies import load_policies
from tests.flight_cases import SHIPPED, shipped_scenario

HEAD = 'schema = 1\nname = "set"\n'


def faults(tmp_path: Path, body: str) -> list[tuple[int | None, str, str]]:
    path = tmp_path / "policies.toml"
    path.write_text(HEAD + body, encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(path.name)) as caught:
        load_policies(path, scenario=shipped_scenario())
    return [(f.line, f.key, f"{f.expected} / {f.got}") for f in caught.value.faults]


def test_the_shipped_set_is_ten_policies_marked_invented() -> None:
    text = (SHIPPED / "policies.toml").read_text(encoding="utf-8")
    assert "INVENTED" in text.splitlines()[0]
    file = load_policies(SHIPPED / "policies.toml", scenario=shipped_scenario())
    assert len(file.policies) == 10
    assert "Invented" in file.note


def test_all_faults_are_told_with_their_lines(tmp_path: Path) -> None:
    body = """
[[policies]]
name = "one"
seatng = "free"
holds = [{ hold = "forward hold", share = 0.4 }]
[[policies]]
name = "one"
zones = "even"
quotas = [{ zone = "A", share = 0.5 }, { zone = "B", share = 0.3 }, { zone = "C", share = 0.3 }]
block = [{ seats = ["1-2", "44"] }]
"""
    found = faults(tmp_path, body)
    assert (6, "policies[0].seatng") in [(line, key) for line, key, _ in found]
    # A table with a fault of form is judged no further; the others' meaning waits for it.
    assert all(line is not None for line, _, _ in found)
    meant = faults(tmp_path, body.replace('seatng = "free"', 'seating = "free"'))
    by_key = {key: (line, text) for line, key, text in meant}
    assert by_key["policies[0].holds"] == (
        7,
        'a share for each of "forward hold", "aft hold" / none for "aft hold"',
    )
    assert by_key["policies[1].name"][0] == 9
    assert by_key["policies[1].quotas"][0] == 11
    assert by_key["policies[1].block[0].seats[1]"][0] == 12
    texts = [text for _, key, text in meant if key == "policies[1].quotas"]
    assert "either zones or quotas / both" in texts
    assert "shares that add up to 1 / 1.1" in texts


@pytest.mark.parametrize(
    ("line", "key", "text"),
    [
        ('lavatories = [{ name = "aft lavatories", open = 3 }]', "lavatories[0].open", "2 / 3"),
        ('galleys = [{ name = "mid galley", standing = 0 }]', "galleys[0].name", "mid galley"),
        ('sign = [{ phase = "dinner", lit = true }]', "sign[0].phase", "dinner"),
        ('crew = [{ name = "aft crew seats", crew = 4 }]', "crew", "number of crew, 4 / 6"),
        ('quotas = [{ zone = "A", share = 1.0 }]', "quotas", 'none for "B", "C"'),
        ('seating = "by lot"', "seating", "by lot"),
        (
            'block = [{ seats = ["1-30"] }]',
            "block",
            'left open by policy "p" / all 174 seats blocked',
        ),
        ("movers_share = 1.5", "movers_share", "from 0 to 1 / 1.5"),
    ],
)
def test_what_does_not_fit_the_scenario(tmp_path: Path, line: str, key: str, text: str) -> None:
    found = faults(tmp_path, f'[[policies]]\nname = "p"\n{line}\n')
    assert [(n, k) for n, k, _ in found] == [(5, f"policies[0].{key}")]
    assert text in found[0][2]


@pytest.mark.parametrize(
    ("demand", "key"),
    [
        ('kind = "normal"\nmean = 100', "demand.sd"),
        ('kind = "binomial"\nbooked = 150\nshow_up = 0.9\nsd = 3', "demand.sd"),
        ('kind = "given"\ncounts = [100, 120]\nshares = [0.5, 0.4]', "demand.shares"),
        ('kind = "given"\ncounts = [100, 120]\nshares = [1.0]', "demand.shares"),
    ],
)
def test_a_demand_says_what_its_kind_needs_and_no_more(
    tmp_path: Path, demand: str, key: str
) -> None:
    found = faults(tmp_path, f'[demand]\n{demand}\n[[policies]]\nname = "p"\n')
    assert [k for _, k, _ in found] == [key]


def test_more_passengers_than_seats_are_refused(tmp_path: Path) -> None:
    found = faults(tmp_path, 'counts = [100, 175]\n[[policies]]\nname = "p"\n')
    assert found == [(3, "counts[1]", "at most the seats of the cabin, 174 / 175")]


@pytest.mark.parametrize(
    ("line", "key", "text"),
    [
        ('base = "another"', "search.base", 'one of "p" / "another"'),
        ("most_blocked = 174", "search.most_blocked", "fewer than the seats of the cabin, 174"),
        ('families = ["rear_rows", "rear_rows"]', "search.families[1]", "rear_rows"),
        ('families = ["middle_rows"]', "search.families[0]", "middle_rows"),
        ("families = []\nholds = false", "search.families", "neither"),
        ("near = 21", "search.near", "from 0 to 20 / 21"),
        ("attempts = 0", "search.attempts", "from 1 to 20 / 0"),
        ("rows = 3", "search.rows", "rows"),
    ],
)
def test_a_search_names_what_there_is(tmp_path: Path, line: str, key: str, text: str) -> None:
    found = faults(tmp_path, f'[search]\n{line}\n[[policies]]\nname = "p"\n')
    assert [(n, k) for n, k, _ in found] == [(4, key)]
    assert text in found[0][2] + key


def test_quotas_need_people_who_sit_where_they_are_counted(tmp_path: Path) -> None:
    search = '[search]\nbase = "p"\nfamilies = ["rear_rows", "zone_quotas"]\n'
    anywhere = faults(tmp_path, search + '[[policies]]\nname = "p"\ncounted = "cabin"\n')
    assert [(n, k) for n, k, _ in anywhere] == [(5, "search.families[1]")]
    assert "anywhere in the cabin" in anywhere[0][2]
    own = "quotas = [" + ", ".join(
        f'{{ zone = "{z}", share = {s} }}' for z, s in (("A", 0.3), ("B", 0.3), ("C", 0.4))
    )
    twice = faults(tmp_path, search + f'[[policies]]\nname = "p"\n{own}]\n')
    assert [k for _, k, _ in twice] == ["search.families[1]"]


@pytest.mark.parametrize("name", ["one\\nAPPROVED", "red\\u001b[31m", "   "])
def test_a_name_that_would_break_a_table_or_a_draft_is_refused(tmp_path: Path, name: str) -> None:
    found = faults(tmp_path, f'[[policies]]\nname = "{name}"\n')
    assert [(line, key) for line, key, _ in found] == [(4, "policies[0].name")]
    assert "on one line" in found[0][2]


def test_a_number_of_passengers_given_twice_is_told(tmp_path: Path) -> None:
    found = faults(tmp_path, 'counts = [100, 90, 100]\n[[policies]]\nname = "one"\n')
    assert found == [(3, "counts[2]", "each number once / 100")]
