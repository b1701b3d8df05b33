"""`cgrisk zones`: where the curtains between cabin zones should stand, and what they bring."""

from __future__ import annotations

import argparse
import re
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from cgrisk.cli.numbers import number, whole
from cgrisk.cli.output import Progress, answer, say

if TYPE_CHECKING:
    from cgrisk.decide import ZoneQuestion, ZoneStudy

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "tell where the curtains between cabin zones should stand, and what more of them bring"
EXAMPLE = "cgrisk zones my-case/operation.toml --max-zones 6 --smallest-rows 3 --seed 1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("scenario", nargs="?", help="operation file or its folder; none: the shipped case")
    add("--max-zones", type=whole, default=6, metavar="K", help="divisions into 1 to K zones (6)")
    add(
        "--objective",
        choices=("variance", "conventional"),
        default="variance",
        help="what is made least: the variance of the seating moment, or the conventional sum "
        "(variance)",
    )
    add(
        "--load",
        choices=("planned", "worst"),
        default="planned",
        help="load of the variance: the planned share of every zone's seats, or its worst count "
        "(planned)",
    )
    add("--keep", default="", metavar="ROWS", help='boundaries that stay, after rows "9,19"')
    add("--keep-classes", action="store_true", help="boundaries between classes of travel stay")
    add("--forbid", default="", metavar="ROWS", help='no boundary after rows such as "12-14"')
    add("--smallest-rows", type=whole, default=1, metavar="N", help="fewest rows of a zone (1)")
    add("--smallest-seats", type=whole, default=1, metavar="N", help="fewest seats of a zone (1)")
    add("--flights", type=whole, default=20_000, help="flown with each division (20000)")
    add(
        "--level",
        type=number,
        default=1e-3,
        metavar="P",
        help="chance per flight and side at which divisions are compared; no target (0.001)",
    )
    add("--seed", type=whole, help="0 to 2**64 - 1; none draws one and records it")
    add("--jobs", type=whole, default=-1, help="threads; -1: one a processor (-1)")
    add("--out", help="folder to write, new or empty")


def _listed(text: str, argument: str) -> tuple[int, ...]:
    """Return the row numbers of a list such as ``9,12-14``."""
    from cgrisk.errors import UsageError
    from cgrisk.scenario import parse_rows

    if not text.strip():
        return ()
    try:
        return parse_rows(text)
    except ValueError as error:
        raise UsageError(
            argument=argument,
            expected='row numbers such as "9,19" or "12-14"',
            got=text,
            cure=f"Correct the list: {error}.",
        ) from error


def _ask(chosen: argparse.Namespace) -> ZoneQuestion:
    """Return the question that the command line asks."""
    from cgrisk.aircraft import cabin_plan
    from cgrisk.decide import Rules, ZoneQuestion, cabin_rows
    from cgrisk.randomness import resolve_seed
    from cgrisk.scenario import load_scenario
    from cgrisk.scenario.shipped import DEFAULT, shipped_scenarios

    scenario = load_scenario(chosen.scenario or shipped_scenarios()[DEFAULT])
    keep = set(_listed(chosen.keep, "keep"))
    if chosen.keep_classes:
        keep |= set(cabin_rows(cabin_plan(scenario)).class_boundaries())
    return ZoneQuestion(
        scenario=scenario,
        most_zones=chosen.max_zones,
        objective=chosen.objective,
        load=chosen.load,
        rules=Rules(
            keep=tuple(sorted(keep)),
            forbid=_listed(chosen.forbid, "forbid"),
            smallest_rows=chosen.smallest_rows,
            smallest_seats=chosen.smallest_seats,
        ),
        flights=chosen.flights,
        level=chosen.level,
        seed=resolve_seed(chosen.seed),
    )


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk import __version__
    from cgrisk.report.publish_zones import publish_zones
    from cgrisk.report.result_folder import check_free, result_folder
    from cgrisk.report.zone_text import zone_answer, zone_text
    from cgrisk.sampling.environment import bits_stamp

    question = _ask(chosen)
    name = re.sub(r"[^a-z0-9]+", "-", question.scenario.name.lower()).strip("-")[:60]
    folder = chosen.out or (
        f"results/{name or 'scenario'}-zones-{question.objective}-seed{question.seed}"
    )
    check_free(folder)
    study = _run(question, jobs=chosen.jobs)
    manifest = {
        "cgrisk": __version__,
        "command": shlex.join(["cgrisk", *sys.argv[1:]]),
        "seed": question.seed,
        "bits": bits_stamp(),
        "scenario": question.scenario.resolved(),
    }
    with result_folder(folder) as place:
        publish_zones(Path(place), study=study, manifest=manifest)
    if chosen.json:
        answer(zone_answer(study))
    else:
        answer(zone_text(study))
        answer(f"\nWritten to {folder}: zones.json, divisions.csv, cabin.svg and .png, and more.")
    return 0


def _run(question: ZoneQuestion, *, jobs: int) -> ZoneStudy:
    """Carry the study out with a progress line, so that it can be interrupted."""
    from cgrisk.decide import study_zones
    from cgrisk.sampling.blocks import aside

    progress = Progress()
    progress.begin("compiling (one to three minutes the first time)")

    def watch(done: int, of: int) -> None:
        progress.show(done, flown=done, part=done / max(of, 1))

    try:
        return aside(lambda: study_zones(question, jobs=jobs, watch=watch))
    finally:
        rate = progress.end()
        if rate:
            say(f"{progress.flown:,} flights, {rate:,.0f}/s")
