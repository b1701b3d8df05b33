"""`cgrisk restrict` as its users meet it, on a cabin of one row."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from cgrisk.cli import main
from tests.cut_cases import write_small_case

POLICIES = """
schema = 1
name = "one"
[search]
near = 1
families = ["rear_rows"]
[[policies]]
name = "no window"
block = [{ seats = ["1A"] }]
"""


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_small_case(tmp_path_factory.mktemp("case"))
    (folder / "policies.toml").write_text(POLICIES, encoding="utf-8")
    return folder


def run(*words: object) -> int:
    return main(["restrict", *(str(word) for word in words)])


def test_the_folder_is_whole_and_the_draft_is_marked(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    words = (case, case / "policies.toml", "--target", 0.05, "--seed", 3, "--flights", 1024)
    assert run(*words, "--passengers", "2,4", "--out", out, "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["passengers"] == [2, 4]
    assert answer["mark"].startswith("DRAFT")
    assert not answer["approved"]
    assert "authority" in answer["cautions"]
    assert [entry["status"] for entry in answer["answers"]] == ["confirmed", "confirmed"]
    assert [(line["from"], line["to"]) for line in answer["draft"]] == [(1, 5)]
    assert not list(tmp_path.glob("*.begun"))
    assert (out / "draft.txt").read_text().startswith("DRAFT - NOT APPROVED")
    assert pd.read_csv(out / "restriction.csv")["passengers"].tolist() == [2, 4]
    manifest = json.loads((out / "restriction.json").read_text())["manifest"]
    assert manifest["policies"]["search"]["near"] == 1
    again = tmp_path / "again"
    assert run(*words, "--passengers", "2,4", "--out", again, "--jobs", 1) == 0
    told = capsys.readouterr().out
    assert "DRAFT - NOT APPROVED" in told
    assert "with its 95 % interval by itself" in told
    assert (again / "tried.csv").read_bytes() == (out / "tried.csv").read_bytes()
    assert (again / "restriction.svg").read_bytes() == (out / "restriction.svg").read_bytes()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--passengers", "7"), "from 1 to the 6 seats"),
        (("--target", "2"), "from 1e-12 to 0.5"),
        (("--target", "nan"), "from 1e-12 to 0.5"),
        (("--flights", "10"), "usually serve"),
        (("--confidence", "1"), "confidence"),
    ],
)
def test_bad_words_are_refused(
    case: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    told: str,
) -> None:
    out = tmp_path / "out"
    assert run(case, case / "policies.toml", "--target", 0.05, "--out", out, *words) == 2
    assert told in capsys.readouterr().err
    assert not out.exists()


def test_more_people_than_the_base_leaves_seats_for_are_refused(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    based = tmp_path / "based.toml"
    based.write_text(POLICIES.replace("near = 1", 'base = "no window"'), encoding="utf-8")
    words = ("--target", 0.05, "--passengers", "6", "--out", tmp_path / "out")
    assert run(case, based, *words) == 2
    told = capsys.readouterr().err
    assert "at most the 5 seats left open" in told
    assert "got 6" in told
