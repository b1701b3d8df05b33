"""Runs that are cut: a small scenario, and a process that dies at a chosen moment or step.

`python -m tests.cut_cases` is that process. It loads everything and makes the kernel ready, then
reads one JSON object a line (words of the command, files for what it says and for the flights it
flies, the step to die at), carries each out in a forked child, and answers with the child's process
id at its start and its exit status (negative: killed by that signal) at its end. Flights are
counted where the kernel is called, not by what the command says.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import tomllib
from pathlib import Path
from typing import Any

from tests.scenario_cases import shipped_text, toml_text, write_scenario

#: One row of four, no lavatories, no service: some microseconds a flight.
SMALL: dict[str, Any] = {
    "aircraft.cabin.rows": [{"rows": "1", "pitch": 0.8}],
    "aircraft.cabin.lavatories": [],
    "aircraft.cabin.galleys": [],
    "aircraft.cabin.crew_seats": [],
    "operation.zones": [{"name": "all", "rows": "1", "adults": 4, "children": 0}],
    "operation.service.carts": [],
    "operation.entry_errors": [],
    "operation.parties": [],
}


def write_small_case(folder: Path) -> Path:
    """Write the shipped case cut down to one row as files; return the folder."""
    texts = {}
    for name in ("aircraft", "operation"):
        data = tomllib.loads(shipped_text(name))
        for path, value in SMALL.items():
            first, *parents, leaf = path.split(".")
            if first == name:
                place = data
                for parent in parents:
                    place = place[parent]
                place[leaf] = value
        texts[name] = toml_text(data)
    return write_scenario(folder, **texts)


class _Steps:
    """Counts the steps that change the disk, and dies at one of them."""

    def __init__(self, die_at: int | None, *, after: bool) -> None:
        self.count, self.die_at, self.after = 0, die_at, after

    def wrap(self, function: Any) -> Any:
        def step(*arguments: Any, **named: Any) -> Any:
            self.count += 1
            if self.count == self.die_at and not self.after:
                os.kill(os.getpid(), signal.SIGKILL)
            result = function(*arguments, **named)
            if self.count == self.die_at:
                os.kill(os.getpid(), signal.SIGKILL)
            return result

        return step


def _tables_alone(folder: Path, *, summary: Any, store: Any = None, **_: Any) -> None:
    assert store is not None
    (folder / "summaries").mkdir()
    for stem, frame in summary.tables().items():
        frame.to_csv(folder / "summaries" / f"{stem}.csv", index=False)


def _child(job: dict[str, Any]) -> int:
    from cgrisk.cli import main
    from cgrisk.report import publish
    from cgrisk.sampling import blocks

    # Charts take most of a small run's time; they are drawn by other tests.
    publish.publish = _tables_alone
    real = blocks.fly_block

    def counted(model: Any, **named: Any) -> Any:
        rows = real(model, **named)
        if rows.shape[0] > 1:  # one alone makes the kernel ready
            with Path(job["flown"]).open("a", encoding="utf-8") as file:
                file.write(f"{rows.shape[0]}\n")
        return rows

    blocks.fly_block = counted
    steps = _Steps(job.get("die_at_step"), after=bool(job.get("after")))
    for name in ("replace", "unlink", "mkdir"):
        setattr(Path, name, steps.wrap(getattr(Path, name)))
    os.fsync = steps.wrap(os.fsync)
    status = main(job["words"])
    if "steps" in job:
        Path(job["steps"]).write_text(str(steps.count), encoding="utf-8")
    return status


def serve() -> None:
    """Carry out the jobs on stdin, each in a child."""
    from cgrisk.report import publish  # noqa: F401  the children find it loaded
    from cgrisk.risk import comparison, summary  # noqa: F401
    from cgrisk.runs import BlockStore
    from cgrisk.sampling import simulate
    from tests.flight_cases import shipped_scenario

    BlockStore.segment_blocks = 2
    simulate(shipped_scenario(), flights=10, seed=1)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    for line in sys.stdin:
        job = json.loads(line)
        child = os.fork()
        if child == 0:
            log = os.open(job["log"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(log, 1)
            os.dup2(log, 2)
            status = 70
            try:
                status = _child(job)
            finally:
                sys.stdout.flush()
                os._exit(status)
        sys.stdout.write(f"{child}\n")
        sys.stdout.flush()
        _, status = os.waitpid(child, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(status)}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    serve()
