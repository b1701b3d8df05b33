"""`cgrisk report`: one page to read and one to file, from a run and the decisions beside it."""

from __future__ import annotations

import argparse
from pathlib import Path

from cgrisk.cli.output import answer, say

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "write report.html and report.pdf from a run and the decision results beside it"
EXAMPLE = "cgrisk report results/my-run --with results/my-tail --with results/my-buffers"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("folder", help="folder of a complete run")
    add(
        "--with",
        dest="beside",
        action="append",
        default=[],
        metavar="FOLDER",
        help="results of tail, causes, buffers, zones, policies, restrict or loads to take in; "
        "may be repeated (none: those beside the run's folder, of the same scenario)",
    )
    add("--alone", action="store_true", help="take no other results in")
    add("--out", help="folder to write the two files into (the run's own)")
    add("--html-only", action="store_true", help="write no PDF")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.errors import UsageError
    from cgrisk.report.dossier import make_dossier, read_findings
    from cgrisk.report.publish_report import check_place, publish_report
    from cgrisk.risk.summary import plain

    if chosen.alone and chosen.beside:
        raise UsageError(
            argument="--alone",
            expected="--alone or --with, not both",
            got=chosen.beside,
            cure="Leave one of them out.",
        )
    place = Path(chosen.out or chosen.folder)
    if chosen.out or place.is_dir():  # told now, not after the work
        check_place(place)
    findings = read_findings(
        chosen.folder, beside=chosen.beside if chosen.beside or chosen.alone else None
    )
    dossier = make_dossier(findings)
    written = publish_report(place, dossier=dossier, with_pdf=not chosen.html_only)
    for name, why in findings.left_out:
        say(f"left out: {name}: {why}")
    if chosen.json:
        answer(
            {
                **{kind: str(path) for kind, path in written.items()},
                "results": [
                    {"kind": result.kind, "folder": str(result.folder)}
                    for result in findings.results
                ],
                "left_out": [{"folder": name, "why": why} for name, why in findings.left_out],
                "first_half_page": plain(dossier.numbers),
            }
        )
    else:
        taken = ", ".join(f"{result.folder.name} ({result.kind})" for result in findings.results)
        answer(
            f"Report of {findings.run.model.scenario.name}: {', '.join(map(str, written.values()))}"
            f"\nTaken in beside the run: {taken or 'nothing'}."
        )
    return 0
