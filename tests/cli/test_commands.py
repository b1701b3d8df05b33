"""The command line as a user meets it."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time

import pandas as pd
import pytest

from cgrisk.cli import main
from tests.cut_cases import write_small_case

COMMANDS = ("run", "rerun", "compare", "check", "new", "fields")


@pytest.fixture
def inside(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(capsys, *words):
    status = main([str(word) for word in words])
    captured = capsys.readouterr()
    assert "Traceback" not in captured.out + captured.err
    return status, captured.out, captured.err


def test_run_prints_the_answer_and_writes_the_folder(inside, capsys):
    status, out, _ = run(capsys, "run", "--flights", 3000, "--seed", 1, "--jobs", 1, "--out", "a")
    assert status == 0
    assert "operational limit" in out
    assert "not approved data" in out
    assert "at most" in out  # no event is a bound, never 0
    names = {p.relative_to(inside / "a").as_posix() for p in (inside / "a").rglob("*.*")}
    assert {"manifest.json", "samples/00000000.parquet", "charts/envelope.png"} <= names
    assert {"charts/exceedance.svg", "charts/exceedance.csv"} <= names
    assert "summaries/leave_envelope.csv" in names
    assert not list(inside.rglob("*.partial"))


def test_without_charts_their_numbers_are_there(inside, capsys):
    words = ("run", "--flights", 300, "--seed", 1, "--out")
    assert run(capsys, *words, "a", "--no-charts")[0] == 0
    assert run(capsys, *words, "b")[0] == 0
    a, b = ({p.name for p in (inside / name / "charts").iterdir()} for name in "ab")
    assert a == {name for name in b if name.endswith(".csv")}
    assert {f"{name.removesuffix('.csv')}.png" for name in a} <= b
    for name in a:
        one, other = (inside / folder / "charts" / name for folder in "ab")
        assert one.read_bytes() == other.read_bytes()
    assert run(capsys, "rerun", "a")[0] == 0
    assert run(capsys, "report", "a", "--alone", "--html-only")[0] == 0
    # They are drawn later on demand; nothing is flown for it, and the manifest stays what it was.
    before = json.loads((inside / "a" / "manifest.json").read_text())
    for words, told in (
        (("--no-charts",), "nothing to fly"),
        ((), "drawing its charts"),
        ((), "nothing to fly"),
    ):
        status, _, err = run(capsys, "run", "--resume", "--out", "a", *words)
        assert status == 0
        assert told in err
        assert "nothing to fly" in err or "0 flown now" in err
    after = json.loads((inside / "a" / "manifest.json").read_text())
    assert after["seconds"].pop("charts_drawn_later") > 0.0
    files = [data.pop("files").items() for data in (before, after)]
    assert files[1] > files[0]
    assert before.pop("sha256") != after.pop("sha256")
    assert after == before
    for name in b:
        assert (inside / "a" / "charts" / name).read_bytes() == (
            inside / "b" / "charts" / name
        ).read_bytes()


def test_json_alone_on_stdout_with_the_keys_promised(inside, capsys):
    status, out, _ = run(
        capsys, "run", "--flights", 500, "--seed", 0, "--out", "a", "--json", "--no-charts"
    )
    assert status == 0
    data = json.loads(out)
    promised = "scenario flights seed flights_per_second planned leave_envelope over_mass"
    assert {*promised.split(), "error_pct_mac", "excess_pct_mac", "causes"} <= set(data)
    row = data["leave_envelope"][0]
    names = "side phase reading estimate low high confidence method"
    assert " ".join(row) == names
    assert data["seed"] == 0
    table = pd.read_csv(inside / "a" / "summaries" / "leave_envelope.csv")
    assert [r["estimate"] for r in data["leave_envelope"]] == table["estimate"].tolist()


def test_same_seed_same_parquet_and_rerun_is_identical(inside, capsys):
    case = write_small_case(inside / "case")
    for out, jobs in (("a", 1), ("b", 2)):
        words = (case, "--flights", 5000, "--seed", 0, "--jobs", jobs, "--no-charts", "--out", out)
        assert run(capsys, "run", *words)[0] == 0
    assert run(capsys, "run", case, "--flights", 5000, "--no-charts", "--out", "c")[0] == 0
    a, b, c = ((inside / n / "samples" / "00000001.parquet").read_bytes() for n in "abc")
    assert a == b
    assert a != c
    status, out, _ = run(capsys, "rerun", "a", "--json")
    assert status == 0
    assert json.loads(out)["verdict"] == "identical"


def test_a_changed_file_or_manifest_is_noticed(inside, capsys):
    run(capsys, "run", "--flights", 300, "--seed", 3, "--out", "a")
    table = inside / "a" / "summaries" / "causes.csv"
    text = table.read_text()
    table.write_text(text.replace("0.", "1.", 1))
    status, _, err = run(capsys, "rerun", "a")
    assert (status, "SHA-256" in err) == (1, True)
    table.write_text(text)
    path = inside / "a" / "manifest.json"
    manifest = json.loads(path.read_text())
    for place, key in ((manifest["scenario"]["operation"]["fuel"], "block"), (manifest, "seed")):
        place[key] += 1
        path.write_text(json.dumps(manifest))
        status, _, err = run(capsys, "rerun", "a")
        assert (status, "changed after it was written" in err) == (1, True)
        place[key] -= 1
    path.write_text("[]")
    assert "expected a JSON object" in run(capsys, "rerun", "a")[2]
    path.unlink()
    assert "got one that was cut" in run(capsys, "rerun", "a")[2]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["run", "--flights", "0"], "flights: expected a whole number from 1"),
        (["run", "--flights", "x"], "--flights: expected a whole number; got 'x'. Write it"),
        (["run", "--jobs", "0"], "jobs: expected a whole number"),
        (["run", "--seed", "-1"], "seed: expected a whole number"),
        (["run", "nowhere.toml"], "nowhere.toml"),
        (["check", "nowhere"], "nowhere"),
        (["fields", "seating.rul"], "Nearest: "),
        (["fly"], "invalid choice"),
        ([], "required"),
    ],
)
def test_bad_usage_and_input_exit_2(inside, capsys, words, message):
    status, out, err = run(capsys, *words)
    assert status == 2
    assert message in err
    assert out == ""
    assert list(inside.iterdir()) == []


def test_a_folder_that_holds_files_is_not_overwritten(inside, capsys):
    (inside / "a").mkdir()
    (inside / "a" / "mine.txt").write_text("keep")
    status, _, err = run(capsys, "run", "--flights", 100, "--out", "a")
    assert (status, "new or empty folder" in err) == (2, True)
    assert (inside / "a" / "mine.txt").read_text() == "keep"


def test_an_interrupted_run_says_how_to_go_on(inside, capsys, monkeypatch):
    def stop(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("cgrisk.report.publish.publish", stop)
    status, _, err = run(capsys, "run", "--flights", 100, "--out", "a")
    assert (status, "interrupted. 100 of 100 flights are saved in a" in err) == (130, True)
    assert "cgrisk run --resume --out a" in err
    monkeypatch.undo()
    status, out, _ = run(capsys, "run", "--resume", "--out", inside / "a")
    assert (status, "at most" in out) == (0, True)


def test_new_then_check(inside, capsys):
    assert run(capsys, "new", "mine")[0] == 0
    status, out, _ = run(capsys, "check", "mine")
    assert status == 0
    for part in ("Load sheet", "Findings", "Assumptions in use", "Planned CG path", "not used"):
        assert part in out
    assert "  aircraft.gear.travel_s = 12.0 s (default)\n" in out
    assert "12 at 40,000 kg, 12 at 58,000 kg, 15.5 at 73,900 kg" in out
    assert run(capsys, "new", "mine")[0] == 2
    path = inside / "mine" / "operation.toml"
    path.write_text(path.read_text().replace("adults = 42", "adults = 420"))
    status, out, err = run(capsys, "check", "mine")
    assert status == 2
    assert "zones[0]" in err
    status, out, _ = run(capsys, "check", "mine", "--json")
    assert status == 2
    assert json.loads(out)["faults"][0]["line"] > 0


def test_hostile_names_are_text(inside, capsys):
    main(["new", "mine"])
    path = inside / "mine" / "operation.toml"
    name = "<script>alert(1)</script> $\\\\frac{1}{2}$ [bold]"
    old = 'name = "Invented single-aisle, two hours, 148 aboard"'
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, f'name = "{name}"'))
    status, _, _ = run(capsys, "run", "mine", "--flights", 200, "--seed", 1)
    assert status == 0
    (folder,) = (inside / "results").iterdir()
    assert "<script" not in (folder / "charts" / "envelope.svg").read_text()


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_every_command_has_an_example(capsys, command):
    status, out, _ = run(capsys, command, "--help")
    assert status == 0
    assert "example: cgrisk " + command in " ".join(out.split())
    assert "--json" in out


def test_help_is_quick_and_loads_no_compiler():
    code = "import sys; from cgrisk.cli import main; s = main(['--help']); " + (
        "sys.exit(9 if {'numba', 'pandas', 'numpy'} & set(sys.modules) else s)"
    )
    times: dict[str, list[float]] = {code: [], "pass": []}
    for _ in range(5):
        for text, seconds in times.items():
            start = time.perf_counter()
            done = subprocess.run([sys.executable, "-c", text], capture_output=True, check=False)
            seconds.append(time.perf_counter() - start)
            assert done.returncode == 0
    assert statistics.median(times[code]) - statistics.median(times["pass"]) < 0.3


def test_fields_tells_unit_range_default_and_source(capsys):
    status, out, _ = run(capsys, "fields", "masses.max_taxi")
    assert status == 0
    assert "kg or lb" in out
    assert "required" in out
    status, out, _ = run(capsys, "fields", "--json")
    assert len(json.loads(out)["fields"]) > 200
