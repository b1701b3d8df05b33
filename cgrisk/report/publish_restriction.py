"""Tables, draft and chart of the least restriction, written into a folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from cgrisk.decide.restriction_search import RestrictionStudy
from cgrisk.report.csv_table import write_csv
from cgrisk.report.restriction_chart import restriction_risk_chart, restriction_seats_chart
from cgrisk.report.restriction_text import DRAFT_MARK, draft_text, restriction_answer
from cgrisk.report.style import chart_style, new_figure, plain, save

__all__ = ["publish_restriction"]


def publish_restriction(
    folder: Path, *, study: RestrictionStudy, manifest: Mapping[str, Any]
) -> None:
    """Write restriction.json, draft.txt, three tables as CSV, and a chart.

    Parameters
    ----------
    folder : Path
        Written into.
    study : RestrictionStudy
    manifest : mapping
        What repeats it: command, versions, resolved scenario, policies.
    """
    data = {**restriction_answer(study), "manifest": dict(manifest)}
    text = json.dumps(data, indent=2, allow_nan=False)
    (folder / "restriction.json").write_text(text + "\n", encoding="utf-8")
    (folder / "draft.txt").write_text(draft_text(study), encoding="utf-8")
    frames: dict[str, pd.DataFrame] = {
        "restriction": study.table,
        "tried": study.tried,
        "confirmation": study.proofs,
    }
    for stem, frame in frames.items():
        write_csv(folder / f"{stem}.csv", frame)
    name = plain(study.task.scenario.name)
    with chart_style():
        figure = new_figure(180, 165)
        axes = figure.subplots(2, 1, sharex=True)
        restriction_seats_chart(study, ax=axes[0])
        restriction_risk_chart(study, ax=axes[1])
        axes[0].set_title(f"Least restriction by number of passengers: {name}\n{DRAFT_MARK}")
        for ax in axes:
            ax.legend(fontsize=7, frameon=False, ncols=3, loc="lower left", bbox_to_anchor=(0, 1))
        axes[0].legend_.set_bbox_to_anchor((0.0, -0.02))
        axes[0].legend_.set_loc("upper left")
        save(figure, folder, "restriction")
