"""`cgrisk policies`: which restriction keeps the risk under the target, at how many seats."""

from __future__ import annotations

import argparse
import re
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cgrisk.cli.numbers import number, whole
from cgrisk.cli.output import answer, say, slug
from cgrisk.cli.tail import watched

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from cgrisk.decide.policies import PolicyStudy
    from cgrisk.decide.policy_cells import Task
    from cgrisk.runs.shelf import Shelf
    from cgrisk.scenario.policies_file import PoliciesFile

__all__ = ["EXAMPLE", "HELP", "add_arguments", "counts_of", "execute"]

HELP = "compare seating policies: risk against seats, over the numbers of passengers"
EXAMPLE = "cgrisk policies my-case/operation.toml my-case/policies.toml --target 1e-3 --seed 1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("scenario", help="operation file or its folder")
    add("policies", help="policies file (TOML)")
    add(
        "--target",
        type=number,
        required=True,
        metavar="P",
        help="the probability per flight and side that you accept; there is no published one",
    )
    add("--passengers", metavar="N,M-K/STEP", help="numbers of passengers; none: the file's, or 30")
    add(
        "--flights", type=whole, default=10_000, help="most flights of a policy at a number (10000)"
    )
    add(
        "--at-least",
        type=whole,
        default=4096,
        help="flights of every policy at every number, on which they are compared; no more than "
        "--flights (4096)",
    )
    add("--no-compliance", action="store_true", help="leave out who changes seats all the same")
    add("--seed", type=whole, help="0 to 2**64 - 1; none draws one and records it")
    add("--jobs", type=whole, default=-1, help="threads; -1: one a processor (-1)")
    add("--out", help="folder to write, new or empty")


def counts_of(text: str | None) -> NDArray[np.int64] | None:
    """Return the numbers of passengers of ``60,100-174/10``."""
    import numpy as np

    from cgrisk.errors import UsageError

    if text is None:
        return None
    found: list[int] = []
    for part in text.split(","):
        match = re.fullmatch(r"\s*([0-9]{1,4})(?:-([0-9]{1,4})(?:/([0-9]{1,4}))?)?\s*", part)
        step = int(match[3] or 1) if match else 0
        if match is None or step < 1 or (match[2] and int(match[2]) < int(match[1])):
            raise UsageError(
                argument="--passengers",
                expected='numbers such as "60,100-174/10"',
                got=text,
                cure="Separate numbers by commas; FROM-TO/STEP is a range.",
            )
        found += range(int(match[1]), int(match[2] or match[1]) + 1, step)
    return np.array(found, dtype=np.int64)


def _task(chosen: argparse.Namespace) -> tuple[Task, PoliciesFile]:
    from cgrisk.decide.policies import capacity_under
    from cgrisk.decide.policy_cells import Task
    from cgrisk.randomness import resolve_seed
    from cgrisk.scenario import load_scenario
    from cgrisk.scenario.checks_policies import load_policies

    scenario = load_scenario(chosen.scenario)
    file = load_policies(chosen.policies, scenario=scenario)
    for policy in file.policies:
        capacity_under(scenario, policy, file=chosen.policies)
    return (
        Task(
            scenario=scenario,
            target=chosen.target,
            seed=resolve_seed(chosen.seed),
            flights=chosen.flights,
            bags=file.bags,
            jobs=chosen.jobs,
            at_least=chosen.at_least,
        ),
        file,
    )


def _manifest(task: Task, file: PoliciesFile) -> dict[str, Any]:
    from cgrisk import __version__
    from cgrisk.sampling.environment import bits_stamp

    return {
        "cgrisk": __version__,
        "command": shlex.join(["cgrisk", *sys.argv[1:]]),
        "seed": task.seed,
        "bits": bits_stamp(),
        "scenario": task.scenario.resolved(),
        "policies": file.model_dump(mode="json", by_alias=True),
    }


def _shelf(task: Task, file: PoliciesFile, folder: str) -> Shelf:
    """Return the shelf, beside the folder to come, of finished numbers of passengers."""
    from cgrisk.runs.shelf import Shelf
    from cgrisk.sampling.environment import pieces_stamp

    parts = (
        task.scenario.digest(),
        file.model_dump_json(),
        task.target,
        task.seed,
        task.flights,
        task.at_least,
        task.confidence,
        sorted(pieces_stamp().items()),
    )
    return Shelf(Path(f"{folder}.begun"), key=repr(parts))


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.report.policy_text import policy_answer, policy_text
    from cgrisk.report.publish_policies import publish_policies
    from cgrisk.report.result_folder import check_free, result_folder

    counts = counts_of(chosen.passengers)
    task, file = _task(chosen)
    folder = chosen.out
    if folder is None:
        folder = f"results/{slug(task.scenario.name)}-policies-{task.target:g}-seed{task.seed}"
    check_free(folder)
    shelf = _shelf(task, file, folder)
    study = _evaluate(chosen, task, file, counts, shelf)
    with result_folder(folder) as place:
        publish_policies(place, study=study, manifest=_manifest(task, file))
    shelf.clear()
    if chosen.json:
        answer(policy_answer(study))
    else:
        answer(policy_text(study))
        answer(f"\nWritten to {folder}: policies.json, ranking.csv, charts and more.")
    return 0


def _evaluate(
    chosen: argparse.Namespace,
    task: Task,
    file: PoliciesFile,
    counts: NDArray[np.int64] | None,
    shelf: Shelf,
) -> PolicyStudy:
    """Compare with a progress line, so that it can be interrupted and taken up."""
    from cgrisk.decide.policies import evaluate
    from cgrisk.errors import InterruptedRunError
    from cgrisk.sampling.blocks import aside

    progress, meter = watched(shelf)
    try:
        return aside(
            lambda: evaluate(
                task, file, counts=counts, compliance=not chosen.no_compliance, meter=meter
            )
        )
    except KeyboardInterrupt as error:
        raise InterruptedRunError(
            f"interrupted. {shelf.pieces()} finished pieces are kept in {shelf.folder}. Go on: the "
            f"same command with --seed {task.seed}"
        ) from error
    finally:
        rate = progress.end()
        if rate:
            say(f"{meter.flown:,} flights, {rate:,.0f}/s")
