"""A run's folder changed or torn at random: an answer or a refusal, and nothing written outside."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from cgrisk.cli import main
from tests.cut_cases import _tables_alone
from tests.fuzz_cases import change, paths_of, snapshot, torn_bytes
from tests.run_cases import make_run, reseal, reseal_file, spoil_kind

#: A share of the profile's examples: each carries a command out, which takes up to half a second.
few = settings(
    max_examples=settings().max_examples // 25,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
COMMANDS = ("rerun", "compare", "report", "replay", "resume")
ODD = (0, -1, 2**63, 2**70, 10**12, 1.5, [], {}, None, "", "\0", True)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_run(tmp_path_factory.mktemp("made"))


@pytest.fixture(autouse=True)
def loud(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """An error that nobody meant is raised, with its traceback; charts are drawn elsewhere."""
    from cgrisk.report import publish

    monkeypatch.setenv("CGRISK_DEBUG", "1")
    monkeypatch.setattr(publish, "publish", _tables_alone)
    return iter(())


def words_of(command: str, run: Path, other: Path, out: Path) -> list[str]:
    match command:
        case "rerun":
            return ["rerun", str(run), "--jobs", "1"]
        case "compare":
            return ["compare", str(run), str(other)]
        case "report":
            return ["report", str(run), "--html-only", "--alone", "--out", str(out)]
        case "replay":
            return ["replay", str(run), "--flight", "3", "--out", str(out / "page.html")]
        case _:
            return ["run", "--resume", "--jobs", "1", "--out", str(run)]


def place_of(made: Path, tmp_path: Path, what: str) -> Path:
    """A fresh copy of a run, in a folder of which nothing else may change."""
    room = tmp_path / "room"
    shutil.rmtree(room, ignore_errors=True)
    shutil.copytree(made / what, room / "run")
    (room / "outside").write_text("must stay")
    (room / "other").mkdir()
    return room / "run"


def carried_out(command: str, run: Path, made: Path) -> int:
    """Carry a command out; nothing beside the run and the folder asked for may change."""
    out = run.parent / "out"
    before = snapshot(run.parent, but=run)
    status = main(words_of(command, run, made / "whole", out))
    shutil.rmtree(out, ignore_errors=True)
    assert snapshot(run.parent, but=run) == before
    assert status in (0, 1, 2)
    event(f"{command}: {'answered' if status == 0 else 'refused'}")
    return status


def files_of(run: Path) -> list[str]:
    return sorted(p.relative_to(run).as_posix() for p in run.rglob("*") if p.is_file())


@few
@given(data=st.data(), command=st.sampled_from(COMMANDS))
def test_torn_files_are_noticed(
    made: Path, tmp_path: Path, data: st.DataObject, command: str
) -> None:
    run = place_of(made, tmp_path, "whole")
    name = data.draw(st.sampled_from(files_of(run)))
    old = (run / name).read_bytes()
    new = data.draw(torn_bytes(old))
    (run / name).write_bytes(new)
    status = carried_out(command, run, made)
    covered = name in json.loads((made / "whole" / "manifest.json").read_text())["files"]
    if command != "resume" and covered:
        assert (status == 0) == (new == old)
    if command == "resume" and status == 0:
        for path in (made / "whole" / "blocks").iterdir():
            assert (run / "blocks" / path.name).read_bytes() == path.read_bytes()


@few
@given(
    data=st.data(),
    how=st.sampled_from(["gone", "folder", "pipe", "link", "loop", "dangling"]),
    command=st.sampled_from(COMMANDS),
    what=st.sampled_from(["whole", "cut"]),
)
def test_what_is_no_file_or_a_link_is_refused(
    made: Path, tmp_path: Path, data: st.DataObject, how: str, command: str, what: str
) -> None:
    run = place_of(made, tmp_path, what)
    names = [*files_of(run), "blocks", "samples", "summaries", "charts", ".lock-owner", ".lock"]
    names += ["manifest.json.partial", "blocks/00000000.segment.partial", "inputs.json.partial"]
    name = data.draw(st.sampled_from(names))
    (run / name).parent.mkdir(exist_ok=True)
    folder = name in ("blocks", "samples", "summaries", "charts")
    spoil_kind(run / name, how, outside=run.parent / ("other" if folder else "outside"))
    status = carried_out(command, run, made)
    if command == "resume" and status == 0:
        for path in (made / "whole" / "blocks").iterdir():
            assert (run / "blocks" / path.name).read_bytes() == path.read_bytes()


def sealed_anew(draw: Callable[[Any], Any], data: dict[str, Any]) -> None:
    """Change some values of a sealed file: those of its head more often than of the scenario."""
    head = {key: value for key, value in data.items() if key not in ("scenario", "sha256")}
    paths = paths_of(head) if draw(st.integers(0, 3)) else paths_of(data)
    for _ in range(draw(st.integers(1, 2))):
        path = draw(st.sampled_from(paths))
        holder: Any = data
        try:
            for key in path[:-1]:
                holder = holder[key]
            holder[path[-1]]
        except (KeyError, IndexError, TypeError):
            continue
        if not isinstance(holder, str):
            if draw(st.integers(0, 2)) == 0:
                holder[path[-1]] = draw(
                    st.sampled_from(
                        [0, -1, 2**63, 2**70, 10**12, 1.5, [], {}, None, "", "\0", True]
                    )
                )
            else:
                draw(_changed(holder, path[-1]))


@st.composite
def _changed(draw: st.DrawFn, holder: Any, key: Any) -> None:
    change(draw, holder, key)


@few
@given(data=st.data(), command=st.sampled_from(COMMANDS))
def test_a_manifest_sealed_anew_is_answered_or_refused(
    made: Path, tmp_path: Path, data: st.DataObject, command: str
) -> None:
    what = data.draw(st.sampled_from(["whole", "whole", "cut"]))
    run = place_of(made, tmp_path, what)
    name = "manifest.json" if what == "whole" and data.draw(st.booleans()) else "inputs.json"
    new = json.loads((run / name).read_text())
    sealed_anew(data.draw, new)
    flights = new.get("flights")
    if isinstance(flights, int) and 20_000 < flights < 2**32:
        new["flights"] = 5_000  # an honest order, which would only take long
    reseal(run / name, lambda old: (old.clear(), old.update(copy.deepcopy(new))))
    if what == "whole" and name == "inputs.json":
        reseal_file(run, name)
    carried_out(command, run, made)


@few
@given(data=st.data(), command=st.sampled_from(COMMANDS))
def test_other_content_under_right_hashes_is_answered_or_refused(
    made: Path, tmp_path: Path, data: st.DataObject, command: str
) -> None:
    run = place_of(made, tmp_path, "whole")
    names = [n for n in files_of(run) if n != "manifest.json" and not n.startswith(".")]
    name = data.draw(st.sampled_from(names))
    path = run / name
    if name.endswith(".parquet") and data.draw(st.booleans()):
        table = pq.read_table(path)
        column = data.draw(st.integers(0, table.num_columns - 1))
        match data.draw(st.sampled_from(["drop", "text", "null", "list", "short"])):
            case "drop":
                table = table.remove_column(column)
            case "short":
                table = table.slice(0, data.draw(st.integers(0, 4_000)))
            case kind:
                value = {"text": "x", "null": None, "list": [1.0]}[kind]
                other = pa.array([value] * table.num_rows)
                table = table.set_column(column, table.column_names[column], other)
        pq.write_table(table, path)
    else:
        path.write_bytes(data.draw(torn_bytes(path.read_bytes())))
    reseal_file(run, name)
    carried_out(command, run, made)


@few
@given(data=st.data())
def test_a_cut_run_is_taken_up_to_the_bit_or_refused(
    made: Path, tmp_path: Path, data: st.DataObject
) -> None:
    run = place_of(made, tmp_path, "cut")
    for name in data.draw(st.lists(st.sampled_from(files_of(run)), min_size=1, unique=True)):
        if data.draw(st.booleans()):
            (run / name).write_bytes(data.draw(torn_bytes((run / name).read_bytes())))
        else:
            (run / name).unlink()
    if carried_out("resume", run, made) == 0:
        for kind in ("blocks", "samples"):
            for path in (made / "whole" / kind).iterdir():
                assert (run / kind / path.name).read_bytes() == path.read_bytes()
