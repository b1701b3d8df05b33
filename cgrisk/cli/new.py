"""`cgrisk new`: a commented copy of a shipped case to edit."""

from __future__ import annotations

import argparse

from cgrisk.cli.output import answer

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "write a commented copy of a shipped case to edit"
EXAMPLE = "cgrisk new my-case --like commuter"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("folder", metavar="DIR", help="folder to make")
    parser.add_argument(
        "--like",
        default="single_aisle",
        metavar="CASE",
        help="the shipped case to copy: single_aisle, commuter or twin_aisle (single_aisle)",
    )


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.scenario.shipped import write_template

    written = [str(path) for path in write_template(chosen.folder, case=chosen.like)]
    if chosen.json:
        answer({"written": written})
    else:
        lines = [f"wrote {path}" for path in written]
        lines.append(f"Edit them, then: cgrisk check {chosen.folder}")
        answer("\n".join(lines))
    return 0
