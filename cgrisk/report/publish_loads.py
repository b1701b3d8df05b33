"""Tables and chart of past loads, written into a folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from cgrisk.decide.load_mix import LoadRisks
from cgrisk.decide.past_loads import LoadScores
from cgrisk.report.csv_table import write_csv
from cgrisk.report.loads_chart import envelope_points
from cgrisk.report.loads_text import loads_answer, loads_frame
from cgrisk.report.style import chart_style, new_figure, plain, save
from cgrisk.scenario.envelope_file import MASS_KINDS

__all__ = ["publish_loads"]


def _write(folder: Path, stem: str, frame: pd.DataFrame) -> None:
    write_csv(folder / f"{stem}.csv", frame, float_format="%.9g")


def publish_loads(
    folder: Path,
    *,
    scores: LoadScores,
    risks: LoadRisks | None,
    manifest: Mapping[str, Any],
) -> None:
    """Write loads.json, loads.csv, envelope.csv (the new one, as it was used) and the chart.

    Parameters
    ----------
    folder : Path
        Written into.
    scores : LoadScores
    risks : LoadRisks or None
        Where flights were flown.
    manifest : mapping
        What repeats it: command, versions, resolved scenario.
    """
    data = {**loads_answer(scores, risks), "manifest": dict(manifest)}
    text = json.dumps(data, indent=2, allow_nan=False)
    (folder / "loads.json").write_text(text + "\n", encoding="utf-8")
    _write(folder, "loads", loads_frame(scores, risks))
    if scores.envelope is not None:
        system = scores.scenario.operation.units
        _write(folder, "envelope", scores.envelope.frame(system=system))
    kinds = [kind for kind in MASS_KINDS if kind in scores.loads[0].points]
    with chart_style():
        figure = new_figure(64.0 * len(kinds), 100)
        axes = figure.subplots(1, len(kinds), squeeze=False)[0]
        for ax, kind in zip(axes, kinds, strict=True):
            envelope_points(scores, kind=kind, ax=ax)
        marks = axes[-1].get_legend_handles_labels()
        figure.legend(*marks, loc="outside lower center", ncols=3, frameon=False, fontsize=7.5)
        figure.suptitle(
            f"{len(scores.loads):,} past loads, judged by the {scores.judged_by} envelope: "
            f"{plain(scores.scenario.name)}",
            x=0.01,
            ha="left",
        )
        save(figure, folder, "loads")
