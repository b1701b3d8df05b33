"""`cgrisk policies` as its users meet it, on a cabin of one row."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from cgrisk.cli import main
from tests.cut_cases import write_small_case

POLICIES = """
schema = 1
name = "two"
[[policies]]
name = "as it is"
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
    return main(["policies", *(str(word) for word in words)])


def test_the_folder_is_whole_and_the_seats_are_counted(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    words = (case, case / "policies.toml", "--target", 1e-2, "--seed", 3, "--flights", 1024)
    assert run(*words, "--passengers", "2-6/2", "--out", out, "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["passengers"] == [2, 4, 6]
    assert "authority" in answer["cautions"]
    assert not list(tmp_path.glob("*.begun"))
    ranking = pd.read_csv(out / "ranking.csv").set_index("policy")
    assert ranking.loc["no window", "capacity"] == 5
    assert ranking.loc["no window", "seats_blocked"] == 1.0
    # 2, 4 and 6 want to fly, equally likely: one in three flights leaves one behind.
    assert ranking.loc["no window", "turned_away"] == pytest.approx(1.0 / 3.0)
    manifest = json.loads((out / "policies.json").read_text())["manifest"]
    assert manifest["policies"]["policies"][1]["block"][0]["seats"] == ["1A"]
    assert manifest["seed"] == 3


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--passengers", "2-"), "numbers such as"),
        (("--passengers", "7"), "from 1 to the 6 seats"),
        (("--target", "2"), "from 1e-12 to 0.5"),
        (("--flights", "0"), "flights"),
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
    assert run(case, case / "policies.toml", "--target", 1e-2, "--out", out, *words) == 2
    assert told in capsys.readouterr().err
    assert not out.exists()


def test_policies_that_block_every_seat_are_refused_by_file(
    case: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Always, by the line; at every number of passengers that there may be, by the policy."""
    monkeypatch.chdir(tmp_path)
    wrong = tmp_path / "wrong.toml"
    for block, told in (
        ('seats = ["1-9"]', f"{wrong}:{{line}}: policies[1].block: expected a seat left open by"),
        ('seats = ["1-9"], below = 7', f"{wrong}: policy 'no window': expected a seat left open;"),
    ):
        text = POLICIES.replace('seats = ["1A"]', block)
        wrong.write_text(text, encoding="utf-8")
        line = 1 + text[: text.index(block)].count("\n")
        assert run(case, wrong, "--target", 1e-2) == 2
        assert told.format(line=line) in capsys.readouterr().err
        assert [path.name for path in tmp_path.iterdir()] == ["wrong.toml"]


def test_a_contradiction_is_refused_with_the_numbers(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = tmp_path / "wrong.toml"
    text = POLICIES.replace('seats = ["1A"]', 'seats = ["1A", "1B"], below = 6')
    wrong.write_text(text, encoding="utf-8")
    assert run(case, wrong, "--target", 1e-2, "--out", tmp_path / "out") == 2
    told = capsys.readouterr().err
    assert f"{wrong}: policy " in told
    assert "a seat for each of 5 passengers" in told
    assert "4 seats left open" in told
