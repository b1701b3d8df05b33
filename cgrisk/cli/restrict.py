"""`cgrisk restrict`: the least seating restriction that meets a target, as a draft."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cgrisk.cli.numbers import number, whole
from cgrisk.cli.output import answer, say, slug
from cgrisk.cli.policies import counts_of
from cgrisk.cli.tail import watched

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from cgrisk.decide.policy_cells import Task
    from cgrisk.decide.restriction_search import RestrictionStudy
    from cgrisk.runs.shelf import Shelf
    from cgrisk.scenario.policies_file import PoliciesFile

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "look for the least seating restriction that meets a target, by number of passengers"
EXAMPLE = "cgrisk restrict my-case/operation.toml my-case/policies.toml --target 5e-3 --seed 1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("scenario", help="operation file or its folder")
    add("policies", help="policies file (TOML); its [search] table says what may be tried")
    add(
        "--target",
        type=number,
        required=True,
        metavar="P",
        help="the probability per flight and side that you accept; there is no published one",
    )
    add("--confidence", type=number, default=0.95, help="of each number of passengers (0.95)")
    add(
        "--reading",
        choices=("limit", "planned"),
        default="limit",
        help="the load on the operational limit, or as it is planned (limit)",
    )
    add("--passengers", metavar="N,M-K/STEP", help="numbers of passengers; none: the file's, or 30")
    add("--flights", type=whole, help="most flights of a restriction (30 over the target)")
    add("--seed", type=whole, help="0 to 2**64 - 1; none draws one and records it")
    add("--jobs", type=whole, default=-1, help="threads; -1: one a processor (-1)")
    add("--out", help="folder to write, new or empty")


def _task(chosen: argparse.Namespace) -> tuple[Task, PoliciesFile]:
    from cgrisk.decide.policy_cells import Task
    from cgrisk.decide.restriction_search import flights_for
    from cgrisk.randomness import resolve_seed
    from cgrisk.scenario import load_scenario
    from cgrisk.scenario.checks_policies import load_policies

    scenario = load_scenario(chosen.scenario)
    file = load_policies(chosen.policies, scenario=scenario)
    return (
        Task(
            scenario=scenario,
            target=chosen.target,
            seed=resolve_seed(chosen.seed),
            flights=flights_for(chosen.target) if chosen.flights is None else chosen.flights,
            confidence=chosen.confidence,
            bags=file.bags,
            jobs=chosen.jobs,
            reading=chosen.reading,
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
    """Return the shelf, beside the folder to come, of finished pieces."""
    from cgrisk.runs.shelf import Shelf
    from cgrisk.sampling.environment import pieces_stamp

    parts = (
        "restrict",
        task.scenario.digest(),
        file.model_dump_json(),
        task.target,
        task.seed,
        task.flights,
        task.confidence,
        task.reading,
        sorted(pieces_stamp().items()),
    )
    return Shelf(Path(f"{folder}.begun"), key=repr(parts))


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.report.publish_restriction import publish_restriction
    from cgrisk.report.restriction_text import restriction_answer, restriction_text
    from cgrisk.report.result_folder import check_free, result_folder

    counts = counts_of(chosen.passengers)
    task, file = _task(chosen)
    folder = chosen.out
    if folder is None:
        folder = f"results/{slug(task.scenario.name)}-restrict-{task.target:g}-seed{task.seed}"
    check_free(folder)
    shelf = _shelf(task, file, folder)
    study = _search(task, file, counts, shelf)
    with result_folder(folder) as place:
        publish_restriction(place, study=study, manifest=_manifest(task, file))
    shelf.clear()
    if chosen.json:
        answer(restriction_answer(study))
    else:
        answer(restriction_text(study))
        answer(f"\nWritten to {folder}: draft.txt, restriction.json, tables and a chart.")
    return 0


def _search(
    task: Task, file: PoliciesFile, counts: NDArray[np.int64] | None, shelf: Shelf
) -> RestrictionStudy:
    """Search with a progress line, so that it can be interrupted and taken up."""
    from cgrisk.decide.restriction_search import least_restriction
    from cgrisk.errors import InterruptedRunError
    from cgrisk.sampling.blocks import aside

    progress, meter = watched(shelf)
    try:
        return aside(lambda: least_restriction(task, file, counts=counts, meter=meter))
    except KeyboardInterrupt as error:
        raise InterruptedRunError(
            f"interrupted. {shelf.pieces()} finished pieces are kept in {shelf.folder}. Go on: the "
            f"same command with --seed {task.seed}"
        ) from error
    finally:
        rate = progress.end()
        if rate:
            say(f"{meter.flown:,} flights, {rate:,.0f}/s")
