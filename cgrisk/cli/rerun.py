"""`cgrisk rerun`: repeat a run from its manifest."""

from __future__ import annotations

import argparse
import math

from cgrisk.cli.numbers import whole
from cgrisk.cli.output import answer

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "repeat a run from its manifest: identical, within 1e-12, or different"
EXAMPLE = "cgrisk rerun results/first-run"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("folder", metavar="DIR", help="folder of the run")
    parser.add_argument("--jobs", type=whole, default=-1, help="threads; -1: one a processor (-1)")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.runs import rerun
    from cgrisk.sampling import check_counts

    check_counts(jobs=chosen.jobs)
    verdict = rerun(chosen.folder, jobs=chosen.jobs)
    largest = verdict.largest if math.isfinite(verdict.largest) else None
    if chosen.json:
        answer(
            {
                "verdict": verdict.verdict,
                "largest_relative_difference": largest,
                "figures_that_differ": list(verdict.figures),
                "environment_that_differs": {k: list(v) for k, v in verdict.changed.items()},
            }
        )
        return 0
    lines = [f"{chosen.folder}: {verdict.verdict}"]
    if verdict.figures:
        lines.append(f"  largest relative difference {verdict.largest:.3g}")
        lines.append("  figures that differ: " + ", ".join(verdict.figures[:8]))
    lines += [f"  {name}: {then} then, {now} now" for name, (then, now) in verdict.changed.items()]
    answer("\n".join(lines))
    return 0
