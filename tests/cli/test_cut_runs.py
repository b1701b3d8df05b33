"""Runs that are cut at any moment and taken up again end in the bits of an uncut one."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cgrisk.sampling import BLOCK
from tests.cut_cases import write_small_case

ROOT = Path(__file__).resolve().parents[2]
FLIGHTS = 4 * BLOCK + 1000  # five blocks, three segments of two

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked")


class Server:
    """The process that carries out jobs in children of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.case = write_small_case(folder / "case")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.cut_cases"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._line() == "ready"

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def run(self, out: Path, *words: str, kill_after: float | None = None, **job: Any) -> int:
        """Run one command in a child; kill it after so many seconds. Return its exit status."""
        assert self.process.stdin is not None
        job |= {"words": ["run", "--out", str(out), *words], "log": str(self.folder / "log")}
        job["flown"] = str(self.folder / "flown")
        Path(job["flown"]).write_text("", encoding="utf-8")
        self.process.stdin.write(json.dumps(job) + "\n")
        self.process.stdin.flush()
        child = int(self._line())
        if kill_after is not None:
            time.sleep(kill_after)
            # It may be over: then the process id is gone until the parent reads its status.
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
        return int(self._line())

    def begin(self, out: Path, *words: str, **job: Any) -> int:
        """Begin a run of the small case."""
        common = ("--flights", str(FLIGHTS), "--seed", "3")
        return self.run(out, str(self.case), *common, *words, **job)

    def flown(self) -> int:
        """Flights that the last command flew for its blocks."""
        text = (self.folder / "flown").read_text(encoding="utf-8")
        return sum(int(line) for line in text.split())

    def said(self) -> str:
        return (self.folder / "log").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    server = Server(tmp_path_factory.mktemp("cut"))
    with server.process:
        yield server
        server.process.kill()


def contents(folder: Path) -> dict[str, bytes]:
    """Everything that a run leaves, but the manifest's times."""
    found = {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith(".lock")
    }
    manifest = json.loads(found.pop("manifest.json"))
    for key in ("created", "seconds", "settings", "sha256"):
        del manifest[key]
    found["manifest"] = json.dumps(manifest, sort_keys=True).encode()
    return found


@pytest.fixture(scope="module")
def uncut(server: Server) -> dict[str, Any]:
    """An uncut run: its files, how long it took, how many steps on the disk."""
    return whole_run(server, "uncut")


@pytest.fixture(scope="module")
def bare(server: Server) -> dict[str, Any]:
    """The same without charts, whose drawing takes longest."""
    return whole_run(server, "bare", "--no-charts")


def whole_run(server: Server, name: str, *words: str) -> dict[str, Any]:
    out, steps = server.folder / name, server.folder / f"{name}-steps"
    start = time.perf_counter()
    assert server.begin(out, *words, steps=str(steps)) == 0, server.said()
    assert server.flown() == FLIGHTS
    return {
        "contents": contents(out),
        "seconds": time.perf_counter() - start,
        "steps": int(steps.read_text()),
        "folder": out,
    }


def saved_flights(folder: Path) -> int:
    """Flights of the blocks that lie whole in a folder, by the names of their files."""
    names = [path.name for path in (folder / "blocks").glob("*")] if folder.is_dir() else []
    own = {int(name[:8]) for name in names if name.endswith(".block")}
    for name in names:
        if name.endswith(".segment"):
            first = int(name[:8])
            own |= set(range(first, min(first + 2, 5)))
    return sum(min(BLOCK, FLIGHTS - number * BLOCK) for number in own)


def resume_and_check(server: Server, out: Path, uncut: dict[str, Any], *words: str) -> None:
    complete, saved = (out / "manifest.json").exists(), saved_flights(out)
    if not (out / "inputs.json").exists():
        assert server.begin(out, *words) == 0, server.said()
    else:
        assert server.run(out, "--resume", *words) == 0, server.said()
    lacking = 0 if complete else FLIGHTS - saved
    assert server.flown() == lacking, "finished blocks are not flown again"
    assert "Traceback" not in server.said()
    assert contents(out) == uncut["contents"]


