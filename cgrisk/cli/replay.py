"""`cgrisk replay`: one flight of a run as a page that plays."""

from __future__ import annotations

import argparse
from pathlib import Path

from cgrisk.cli.numbers import whole
from cgrisk.cli.output import answer

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "one flight of a run as a page that plays: people, carts, CG, moments, stabilizer"
EXAMPLE = "cgrisk replay results/first-run --closest aft --out aft.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("folder", metavar="DIR", help="folder of a complete run")
    add("--flight", type=whole, metavar="N", help="number of the flight (nearest to a limit)")
    add("--closest", choices=("aft", "forward"), help="the flight nearest to this certified limit")
    add("--out", metavar="FILE", help="page to write, new (DIR/replay-N.html)")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from dataclasses import asdict

    from cgrisk.flight import replay_flight
    from cgrisk.report.replay import check_page, publish_replay, replay_page
    from cgrisk.risk.replay import check_as_flown, chosen_flight, closest_approaches
    from cgrisk.risk.summary import CAUTIONS, plain
    from cgrisk.runs import read_run

    if chosen.out is not None or Path(chosen.folder).is_dir():  # told now, not after the work
        check_page(out=chosen.out, default=Path(chosen.folder) / "replay.html")
    run = read_run(chosen.folder)
    number, why = chosen_flight(run, flight=chosen.flight, closest=chosen.closest)
    replay = replay_flight(run.model, seed=run.inputs.seed, flight=number)
    check_as_flown(run, replay)
    name = Path(chosen.folder).resolve().name
    default = Path(chosen.folder) / f"replay-{number}.html"
    page = replay_page(replay, run=name, why=why)
    path = publish_replay(page, out=chosen.out, default=default)
    near = closest_approaches(replay)
    if chosen.json:
        answer(
            {
                "file": str(path),
                "flight": number,
                "seed": run.inputs.seed,
                "why": why,
                "closest_approaches": [plain(asdict(a)) for a in near],
                "cautions": CAUTIONS,
            }
        )
        return 0
    lines = [f"Flight {number}, {why}"]
    for a in near:
        state = "inside" if a.margin_pct_mac >= 0.0 else "OUTSIDE"
        phases = a.group.replace("take_off", "take-off").replace("_", " ")
        lines.append(
            f"  {a.side:<9}{phases:<24}{abs(a.margin_pct_mac):6.2f} % MAC "
            f"{state:<8} CG {a.cg_pct_mac:.2f} % MAC, {a.time_s / 60.0:.1f} min, {a.phase}"
        )
    answer("\n".join([*lines, "", CAUTIONS, "", f"Written to {path}; open it in a browser"]))
    return 0
