"""`cgrisk fields`: unit, range, default and source of every key."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from cgrisk.cli.output import answer

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "tell unit, range, default and source of the keys of the scenario files"
EXAMPLE = "cgrisk fields seating.rule"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("key", nargs="?", metavar="KEY", help="a key, or the table above it")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.scenario.catalogue import describe_fields, find_fields

    found = find_fields(chosen.key) if chosen.key else describe_fields()
    if chosen.json:
        answer({"fields": [asdict(info) for info in found]})
        return 0
    lines = []
    for info in found:
        unit = f" [{info.unit}]" if info.unit else ""
        lines.append(f"{info.key}{unit}")
        lines += [f"    {line}" for line in info.meaning.splitlines() if line.strip()]
        lines.append(f"    accepts {info.accepts}; default {info.default}; source: {info.source}")
    answer("\n".join(lines))
    return 0
