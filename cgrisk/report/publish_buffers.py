"""Tables and charts of buffers and of the operational envelope, written into a folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from cgrisk.decide.beside import conventional_of
from cgrisk.decide.buffers import Buffers
from cgrisk.report.buffer_chart import buffer_bars
from cgrisk.report.buffer_text import BufferStudy, buffer_answer, governing, own_excess
from cgrisk.report.csv_table import write_csv
from cgrisk.report.operating_chart import (
    OWN_LINE,
    envelope_frame,
    operating_limits,
    own_limits,
)
from cgrisk.report.style import AFT, FORWARD, INK, chart_style, new_figure, plain, save

__all__ = ["publish_buffers"]

#: Small parts that are drawn together; the table has them apart.
_REST = ("level", "residual", "rounding", "planned path elsewhere", "entry", "none below 0")
_PHASES = {"take_off_and_landing": "take-off and landing", "in_flight": "in flight"}


def publish_buffers(folder: Path, *, study: BufferStudy, manifest: Mapping[str, Any]) -> None:
    """Write buffers.json, its tables, envelope.csv (which ``cgrisk loads`` reads) and the charts.

    Parameters
    ----------
    folder : Path
        Written into.
    study : BufferStudy
    manifest : mapping
        What repeats it: command, versions, resolved scenario.
    """
    buffers = study.buffers
    text = json.dumps(
        {**buffer_answer(study), "manifest": dict(manifest)}, indent=2, allow_nan=False
    )
    (folder / "buffers.json").write_text(text + "\n", encoding="utf-8")
    frame = envelope_frame(buffers, envelope=study.envelope)
    tables = {
        "buffers": buffers.table(),
        "by_cause": buffers.split(by="cause"),
        "by_zone": buffers.split(by="zone"),
        "beside": study.beside,
        "conventional": _conventional(buffers),
        "envelope": study.envelope.envelope.frame(system=buffers.ask.scenario.operation.units),
        "envelope_chart": frame,
        "proof": study.proof,
    } | ({} if study.own is None else {"own_envelope": own_excess(study)})
    for stem, table in tables.items():
        # Twelve figures: converted units end in no row of nines.
        write_csv(folder / f"{stem}.csv", table, float_format="%.12g")
    with chart_style():
        _bars(folder, buffers)
        kinds = list(dict.fromkeys(frame["mass_kind"]))
        figure = new_figure(180, 95)
        axes = figure.subplots(1, len(kinds), squeeze=False)[0]
        for ax, kind in zip(axes, kinds, strict=True):
            operating_limits(frame, ax=ax, kind=kind)
            if study.own is not None:
                own_limits(study.own, ax=ax, kind=kind)
        handles = [
            (axes[0].plot([], [], color=INK, lw=1.6)[0], "certified (with any fuel)"),
            (axes[0].plot([], [], color=FORWARD, lw=1.8)[0], "new, forward"),
            (axes[0].plot([], [], color=AFT, lw=1.8)[0], "new, aft (buffer in % MAC)"),
            (axes[0].plot([], [], color=INK, lw=1.0, ls="--")[0], "in use (none at zero fuel)"),
        ]
        if study.own is not None:
            handles.append((axes[0].plot([], [], **OWN_LINE)[0], study.own.name))
        figure.legend(
            [handle for handle, _ in handles],
            [name for _, name in handles],
            loc="outside lower center",
            ncols=2,
            frameon=False,
        )
        figure.suptitle(
            f"Operational envelope at a risk of {buffers.ask.each_risk:g} for each side and group\n"
            f"{plain(buffers.ask.scenario.name)}",
            fontsize=9.5,
        )
        save(figure, folder, "envelope")


def _conventional(buffers: Buffers) -> pd.DataFrame:
    """Return the conventional stack of every load state, by side, group and mass."""
    frames = []
    for side in ("forward", "aft"):
        for group in buffers.ask.groups:
            for b in buffers.of(side=side, group=group):
                table = conventional_of(buffers, b).table
                here = table[(table["side"] == side) & (table["group"] == group)].copy()
                here.insert(2, "mass_kg", b.mass_kg)
                frames.append(here)
    return pd.concat(frames, ignore_index=True)


def _bars(folder: Path, buffers: Buffers) -> None:
    """Draw each side and group by itself: conventional stack beside the sampled buffer."""
    stacks, split = _conventional(buffers), buffers.split(by="cause")
    for group in buffers.ask.groups:
        for side in ("forward", "aft"):
            b = governing(buffers, side=side, group=group)
            whole = (stacks["side"] == side) & (stacks["group"] == group)
            stack = stacks[whole & (stacks["mass_kg"] == b.mass_kg)]
            place = (split["side"] == side) & (split["group"] == group)
            here = split[place & (split["mass_kg"] == b.mass_kg)]
            part = here["part"].where(~here["part"].isin(_REST), "rest")
            sampled = here["moment_kgm"].groupby(part.rename("cause"), sort=False).sum()
            figure = new_figure(180, 95)
            ax = buffer_bars(
                stack[["cause", "moment_kgm"]],
                ax=figure.subplots(),
                mass_kg=b.mass_kg,
                balance=buffers.model.balance,
                sampled=None if sampled.empty else sampled.reset_index(),
                sampled_name=f"sampled, {buffers.ask.each_risk:g}",
            )
            ax.set_title(
                f"Buffer {side}, {_PHASES[group]}, at {b.mass_kg:,.0f} kg zero-fuel\n"
                f"{plain(buffers.ask.scenario.name)}"
            )
            save(figure, folder, f"buffer_{side}_{group}")