@pytest.mark.parametrize("times", [6, pytest.param(20, marks=pytest.mark.nightly)])
def test_killed_at_random_moments(
    server: Server, uncut: dict[str, Any], tmp_path: Path, seed_offset: int, times: int
) -> None:
    """At any moment of as long as an uncut run took; earlier where a run was done by then."""
    moments = random.Random(20 + seed_offset)
    for trial in range(times):
        out = tmp_path / f"cut-{trial}"
        moment = moments.uniform(0.0, uncut["seconds"])
        for _ in range(10):
            status = server.begin(out, kill_after=moment)
            resume_and_check(server, out, uncut, "--jobs", str(1 + trial % 2))
            shutil.rmtree(out)
            if status == -signal.SIGKILL:
                break
            moment *= 0.5
        assert status == -signal.SIGKILL, "every run is cut"


@pytest.mark.parametrize("after", [False, True])
def test_killed_at_every_kind_of_step(
    server: Server, bare: dict[str, Any], tmp_path: Path, after: bool
) -> None:
    """Before or after a rename, a flush, a removal: blocks, segments, tables, the manifest."""
    steps = bare["steps"]
    # All of the first two segments and of the end; in between it is the same again.
    chosen = [*range(1, 20, 4), *range(steps - 3, steps + 1)]
    for step in chosen:
        out = tmp_path / f"step-{step}"
        status = server.begin(out, "--no-charts", "--jobs", "1", die_at_step=step, after=after)
        assert status == -signal.SIGKILL
        whole = (out / "manifest.json").exists()
        assert not whole or step >= steps - 2
        resume_and_check(server, out, bare, "--no-charts")
        shutil.rmtree(out)


def test_cut_again_and_again(server: Server, uncut: dict[str, Any], tmp_path: Path) -> None:
    """One run, killed after every block, with rows or tables in hand."""
    out = tmp_path / "again"
    step, saved = 12, 0
    assert server.begin(out, die_at_step=step) == -signal.SIGKILL
    for _ in range(20):
        if server.run(out, "--resume", die_at_step=step) == 0:
            break
        assert saved_flights(out) >= saved
        saved = saved_flights(out)
        step += 3
    assert contents(out) == uncut["contents"]


def test_other_jobs_and_no_rows_give_the_same_answers(
    server: Server, uncut: dict[str, Any], tmp_path: Path
) -> None:
    out = tmp_path / "no-rows"
    assert server.begin(out, "--no-rows", "--jobs", "2") == 0
    assert not (out / "samples").exists()
    for name, content in contents(out).items():
        if name.startswith("summaries/"):
            assert content == uncut["contents"][name]


def test_changed_blocks_rows_and_segments_are_flown_again(
    server: Server, uncut: dict[str, Any], tmp_path: Path
) -> None:
    def change(path: Path) -> None:
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)

    base = tmp_path / "base"
    shutil.copytree(uncut["folder"], base)
    (base / "manifest.json").unlink()
    cases = {
        "segment": ("blocks/00000002.segment", 2 * BLOCK),
        "rows": ("samples/00000001.parquet", BLOCK),
        "rows gone": ("samples/00000004.parquet", 1000),
    }
    for name, (file, flights) in cases.items():
        out = tmp_path / name.replace(" ", "-")
        shutil.copytree(base, out)
        if name.endswith("gone"):
            (out / file).unlink()
        else:
            change(out / file)
        assert server.run(out, "--resume") == 0, server.said()
        assert file in server.said(), "it says which file"
        assert server.flown() == flights
        assert contents(out) == uncut["contents"]


def test_a_block_of_another_run_is_not_taken(
    server: Server, uncut: dict[str, Any], tmp_path: Path
) -> None:
    other, out = tmp_path / "other", tmp_path / "mine"
    assert server.run(other, str(server.case), "--flights", str(FLIGHTS), "--seed", "4") == 0
    shutil.copytree(uncut["folder"], out)
    (out / "manifest.json").unlink()
    shutil.copy(other / "blocks" / "00000000.segment", out / "blocks")
    assert server.run(out, "--resume") == 0, server.said()
    assert "or of another run" in server.said()
    assert contents(out) == uncut["contents"]


def test_truncated_and_empty_files_are_flown_again(
    server: Server, uncut: dict[str, Any], tmp_path: Path
) -> None:
    for size in (0, 10, 96, 5000):
        out = tmp_path / f"cut-at-{size}"
        shutil.copytree(uncut["folder"], out)
        (out / "manifest.json").unlink()
        path = out / "blocks" / "00000000.segment"
        path.write_bytes(path.read_bytes()[:size])
        assert server.run(out, "--resume") == 0, server.said()
        assert contents(out) == uncut["contents"]
