"""`cgrisk loads`: past load sheets under the old and a new envelope, and what cures the refused."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cgrisk.cli.numbers import number, whole
from cgrisk.cli.output import Progress, answer, say, slug

if TYPE_CHECKING:
    from cgrisk.decide.load_mix import LoadRisks
    from cgrisk.decide.past_loads import LoadScores
    from cgrisk.runs.shelf import Shelf

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "score past load sheets: risk, refusals under an envelope, and the hold moves that cure them"
EXAMPLE = "cgrisk loads my-case/operation.toml loads.csv --envelope envelope.csv --risk 1e-5"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add(
        "files",
        nargs="+",
        metavar="FILE",
        help="operation file or its folder (none: the shipped case), then the CSV of load sheets",
    )
    add("--envelope", metavar="CSV", help="the operator's own envelope: mass_kind,mass,forward,aft")
    add(
        "--risk",
        type=number,
        metavar="A",
        help="the risk per flight that you accept, both sides together; with it each load is "
        "flown, as it was and as cured; there is no published one",
    )
    add(
        "--reach",
        type=number,
        metavar="P",
        help="risk below which a bound is enough (a hundredth of --risk)",
    )
    add("--seed", type=whole, help="0 to 2**64 - 1; none draws one and records it")
    add("--jobs", type=whole, default=-1, help="threads; -1: one a processor (-1)")
    add("--out", help="folder to write, new or empty")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.randomness import resolve_seed
    from cgrisk.report.loads_text import loads_answer, loads_text
    from cgrisk.report.publish_loads import publish_loads
    from cgrisk.report.result_folder import check_free, result_folder

    _check(chosen)
    seed = resolve_seed(chosen.seed)
    scores = score(chosen)
    folder = _folder(chosen, scores, seed)
    check_free(folder)
    risks = None
    shelf = None
    if chosen.risk is not None:
        shelf = _shelf(scores, folder, seed)
        risks = fly_risks(chosen, scores, seed=seed, shelf=shelf)
    with result_folder(folder) as place:
        publish_loads(place, scores=scores, risks=risks, manifest=_manifest(scores, seed))
    if shelf is not None:
        shelf.clear()
    if chosen.json:
        answer(loads_answer(scores, risks))
    else:
        answer(loads_text(scores, risks))
        answer(f"\nWritten to {folder}: loads.csv, loads.json, loads.svg and .png.")
    return 0


def _check(chosen: argparse.Namespace) -> None:
    from cgrisk.errors import UsageError
    from cgrisk.sampling import check_counts

    if len(chosen.files) > 2:
        raise UsageError(
            argument="FILE",
            expected="a scenario (or none) and one CSV of load sheets",
            got=f"{len(chosen.files)} files",
            cure="Put all load sheets into one file.",
        )
    if Path(chosen.files[-1]).is_dir():
        raise UsageError(
            argument="FILE",
            expected="a CSV of load sheets, after the scenario",
            got=f"the folder {chosen.files[-1]}",
            cure="Name the CSV last: cgrisk loads my-case loads.csv",
        )
    for name, low, high in (("risk", 1e-9, 0.5), ("reach", 1e-10, 0.5)):
        value = getattr(chosen, name)
        if value is not None and not low <= value <= high:
            raise UsageError(
                argument=name,
                expected=f"a probability from {low:g} to {high:g}",
                got=value,
                cure="Give the risk per flight, for instance 1e-5.",
            )
    if chosen.reach is not None and (chosen.risk is None or chosen.reach > chosen.risk):
        raise UsageError(
            argument="reach",
            expected="at most the risk that --risk gives",
            got=chosen.reach,
            cure="Give --risk too, and a reach at or below it.",
        )
    check_counts(flights=1, jobs=chosen.jobs)


def score(chosen: argparse.Namespace) -> LoadScores:
    """Read the files and score the loads."""
    from cgrisk.decide.operator_envelope import OperatorEnvelope
    from cgrisk.decide.past_loads import score_loads
    from cgrisk.scenario import load_scenario
    from cgrisk.scenario.loads_file import read_loads
    from cgrisk.scenario.shipped import DEFAULT, shipped_scenarios

    *named, loads_file = chosen.files
    scenario = load_scenario(named[0] if named else shipped_scenarios()[DEFAULT])
    envelope = None
    if chosen.envelope is not None:
        envelope = OperatorEnvelope.from_file(chosen.envelope, system=scenario.operation.units)
    loads = read_loads(loads_file, scenario=scenario)
    progress = Progress()
    progress.begin("reading")
    try:
        return score_loads(
            scenario,
            loads=loads,
            envelope=envelope,
            watch=lambda done, of: (
                progress.begin(f"{done:,} of {of:,} loads scored") if done % 20 == 0 else None
            ),
        )
    finally:
        progress.end()


def fly_risks(
    chosen: argparse.Namespace, scores: LoadScores, *, seed: int, shelf: Shelf
) -> LoadRisks:
    """Fly the different loads with a progress line, so that it can be interrupted and taken up."""
    from cgrisk.decide.load_mix import LoadRisks, mixes_of, states_to_fly
    from cgrisk.decide.load_risk import risk_of_loads
    from cgrisk.errors import InterruptedRunError
    from cgrisk.rare import Meter
    from cgrisk.sampling.blocks import aside

    progress = Progress()

    def watch(flown: int, expected: int, doing: str) -> None:
        progress.show(flown, flown=flown, part=flown / max(expected, 1), text=doing)

    progress.begin("compiling (one to three minutes the first time)")
    meter = Meter(watch, shelf)
    states = states_to_fly(scores)
    reach = chosen.risk / 100.0 if chosen.reach is None else chosen.reach
    try:
        by_load = aside(
            lambda: risk_of_loads(
                scores.scenario,
                states=states,
                seed=seed,
                reach=reach,
                jobs=chosen.jobs,
                meter=meter,
            )
        )
    except KeyboardInterrupt as error:
        raise InterruptedRunError(
            f"interrupted. {shelf.pieces()} finished pieces are kept in {shelf.folder}. Go on: the "
            f"same command with --seed {seed}"
        ) from error
    finally:
        rate = progress.end()
        if rate:
            say(f"{meter.flown:,} flights, {rate:,.0f}/s")
    return LoadRisks(
        target=chosen.risk,
        reach=reach,
        seed=seed,
        by_load=by_load,
        mixes=mixes_of(scores, by_load),
    )


def _folder(chosen: argparse.Namespace, scores: LoadScores, seed: int) -> str:
    if chosen.out is not None:
        return str(chosen.out)
    what = "" if chosen.risk is None else f"-{chosen.risk:g}-seed{seed}"
    new = "" if chosen.envelope is None else "-new"
    return f"results/{slug(scores.scenario.name)}-loads{new}{what}"


def _shelf(scores: LoadScores, folder: str, seed: int) -> Shelf:
    """Return the shelf, beside the folder to come, of finished loads."""
    from cgrisk.runs.shelf import Shelf
    from cgrisk.sampling.environment import pieces_stamp

    parts = ("loads", scores.scenario.digest(), seed, sorted(pieces_stamp().items()))
    return Shelf(Path(f"{folder}.begun"), key=repr(parts))


def _manifest(scores: LoadScores, seed: int) -> dict[str, Any]:
    """Return what repeats the answer: command, versions, the resolved scenario."""
    from cgrisk import __version__
    from cgrisk.sampling.environment import bits_stamp

    return {
        "cgrisk": __version__,
        "command": shlex.join(["cgrisk", *sys.argv[1:]]),
        "seed": seed,
        "bits": bits_stamp(),
        "scenario": scores.scenario.resolved(),
    }
