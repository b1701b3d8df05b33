"""`cgrisk check`: what a scenario means, or everything that is wrong with it."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from cgrisk.cli.output import answer
from cgrisk.errors import InputError

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "print what a scenario means, or all its faults with file, line, key and cure"
EXAMPLE = "cgrisk check my-case/operation.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("file", metavar="FILE", help="operation file, or its folder")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.report import check_text
    from cgrisk.scenario import load_scenario

    try:
        scenario = load_scenario(chosen.file)
    except InputError as error:
        if not chosen.json:
            raise
        answer({"faults": [asdict(fault) for fault in error.faults]})
        return error.exit_code
    text = check_text(scenario)
    if chosen.json:
        answer({"faults": [], "scenario": scenario.resolved(), "meaning": text})
    else:
        answer(text)
    return 0
