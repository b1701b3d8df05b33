"""A small run and its cut state, made once, to be spoilt at random."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from cgrisk.cli import main
from cgrisk.report import publish
from cgrisk.risk.cabin import occupancy
from cgrisk.runs import read_run
from cgrisk.sampling import fly_blocks
from tests.cut_cases import _tables_alone, write_small_case

FLIGHTS = 4_500
SEED = 11


#: A chart that was drawn elsewhere.
_CHART = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="10pt" height="10pt" viewBox="0 0 10 10">'
    '<g id="figure_1"><path d="M 1 1 L 9 9" style="stroke: #000000"/></g></svg>\n'
)


def _few_drawings(folder: Path, *, summary: Any, store: Any = None, **_: Any) -> None:
    """All tables, and of the charts one, with the numbers that a report asks for."""
    _tables_alone(folder, summary=summary, store=store)
    (folder / "charts").mkdir()
    (folder / "charts" / "causes.svg").write_text(_CHART)
    summary.offsets.to_csv(folder / "charts" / "exceedance.csv", index=False)


def quickly(patch: pytest.MonkeyPatch) -> None:
    """Let runs be published within a tenth of a second: charts are drawn by other tests."""
    patch.setattr(publish, "publish", _few_drawings)
    patch.setattr("cgrisk.risk.summary.occupancy", partial(occupancy, flights=5))
    patch.setenv("CGRISK_DEBUG", "1")  # an error that nobody meant is raised with its traceback


def make_run(folder: Path) -> Path:
    """Fly a run of two blocks, and beside it leave the same run cut after them; return both's."""
    case = write_small_case(folder / "case")
    words = ["run", str(case), "--flights", str(FLIGHTS), "--seed", str(SEED), "--rows"]
    with pytest.MonkeyPatch.context() as patch:
        quickly(patch)
        assert main([*words, "--jobs", "1", "--out", str(folder / "whole")]) == 0
    run = read_run(folder / "whole")
    cut = folder / "cut"
    (cut / "blocks").mkdir(parents=True)
    shutil.copy(run.folder / "inputs.json", cut)
    run.store.folder = cut
    run.store.make()
    for block in fly_blocks(
        run.model, seed=SEED, flights=FLIGHTS, layout=run.layout, jobs=1, keep_rows=True
    ):
        run.store.write(block)
    return folder


def digest_of_content(data: dict[str, Any]) -> str:
    """The seal of a file, worked out again here: SHA-256 of its JSON, sorted, without blanks."""
    content = {key: value for key, value in data.items() if key != "sha256"}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def reseal(path: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change a sealed JSON file as one would who knows how it is sealed."""
    data = json.loads(path.read_text())
    change(data)
    data["sha256"] = digest_of_content(data)
    path.write_text(json.dumps(data, indent=2, sort_keys=True))


def reseal_file(run: Path, name: str) -> None:
    """Write the SHA-256 of a changed file of a run into its manifest, and seal that again."""
    wanted = hashlib.sha256((run / name).read_bytes()).hexdigest()
    reseal(run / "manifest.json", lambda data: data["files"].update({name: wanted}))


def spoil_kind(path: Path, how: str, *, outside: Path) -> None:
    """Put something that is no file of the run in its place."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
    match how:
        case "folder":
            path.mkdir()
        case "pipe":
            os.mkfifo(path)
        case "link":
            path.symlink_to(outside)
        case "loop":
            path.symlink_to(path.name)
        case "dangling":
            path.symlink_to(outside.with_name("not-there"))
