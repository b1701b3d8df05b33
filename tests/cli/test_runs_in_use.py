"""Runs that are interrupted, in each other's way, out of room, precise, compared, estimated."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cgrisk.cli import main
from cgrisk.risk import proportion_difference
from cgrisk.risk.comparison import compare_runs
from cgrisk.runs import read_run
from cgrisk.sampling import BLOCK
from tests.cut_cases import write_small_case
from tests.scenario_cases import edit, shipped_text, write_scenario

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-c", "import sys; from cgrisk.cli import command; sys.exit(command())"]
MANY, SOME = 40 * BLOCK, 14 * BLOCK


def begin(*words: object, **options: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, *map(str, words), "--no-charts"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,  # type: ignore[call-overload]
    )


def wait_for(place: Path, pattern: str) -> None:
    for _ in range(6000):  # the kernel may have to be compiled first
        if list(place.glob(pattern)):
            return
        time.sleep(0.05)
    raise AssertionError(f"no {pattern} in {place}")


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_case(tmp_path_factory.mktemp("case") / "case")


def run(*words: object, charts: bool = False) -> int:
    """Run a command in this process; charts are drawn by few, for they take longest."""
    quick = ["--no-charts"] if words[0] == "run" and not charts else []
    return main([*map(str, words), *quick])


# --- interrupted -------------------------------------------------------------------------------


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("jobs", [1, 2])
def test_an_interrupt_stops_within_a_second_and_says_what_is_saved(
    sign: signal.Signals, jobs: int, tmp_path: Path
) -> None:
    out = tmp_path / "out dir"
    process = begin("run", "--flights", MANY, "--seed", 1, "--jobs", jobs, "--out", out)
    wait_for(out, "blocks/*.block")
    start = time.perf_counter()
    process.send_signal(sign)
    _, err = process.communicate(timeout=60)
    # A second, on a machine that other tests keep busy too.
    assert time.perf_counter() - start < 2.0
    assert process.returncode == 130
    assert "Traceback" not in err
    saved = BLOCK * len(list((out / "blocks").glob("*.block")))
    assert f"interrupted. {saved:,} of {MANY:,} flights are saved" in err
    assert f"Go on: cgrisk run --resume --out '{out}'" in err
    assert not (out / "manifest.json").exists()


def test_an_interrupt_before_the_first_block_says_so(tmp_path: Path) -> None:
    out = tmp_path / "out"
    process = begin("run", "--flights", MANY, "--seed", 1, "--out", out)
    # The run is open, and its folder written, once it says where it goes.
    assert process.stderr is not None
    assert "into" in process.stderr.readline()
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "flights are saved in" in err
    # Nothing was flown: the folder may be taken for another run.
    if not list((out / "blocks").glob("*")):
        assert run("run", "--flights", 100, "--seed", 2, "--out", out) == 0


# --- two at once -------------------------------------------------------------------------------


def test_a_folder_in_use_is_refused_and_the_first_goes_on(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    first = begin("run", case, "--flights", SOME, "--seed", 1, "--jobs", 1, "--out", out)
    wait_for(out, "blocks/*.block")
    assert run("run", "--resume", "--out", out) == 1
    err = capsys.readouterr().err
    assert f"in use by process {first.pid} on " in err
    assert first.communicate(timeout=120) is not None
    assert first.returncode == 0
    assert run("rerun", out) == 0
    assert "identical" in capsys.readouterr().out


def test_of_two_that_begin_together_one_runs(case: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = ("run", case, "--flights", SOME, "--seed", 1, "--out", out)
    both = [begin(*words) for _ in range(2)]
    codes = [process.communicate(timeout=120) and process.returncode for process in both]
    assert sorted(codes)[0] == 0
    assert sorted(codes)[1] in (1, 2)
    assert read_run(out).manifest.flown == SOME


# --- no room, no permission --------------------------------------------------------------------


def _can_mount() -> bool:
    if shutil.which("unshare") is None:
        return False
    probe = "mount -t tmpfs -o size=1m none /mnt"
    done = subprocess.run(["unshare", "-rm", "sh", "-c", probe], capture_output=True, check=False)
    return done.returncode == 0


@pytest.mark.skipif(not _can_mount(), reason="no file system may be mounted here")
def test_a_full_file_system_keeps_what_fits_and_the_run_goes_on(case: Path, tmp_path: Path) -> None:
    """A file system of 4 MB; then room is made, and the run ends as if nothing had been."""
    small, words = tmp_path / "small", f"run {case} --flights {SOME} --seed 1 --rows --no-charts"
    small.mkdir()
    call = f"{sys.executable} -c 'import sys; from cgrisk.cli import command; sys.exit(command())'"
    script = f"""
        set -u
        mount -t tmpfs -o size=4m none {small}
        {call} {words} --out {small}/out; echo "first $?"
        ls {small}/out/blocks | wc -l
        mount -o remount,size=500m {small}
        {call} run --resume --no-charts --out {small}/out > /dev/null; echo "second $?"
        cp -r {small}/out {tmp_path}/kept
    """
    done = subprocess.run(
        ["unshare", "-rm", "sh", "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "first 1\n" in done.stdout, done.stderr
    assert "second 0\n" in done.stdout, done.stderr
    assert "no room" in done.stderr
    assert "Make room, then go on: cgrisk run --resume --out" in done.stderr
    assert "Traceback" not in done.stderr
    saved = int(done.stderr.split("got no room")[1].split(" of ")[0].split()[-1].replace(",", ""))
    assert saved >= BLOCK
    assert f"{saved:,} flights were saved, {SOME - saved:,} flown now" in done.stderr
    uncut = tmp_path / "uncut"
    assert run("run", case, "--flights", SOME, "--seed", 1, "--rows", "--out", uncut) == 0
    one, two = (read_run(place).manifest.files for place in (tmp_path / "kept", uncut))
    assert one == two


@pytest.mark.skipif(os.geteuid() == 0, reason="every folder may be written by this user")
def test_a_folder_that_may_not_be_written_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tmp_path.chmod(0o500)
    try:
        assert run("run", "--flights", 10, "--out", tmp_path / "out") == 1
    finally:
        tmp_path.chmod(0o700)
    assert "no permission to write" in capsys.readouterr().err


@pytest.mark.skipif(not _can_mount(), reason="no file system may be mounted here")
def test_a_read_only_file_system_is_told(case: Path, tmp_path: Path) -> None:
    call = f"{sys.executable} -c 'import sys; from cgrisk.cli import command; sys.exit(command())'"
    place = tmp_path / "place"
    place.mkdir()
    script = f"""
        mount -t tmpfs none {place}
        {call} run {case} --flights 9000 --seed 1 --out {place}/out > /dev/null 2>&1; echo "made $?"
        rm {place}/out/manifest.json
        mount -o remount,ro {place}
        {call} run --resume --out {place}/out; echo "resumed $?"
        {call} run {case} --flights 10 --out {place}/new; echo "new $?"
    """
    done = subprocess.run(
        ["unshare", "-rm", "sh", "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    for line in ("made 0", "resumed 1", "new 1"):
        assert f"{line}\n" in done.stdout, done.stdout + done.stderr
    assert done.stderr.count("no permission to write (Read-only file system)") == 2
    assert "Traceback" not in done.stderr


# --- another scenario, seed or version ---------------------------------------------------------


@pytest.fixture(scope="module")
def cut(case: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run without its end; copy it before changing it."""
    out = tmp_path_factory.mktemp("cut") / "cut"
    assert run("run", case, "--flights", 9000, "--seed", 1, "--out", out) == 0
    (out / "manifest.json").unlink()
    return out


