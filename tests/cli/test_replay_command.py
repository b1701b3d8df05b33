"""`cgrisk replay` as a user meets it: which flight, where the page goes, what is refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from cgrisk.cli import main
from cgrisk.risk.readings import nearest_flights
from cgrisk.runs import fly_run, inputs_of, open_run, read_run
from cgrisk.sampling import fly_blocks
from cgrisk.scenario import Scenario
from tests.flight_cases import edited, shipped_scenario
from tests.replay_cases import no_aerodynamics

FLIGHTS = 300


def make_run(folder: Path, scenario: Scenario, *, rows: bool = True) -> Path:
    """A complete run without tables and charts."""
    inputs = inputs_of(scenario, seed=1, flights=FLIGHTS, rows=rows)
    with open_run(folder, inputs=inputs) as run:
        sample = fly_run(
            run,
            fly=lambda numbers, keep: fly_blocks(
                run.model,
                seed=1,
                flights=FLIGHTS,
                numbers=numbers,
                layout=run.layout,
                jobs=1,
                keep_rows=keep,
            ),
        )
        run.finish(sample, seconds={}, settings={})
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_run(tmp_path_factory.mktemp("runs") / "mine", shipped_scenario())


@pytest.fixture(scope="module")
def nearest(folder: Path) -> pd.DataFrame:
    near = nearest_flights(read_run(folder).sample())
    return near[(near["phase"] == "any") & (near["rank"] == 1)].set_index("side")


def told(capsys: pytest.CaptureFixture[str]) -> str:
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    assert "internal error" not in shown.err
    assert shown.out == ""
    return shown.err


def test_the_nearest_flight_is_replayed(folder, nearest, capsys):
    assert main(["replay", str(folder), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["flight"] == nearest["flight"][nearest["margin_kgm"].idxmin()]
    page = Path(found["file"])
    assert page == folder / f"replay-{found['flight']}.html"
    assert f"Flight {found['flight']}" in page.read_text(encoding="utf-8")
    assert "not for dispatch" in found["cautions"]
    row = read_run(folder).rows().loc[found["flight"]]
    for near in found["closest_approaches"]:
        wanted = row[f"margin_pct_mac.{near['phase']}.{near['side']}"]
        assert near["margin_pct_mac"] == pytest.approx(wanted, abs=1e-9)
    assert main(["replay", str(folder)]) == 0  # its own page is made again
    shown = capsys.readouterr().out
    assert "not for dispatch" in shown
    assert str(page) in shown
    read_run(folder)  # the run is still whole


@pytest.mark.parametrize("side", ["aft", "forward"])
def test_the_side_may_be_chosen(folder, nearest, tmp_path, capsys, side):
    out = tmp_path / "new" / "page.html"
    words = ["replay", str(folder), "--closest", side, "--out", str(out), "--json"]
    assert main(words) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["flight"] == nearest["flight"][side]
    assert out.exists()
    assert main(words) == 2
    assert "expected a file that is new" in told(capsys)


@pytest.mark.parametrize(
    "words, text",
    [
        (["--flight", str(FLIGHTS)], f"expected a flight of the run, 0 to {FLIGHTS - 1}"),
        (["--flight", "-1"], "expected a flight of the run"),
        (["--flight", "3", "--closest", "aft"], "expected --flight or --closest; got 'both'"),
        (["--flight", "3", "--out", "/dev/null/page.html"], "expected a file that can be written"),
    ],
)
def test_what_is_refused(folder, capsys, words, text):
    assert main(["replay", str(folder), *words]) in (1, 2)
    assert text in told(capsys)


def test_a_folder_without_a_run_is_refused(tmp_path, capsys):
    assert main(["replay", str(tmp_path)]) in (1, 2)
    assert "expected a run's folder" in told(capsys)


@pytest.mark.parametrize("rows", [True, False])
def test_a_flight_that_does_otherwise_now_is_told(tmp_path, capsys, monkeypatch, rows):
    """Another version of the code, say: the flight flown again is not the one of the run."""
    folder = make_run(tmp_path / "run", no_aerodynamics(), rows=rows)
    assert main(["replay", str(folder), "--out", str(tmp_path / "page.html")]) == 0
    capsys.readouterr()
    import cgrisk.flight as flight

    real = flight.replay_flight

    def otherwise(model, **named):
        replay = real(model, **named)
        for name in replay.figures:
            if name.startswith("moment_margin"):
                replay.figures[name] += 1.0
        return replay

    monkeypatch.setattr(flight, "replay_flight", otherwise)
    assert main(["replay", str(folder), "--out", str(tmp_path / "other.html")]) == 1
    assert "to do again what it did in the run" in told(capsys)
    assert not (tmp_path / "other.html").exists()


def test_no_half_page_is_left(folder, tmp_path, capsys, monkeypatch):
    place = tmp_path / "full"
    place.mkdir()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    out = place / "page.html"
    assert main(["replay", str(folder), "--flight", "3", "--out", str(out)]) in (1, 2)
    assert "No space left on device" in told(capsys)
    assert list(place.iterdir()) == []


def test_names_in_the_folder_are_text(tmp_path, capsys):
    made = make_run(tmp_path / "a", edited({"operation.name": "<b>bold</b>"}), rows=False)
    moved = shutil.copytree(made, tmp_path / "<i>run&")
    assert main(["replay", str(moved), "--out", str(tmp_path / "page.html")]) == 0
    capsys.readouterr()
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "<i>run&" not in page
    assert "&lt;i&gt;run&amp;" in page
    assert "<b>bold" not in page
