"""Tables and charts of a tail and of its causes, written into a folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from cgrisk.causes import TailShares
from cgrisk.rare import Study
from cgrisk.report.cause_text import causes_answer
from cgrisk.report.csv_table import write_csv
from cgrisk.report.style import chart_style, new_figure, plain, save
from cgrisk.report.tail_chart import swing_bars, tail_curve, tail_share_bars
from cgrisk.report.tail_text import assumption_frame, range_frame, tail_answer
from cgrisk.report.variance_chart import variance_bars

__all__ = ["publish_causes", "publish_tail"]


def _write(folder: Path, stem: str, frame: pd.DataFrame) -> None:
    write_csv(folder / f"{stem}.csv", frame)


def _json(folder: Path, stem: str, data: dict[str, Any], manifest: Mapping[str, Any]) -> None:
    text = json.dumps({**data, "manifest": dict(manifest)}, indent=2, allow_nan=False)
    (folder / f"{stem}.json").write_text(text + "\n", encoding="utf-8")


def publish_tail(folder: Path, *, study: Study, manifest: Mapping[str, Any]) -> None:
    """Write tail.json, the chart, and as CSV curve, fleet, assumptions, their range and tail fit.

    Parameters
    ----------
    folder : Path
        Written into.
    study : Study
    manifest : mapping
        What repeats it: command, versions, resolved scenario.
    """
    _json(folder, "tail", tail_answer(study), manifest)
    _write(folder, "curve", study.curve)
    _write(folder, "fleet", study.fleet)
    _write(folder, "assumptions", assumption_frame(study))
    if study.assumptions is not None:
        _write(folder, "assumption_range", range_frame(study))
    if study.fit is not None:
        _write(folder, "tail_fit", study.fit.stability)
    with chart_style():
        figure = new_figure(180, 115)
        ax = tail_curve(study, ax=figure.subplots())
        ax.set_title(f"How rare it is: {plain(study.question.model.scenario.name)}")
        save(figure, folder, "tail")


def publish_causes(
    folder: Path,
    *,
    study: Study,
    variance: pd.DataFrame,
    shares: TailShares | None,
    tables: Mapping[str, pd.DataFrame],
    manifest: Mapping[str, Any],
) -> None:
    """Write causes.json, the tables of the causes, and their charts, beside the tail.

    Parameters
    ----------
    folder : Path
        Written into.
    study : Study
        The tail.
    variance : pandas.DataFrame
        From :func:`cgrisk.causes.cause_variance`.
    shares : TailShares or None
        Split of the excess at the level, where it could be made.
    tables : mapping of str to pandas.DataFrame
        in_common, phases, swings, stress.
    manifest : mapping
        What repeats it.
    """
    publish_tail(folder, study=study, manifest=manifest)
    answer = causes_answer(study, variance=variance, shares=shares, tables=tables)
    _json(folder, "causes", {k: v for k, v in answer.items() if k != "tail"}, manifest)
    _write(folder, "variance", variance)
    for name, frame in tables.items():
        _write(folder, name, frame)
    name = plain(study.question.model.scenario.name)
    with chart_style():
        answers = list(variance["answer"].unique())
        figure = new_figure(180, 85 * len(answers))
        axes = figure.subplots(len(answers), 1, squeeze=False)[:, 0]
        for ax, answer in zip(axes, answers, strict=True):
            variance_bars(variance[variance["answer"] == answer], ax=ax)
            ax.set_title(f"Shares of the variance, {answer.replace('_', ' ')}: {name}")
        save(figure, folder, "variance")
        if shares is not None:
            _write(folder, "tail_shares", shares.table)
            figure = new_figure(180, 95)
            ax = tail_share_bars(shares.table, ax=figure.subplots(), level=shares.mean)
            ax.set_title(f"What makes a flight come that near: {name}")
            save(figure, folder, "tail_shares")
        if not tables["swings"].empty and tables["swings"]["swing"].notna().any():
            figure = new_figure(180, 110)
            ax = swing_bars(tables["swings"], ax=figure.subplots())
            ax.set_title(f"One input at a time: {name}")
            save(figure, folder, "swings")