@pytest.mark.parametrize(
    "words, said",
    [
        (["--seed", "2"], "seed 2 instead of 1"),
        (["--flights", "9001"], "flights 9001 instead of 9000"),
        (["--no-rows"], "no rows kept instead of rows kept"),
        (["--precision", "0.1"], "precision 0.1 (forward and aft) instead of no precision"),
    ],
)
def test_other_inputs_are_refused_and_nothing_is_lost(
    words: list[str], said: str, cut: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.read_bytes() for path in cut.rglob("*") if path.is_file()}
    for extra in ([], ["--dry-run"]):
        capsys.readouterr()
        assert run("run", "--resume", "--out", cut, *words, *extra) == 1
        err = capsys.readouterr().err
        assert said in err
        assert "What is saved stays" in err
    assert {path: path.read_bytes() for path in cut.rglob("*") if path.is_file()} == before


def test_another_scenario_is_refused_by_its_keys(
    case: Path, cut: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = Path(shutil.copytree(case, tmp_path / "other"))
    path = other / "operation.toml"
    path.write_text(path.read_text().replace("block = 10400", "block = 10500"))
    assert run("run", other, "--resume", "--out", cut) == 1
    err = capsys.readouterr().err
    assert "another scenario (it differs in operation.fuel.block)" in err
    assert run("run", case, "--resume", "--out", shutil.copytree(cut, tmp_path / "same")) == 0


def test_another_version_is_refused(
    cut: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cgrisk.runs.inputs.source_fingerprint", lambda: 5)
    assert run("run", "--resume", "--out", cut) == 1
    assert "other sources of the compiled part" in capsys.readouterr().err
    monkeypatch.undo()
    monkeypatch.setattr("cgrisk.__version__", "9.9.9")
    assert run("run", "--resume", "--out", cut) == 1
    assert "cgrisk 9.9.9 instead of" in capsys.readouterr().err


def test_lost_inputs_may_be_given_again(
    case: Path, cut: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = Path(shutil.copytree(cut, tmp_path / "out"))
    (out / "inputs.json").write_text("{")
    assert run("run", "--resume", "--out", out) == 1
    assert "expected JSON" in capsys.readouterr().err
    words = ["run", case, "--resume", "--flights", "9000", "--out", out]
    assert run(*words, "--seed", "2") == 1
    assert "got another run's" in capsys.readouterr().err
    assert run(*words, "--seed", "1") == 0
    assert "9,000 flights were saved, 0 flown now" in capsys.readouterr().err


def test_a_complete_run_is_told_again_and_mended(
    cut: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = Path(shutil.copytree(cut, tmp_path / "out"))
    assert run("run", "--resume", "--out", out, charts=True) == 0
    whole = capsys.readouterr()
    files = read_run(out).manifest.files
    assert run("run", "--resume", "--out", out) == 0
    again = capsys.readouterr()
    assert "is complete: nothing to fly" in again.err
    assert again.out == whole.out
    assert run("run", "--resume", "--seed", "2", "--out", out) == 1
    assert "seed 2 instead of 1" in capsys.readouterr().err
    (out / "charts" / "causes.png").unlink()
    assert run("rerun", out) == 1
    assert "cgrisk run --resume --out" in capsys.readouterr().err
    assert run("run", "--resume", "--out", out, charts=True) == 0
    assert read_run(out).manifest.files == files


@pytest.mark.parametrize("words", [["--resume"], ["--side", "aft"], ["--out", ""]])
def test_arguments_that_do_not_go_together_are_refused(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("run", "--flights", 10, *words) == 2
    assert not list(tmp_path.iterdir())


# --- precision, dry run ------------------------------------------------------------------------


def test_a_precise_run_stops_is_resumed_and_repeated(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, cut = tmp_path / "out", tmp_path / "cut"
    words = ["run", "--seed", "1", "--precision", "0.3", "--side", "forward", "--json"]
    assert run(*words, "--flights", 20 * BLOCK, "--out", out) == 0
    answer = json.loads(capsys.readouterr().out)
    forward = answer["precision"]["sides"]["forward"]
    assert forward["reached"]
    assert forward["relative_half_width"] <= 0.3
    assert BLOCK < answer["flights"] < 20 * BLOCK
    shutil.copytree(out, cut)
    (cut / "manifest.json").unlink()
    assert run("run", "--resume", "--out", cut, "--jobs", "1") == 0
    assert read_run(cut).manifest.files == read_run(out).manifest.files
    assert read_run(cut).manifest.reached == {"forward": forward["flights"]}
    capsys.readouterr()
    assert run("rerun", out) == 0
    assert "identical" in capsys.readouterr().out


def test_a_dry_run_tells_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("run", "--flights", 2_000_000, "--seed", 1, "--dry-run") == 0
    text = capsys.readouterr().out
    for part in ("2,000,000 flights in 489 blocks", "seed 1", "no rows", "us a flight", "in all"):
        assert part in text
    assert run("run", "--precision", 0.1, "--jobs", 1, "--dry-run", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["flights"], told["workers"], told["state"]) == (10_000_000, 1, "free")
    assert told["stops_at_hits"] > 300
    assert told["seconds"] > 0.9e-6 * told["flights"] * told["microseconds_per_flight"]
    assert not list(tmp_path.iterdir())


# --- compare -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The shipped case; the same with a fuller front; both also of another seed or without rows."""
    place = tmp_path_factory.mktemp("compared")
    text, _ = edit(shipped_text("operation"), r"position_sd = [\d.]+", "position_sd = 0.25")
    other = write_scenario(place / "other", operation=text)
    base = write_scenario(place / "base")
    made = {}
    for name, scenario, words in (
        ("base", base, ["--flights", 2000, "--seed", 1]),
        ("other", other, ["--flights", 2000, "--seed", 1]),
        ("shorter", other, ["--flights", 1603, "--seed", 1, "--no-rows"]),
        ("reseeded", other, ["--flights", 2000, "--seed", 2]),
        ("stopped", other, ["--flights", 20000, "--seed", 1, "--precision", 0.6]),
    ):
        made[name] = place / f"run-{name}"
        assert run("run", scenario, *words, "--out", made[name]) == 0
    return made


def _row(table: pd.DataFrame, answer: str) -> pd.Series:
    return table[table["answer"] == answer].iloc[0]


def test_paired_differences_are_those_of_the_flights(runs: dict[str, Path]) -> None:
    first, second = read_run(runs["base"]), read_run(runs["other"])
    found = compare_runs(first, second)
    assert found.inputs["key"].tolist() == ["operation.cargo.position_sd"]
    assert found.paired_flights == 2000
    name = "forward.any.at the operational limit"
    past = []
    for one in (first, second):
        rows = one.rows()
        columns = [c for c in rows if c.startswith("moment_margin_kgm.") and c.endswith(".forward")]
        past.append((rows[columns].min(axis=1) < one.layout.shift_kgm[0] - 1e-6).to_numpy())
    row = _row(found.answers, name)
    wanted = proportion_difference(past[1], second=past[0])
    assert (row["first"], row["second"]) == (past[0].mean(), past[1].mean())
    figures = (row["difference"], row["low"], row["high"])
    assert figures == (wanted.estimate, wanted.low, wanted.high)
    row = _row(found.answers, "mean_up")
    gap = second.rows()["mean_up"] - first.rows()["mean_up"]
    assert row["difference"] == pytest.approx(gap.mean(), abs=1e-12)
    row = _row(found.answers, "error_max_pct_mac.in_flight")
    column = "error_max_pct_mac.in_flight"
    gap = second.rows()[column] - first.rows()[column]
    half = 1.959964 * gap.std() / np.sqrt(2000)
    assert row["high"] - row["difference"] == pytest.approx(half, rel=1e-6)
    assert row["second"] - row["first"] == pytest.approx(row["difference"], abs=1e-12)


def test_pairs_narrow_the_interval(runs: dict[str, Path]) -> None:
    """Common flights tell a small change from none; as many of another seed do not."""
    name = "error_max_pct_mac.in_flight"
    paired = compare_runs(read_run(runs["base"]), read_run(runs["other"])).answers
    loose = compare_runs(read_run(runs["base"]), read_run(runs["reseeded"])).answers
    widths = [_row(table, name)["high"] - _row(table, name)["low"] for table in (paired, loose)]
    assert widths[0] < 0.7 * widths[1]
    assert "not paired" in _row(loose, "forward.any.as planned")["method"]
    assert not paired["method"].str.startswith("paired").all(), "quantiles are not"


def test_common_flights_of_runs_of_other_lengths(runs: dict[str, Path]) -> None:
    """1,603 flights: the last byte of the outcomes is not full."""
    found = compare_runs(read_run(runs["base"]), read_run(runs["shorter"]))
    assert found.paired_flights == 1603
    full = compare_runs(read_run(runs["other"]), read_run(runs["shorter"]))
    assert full.same_flights
    chances = full.answers[full.answers["kind"] == "probability"]
    assert (chances["difference"] == 0.0).all()
    assert (chances["first"] == chances["second"]).all()
    rows = read_run(runs["base"]).rows().iloc[:1603]
    columns = [c for c in rows if c.startswith("moment_margin_kgm.") and c.endswith(".forward")]
    shift = read_run(runs["base"]).layout.shift_kgm[0]
    share = (rows[columns].min(axis=1) < shift - 1e-6).mean()
    assert _row(found.answers, "forward.any.at the operational limit")["first"] == share


def test_a_stopped_run_is_compared_with_intervals_that_hold(runs: dict[str, Path]) -> None:
    found = compare_runs(read_run(runs["base"]), read_run(runs["stopped"]))
    chances = found.answers[found.answers["kind"] == "probability"]
    assert chances["method"].str.contains("whenever the runs stopped").all()


def test_the_comparison_as_it_is_read(
    runs: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("compare", runs["base"], runs["other"]) == 0
    text = capsys.readouterr().out
    assert "operation.cargo.position_sd: 0.08, 0.25" in text
    assert "2,000 flights of one seed" in text
    assert "not approved data" in text
    assert run("compare", runs["base"], runs["base"]) == 0
    text = capsys.readouterr().out
    assert "the same flights, to the bit" in text
    assert run("compare", runs["base"], runs["reseeded"], "--json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["paired_flights"] == 0
    assert {row["name"] for row in data["settings"]} >= {"seed"}


def test_runs_of_other_phases_are_refused(
    runs: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text, _ = edit(shipped_text("operation"), r'kind = "taxi_in"', 'kind = "taxi_in"\nname = "in"')
    scenario = write_scenario(tmp_path / "case", operation=text)
    out = tmp_path / "out"
    assert run("run", scenario, "--flights", 100, "--out", out) == 0
    capsys.readouterr()
    assert run("compare", runs["base"], out) == 2
    assert "expected runs with the same phases" in capsys.readouterr().err
    assert run("compare", runs["base"], tmp_path) == 1
    assert "manifest.json; got none" in capsys.readouterr().err
