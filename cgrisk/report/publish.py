"""Summaries and charts of a run, written into its folder."""

from __future__ import annotations

from pathlib import Path

from cgrisk.report.cabin_chart import cabin_zones, zones_frame
from cgrisk.report.cause_chart import cause_bars, frozen_bars
from cgrisk.report.convergence_chart import convergence
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


def publish(folder: Path, *, summary: Summary, store: BlockStore | None = None) -> None:
    """Write summaries/*.csv and charts/*.svg, *.png, each chart with its numbers in a CSV.

    Parameters
    ----------
    folder : Path
        Folder of the run; written into.
    summary : Summary
        From :func:`cgrisk.risk.summary.summarise`.
    store : BlockStore, optional
        All blocks of the run: with them the chart of its convergence is drawn too.
    """
    tables = folder / "summaries"
    charts = folder / "charts"
    tables.mkdir()
    charts.mkdir()
    for stem, frame in summary.tables().items():
        frame.to_csv(tables / f"{stem}.csv", index=False, lineterminator="\n")
    sample = summary.sample
    name = plain(sample.model.scenario.name)
    bare = sample.model.scenario.operation.operational_envelope is None
    limit = "certified limit" if bare else "operational limit"
    method = "exact binomial" if sample.precision is None else "intervals hold whenever it stops"
    note = f"{sample.flights:,} flights, {method}"
    with chart_style():
        fan = path_fan(sample)
        figure = new_figure(180, 120)
        ax = envelope_paths(sample, ax=figure.subplots(), fan=fan)
        ax.set_title(f"Where the CG goes: {name}")
        save(figure, charts, "envelope")
        fan.to_csv(charts / "envelope.csv", index=False, lineterminator="\n")
        figure = new_figure(180, 105)
        ax = exceedance(
            summary.offsets, ax=figure.subplots(), shifts=summary.shifts, note=note, limit=limit
        )
        ax.set_title(f"What the {limit} leaves: {name}", pad=16)
        save(figure, charts, "exceedance")
        summary.offsets.to_csv(charts / "exceedance.csv", index=False, lineterminator="\n")
        figure = new_figure(180, 75)
        ax = cause_bars(summary.causes, ax=figure.subplots())
        ax.set_title(f"What makes the CG error: {name}")
        save(figure, charts, "causes")
        summary.causes.to_csv(charts / "causes.csv", index=False, lineterminator="\n")
        figure = new_figure(180, 105)
        ax = frozen_bars(summary.frozen, ax=figure.subplots())
        ax.set_title(f"What makes the largest CG errors: {name}")
        save(figure, charts, "causes_frozen")
        summary.frozen.to_csv(charts / "causes_frozen.csv", index=False, lineterminator="\n")
        figure = new_figure(180, 110)
        ax = occupancy_map(summary.occupancy, model=sample.model, ax=figure.subplots())
        ax.set_title(f"Where people stand: {name}", pad=14)
        save(figure, charts, "occupancy")
        summary.occupancy.to_csv(charts / "occupancy.csv", index=False, lineterminator="\n")
        _trim_charts(charts, summary=summary, name=name)
        _answer_charts(charts, summary=summary, name=name)
        if store is not None:
            running = running_estimates(store, flown=sample.flights, confidence=summary.confidence)
            figure = new_figure(180, 90)
            ax = convergence(running[running["reading"] == AT_LIMIT], ax=figure.subplots())
            ax.set_title(f"How the estimate settled: {name}")
            save(figure, charts, "convergence")
            running.to_csv(charts / "convergence.csv", index=False, lineterminator="\n")


def _answer_charts(charts: Path, *, summary: Summary, name: str) -> None:
    """Draw the risk by side and phase, and the cabin with its zones."""
    figure = new_figure(180, 128)
    ax = risk_by_phase(summary.leave, ax=figure.subplots())
    ax.set_title(f"Risk by side and phase: {name}", pad=32)
    save(figure, charts, "risk")
    summary.leave.to_csv(charts / "risk.csv", index=False, lineterminator="\n")
    plan = summary.sample.model.plan
    figure = new_figure(180, 64)
    cabin_zones(plan, ax=figure.subplots()).set_title(f"The cabin and its zones: {name}")
    save(figure, charts, "cabin")
    zones_frame(plan).to_csv(charts / "cabin.csv", index=False, lineterminator="\n")


def _trim_charts(charts: Path, *, summary: Summary, name: str) -> None:
    """Draw the stabilizer's demand and the take-off setting, where the data allow."""
    sample = summary.sample
    fan = stabilizer_fan(sample)
    if not fan.empty:
        figure = new_figure(180, 130)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.0, 1.0))
        ax = stabilizer_demand(fan, model=sample.model, ax=upper)
        ax.set_xlabel("")
        stabilizer_reserve(fan, ax=lower)
        ax.set_title(f"What the stabilizer must do: {name}", pad=14)
        save(figure, charts, "stabilizer")
        fan.to_csv(charts / "stabilizer.csv", index=False, lineterminator="\n")
    counts = setting_counts(sample)
    if not counts.empty:
        figure = new_figure(180, 85)
        ax = setting_bands(sample, ax=figure.subplots(), counts=counts)
        ax.set_title(f"Take-off setting needed against made: {name}")
        save(figure, charts, "take_off_setting")
        counts.to_csv(charts / "take_off_setting.csv", index=False, lineterminator="\n")
