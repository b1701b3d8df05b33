"""Names that look like markup, code, commands or paths are text wherever they appear."""

from __future__ import annotations

import csv
import html
import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from cgrisk.cli import main
from cgrisk.cli.output import slug
from tests.cut_cases import write_small_case
from tests.fuzz_cases import HOSTILE, snapshot
from tests.scenario_cases import toml_text

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def inside(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile")


def named_case(folder: Path, name: str) -> Path:
    """The small case, with every name that may be any text set to one, and pieces of it."""
    write_small_case(folder)
    for file in ("aircraft", "operation"):
        data = tomllib.loads((folder / f"{file}.toml").read_text())
        data["name"] = data["note"] = name
        if file == "operation":
            data["zones"][0]["name"] = name
        (folder / f"{file}.toml").write_text(toml_text(data))
    return folder


def flat(text: str) -> str:
    """Text without blanks and what only steers breaks or direction."""
    return re.sub(r"[\s\u200b\u00ad\u2060\u2066-\u2069\ufeff]", "", text)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_folder_named_after_a_scenario_has_a_plain_name(name: str) -> None:
    assert re.fullmatch(r"[a-z0-9-]{1,60}", slug(name))


@pytest.mark.parametrize("name", ["../../owned", "שלום עולם"])
def test_a_folder_named_after_a_scenario_lies_in_results(
    name: str, inside: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(inside)
    case = named_case(inside / "case", name)
    before = snapshot(inside.parent)
    words = ["--flights", "50", "--seed", "1", "--dry-run", "--json"]
    assert main(["run", str(case), *words]) == 0
    told = json.loads(capsys.readouterr().out)
    folder = Path(told["folder"] if "folder" in told else told["out"])
    assert folder == Path("results") / f"{slug(name, instead='run')}-seed1"
    assert snapshot(inside.parent) == before


def test_signs_that_the_output_lacks_are_written_as_escapes(tmp_path: Path) -> None:
    named_case(tmp_path / "case", "über ☃")
    code = f"import sys; sys.path.insert(0, {str(ROOT)!r}); from cgrisk.cli import main; main()"
    for encoding, name in (("ascii", r"\xfcber \u2603"), ("latin-1", r"über \u2603")):
        done = subprocess.run(
            [sys.executable, "-c", code, "check", "case"],
            cwd=tmp_path,
            capture_output=True,
            check=True,
            env=os.environ | {"PYTHONIOENCODING": encoding},
        )
        assert done.stderr == b""
        assert name in done.stdout.decode(encoding)


#: Markup, a command, a template and code of the typesetter in one.
EVERY = "".join((HOSTILE[0], HOSTILE[3][:16], HOSTILE[6][:20], HOSTILE[8][:44]))


@pytest.mark.parametrize("name", [EVERY])
def test_a_name_is_text_in_every_file_of_a_run_and_its_report(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CGRISK_DEBUG", "1")
    case = named_case(tmp_path / "case", name)
    assert main(["run", str(case), "--flights", "50", "--seed", "1", "--out", "run"]) == 0
    assert main(["report", "run", "--alone"]) == 0
    page = (tmp_path / "run" / "report.html").read_text()
    assert flat(name) in flat(html.unescape(re.sub(r"<wbr>|&shy;", "", page)))
    for tag in ("<script>alert", "<img src=x", "<svg onload"):
        assert tag not in page
    assert main(["replay", "run", "--flight", "0", "--out", "page.html"]) == 0
    assert "<script>alert" not in (tmp_path / "page.html").read_text()
    manifest = json.loads((tmp_path / "run" / "manifest.json").read_text())
    assert manifest["scenario"]["operation"]["name"] == name
    for table in (tmp_path / "run" / "summaries").glob("*.csv"):
        with table.open(encoding="utf-8", newline="") as file:
            lengths = {len(row) for row in csv.reader(file)}
        assert len(lengths) <= 1, table.name
    assert not list(tmp_path.rglob("owned"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["case", "page.html", "run"]
    capsys.readouterr()


#: A formula to a spreadsheet, with signs that the charts' font lacks.
FORMULA = "=1+1 \u2603 客室 שלום"


def test_a_name_is_no_formula_in_any_table_and_no_warning_in_any_chart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Warnings are errors here, so that a chart which warns ends the command."""
    monkeypatch.setenv("CGRISK_DEBUG", "1")
    case = str(named_case(tmp_path / "case", FORMULA))
    out = tmp_path / "run"
    assert main(["run", case, "--flights", "50", "--seed", "1", "--out", str(out)]) == 0
    tables = sorted(out.rglob("*.csv"))
    cells = []
    for table in tables:
        with table.open(encoding="utf-8", newline="") as file:
            cells += [cell for row in csv.reader(file) for cell in row]
    assert f"'{FORMULA}" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "@"))]
    assert main(["report", str(out), "--alone", "--html-only"]) == 0
    page = html.unescape((out / "report.html").read_text())
    assert FORMULA in page
    assert f"'{FORMULA}" not in page
    capsys.readouterr()


@pytest.mark.parametrize(
    "name", ["a\x00b", "two\nlines", "\x1b[31mred", "bell\x07", "a\u2028b", "\u202etxt.exe", " "]
)
def test_names_that_cannot_be_printed_are_refused(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = named_case(tmp_path / "case", name)
    assert main(["check", str(case)]) == 2
    told = capsys.readouterr()
    assert "on one line" in told.out + told.err


@pytest.mark.parametrize("command", ["run", "tail", "buffers", "zones", "loads", "policies"])
def test_a_folder_to_write_with_a_nul_is_refused(
    command: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    case = str(write_small_case(tmp_path / "case"))
    words = {
        "run": [case, "--flights", "10"],
        "tail": [case, "--flights", "10"],
        "buffers": [case, "--risk", "1e-2"],
        "zones": [case],
        "loads": [case, f"{case}/loads.csv"],
        "policies": [case, f"{case}/policies.toml", "--target", "0.1"],
    }[command]
    assert main([command, *words, "--out", "a\0b"]) in (1, 2)
    assert "internal error" not in capsys.readouterr().err
