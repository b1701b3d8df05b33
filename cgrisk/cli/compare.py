"""`cgrisk compare`: what went into two runs differently, and what came out differently."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from cgrisk.cli.output import answer

if TYPE_CHECKING:
    import pandas as pd

    from cgrisk.risk.comparison import Comparison

__all__ = ["EXAMPLE", "HELP", "add_arguments", "execute"]

HELP = "compare two runs: inputs that differ, and differences of the answers with intervals"
EXAMPLE = "cgrisk compare results/first-run results/other-run"

_SHOWN = 30
PAIR = ("first", "second")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("first", metavar="DIR", help="folder of a run")
    parser.add_argument("second", metavar="DIR", help="folder of another")


def execute(chosen: argparse.Namespace) -> int:
    """Run the command."""
    from cgrisk.risk.comparison import compare_runs
    from cgrisk.risk.summary import CAUTIONS, plain
    from cgrisk.runs import read_run

    found = compare_runs(read_run(chosen.first), read_run(chosen.second))
    if chosen.json:
        data = {
            "inputs": found.inputs.to_dict("records"),
            "settings": found.settings.to_dict("records"),
            "paired_flights": found.paired_flights,
            "same_flights": found.same_flights,
            "answers": found.answers.to_dict("records"),
            "cautions": CAUTIONS,
        }
        answer({key: plain(value) for key, value in data.items()})
        return 0
    answer("\n".join([*_input_lines(found), "", *_answer_lines(found), "", CAUTIONS]))
    return 0


def _input_lines(found: Comparison) -> list[str]:
    lines = ["Inputs that differ (in SI): first, second"]
    rows = found.inputs.head(_SHOWN).to_dict("records")
    lines += [f"  {row['key']}: {row['first']}, {row['second']}" for row in rows]
    if len(found.inputs) > _SHOWN:
        lines.append(f"  and {len(found.inputs) - _SHOWN} more (--json has all)")
    if found.inputs.empty:
        lines.append("  none")
    for row in found.settings.to_dict("records"):
        lines.append(f"  {row['name']}: {row['first']}, {row['second']}")
    return lines


def _answer_lines(found: Comparison) -> list[str]:
    if found.same_flights:
        return [
            "One scenario, seed and version: the first "
            f"{found.paired_flights:,} flights of both are the same flights, to the bit."
        ]
    how = "runs of different seeds"
    if found.paired_flights:
        how = f"{found.paired_flights:,} flights of one seed; = marks what is paired"
    lines = [
        f"Second less first, 95 % interval of each by itself ({how})",
        f"{'':<42}{'first':>10}{'second':>10}{'difference':>12}   interval (* not 0)",
    ]
    groups = ("take_off_and_landing", "in_flight", "any")
    table = found.answers
    chances = table[table["kind"] == "probability"]
    for _, row in chances.iterrows():
        name = str(row["answer"])
        side, place, *rest = name.split(".")
        if place in groups:
            label = (
                f"P {side}, {place.replace('_', ' ')}, {''.join(rest).replace('operational ', '')}"
            )
            lines.append(_line(label, row, "9.2e"))
    for _, row in table[table["kind"] != "probability"].iterrows():
        name = str(row["answer"])
        if name.startswith("excess.") and ".any" in name:
            kind = "mean" if row["kind"] == "mean" else "quantile"
            label = f"{kind} {name.replace('.', ' ', 2).replace(' any', '')}, % MAC"
            lines.append(_line(label, row, "9.3f"))
    for name in ("mean_up", "longest_queue", "lavatory_visits"):
        row = table[(table["kind"] == "mean") & (table["answer"] == name)].iloc[0]
        lines.append(_line(f"mean {name.replace('_', ' ')}", row, "9.3f"))
    shown = chances[chances["answer"].str.contains(".any.", regex=False)]
    apart = shown[shown["told_apart"]]
    lines.append("")
    for _, row in apart.iterrows():
        side, _, reading = str(row["answer"]).split(".", 2)
        more = "more" if row["difference"] > 0.0 else "less"
        lines.append(f"The second leaves {side} {more} often, {reading}.")
    if apart.empty:
        lines.append("The probabilities of leaving the envelope cannot be told apart.")
    return lines


def _line(label: str, row: pd.Series, form: str) -> str:
    figures = [format(float(row[k]), form) for k in ("first", "second", "difference")]
    if row["kind"] == "probability":  # no event is not a probability of nought
        figures[:2] = ["none seen" if row[k] == 0.0 else format(row[k], form) for k in PAIR]
    low, high = (format(float(row[k]), form).strip() for k in ("low", "high"))
    mark = "*" if row["told_apart"] else " "
    pair = "=" if str(row["method"]).startswith("paired") else " "
    columns = f"{label:<53}{figures[0]:>10}{figures[1]:>10}{figures[2]:>12}"
    return f"{columns} {mark}{pair} {low} to {high}"
