"""What stands in the place of a file and is none is never waited for, nor written through."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cgrisk.errors import RunFolderError
from cgrisk.report.dossier.findings import KINDS, Findings, Result, _read
from cgrisk.report.result_folder import SEAL, result_folder
from cgrisk.runs.shelf import Shelf
from tests.run_cases import spoil_kind

HOW = ("gone", "folder", "pipe", "loop", "dangling")


def piece_of(shelf: Shelf) -> Path:
    shelf.put("a", {"x": np.arange(3.0)})
    return next(shelf.folder.glob("*.piece"))


@pytest.mark.parametrize("how", HOW)
def test_a_piece_that_is_no_file_is_not_there(how: str, tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "begun", key="one")
    spoil_kind(piece_of(shelf), how, outside=tmp_path / "outside")
    assert shelf.get("a") is None
    shelf.clear()
    assert shelf.folder.exists() == (how == "folder")


@pytest.mark.parametrize(
    "content", [b"", b"no archive", b"PK\x03\x04" + b"\0" * 80, b"\x93NUMPY\x01\x00"]
)
def test_a_piece_that_is_no_archive_is_not_there(content: bytes, tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "begun", key="one")
    piece_of(shelf).write_bytes(hashlib.sha256(content).hexdigest().encode() + content)
    assert shelf.get("a") is None


def test_an_array_alone_is_no_piece(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "begun", key="one")
    path = piece_of(shelf)
    with (tmp_path / "alone.npy").open("wb") as file:
        np.save(file, np.arange(3.0))
    content = (tmp_path / "alone.npy").read_bytes()
    path.write_bytes(hashlib.sha256(content).hexdigest().encode() + content)
    assert shelf.get("a") is None


def test_pieces_are_not_put_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "begun").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(RunFolderError, match="a folder of its own for finished pieces; got a link"):
        Shelf(tmp_path / "begun", key="one").put("a", {"x": np.zeros(1)})
    assert not list((tmp_path / "elsewhere").iterdir())


@pytest.fixture
def result(tmp_path: Path) -> Result:
    with result_folder(tmp_path / "zones") as partial:
        for name in ("draft.txt", "chart.svg", "table.csv"):
            (partial / name).write_text("a,b\n1,2\n")
        (partial / KINDS["zones"]).write_text(json.dumps({"manifest": {"scenario": {}}}))
    files = ("draft.txt", "chart.svg", "table.csv", KINDS["zones"])
    return Result(kind="zones", folder=tmp_path / "zones", data={}, files=files)


READINGS: dict[str, Callable[[Result], Any]] = {
    "draft.txt": lambda result: result.text("draft.txt"),
    "chart.svg": lambda result: result.drawing("chart"),
    "table.csv": lambda result: result.table("table"),
}


@pytest.mark.parametrize("how", HOW)
@pytest.mark.parametrize("name", READINGS)
def test_a_file_that_became_none_after_its_seal_was_checked_is_told(
    result: Result, name: str, how: str
) -> None:
    assert len(READINGS[name](result)) > 0
    spoil_kind(result.folder / name, how, outside=result.folder / "outside")
    with pytest.raises(RunFolderError, match=rf"{name}: expected .* written; got .*Repeat"):
        READINGS[name](result)


def test_text_that_is_no_text_is_told(result: Result) -> None:
    (result.folder / "draft.txt").write_bytes(b"\xff\xfe\xff")
    with pytest.raises(RunFolderError, match="expected the text that was written; got 'utf-8'"):
        result.text("draft.txt")


def test_a_seal_stands_for_its_bytes(result: Result) -> None:
    wanted = hashlib.sha256((result.folder / SEAL).read_bytes()).hexdigest()
    assert result.sha256() == wanted
    (result.folder / SEAL).unlink()
    os.mkfifo(result.folder / SEAL)
    with pytest.raises(OSError, match="not a regular file"):
        result.sha256()


class _Run:
    """As much of a run as a drawing asks for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder


@pytest.mark.parametrize("how", ["pipe", "folder", "gone"])
def test_a_chart_of_a_run_that_is_no_file_is_told(how: str, tmp_path: Path) -> None:
    (tmp_path / "charts").mkdir()
    (tmp_path / "charts" / "envelope.svg").write_text("<svg/>")
    findings = Findings(run=_Run(tmp_path), results=(), left_out=())  # type: ignore[arg-type]
    assert findings.drawing("envelope") == "<svg/>"
    spoil_kind(tmp_path / "charts" / "envelope.svg", how, outside=tmp_path / "outside")
    with pytest.raises(RunFolderError, match=r"envelope\.svg: expected the text that was written"):
        findings.drawing("envelope")


@pytest.mark.parametrize("how", ["folder", "pipe", "loop", "dangling"])
@pytest.mark.parametrize("name", [SEAL, KINDS["zones"]])
def test_a_result_whose_files_are_none_is_refused(result: Result, name: str, how: str) -> None:
    copy = shutil.copytree(result.folder, result.folder.parent / "copy")
    spoil_kind(copy / name, how, outside=result.folder / "outside")
    with pytest.raises(RunFolderError, match=r"[Rr]epeat the command that made it"):
        _read(copy, "zones", _Run(copy))  # type: ignore[arg-type]
