"""`cgrisk tail`: how rare it is, down to one flight in a hundred million."""

from __future__ import annotations

import argparse
import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from cgrisk.cli.numbers import number, whole
from cgrisk.cli.output import Progress, answer, say, slug

if TYPE_CHECKING:
    from cgrisk.rare import Meter, Question, Study
    from cgrisk.runs.shelf import Shelf

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

T = TypeVar("T")
_FIRST = "compiling (one to three minutes the first time), then the pilot"

HELP = "tell how rare leaving the envelope is, far beyond counting, and the buffer for a target"
EXAMPLE = "cgrisk tail my-case/operation.toml --side aft --target 1e-6 --seed 1"


def add_question(parser: argparse.ArgumentParser) -> None:
    """Add the arguments that say which tail is asked for."""
    add = parser.add_argument
    add("scenario", nargs="?", help="operation file or its folder; none: the shipped case")
    add(
        "--target",
        type=number,
        required=True,
        metavar="P",
        help="the probability per flight that you accept; there is no published one",
    )
    add("--side", choices=("aft", "forward"), default="aft", help="side of the envelope (aft)")
    add(
        "--phases",
        choices=("any", "take_off_and_landing", "in_flight"),
        default="any",
        help="phases that count (any)",
    )
    add(
        "--event",
        default="envelope",
        help="envelope, or an event of trim or take-off by its name; a wrong one lists them",
    )
    add(
        "--method",
        default="auto",
        help="auto (settled by a pilot), counting, splitting, kill-rule, tilting or exact",
    )
    add("--deepest", type=number, help="probability at which the curve ends (1e-8)")
    add(
        "--relative-error",
        type=number,
        default=0.1,
        metavar="R",
        help="standard error over the estimate wanted at the target (0.1)",
    )
    add(
        "--flights",
        type=whole,
        default=20_000_000,
        help="of the estimate itself, at most (20 million); its pilot and trial, the check and the "
        "assumption range come on top",
    )
    add("--seed", type=whole, help="0 to 2**64 - 1; none draws one and records it")
    add("--jobs", type=whole, default=-1, help="threads; -1: one a processor (-1)")
    add("--out", help="folder to write, new or empty")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_question(parser)
    parser.add_argument(
        "--draws",
        type=whole,
        default=64,
        help="joint draws of what has no source; 0 leaves the assumption range out (64)",
    )


def ask(chosen: argparse.Namespace) -> Question:
    """Return the question that the command line asks."""
    from cgrisk.flight import prepare
    from cgrisk.randomness import resolve_seed
    from cgrisk.rare import Question, score_named
    from cgrisk.scenario import load_scenario
    from cgrisk.scenario.shipped import DEFAULT, shipped_scenarios

    seed = resolve_seed(chosen.seed)
    model = prepare(load_scenario(chosen.scenario or shipped_scenarios()[DEFAULT]))
    score = score_named(model, name=chosen.event, side=chosen.side, group=chosen.phases)
    deepest = min(1e-8, chosen.target) if chosen.deepest is None else chosen.deepest
    return Question(
        model=model,
        score=score,
        target=chosen.target,
        seed=seed,
        deepest=deepest,
        relative_error=chosen.relative_error,
        most_flights=chosen.flights,
        jobs=chosen.jobs,
    )


def folder_of(chosen: argparse.Namespace, question: Question, kind: str) -> str:
    """Return the folder to write: the one asked for, or one named after the question."""
    if chosen.out is not None:
        return str(chosen.out)
    what = chosen.side if chosen.event == "envelope" else chosen.event.replace(".", "-")
    name = slug(question.model.scenario.name)
    return f"results/{name}-{kind}-{what}-{chosen.target:g}-seed{question.seed}"


def manifest(question: Question) -> dict[str, Any]:
    """Return what repeats the answer: command, versions, the resolved scenario."""
    from cgrisk import __version__
    from cgrisk.sampling.environment import bits_stamp

    return {
        "cgrisk": __version__,
        "command": shlex.join(["cgrisk", *sys.argv[1:]]),
        "seed": question.seed,
        "bits": bits_stamp(),
        "scenario": question.model.scenario.resolved(),
    }


def shelf_of(question: Question, folder: str, *, side: str, phases: str, method: str) -> Shelf:
    """Return the shelf, beside the folder to come, of finished pieces of the same question."""
    from cgrisk.runs.shelf import Shelf
    from cgrisk.sampling.environment import pieces_stamp

    parts = (
        question.model.scenario.digest(),
        question.score.name,
        side,
        phases,
        method,
        question.target,
        question.deepest,
        question.relative_error,
        question.seed,
        question.most_flights,
        sorted(pieces_stamp().items()),
    )
    return Shelf(Path(f"{folder}.begun"), key=repr(parts))


def watched(shelf: Shelf | None = None, first: str = _FIRST) -> tuple[Progress, Meter]:
    """Return a progress line, what it shows first, and the meter that moves it."""
    from cgrisk.rare import Meter

    progress = Progress()

    def watch(flown: int, expected: int, doing: str) -> None:
        progress.show(flown, flown=flown, part=flown / max(expected, 1), text=doing)

    progress.begin(first)
    return progress, Meter(watch, shelf)


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.errors import UsageError
    from cgrisk.report.publish_tail import publish_tail
    from cgrisk.report.result_folder import check_free, result_folder
    from cgrisk.report.tail_text import tail_answer, tail_text

    if not 0 <= chosen.draws <= 10_000 or chosen.draws == 1:
        raise UsageError(
            argument="draws",
            expected="0, or a whole number from 2 to 10000",
            got=chosen.draws,
            cure="Give how often all assumptions are drawn together; 64 is usual.",
        )
    question = ask(chosen)
    folder = folder_of(chosen, question, "tail")
    check_free(folder)
    shelf = shelf_of(question, folder, side=chosen.side, phases=chosen.phases, method=chosen.method)
    study = run_study(chosen, question, draws=chosen.draws, shelf=shelf)
    with result_folder(folder) as place:
        publish_tail(place, study=study, manifest=manifest(question))
    shelf.clear()
    if chosen.json:
        answer(tail_answer(study))
    else:
        answer(tail_text(study))
        answer(f"\nWritten to {folder}: tail.json, curve.csv, tail.svg and .png, and more.")
    return 0


def run_study(chosen: argparse.Namespace, question: Question, *, draws: int, shelf: Shelf) -> Study:
    """Carry the study out; see :func:`carried_out`."""
    from cgrisk.rare import study_tail

    return carried_out(
        lambda meter: study_tail(
            question,
            side=chosen.side,
            group=chosen.phases,
            method=chosen.method,
            draws=draws,
            meter=meter,
        ),
        question=question,
        shelf=shelf,
    )


def carried_out(
    work: Callable[[Meter], T], *, question: Question, shelf: Shelf, first: str = _FIRST
) -> T:
    """Do work with a progress line, so that it can be interrupted and taken up."""
    from cgrisk.errors import InterruptedRunError
    from cgrisk.sampling.blocks import aside

    progress, meter = watched(shelf, first)
    try:
        return aside(lambda: work(meter))
    except KeyboardInterrupt as error:
        raise InterruptedRunError(
            f"interrupted. {shelf.pieces()} finished pieces are kept in {shelf.folder}. Go on: the "
            f"same command with --seed {question.seed}"
        ) from error
    finally:
        rate = progress.end()
        if rate:
            say(f"{meter.flown:,} flights, {rate:,.0f}/s")
