"""Summaries and charts of a run, written into its folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

from cgrisk.report.cabin_chart import cabin_zones, zones_frame
from cgrisk.report.cause_chart import cause_bars, frozen_bars
from cgrisk.report.convergence_chart import convergence
from cgrisk.report.csv_table import write_csv
from cgrisk.report.envelope_chart import envelope_paths, path_fan
from cgrisk.report.exceedance_chart import exceedance
from cgrisk.report.occupancy_chart import occupancy_map
from cgrisk.report.risk_chart import risk_by_phase
from cgrisk.report.style import chart_style, new_figure, plain, save
from cgrisk.report.trim_chart import (
    setting_bands,
    setting_counts,
    stabilizer_demand,
    stabilizer_fan,
    stabilizer_reserve,
)
from cgrisk.risk.convergence import running_estimates
from cgrisk.risk.summary import Summary
from cgrisk.runs import BlockStore
from cgrisk.sampling.layout import AT_LIMIT

__all__ = ["publish"]


@dataclass(frozen=True, slots=True)
class _Chart:
    """A chart of a run: name of its files, its numbers, size in mm, and what draws it."""

    stem: str
    frame: pd.DataFrame
    width_mm: float
    height_mm: float
    draw: Callable[[Figure], object]


def publish(
    folder: Path, *, summary: Summary, store: BlockStore | None = None, pictures: bool = True
) -> None:
    """Write summaries/*.csv and charts/*.svg, *.png, each chart with its numbers in a CSV.

    Parameters
    ----------
    folder : Path
        Folder of the run; written into.
    summary : Summary
        From :func:`cgrisk.risk.summary.summarise`.
    store : BlockStore, optional
        All blocks of the run: with them the chart of its convergence is drawn too.
    pictures : bool
        Draw the charts; else only their numbers are written.
    """
    tables = folder / "summaries"
    charts = folder / "charts"
    tables.mkdir()
    charts.mkdir()
    for stem, frame in summary.tables().items():
        write_csv(tables / f"{stem}.csv", frame)
    with chart_style():
        for chart in _charts(summary, store):
            write_csv(charts / f"{chart.stem}.csv", chart.frame)
            if pictures:
                figure = new_figure(chart.width_mm, chart.height_mm)
                chart.draw(figure)
                save(figure, charts, chart.stem)


def _charts(summary: Summary, store: BlockStore | None) -> Iterator[_Chart]:
    sample = summary.sample
    name = plain(sample.model.scenario.name)
    bare = sample.model.scenario.operation.operational_envelope is None
    limit = "certified limit" if bare else "operational limit"
    method = "exact binomial" if sample.precision is None else "intervals hold whenever it stops"
    note = f"{sample.flights:,} flights, {method}"
    fan = path_fan(sample)

    def paths(figure: Figure) -> None:
        ax = envelope_paths(sample, ax=figure.subplots(), fan=fan)
        ax.set_title(f"Where the CG goes: {name}")

    def offsets(figure: Figure) -> None:
        ax = exceedance(
            summary.offsets, ax=figure.subplots(), shifts=summary.shifts, note=note, limit=limit
        )
        ax.set_title(f"What the {limit} leaves: {name}", pad=16)

    def causes(figure: Figure) -> None:
        ax = cause_bars(summary.causes, ax=figure.subplots())
        ax.set_title(f"What makes the CG error: {name}")

    def frozen(figure: Figure) -> None:
        ax = frozen_bars(summary.frozen, ax=figure.subplots())
        ax.set_title(f"What makes the largest CG errors: {name}")

    def occupancy(figure: Figure) -> None:
        ax = occupancy_map(summary.occupancy, model=sample.model, ax=figure.subplots())
        ax.set_title(f"Where people stand: {name}", pad=14)

    yield _Chart("envelope", fan, 180, 120, paths)
    yield _Chart("exceedance", summary.offsets, 180, 105, offsets)
    yield _Chart("causes", summary.causes, 180, 75, causes)
    yield _Chart("causes_frozen", summary.frozen, 180, 105, frozen)
    yield _Chart("occupancy", summary.occupancy, 180, 110, occupancy)
    yield from _trim_charts(summary, name)
    yield from _answer_charts(summary, name)
    if store is not None:
        running = running_estimates(store, flown=sample.flights, confidence=summary.confidence)

        def settled(figure: Figure) -> None:
            ax = convergence(running[running["reading"] == AT_LIMIT], ax=figure.subplots())
            ax.set_title(f"How the estimate settled: {name}")

        yield _Chart("convergence", running, 180, 90, settled)


def _answer_charts(summary: Summary, name: str) -> Iterator[_Chart]:
    """Yield the risk by side and phase, and the cabin with its zones."""
    plan = summary.sample.model.plan

    def risk(figure: Figure) -> None:
        ax = risk_by_phase(summary.leave, ax=figure.subplots())
        ax.set_title(f"Risk by side and phase: {name}", pad=32)

    def cabin(figure: Figure) -> None:
        ax = cabin_zones(plan, ax=figure.subplots())
        ax.set_title(f"The cabin and its zones: {name}")

    yield _Chart("risk", summary.leave, 180, 128, risk)
    yield _Chart("cabin", zones_frame(plan), 180, 64, cabin)


def _trim_charts(summary: Summary, name: str) -> Iterator[_Chart]:
    """Yield the stabilizer's demand and the take-off setting, where the data allow."""
    sample = summary.sample
    fan, counts = stabilizer_fan(sample), setting_counts(sample)

    def stabilizer(figure: Figure) -> None:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.0, 1.0))
        ax = stabilizer_demand(fan, model=sample.model, ax=upper)
        ax.set_xlabel("")
        stabilizer_reserve(fan, ax=lower)
        ax.set_title(f"What the stabilizer must do: {name}", pad=14)

    def setting(figure: Figure) -> None:
        ax = setting_bands(sample, ax=figure.subplots(), counts=counts)
        ax.set_title(f"Take-off setting needed against made: {name}")

    if not fan.empty:
        yield _Chart("stabilizer", fan, 180, 130, stabilizer)
    if not counts.empty:
        yield _Chart("take_off_setting", counts, 180, 85, setting)
