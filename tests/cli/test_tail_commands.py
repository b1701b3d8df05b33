"""`cgrisk tail` and `cgrisk causes` as their users meet them, on a cabin of one row."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from cgrisk.cli import main
from cgrisk.runs.shelf import Shelf
from tests.cut_cases import write_small_case


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_case(tmp_path_factory.mktemp("case"))


def run(*words: object) -> int:
    return main([str(word) for word in words])


def read(folder: Path, name: str = "tail") -> dict:
    def refuse(text: str) -> None:
        raise AssertionError(f"{text} is not JSON")

    return json.loads((folder / f"{name}.json").read_text(), parse_constant=refuse)


@pytest.fixture(scope="module")
def told(case: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("tails") / "aft"
    words = ("--target", 1e-3, "--deepest", 1e-4, "--draws", 2, "--seed", 7, "--out", out)
    assert run("tail", case, *words) == 0
    return out


def test_the_folder_is_whole(told: Path) -> None:
    assert not list(told.parent.glob("*.begun"))
    assert not list(told.parent.glob("*.partial"))
    for name in ("tail.png", "tail.svg", "curve.csv", "fleet.csv", "assumptions.csv"):
        assert (told / name).stat().st_size > 0
    data = read(told)
    assert data["seed"] == 7
    assert data["manifest"]["scenario"]["operation"]["name"]
    assert "study aid" in data["cautions"]
    assert data["why"].startswith(f"{data['method']}:")


def test_the_curve_falls_and_every_risk_has_its_interval(told: Path) -> None:
    curve = pd.read_csv(told / "curve.csv")
    assert curve["threshold"].is_monotonic_increasing
    assert curve["method"].notna().all()
    assert (curve["low"] <= curve["estimate"]).all()
    assert (curve["estimate"] <= curve["high"]).all()
    # Neighbouring stages are estimated apart: allow the noise of one.
    assert (curve["estimate"].diff().dropna() <= 0.5 * curve["estimate"].shift().dropna()).all()
    data = read(told)
    at = data["threshold_at_target"]
    assert at["estimate"] <= at["simulation_upper"]


def test_the_distance_for_the_target_is_that_of_the_curve(told: Path) -> None:
    curve = pd.read_csv(told / "curve.csv")
    x = read(told)["threshold_at_target"]["estimate"]
    below = curve[curve["threshold"] <= x]["estimate"].iloc[-1]
    above = curve[curve["threshold"] > x]["estimate"].iloc[0]
    assert above <= 1e-3 <= below


def test_the_same_seed_gives_the_same_answer_on_any_number_of_threads(
    case: Path, told: Path, tmp_path: Path
) -> None:
    out = tmp_path / "again"
    words = ("--target", 1e-3, "--deepest", 1e-4, "--draws", 2, "--seed", 7, "--out", out)
    assert run("tail", case, *words, "--jobs", 1) == 0
    for name in ("curve.csv", "fleet.csv", "assumptions.csv", "tail.svg"):
        assert (out / name).read_bytes() == (told / name).read_bytes(), name


def test_finished_pieces_are_not_flown_again(
    case: Path, told: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cgrisk.rare import multilevel

    out = tmp_path / "cut"
    words = ("--target", 1e-3, "--deepest", 1e-4, "--draws", 2, "--seed", 7, "--out", out)
    real, calls = multilevel.level_run, []

    def cut(*arguments, **named):
        calls.append(1)
        if len(calls) == 8:
            raise KeyboardInterrupt
        return real(*arguments, **named)

    put, names = Shelf.put, []

    def noted(shelf: Shelf, name: str, arrays: dict) -> None:
        names.append(name)
        put(shelf, name, arrays)

    monkeypatch.setattr(multilevel, "level_run", cut)
    monkeypatch.setattr(Shelf, "put", noted)
    assert run("tail", case, *words, "--jobs", 1) == 130
    assert not out.exists()
    assert len(list((tmp_path / "cut.begun").glob("*.piece"))) == len(names) >= 7
    assert run("tail", case, *words, "--jobs", 1) == 0
    assert len(set(names)) == len(names)  # no piece was made twice
    assert (out / "curve.csv").read_bytes() == (told / "curve.csv").read_bytes()
    assert not (tmp_path / "cut.begun").exists()


def cut_and_taken_up(words: tuple[object, ...], out: Path, whole: Path, *, puts: int) -> None:
    """Interrupt a command when it has kept so many pieces; go on, and compare with a whole run."""
    put, names = Shelf.put, []

    def noted(shelf: Shelf, name: str, arrays: dict) -> None:
        put(shelf, name, arrays)
        names.append(name)
        if len(names) == puts:
            raise KeyboardInterrupt

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Shelf, "put", noted)
        assert run(*words, "--jobs", 1, "--out", out) == 130
        assert not out.exists()
        assert run(*words, "--jobs", 1, "--out", out) == 0
    assert len(names) > puts
    assert len(set(names)) == len(names)  # no piece was made twice
    tables = sorted(path.name for path in whole.glob("*.csv"))
    assert "curve.csv" in tables
    for name in tables:
        assert (out / name).read_bytes() == (whole / name).read_bytes(), name


@contextmanager
def noting(names: list[str]) -> Iterator[None]:
    """Note the names of the pieces that are kept, in their order."""
    put = Shelf.put

    def noted(shelf: Shelf, name: str, arrays: dict) -> None:
        put(shelf, name, arrays)
        names.append(name)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Shelf, "put", noted)
        yield


def test_counted_flights_are_kept_when_cut(case: Path, tmp_path: Path) -> None:
    words = ("tail", case, "--target", 1e-3, "--deepest", 1e-3, "--method", "counting")
    words = (*words, "--relative-error", 0.07, "--draws", 0, "--seed", 5)
    names: list[str] = []
    with noting(names):
        assert run(*words, "--out", tmp_path / "whole") == 0
    counted = [place for place, name in enumerate(names) if name.startswith("scores/")]
    assert len(counted) >= 5  # four pieces of counted flights and the flights of the tail fit
    cut_and_taken_up(words, tmp_path / "cut", tmp_path / "whole", puts=counted[2])


def causes_of(case: Path) -> tuple[object, ...]:
    words = ("--target", 1e-3, "--deepest", 1e-4, "--pairs", 200, "--seed", 3)
    return ("causes", case, *words)


@pytest.fixture(scope="module")
def explained(
    case: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, list[str], dict[str, Any]]:
    """Folder of `cgrisk causes`, the names of the pieces it kept, and its JSON."""
    out, names, said = tmp_path_factory.mktemp("causes") / "aft", [], io.StringIO()
    with noting(names), redirect_stdout(said):
        assert run(*causes_of(case), "--jobs", 1, "--out", out, "--json") == 0
    return out, names, json.loads(said.getvalue())


def test_causes_go_on_where_they_were_cut(case: Path, explained: Any, tmp_path: Path) -> None:
    """Cut at the first stress case: shares of the variance and swings are not flown again."""
    whole, names, _ = explained
    kinds = {name.split("/")[0] for name in names}
    assert {"variance", "swings", "stress"} <= kinds
    puts = 1 + next(place for place, name in enumerate(names) if name.startswith("stress/"))
    cut_and_taken_up(causes_of(case), tmp_path / "cut", whole, puts=puts)


def test_causes_tell_shares_swings_and_stress_cases(explained: Any) -> None:
    out, _, data = explained
    parts = pd.DataFrame(data["tail_shares"]["parts"])
    assert parts["mean_pct_mac"].sum() == pytest.approx(data["tail_shares"]["mean"], abs=1e-9)
    assert abs(parts.set_index("part").loc["residual", "mean_pct_mac"]) < 1e-3
    shapley = pd.DataFrame(data["variance"]).query("cause != 'together'")["shapley"]
    assert shapley.sum() == pytest.approx(1.0, abs=1e-9)
    swings = pd.read_csv(out / "swings.csv")
    assert {"operation.mass.body.bias", "operation.cargo.position_sd"} <= set(swings["key"])
    heavier = swings.set_index("key").loc["operation.cargo.position_sd"]
    assert heavier["ratio_at_low"] < 1.0 < heavier["ratio_at_high"]
    stress = pd.read_csv(out / "stress.csv")
    assert set(stress[stress["note"].notna()]["case"]) >= {"one lavatory closed"}


@pytest.mark.parametrize("side", ["aft", "forward"])
def test_an_event_of_trim_has_a_tail(
    case: Path, tmp_path: Path, side: str, capsys: pytest.CaptureFixture[str]
) -> None:
    event = "take_off.no_rotation" if side == "forward" else "take_off.uncommanded_rotation"
    words = ("--event", event, "--target", 1e-2, "--deepest", 1e-3, "--draws", 0, "--seed", 1)
    assert run("tail", case, *words, "--out", tmp_path / "event") == 0
    shown = capsys.readouterr().out
    assert "The event itself" in shown
    assert "Interval: 95 %, of the simulation alone" in shown
    assert read(tmp_path / "event")["unit"] in ("kN", "deg/s2")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--target", "0"], "target: expected a number from 1e-12 to 0.5"),
        (["--target", "nan"], "target: expected a number from 1e-12 to 0.5"),
        (["--target", "1e-4", "--deepest", "1e-3"], "deepest: expected a number from"),
        (["--target", "1e-4", "--event", "spin"], "event: expected one of envelope"),
        (["--target", "1e-4", "--method", "magic"], "method: expected one of auto"),
        (["--target", "1e-4", "--method", "exact"], "a scenario that exact can treat"),
        (["--target", "1e-4", "--draws", "1"], "draws: expected 0, or a whole number"),
        (["--target", "1e-4", "--relative-error", "0"], "relative-error: expected a number"),
        (["--target", "1e-4", "--flights", "0"], "flights: expected a whole number"),
    ],
)
def test_bad_input_is_told(
    case: Path, tmp_path: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("tail", case, *words, "--seed", 1, "--out", tmp_path / "none") == 2
    shown = capsys.readouterr()
    assert said in shown.err
    assert "Traceback" not in shown.err
    assert shown.out == ""
    assert not (tmp_path / "none").exists()


def test_a_folder_with_content_is_refused(case: Path, told: Path, capsys) -> None:
    before = math.fsum(path.stat().st_mtime for path in told.iterdir())
    assert run("tail", case, "--target", 1e-4, "--out", told) != 0
    assert "new or empty" in capsys.readouterr().err
    assert before == math.fsum(path.stat().st_mtime for path in told.iterdir())
