"""Tables and charts of the cabin's zones, written into a folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cgrisk.decide import ZoneStudy
from cgrisk.report.csv_table import write_csv
from cgrisk.report.style import chart_style, new_figure, plain, save
from cgrisk.report.zone_chart import (
    cabin_divisions,
    room_left,
    seating_deviation,
    side_buffers,
)
from cgrisk.report.zone_text import arms_frame, steps_frame, trade_frame, zone_answer

__all__ = ["publish_zones"]

_CAUTION = "study aid, not approved data, not for dispatch"
_LEAST = {"variance": "least seating variance", "conventional": "least conventional sum"}


def publish_zones(folder: Path, *, study: ZoneStudy, manifest: Mapping[str, Any]) -> None:
    """Write zones.json, divisions.csv, steps.csv, arms.csv and the charts cabin and trade_off.

    Parameters
    ----------
    folder : Path
        Written into.
    study : ZoneStudy
    manifest : mapping
        What repeats it: command, versions, resolved scenario.
    """
    text = json.dumps({**zone_answer(study), "manifest": dict(manifest)}, indent=2, allow_nan=False)
    (folder / "zones.json").write_text(text + "\n", encoding="utf-8")
    for stem, frame in (
        ("divisions", trade_frame(study)),
        ("steps", steps_frame(study)),
        ("arms", arms_frame(study)),
    ):
        write_csv(folder / f"{stem}.csv", frame)
    name = plain(study.question.scenario.name)
    with chart_style():
        count = len(study.trade)
        figure = new_figure(180, 28 + 23 * count)
        axes = figure.subplots(count, 1, squeeze=False)[:, 0]
        cabin_divisions(study, axes=list(axes))
        figure.suptitle(
            f"Where the curtains should stand ({_LEAST[study.question.objective]}): {name}\n"
            "above: row in front of the curtain; below: passengers/seats; left: conventional "
            f"seating sum a side\ncrossed seats: blocked; {_CAUTION}",
            fontsize=8,
            x=0.01,
            ha="left",
        )
        save(figure, folder, "cabin")
        figure = new_figure(180, 88)
        left, middle, right = figure.subplots(1, 3)
        seating_deviation(study, ax=left)
        side_buffers(study, ax=middle)
        room_left(study, ax=right)
        figure.suptitle(
            f"What more curtains bring: {name}\ndiamonds: zones of now; {_CAUTION}; "
            f"{study.question.level:g} is a level for comparing, no target",
            fontsize=8,
            x=0.01,
            ha="left",
        )
        save(figure, folder, "trade_off")
