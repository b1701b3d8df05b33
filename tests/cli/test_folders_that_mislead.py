"""Folders of runs in which something else stands than was written: a refusal, and no harm done."""

from __future__ import annotations

import json
import os
import shutil
import tracemalloc
from pathlib import Path

import pytest

from cgrisk.cli import main
from cgrisk.errors import RunFolderError
from cgrisk.runs.inputs import RunInputs
from tests.run_cases import quickly, reseal, reseal_file


@pytest.fixture
def run(small_runs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    quickly(monkeypatch)
    return Path(shutil.copytree(small_runs / "whole", tmp_path / "run"))


@pytest.mark.parametrize("name", ["manifest.json", "inputs.json", "samples/00000000.parquet"])
def test_a_pipe_is_not_waited_for(run: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    (run / name).unlink()
    os.mkfifo(run / name)
    assert main(["rerun", str(run)]) == 1
    assert name.split("/", maxsplit=1)[0] in capsys.readouterr().err


@pytest.mark.parametrize("name", ["manifest.json", "inputs.json", ".lock-owner"])
def test_a_monstrous_file_is_refused_unread(
    run: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A hole of 2 GB takes no room on the disk, but would in memory."""
    if name != "manifest.json":  # which holds the inputs too
        (run / "manifest.json").unlink()
    (run / name).touch()
    os.truncate(run / name, 2_000_000_000)
    tracemalloc.start()
    words = ["run", "--resume", "--out"] if name == "inputs.json" else ["compare", str(run)]
    code = main([*words, str(run)])
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert code == 1
    assert most < 100_000_000
    told = capsys.readouterr().err
    if name == ".lock-owner":
        assert "still being written by another process" in told
    else:
        assert f"{run / name}: expected at most 256,000,000 bytes; got 2,000,000,000." in told
        assert "repeat the command that made it" in told


@pytest.mark.parametrize("command", ["report", "replay"])
def test_a_place_that_cannot_be_written_is_told_before_the_work(
    run: Path,
    command: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """In a folder below a file, in the run's own, and in a folder that another may write."""

    def work(*_: object, **__: object) -> None:
        raise AssertionError("the work was begun")

    monkeypatch.setattr("cgrisk.report.dossier.make_dossier", work)
    monkeypatch.setattr("cgrisk.flight.replay_flight", work)
    (tmp_path / "file").touch()
    below = str(tmp_path / "file" / "out")
    assert main([command, str(run), "--out", below]) == 1
    assert f"{below}: expected a f" in capsys.readouterr().err

    def refused(*_: object, dir: Path, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(dir))

    monkeypatch.setattr("tempfile.TemporaryDirectory", refused)
    assert main([command, str(run)]) == 1
    told = capsys.readouterr().err
    assert str(run) in told
    assert "Permission denied" in told
    assert "another with --out" in told


def test_a_run_that_another_process_writes_is_not_said_to_be_cut_for_sure(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (run / "manifest.json").unlink()
    (run / ".lock-owner").write_text("process 7 on host since noon\n")
    assert main(["compare", str(run), str(run)]) == 1
    told = capsys.readouterr().err
    assert "cut, or that is still being written by process 7 on host since noon. Wait" in told
    assert f"cgrisk run --resume --out {run}" in told


@pytest.mark.parametrize(
    "words",
    [
        ["rerun", "nowhere"],
        ["compare", "nowhere", "nowhere"],
        ["report", "nowhere"],
        ["replay", "nowhere"],
        ["run", "--resume", "--out", "nowhere"],
    ],
    ids=" ".join,
)
def test_a_run_folder_that_is_not_there_is_bad_input(
    words: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert "nowhere: expected the folder of a run; got nothing of that name." in (
        capsys.readouterr().err
    )
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("words", "cure"),
    [
        (["compare", "a", "a"], "End other programs, or use a machine with more of it."),
        (["run", "--resume", "--out", "a"], "Ask for fewer flights."),
    ],
)
def test_out_of_memory_is_told_with_a_cure_that_fits(
    words: list[str],
    cure: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def burst(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("cgrisk.runs.read_run", burst)
    monkeypatch.setattr("cgrisk.runs.read_inputs", burst)
    assert main(words) == 1
    assert capsys.readouterr().err == f"cgrisk {words[0]}: out of memory. {cure}\n"


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("flown", 0, "'flown' of a run"),
        ("flown", -5, "'flown' of a run"),
        ("flown", 10**12, "'flown' of a run"),
        ("flights", 2**40, "'flights' from 1 to"),
        ("seed", -1, "'seed' from 0 to"),
        ("seed", 2**70, "'seed' from 0 to"),
        ("block", 7, "'block' from 4096 to 4096"),
        ("confidence", 2.0, "'confidence' from"),
        ("reached", {"aft": "many"}, "'reached' of a run"),
        ("files", {"inputs.json": 7}, "'files' of a run"),
        ("files", {"a\0b": "00"}, "no regular file"),
        ("seconds", {"flights": "x"}, "'seconds' of a run"),
        ("format", "9" * 5_000, "..."),
    ],
)
def test_figures_no_run_has_are_refused_whatever_the_seal(
    run: Path, key: str, value: object, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    reseal(run / "manifest.json", lambda data: data.update({key: value}))
    assert main(["rerun", str(run)]) == 1
    message = capsys.readouterr().err
    assert told in message
    assert len(message) < 600


def test_every_key_of_a_sealed_file_must_be_there(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Those that may be null too, such as the precision of a run without one."""
    manifest, inputs = ((run / name).read_text() for name in ("manifest.json", "inputs.json"))
    keys = [key for key in json.loads(inputs) if key != "sha256"]
    assert "precision" in keys
    for key in keys:
        (run / "manifest.json").write_text(manifest)
        reseal(run / "manifest.json", lambda data, key=key: data.pop(key))
        assert main(["rerun", str(run)]) == 1
        assert f"manifest.json: expected {key!r}; got no such key" in capsys.readouterr().err
        (run / "inputs.json").write_text(inputs)
        reseal(run / "inputs.json", lambda data, key=key: data.pop(key))
        with pytest.raises(RunFolderError, match=f"inputs: expected {key!r}; got no such key"):
            RunInputs.from_json((run / "inputs.json").read_text(), shown="inputs")


@pytest.mark.parametrize("text", ["[" * 200_000, '{"a":' * 200_000, "NaN", "[NaN]", "1" * 9_000])
def test_a_manifest_of_monstrous_json_is_refused(
    run: Path, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (run / "manifest.json").write_text(text)
    assert main(["rerun", str(run)]) == 1
    assert "expected JSON" in capsys.readouterr().err


def test_a_segment_that_is_none_is_told_by_every_command(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (run / "blocks" / "00000000.segment").write_bytes(b"")
    reseal_file(run, "blocks/00000000.segment")
    assert main(["report", str(run), "--html-only", "--alone"]) == 1
    assert "expected blocks and tables of the form" in capsys.readouterr().err
    for words in (["rerun", str(run)], ["compare", str(run), str(run)], ["replay", str(run)]):
        assert main(words) == 1
        assert "expected segments as they were written" in capsys.readouterr().err


@pytest.mark.parametrize("content", [b"", b"a,b\n1,2\n", b"\xff\xff"])
@pytest.mark.parametrize("name", ["excess_quantiles", "leave_envelope"])
def test_a_table_of_another_form_is_told(
    run: Path, name: str, content: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    (run / "summaries" / f"{name}.csv").write_bytes(content)
    reseal_file(run, f"summaries/{name}.csv")
    assert main(["report", str(run), "--html-only", "--alone"]) == 1
    message = capsys.readouterr().err
    assert "expected blocks and tables of the form" in message or "as it was written" in message


@pytest.mark.parametrize("name", ["blocks", "samples", "summaries", "charts"])
def test_a_link_does_not_lead_what_is_written_out_of_the_folder(
    run: Path, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "kept").write_text("kept")
    (run / "manifest.json").unlink()
    shutil.rmtree(run / name, ignore_errors=True)
    (run / name).symlink_to(tmp_path / "other")
    assert main(["run", "--resume", "--out", str(run)]) == 1
    assert "a folder of the run's own; got a link" in capsys.readouterr().err
    assert [path.name for path in (tmp_path / "other").iterdir()] == ["kept"]


@pytest.mark.parametrize("name", [".lock-owner", "manifest.json.partial", "inputs.json.partial"])
def test_a_link_in_the_place_of_a_file_is_not_written_through(
    run: Path, name: str, tmp_path: Path
) -> None:
    (tmp_path / "outside").write_text("must stay")
    (run / "manifest.json").unlink()
    (run / name).symlink_to(tmp_path / "outside")
    assert main(["run", "--resume", "--jobs", "1", "--out", str(run)]) == 0
    assert (tmp_path / "outside").read_text() == "must stay"
