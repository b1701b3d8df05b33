"""Tables and charts of a comparison of policies, written into a folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from cgrisk.decide.policies import PolicyStudy
from cgrisk.flight import SIDES
from cgrisk.report.csv_table import write_csv
from cgrisk.report.policy_chart import pareto_chart, policy_heat_map, policy_lines, policy_panel
from cgrisk.report.policy_text import policy_answer
from cgrisk.report.style import chart_style, new_figure, plain, save

__all__ = ["publish_policies"]


def publish_policies(folder: Path, *, study: PolicyStudy, manifest: Mapping[str, Any]) -> None:
    """Write policies.json, its tables as CSV, and four charts.

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
        "mean_errors": study.mean_errors,
    }
    if study.compliance is not None:
        frames |= {"compliance": study.compliance.table, "swaps": study.compliance.swaps}
    for stem, frame in frames.items():
        write_csv(folder / f"{stem}.csv", frame)
    name = plain(study.task.scenario.name)
    with chart_style():
        figure = new_figure(180, 190)
        axes = figure.subplots(2, 1, sharex=True)
        for ax, side in zip(axes, SIDES, strict=True):
            policy_lines(study, ax=ax, side=side)
        axes[0].set_title(f"Risk against passengers (ring: undecided; no mark: no event)\n{name}")
        axes[0].set_xlabel("")
        handles, labels = axes[0].get_legend_handles_labels()
        figure.legend(
            handles, labels, fontsize=7, frameon=False, ncols=5, loc="outside lower center"
        )
        save(figure, folder, "risk")
        _panels(folder, study)
        figure = new_figure(180, 120)
        pareto_chart(study, ax=figure.subplots()).set_title(f"Risk against seats: {name}")
        save(figure, folder, "pareto")
        figure = new_figure(180, 30 + 8 * len(study.file.policies))
        policy_heat_map(study, ax=figure.subplots()).set_title(f"Policy by passengers: {name}")
        save(figure, folder, "heat_map")


def _panels(folder: Path, study: PolicyStudy) -> None:
    policies = study.file.policies
    across = min(len(policies), 4)
    down = -(-len(policies) // across)
    figure = new_figure(180, 25 + 48 * down)
    axes = figure.subplots(down, across, sharex=True, sharey=True, squeeze=False).ravel()
    for ax, policy in zip(axes, policies, strict=False):
        policy_panel(study, ax=ax, policy=policy.name)
    for ax in axes[len(policies) :]:
        ax.set_visible(False)
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, fontsize=7, frameon=False, ncols=2, loc="outside upper right")
    figure.supxlabel(
        f"passengers aboard (line: target {study.task.target:g}; band: "
        f"{100 * study.task.confidence:g} % interval; grey: the other policies)",
        fontsize=8,
    )
    figure.supylabel("probability per flight, planned on the operational limit", fontsize=8)
    save(figure, folder, "risk_by_policy")
