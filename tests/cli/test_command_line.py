"""The commands as a user runs them: answers, exit codes, streams, help."""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import pytest

from cgrisk.cli import main
from cgrisk.cli.main import make_parser
from cgrisk.cli.numbers import number, whole
from tests.cut_cases import write_small_case

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ROOT / "scenarios" / "single_aisle"
COMMANDS = (
    "run",
    "tail",
    "causes",
    "buffers",
    "zones",
    "loads",
    "policies",
    "restrict",
    "rerun",
    "check",
    "new",
    "fields",
)
START = "import sys; from cgrisk.cli import main; sys.exit(main())"
#: Top-level keys that every answer of `cgrisk run --json` has.
KEYS = {
    "scenario",
    "flights",
    "seed",
    "flights_per_second",
    "planned",
    "leave_envelope",
    "over_mass",
    "error_pct_mac",
    "excess_pct_mac",
    "causes",
    "outside",
    "fleet",
    "held_at_stated_value",
    "cautions",
}


def start(*arguments: str, folder: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run cgrisk in a process of its own, in a folder."""
    code = f"import sys; sys.path.insert(0, {str(ROOT)!r}); {START}"
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is no JSON")


def strict(text: str) -> dict[str, Any]:
    """The one JSON object that a text is."""
    found = json.loads(text, parse_constant=refuse)
    assert isinstance(found, dict)
    return found


def without_speed(answer: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in answer.items() if key != "flights_per_second"}


def edited_case(folder: Path, old: str, new: str) -> Path:
    """The shipped case with one text of the operation file replaced."""
    folder.mkdir()
    for name in ("aircraft.toml", "operation.toml"):
        text = (SHIPPED / name).read_text(encoding="utf-8")
        if name == "operation.toml":
            assert old in text
            text = text.replace(old, new, 1)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_json_is_alone_on_stdout_and_has_every_key(tmp_path: Path) -> None:
    done = start("run", "--flights", "300", "--seed", "7", "--json", "--no-charts", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    answer = strict(done.stdout)
    assert answer.keys() >= KEYS
    assert (answer["flights"], answer["seed"]) == (300, 7)
    assert answer["flights_per_second"] > 0.0
    for row in answer["leave_envelope"]:
        assert row.keys() == {
            "side",
            "phase",
            "reading",
            "estimate",
            "low",
            "high",
            "confidence",
            "method",
        }
        assert 0.0 <= row["low"] <= row["estimate"] <= row["high"] <= 1.0
        assert row["high"] > 0.0, "no event is an upper bound, never nought"
    places = [(r["side"], r["phase"], r["reading"]) for r in answer["leave_envelope"]]
    assert len(set(places)) == len(places)
    assert {("aft", "any", "as planned"), ("forward", "any", "at the operational limit")} <= set(
        places
    )
    shares = sum(cause["share_of_variance"] for cause in answer["causes"])
    assert shares == pytest.approx(1.0, abs=1e-9)
    (folder,) = (tmp_path / "results").iterdir()
    assert folder.name.endswith("-seed7")
    assert (folder / "manifest.json").is_file()


def test_seed_nought_is_a_seed_and_no_seed_is_another(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = []
    for name, seed in (("a", ["--seed", "0"]), ("b", ["--seed", "0"]), ("c", [])):
        out = str(tmp_path / name)
        assert main(["run", "--no-charts", "--flights", "200", *seed, "--out", out, "--json"]) == 0
        answers.append(strict(capsys.readouterr().out))
    first, second, fresh = (without_speed(answer) for answer in answers)
    assert first == second
    assert first["seed"] == 0
    assert fresh["seed"] != 0
    assert fresh["excess_pct_mac"] != first["excess_pct_mac"]
    samples = [
        (tmp_path / name / "samples" / "00000000.parquet").read_bytes() for name in ("a", "b", "c")
    ]
    assert samples[0] == samples[1] != samples[2]


def test_workers_change_no_bit(tmp_path: Path) -> None:
    case = write_small_case(tmp_path / "case")
    for jobs in ("1", "2"):
        arguments = ["run", str(case), "--flights", "5000", "--seed", "3", "--jobs", jobs]
        arguments.append("--no-charts")
        assert main([*arguments, "--out", str(tmp_path / jobs)]) == 0
    one, two = (tmp_path / jobs / "samples" / "00000001.parquet" for jobs in ("1", "2"))
    assert one.read_bytes() == two.read_bytes()


def test_text_answer_leads_to_a_decision(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "run"
    assert main(["run", "--flights", "300", "--seed", "1", "--out", str(out)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    closing = text[text.index("A load planned on that limit") :]
    assert closing.index("forward on") < closing.index(" and aft on") < closing.index("of flights")
    for part in ("at the operational limit", "aft", "forward", "not for dispatch", str(out)):
        assert part in text
    assert "your own target" in text


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["fly"],
        ["run", "--bogus"],
        ["run", "--flights", "many"],
        ["run", "--flights", "0"],
        ["run", "--flights", "-5"],
        ["run", "--seed", "-1"],
        ["run", "--seed", str(2**64)],
        ["run", "--jobs", "0"],
        ["run", "no/such/operation.toml"],
        ["check"],
        ["check", "no/such/operation.toml"],
        ["rerun"],
        ["fields", "no.such.key"],
    ],
    ids=" ".join,
)
def test_bad_usage_is_told_and_writes_nothing(
    arguments: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err
    assert "Traceback" not in shown.err
    assert not list(tmp_path.iterdir())


def options_with_a_number() -> list[tuple[str, str, Any]]:
    """Command, option and type of every option that takes a number."""
    (commands,) = (a for a in make_parser()._actions if isinstance(a, argparse._SubParsersAction))
    return [
        (command, action.option_strings[0], action.type)
        for command, parser in commands.choices.items()
        for action in parser._actions
        if action.type is not None
    ]


def test_every_option_with_a_number_says_what_it_takes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    options = options_with_a_number()
    assert len(options) > 40
    for command, option, kind in options:
        assert kind in (whole, number)
        for bad in (
            "abc",
            "",
            "1,5",
            "1e",
            *(["1.5", "nan"] if kind is whole else []),
        ):
            assert main([command, option, bad]) == 2
            told = " ".join(capsys.readouterr().err.split())
            what = "a whole number" if kind is whole else "a number"
            assert f"argument {option}" in told
            assert f"expected {what}; got {bad!r}. Write it " in told


def test_whole_numbers_may_be_written_short() -> None:
    given = ["1e5", "100000", " 1E5 ", "100_000", "100000.0", "+100000"]
    assert [whole(text) for text in given] == [100_000] * 6
    assert whole(str(2**64 - 1)) == 2**64 - 1
    assert (whole("-1"), whole("0"), number("1e-3")) == (-1, 0, 0.001)
    for text in ("_1", "1__0", "1_0_"):
        with pytest.raises(argparse.ArgumentTypeError, match="expected a whole number; got"):
            whole(text)
    for text in ("1e30", "1e999999999", 40 * "9"):
        with pytest.raises(argparse.ArgumentTypeError, match=r"at most 30 digits.*a smaller one"):
            whole(text)


def test_faulty_scenario_is_told_with_file_line_and_key(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = edited_case(tmp_path / "case", "adults = 42", "adults = -42")
    out = tmp_path / "out"
    assert main(["run", str(case), "--out", str(out)]) == 2
    text = capsys.readouterr().err
    lines = (case / "operation.toml").read_text(encoding="utf-8").splitlines()
    assert f"operation.toml:{lines.index('adults = -42') + 1}" in text
    assert "adults" in text
    assert not out.exists()
    assert main(["check", str(case), "--json"]) == 2
    (fault,) = strict(capsys.readouterr().out)["faults"]
    assert fault["line"] == lines.index("adults = -42") + 1
    assert fault.keys() == {"file", "line", "key", "expected", "got", "cure"}


def test_no_name_steers_the_terminal_or_is_taken_for_markup(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old = 'name = "Invented single-aisle, two hours, 148 aboard"'
    steering = 'name = "[bold red]case[/] {x} \\u001b[31m \\u202e end"'
    assert main(["check", str(edited_case(tmp_path / "refused", old, steering))]) == 2
    refusal = capsys.readouterr().err
    case = edited_case(tmp_path / "case", old, 'name = "[bold red]case[/] {x} end"')
    assert main(["check", str(case)]) == 0
    text = capsys.readouterr().out
    out = tmp_path / "out"
    assert main(["run", str(case), "--flights", "50", "--out", str(out)]) == 0
    shown = capsys.readouterr()
    for printed in (refusal, text, shown.out, shown.err):
        assert "\x1b" not in printed
        assert "\u202e" not in printed
    assert "[bold red]case[/] {x}" in text
    assert "[bold red]case[/] {x}" in shown.err + shown.out
    assert main(["check", str(case), "--json"]) == 0
    assert "[bold red]" in strict(capsys.readouterr().out)["scenario"]["operation"]["name"]


def test_new_writes_a_case_that_checks_and_never_overwrites(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = tmp_path / "case"
    assert main(["new", str(case), "--json"]) == 0
    assert strict(capsys.readouterr().out)
    copied = {"aircraft.toml", "operation.toml", "policies.toml", "loads.csv"}
    assert {path.name for path in case.iterdir()} == copied
    for path in case.iterdir():
        assert path.read_bytes() == (SHIPPED / path.name).read_bytes()
    assert main(["check", str(case)]) == 0
    assert "zone A" in capsys.readouterr().out
    (case / "operation.toml").write_text("mine", encoding="utf-8")
    assert main(["new", str(case)]) == 2
    assert (case / "operation.toml").read_text(encoding="utf-8") == "mine"


def test_fields_tells_a_key_and_suggests_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fields", "aircraft.masses.max_taxi"]) == 0
    text = capsys.readouterr().out
    assert "aircraft.masses.max_taxi" in text
    assert "kg or lb" in text
    assert main(["fields", "operation.seating", "--json"]) == 0
    keys = [entry["key"] for entry in strict(capsys.readouterr().out)["fields"]]
    assert "operation.seating.rule" in keys
    assert all(key.startswith("operation.seating") for key in keys)
    assert main(["fields", "aircraft.masses.max_taxy"]) == 2
    assert "aircraft.masses.max_taxi" in capsys.readouterr().err
    for none in ("aircraft.masses.max_taxy", "nonsense", "?"):
        assert main(["fields", none]) == 2
        assert capsys.readouterr().err.endswith("`cgrisk fields` alone lists all.\n")


def test_an_unexpected_error_is_one_line_and_a_traceback_only_when_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def burst(*_: object, **__: object) -> None:
        raise ZeroDivisionError("seven\x1b[0m by nought")

    monkeypatch.setattr("cgrisk.risk.summary.summarise", burst)
    out = tmp_path / "out"
    arguments = ["run", "--flights", "10", "--out", str(out)]
    assert main(arguments) == 1
    shown = capsys.readouterr()
    assert "internal error" in shown.err.lower()
    assert "report" in shown.err
    assert "\x1b" not in shown.err
    assert "Traceback" not in shown.err
    assert not (out / "manifest.json").exists()
    monkeypatch.setenv("CGRISK_DEBUG", "1")
    with pytest.raises(ZeroDivisionError, match="by nought"):
        main([*arguments, "--resume"])


def test_an_interruption_is_told_and_leaves_no_result(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("cgrisk.risk.summary.summarise", interrupt)
    assert main(["run", "--flights", "10", "--out", str(tmp_path / "out")]) == 130
    assert "interrupted. 10 of 10 flights are saved" in capsys.readouterr().err
    assert not (tmp_path / "out" / "manifest.json").exists()


@pytest.mark.parametrize(
    ("module", "told"),
    [
        ("cgrisk.cli.main", ""),
        ("cgrisk.cli.output", ""),
        ("cgrisk.cli.fields", "cgrisk: interrupted. Start it again.\n"),
        ("numpy._core._methods", "cgrisk run: interrupted. Start it again.\n"),
        ("cgrisk.runs.rerun", "cgrisk run: interrupted. Start it again.\n"),
    ],
)
def test_an_interruption_while_modules_are_imported_is_no_traceback(
    module: str, told: str, tmp_path: Path
) -> None:
    """From the entry point that is installed, at the import of one module after the other."""
    entry = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["scripts"]["cgrisk"]
    place, name = entry.split(":")
    code = f"""
import sys
sys.path.insert(0, {str(ROOT)!r})
class Interrupt:
    def find_spec(self, name, *_):
        if name == {module!r}:
            sys.meta_path.remove(self)
            raise KeyboardInterrupt
sys.meta_path.insert(0, Interrupt())
from {place} import {name} as begin
sys.exit(begin())
"""
    done = subprocess.run(
        [sys.executable, "-c", code, "run", "--flights", "10", "--dry-run"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (130, "", told)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, "--help"]) == 0
    text = capsys.readouterr().out.lower()
    assert "example:" in text
    assert f"cgrisk {command}" in text.split("example:")[1]
    assert "--json" in text


def test_help_is_quick_and_loads_no_numerical_library() -> None:
    seconds = []
    for _ in range(5):
        begun = time.perf_counter()
        done = start("--help")
        seconds.append(time.perf_counter() - begun)
        assert done.returncode == 0
        assert all(command in done.stdout for command in COMMANDS)
    assert statistics.median(seconds) < 0.3
    code = (
        "import sys; from cgrisk.cli import main; main(['--help'])\n"
        "heavy = {'numba', 'numpy', 'pandas', 'scipy', 'pyarrow', 'matplotlib', 'pydantic'}\n"
        "sys.exit(str(heavy & set(sys.modules)) if heavy & set(sys.modules) else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    import cgrisk

    assert main(["--version"]) == 0
    assert cgrisk.__version__ in capsys.readouterr().out
