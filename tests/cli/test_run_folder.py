"""Run folders as a user meets them: repeated, tampered with, half-written, in the way."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from cgrisk.cli import main
from cgrisk.runs import read_run
from tests.cut_cases import write_small_case

ROOT = Path(__file__).resolve().parents[2]
FLIGHTS = 5_000  # two blocks


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run; copy it before changing it."""
    case = write_small_case(tmp_path_factory.mktemp("case") / "case")
    folder = tmp_path_factory.mktemp("runs") / "finished"
    words = ["run", str(case), "--flights", str(FLIGHTS), "--seed", "11", "--out", str(folder)]
    assert main(words) == 0
    return folder


@pytest.fixture
def copied(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "copied"))


def edit_manifest(folder: Path, change: Callable[[dict[str, Any]], object]) -> None:
    path = folder / "manifest.json"
    data = json.loads(path.read_text(encoding="utf-8"))
    change(data)
    # A forger who knows the form seals it again.
    content = {key: value for key, value in data.items() if key != "sha256"}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    data["sha256"] = hashlib.sha256(text.encode()).hexdigest()
    path.write_text(json.dumps(data), encoding="utf-8")


def refusal(folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What `cgrisk rerun` says of a folder it does not take."""
    capsys.readouterr()
    assert main(["rerun", str(folder)]) in (1, 2)
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "Traceback" not in shown.err
    assert "internal error" not in shown.err
    return shown.err


def test_folder_holds_what_it_should(finished: Path) -> None:
    run = read_run(finished)
    assert run.manifest.status == "complete"
    assert (run.inputs.seed, run.inputs.flights, run.manifest.flown) == (11, FLIGHTS, FLIGHTS)
    assert Path(run.manifest.settings["case"]).name == "case"  # for commands in its report
    assert len(run.rows()) == FLIGHTS
    assert run.sample().flights == FLIGHTS
    names = {path.relative_to(finished).as_posix() for path in finished.rglob("*.*")}
    assert set(run.manifest.files) == names - {"manifest.json", ".lock"}
    charts = {Path(name).stem for name in names if name.startswith("charts/")}
    assert charts
    for stem in charts:
        assert {f"charts/{stem}.{kind}" for kind in ("svg", "png", "csv")} <= names
    envelope = pd.read_csv(finished / "summaries" / "leave_envelope.csv")
    assert set(envelope["side"]) == {"forward", "aft"}
    assert not list(finished.rglob("*.partial"))


def test_samples_are_plain_columns_a_file_a_block(finished: Path) -> None:
    names = sorted(path.name for path in (finished / "samples").iterdir())
    assert names == ["00000000.parquet", "00000001.parquet"]
    file = pq.ParquetFile(finished / "samples" / names[0])
    assert file.metadata.num_rows == 4_096
    assert file.metadata.row_group(0).column(0).compression == "ZSTD"
    kinds = {field.name: str(field.type) for field in file.schema_arrow}
    assert kinds.pop("flight") == "uint32"
    assert set(kinds.values()) == {"double"}
    # A folder of Parquet files is read as one table by whatever reads Parquet.
    flights = pd.read_parquet(finished / "samples")["flight"].to_numpy()
    assert np.array_equal(flights, np.arange(FLIGHTS))


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_rerun_says_identical(
    finished: Path, jobs: str, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert main(["rerun", str(finished), "--jobs", jobs, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["verdict"] == "identical"
    assert answer["largest_relative_difference"] == 0.0
    assert main(["rerun", str(finished)]) == 0
    assert "identical" in capsys.readouterr().out


def forge(folder: Path, factor: float) -> None:
    """Scale one figure and give the manifest the hash of the forged file."""
    import hashlib

    path = folder / "samples" / "00000001.parquet"
    table = pq.read_table(path)
    place = table.schema.get_field_index("take_off_mass_kg")
    values = table.column(place).to_numpy() * factor
    field = table.schema.field(place)
    pq.write_table(table.set_column(place, field, [values]), path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    edit_manifest(
        folder, lambda data: data["files"].__setitem__("samples/00000001.parquet", digest)
    )


@pytest.mark.parametrize(
    "factor, verdict", [(1.0 + 4e-16, "within 1e-12"), (1.0 + 1e-9, "different")]
)
def test_rerun_tells_near_from_different(
    copied: Path, factor: float, verdict: str, capsys: pytest.CaptureFixture[str]
) -> None:
    forge(copied, factor)
    capsys.readouterr()
    assert main(["rerun", str(copied), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["verdict"] == verdict
    assert answer["figures_that_differ"] == ["take_off_mass_kg"]
    assert answer["largest_relative_difference"] == pytest.approx(factor - 1.0, rel=0.5)


def test_another_seed_in_the_manifest_does_not_pass_for_the_run(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edit_manifest(copied, lambda data: data.__setitem__("seed", 12))
    capsys.readouterr()
    code = main(["rerun", str(copied), "--json"])
    out = capsys.readouterr().out
    assert code != 0 or json.loads(out)["verdict"] == "different"


@pytest.mark.parametrize(
    "name",
    [
        "samples/00000000.parquet",
        "blocks/00000000.segment",
        "inputs.json",
        "summaries/leave_envelope.csv",
    ],
)
def test_a_changed_byte_is_noticed(
    copied: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = copied / name
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    assert Path(name).name in refusal(copied, capsys)


def test_a_missing_file_is_noticed(copied: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (copied / "samples" / "00000001.parquet").unlink()
    assert "00000001.parquet" in refusal(copied, capsys)


@pytest.mark.parametrize(
    "change, said",
    [
        (lambda data: data.pop("seed"), "seed"),
        (lambda data: data.__setitem__("seed", "eleven"), "seed"),
        (lambda data: data.__setitem__("seed", True), "seed"),
        (lambda data: data.__setitem__("flights", 5000.0), "flights"),
        (lambda data: data.__setitem__("files", []), "files"),
        (lambda data: data["files"].pop("samples/00000000.parquet"), "00000000.parquet"),
        (lambda data: data["files"].__setitem__("../outside", "0" * 64), "outside"),
        (lambda data: data.__setitem__("status", "running"), "status"),
        (lambda data: data.__setitem__("format", 99), "99"),
        (lambda data: data["scenario"].pop("aircraft"), "scenario"),
        (lambda data: data["scenario"]["operation"].__setitem__("fleet", 11), "digest"),
        (lambda data: data["scenario"]["operation"].__setitem__("fleet", "x"), "scenario"),
    ],
)
def test_a_tampered_manifest_is_noticed(
    copied: Path,
    change: Callable[[dict[str, Any]], object],
    said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (copied.parent / "outside").write_text("not of the run", encoding="utf-8")
    edit_manifest(copied, change)
    assert said in refusal(copied, capsys)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "{}", "\x00", "[" * 100_000])
def test_a_manifest_that_is_none_is_told(
    copied: Path, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (copied / "manifest.json").write_text(text, encoding="utf-8")
    assert "manifest.json" in refusal(copied, capsys)


def test_what_is_no_run_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("", encoding="utf-8")
    for name in ("empty", "file", "nothing"):
        assert name in refusal(tmp_path / name, capsys)


def test_an_unfinished_folder_is_not_taken_for_a_result(
    finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cut = tmp_path / "cut"
    shutil.copytree(finished, cut, ignore=shutil.ignore_patterns("manifest.json"))
    said = refusal(cut, capsys)
    assert "got one that was cut" in said
    assert f"cgrisk run --resume --out {cut}" in said
    assert main(["run", "--flights", "50", "--out", str(cut)]) == 2
    assert "add --resume" in capsys.readouterr().err
    assert main(["compare", str(cut), str(finished)]) == 1
    assert "got one that was cut" in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["run", "files", "file"])
def test_a_taken_name_is_refused_and_left_alone(
    kind: str, finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = tmp_path / "taken"
    if kind == "run":
        shutil.copytree(finished, taken)
    elif kind == "files":
        taken.mkdir()
        (taken / "mine.txt").write_text("mine", encoding="utf-8")
    else:
        taken.write_text("mine", encoding="utf-8")
    before = {p: p.read_bytes() for p in [taken, *taken.rglob("*")] if p.is_file()}
    assert main(["run", "--flights", "50", "--out", str(taken)]) != 0
    message = capsys.readouterr().err
    assert str(taken) in message
    assert "--out" in message
    assert {p: p.read_bytes() for p in [taken, *taken.rglob("*")] if p.is_file()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    assert main(["run", "--flights", "50", "--out", str(empty)]) == 0
    assert (empty / "manifest.json").is_file()


def test_a_folder_that_cannot_be_made_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    out = tmp_path / "file" / "below"
    assert main(["run", "--flights", "50", "--out", str(out)]) in (1, 2)
    message = capsys.readouterr().err
    assert str(out) in message
    assert "internal error" not in message
