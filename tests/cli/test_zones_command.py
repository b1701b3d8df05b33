"""`cgrisk zones` as its users meet it."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from cgrisk.cli import main

FEW = ("--max-zones", 3, "--flights", 200, "--level", 0.05, "--seed", 3)


def run(*words: object) -> int:
    return main(["zones", *(str(word) for word in words)])


def pure(text: str) -> dict:
    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is not JSON")

    return json.loads(text, parse_constant=refuse)


def test_the_answer_ends_in_a_decision_and_the_folder_is_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "zones"
    assert run(*FEW, "--out", out) == 0
    told = capsys.readouterr().out
    assert "The curtains of now (after rows 9, 19) are the best for 3 zones" in told
    assert "Decision: " in told
    assert "No authority publishes" in told
    assert "study aid, not approved data and not for dispatch" in told
    assert "need the authority's agreement" in told
    for name in ("cabin", "trade_off"):
        assert (out / f"{name}.png").stat().st_size > 10_000
        assert (out / f"{name}.svg").stat().st_size > 10_000
    divisions = pd.read_csv(out / "divisions.csv", keep_default_na=False)
    assert list(divisions["boundaries"]) == ["", "14", "9 19", "9 19"]
    assert (divisions["usable_width_pct_mac"] < divisions["certified_width_pct_mac"]).all()
    arms = pd.read_csv(out / "arms.csv")
    assert list(arms["division"].value_counts()) == [3, 3, 2, 1]
    data = pure((out / "zones.json").read_text())
    assert data["seed"] == 3
    assert data["manifest"]["scenario"]["operation"]["name"]
    assert not list(tmp_path.glob("*.partial*"))
    # Too few flights for a bound: told as none, not as a number.
    assert run(*FEW[:2], "--flights", 20, "--seed", 3, "--json", "--out", tmp_path / "b") == 0
    data = pure(capsys.readouterr().out)
    assert data["divisions"][0]["excess_aft_high_pct_mac"] is None


def test_json_alone_goes_to_stdout_and_rules_are_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--keep", "5", "--forbid", "13-15", "--smallest-rows", 4, "--objective")
    assert run(*FEW, *words, "conventional", "--json", "--out", tmp_path / "a") == 0
    told = capsys.readouterr()
    data = pure(told.out)
    assert [row["zones"] for row in data["divisions"]] == [2, 3, 3]
    assert data["divisions"][0]["boundaries"] == "5"
    assert data["divisions"][1]["boundaries"].startswith("5 ")
    assert data["rules"] == {
        "keep": [5],
        "forbid": [13, 14, 15],
        "smallest_rows": 4,
        "smallest_seats": 1,
    }
    assert data["decision"][-1].endswith("agreement.")
    assert "flights" in told.err


@pytest.mark.parametrize(
    "words, named",
    [
        (("--keep", "nine"), "keep: expected row numbers"),
        (("--keep", "29"), "keep: expected rows after which a boundary can stand, 1 to 28; got 29"),
        (("--keep", "9", "--forbid", "9"), "boundaries that are not forbidden"),
        (("--smallest-rows", 30), "29 rows with 174 open seats, zones of at least 30 rows"),
        (("--level", "0"), "level: expected over 0"),
        (("--flights", "1"), "flights: expected a whole number from 2"),
        (("--max-zones", "0"), "max zones: expected at least 1"),
        (("--max-zones", "13"), "max zones: expected at most 12; got 13"),
    ],
)
def test_bad_arguments_are_named(
    words: tuple[object, ...], named: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*FEW, *words, "--out", tmp_path / "results" / "no") == 2
    assert named in capsys.readouterr().err
    assert not (tmp_path / "results").exists()
