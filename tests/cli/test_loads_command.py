"""`cgrisk loads` as its users meet it, on a cabin of one row and on the shipped case."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pandas as pd
import pytest

from cgrisk.cli import main
from tests.cut_cases import write_small_case
from tests.flight_cases import SHIPPED

LOADS = """# invented
name,zone all adults,hold forward hold bags,hold aft hold bags,hold aft hold cargo,fuel
=cmd|' /C calc'!A1,4,40,80,1900,10400
near,2,40,80,2900,10400
near again,2,40,80,2900,10400
"""
ENVELOPE = """mass_kind,mass,forward,aft
zero_fuel,40000,15,33.5
zero_fuel,61000,15,33.5
"""


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_small_case(tmp_path_factory.mktemp("case"))
    (folder / "loads.csv").write_text(LOADS, encoding="utf-8")
    (folder / "envelope.csv").write_text(ENVELOPE, encoding="utf-8")
    return folder


def run(*words: object) -> int:
    return main([str(word) for word in words])


def read(folder: Path) -> dict:
    def refuse(text: str) -> None:
        raise AssertionError(f"{text} is not JSON")

    return json.loads((folder / "loads.json").read_text(), parse_constant=refuse)


@pytest.fixture(scope="module")
def told(case: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("loads") / "out"
    words = ("--envelope", case / "envelope.csv", "--risk", 0.3, "--reach", 0.3, "--seed", 7)
    assert run("loads", case, case / "loads.csv", *words, "--out", out) == 0
    return out


def test_what_is_no_file_is_refused_with_the_kind_that_is_wanted(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.mkfifo(tmp_path / "pipe")
    loads, out = case / "loads.csv", ("--out", tmp_path / "out")
    for words, wanted in (
        ((case, "/dev/zero"), "a CSV file of load sheets"),
        ((case, tmp_path / "pipe"), "a CSV file of load sheets"),
        ((case, loads, "--envelope", "/dev/zero"), "a CSV file of an envelope"),
        (("/dev/zero", loads), "a scenario file"),
    ):
        assert run("loads", *words, *out) == 2
        assert f"got something else. Name {wanted}.\n" in capsys.readouterr().err
    words = (case, "/dev/zero", "--target", 0.1)
    assert run("policies", *words, *out) == 2
    assert "got something else. Name a policies file.\n" in capsys.readouterr().err


def test_the_folder_is_whole(told: Path) -> None:
    assert not list(told.parent.glob("*.begun"))
    assert not list(told.parent.glob("*.partial*"))
    for name in ("loads.png", "loads.svg", "loads.csv", "envelope.csv"):
        assert (told / name).stat().st_size > 0
    data = read(told)
    assert data["manifest"]["scenario"]["operation"]["name"]
    assert data["risk"]["seed"] == 7
    assert "study aid" in data["cautions"]


def test_each_load_has_its_risk_and_equal_loads_the_same(told: Path) -> None:
    frame = pd.read_csv(told / "loads.csv")
    assert len(frame) == 3
    for side in ("forward", "aft"):
        assert (frame[f"risk_{side}_low"] <= frame[f"risk_{side}"]).all()
        assert (frame[f"risk_{side}"] <= frame[f"risk_{side}_high"]).all()
        assert (frame[f"risk_{side}_high"] > 0.0).all()
    risks = [name for name in frame.columns if name.startswith("risk_")]
    assert frame.loc[1, risks].equals(frame.loc[2, risks])
    data = read(told)
    assert data["mixes"]["all"]["aft"]["estimate"] == pytest.approx(
        frame["risk_aft"].mean(), rel=1e-6
    )
    assert data["different_loads"] == 2


def test_names_are_told_as_they_are_and_defused_for_spreadsheets(told: Path) -> None:
    assert read(told)["loads"][0]["name"] == "=cmd|' /C calc'!A1"
    assert pd.read_csv(told / "loads.csv")["name"][0] == "'=cmd|' /C calc'!A1"


def test_the_same_seed_gives_the_same_answer_on_any_number_of_threads(
    case: Path, told: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--envelope", told / "envelope.csv", "--risk", 0.3, "--reach", 0.3, "--seed", 7)
    out = tmp_path / "again"
    assert run("loads", case, case / "loads.csv", *words, "--jobs", 1, "--out", out) == 0
    assert "intervals: 95 % a side and a mix" in capsys.readouterr().out
    for name in ("loads.csv", "envelope.csv", "loads.svg"):
        assert (out / name).read_bytes() == (told / name).read_bytes(), name


def test_the_shipped_case_answers_without_flying(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("loads", SHIPPED / "loads.csv", "--out", tmp_path / "json", "--json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["loads_in_all"] == 24
    assert "mixes" not in data
    text = data["decision"][-1]
    assert "would be refused under the old envelope (the scenario's curtailments)" in text


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("--risk", "0"), "a probability from 1e-09 to 0.5"),
        (("--risk", "nan"), "a probability from"),
        (("--reach", "1e-6"), "at most the risk that --risk gives"),
        (("--risk", "1e-6", "--reach", "1e-5"), "at most the risk that --risk gives"),
        (("--envelope", "nowhere.csv"), "nothing of that name"),
        (("--jobs", "0"), "jobs"),
        (("--seed", "-1"), "seed"),
    ],
)
def test_bad_usage_is_told(
    case: Path, words: tuple[str, ...], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("loads", case, case / "loads.csv", *words, "--out", case / "never") == 2
    assert text in capsys.readouterr().err
    assert not (case / "never").exists()


def test_faults_of_the_file_are_told_with_their_lines(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(LOADS.replace(",4,40", ",9,40").replace("near,2", "near,x"), encoding="utf-8")
    assert run("loads", case, path, "--out", tmp_path / "never") == 2
    assert "bad.csv:4: zone all adults: expected a whole number" in capsys.readouterr().err
    assert run("loads", case, path, path, "--out", tmp_path / "never") == 2
    assert "3 files" in capsys.readouterr().err
