"""Tables and charts of a comparison of policies, written into a folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from cgrisk.decide.policies import PolicyStudy
from cgrisk.flight import SIDES
from cgrisk.report.policy_chart import pareto_chart, policy_heat_map, policy_lines
from cgrisk.report.policy_text import policy_answer
from cgrisk.report.style import chart_style, new_figure, plain, save

__all__ = ["publish_policies"]


def publish_policies(folder: Path, *, study: PolicyStudy, manifest: Mapping[str, Any]) -> None:
    """Write policies.json, its tables as CSV, and three charts.

    Parameters
    ----------
    folder : Path
        Written into.
    study : PolicyStudy
    manifest : mapping
        What repeats it: command, versions, resolved scenario, policies.
    """
    data = {**policy_answer(study), "manifest": dict(manifest)}
    text = json.dumps(data, indent=2, allow_nan=False)
    (folder / "policies.json").write_text(text + "\n", encoding="utf-8")
    frames: dict[str, pd.DataFrame] = {
        "policies": study.table,
        "ranking": study.ranking,
        "trim": study.trim,
        "pairs": study.pairs,
        "contrasts": study.contrasts,
    }
    if study.compliance is not None:
        frames |= {"compliance": study.compliance.table, "swaps": study.compliance.swaps}
    for stem, frame in frames.items():
        frame.to_csv(folder / f"{stem}.csv", index=False, lineterminator="\n")
    name = plain(study.task.scenario.name)
    with chart_style():
        figure = new_figure(180, 190)
        axes = figure.subplots(2, 1, sharex=True)
        for ax, side in zip(axes, SIDES, strict=True):
            policy_lines(study, ax=ax, side=side)
        axes[0].set_title(f"Risk against passengers, a line a policy (ring: undecided): {name}")
        axes[0].set_xlabel("")
        handles, labels = axes[0].get_legend_handles_labels()
        figure.legend(
            handles, labels, fontsize=7, frameon=False, ncols=5, loc="outside lower center"
        )
        save(figure, folder, "risk")
        figure = new_figure(180, 120)
        pareto_chart(study, ax=figure.subplots()).set_title(f"Risk against seats: {name}")
        save(figure, folder, "pareto")
        figure = new_figure(180, 30 + 8 * len(study.file.policies))
        policy_heat_map(study, ax=figure.subplots()).set_title(f"Policy by passengers: {name}")
        save(figure, folder, "heat_map")
