"""Run folders to be spoilt: copies of a run, its sealed files changed, and commands on them."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from hypothesis import event
from hypothesis import strategies as st

from cgrisk.cli import main
from tests.fuzz_cases import change, holder_of, paths_of, snapshot, torn_bytes
from tests.run_cases import reseal, reseal_file

COMMANDS = ("rerun", "compare", "report", "replay", "resume")
ODD = (0, -1, 2**63, 2**70, 10**12, 1.5, [], {}, None, "", "\0", True)


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


def sealed_anew(draw: Callable[[Any], Any], data: dict[str, Any]) -> None:
    """Change some values of a sealed file: those of its head more often than of the scenario."""
    head = {key: value for key, value in data.items() if key not in ("scenario", "sha256")}
    paths = paths_of(head) if draw(st.integers(0, 3)) else paths_of(data)
    for _ in range(draw(st.integers(1, 2))):
        path = draw(st.sampled_from(paths))
        holder = holder_of(data, path)
        if holder is not None and not isinstance(holder, str):
            if draw(st.integers(0, 2)) == 0:
                holder[path[-1]] = draw(st.sampled_from(ODD))
            else:
                draw(_changed(holder, path[-1]))


@st.composite
def _changed(draw: st.DrawFn, holder: Any, key: Any) -> None:
    change(draw, holder, key)


def with_other_manifest(draw: Callable[[Any], Any], made: Path, place: Path) -> Path:
    """A copy of a run, or of one that was cut, whose manifest or inputs are changed and sealed."""
    what = draw(st.sampled_from(["whole", "whole", "cut"]))
    run = place_of(made, place, what)
    name = "manifest.json" if what == "whole" and draw(st.booleans()) else "inputs.json"
    new = json.loads((run / name).read_text())
    sealed_anew(draw, new)
    flights = new.get("flights")
    if isinstance(flights, int) and 20_000 < flights < 2**32:
        new["flights"] = 5_000  # an honest order, which would only take long
    reseal(run / name, lambda old: (old.clear(), old.update(copy.deepcopy(new))))
    if what == "whole" and name == "inputs.json":
        reseal_file(run, name)
    return run


def with_other_content(draw: Callable[[Any], Any], run: Path) -> None:
    """Change a file of a run, a Parquet table more often, and seal it as if it had been so."""
    names = [n for n in files_of(run) if n != "manifest.json" and not n.startswith(".")]
    name = draw(st.sampled_from(names))
    path = run / name
    if name.endswith(".parquet") and draw(st.booleans()):
        with_other_column(draw, path)
    else:
        path.write_bytes(draw(torn_bytes(path.read_bytes())))
    reseal_file(run, name)


def with_other_column(draw: Callable[[Any], Any], path: Path) -> None:
    """Take a column of a Parquet file away, make it another, or cut the rows short."""
    table = pq.read_table(path)
    column = draw(st.integers(0, table.num_columns - 1))
    match draw(st.sampled_from(["drop", "text", "null", "list", "short"])):
        case "drop":
            table = table.remove_column(column)
        case "short":
            table = table.slice(0, draw(st.integers(0, 4_000)))
        case kind:
            value = {"text": "x", "null": None, "list": [1.0]}[kind]
            other = pa.array([value] * table.num_rows)
            table = table.set_column(column, table.column_names[column], other)
    pq.write_table(table, path)
