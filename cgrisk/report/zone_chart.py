"""The cabin from above with its curtains, and what more of them bring."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PatchCollection
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from cgrisk.aircraft import CabinPlan, cabin_plan
from cgrisk.decide import EXISTING, TradeRow, ZoneStudy
from cgrisk.report.cabin_chart import ZONE_SHADES, row_step, seats_across
from cgrisk.report.style import AFT, FORWARD, GREY, INK

__all__ = ["cabin_divisions", "room_left", "seating_deviation", "side_buffers"]

_BLOCKED = "#ffffff"


def cabin_divisions(study: ZoneStudy, *, axes: Sequence[Axes]) -> None:
    """Draw the cabin from above once for each division.

    Parameters
    ----------
    study : ZoneStudy
    axes : sequence of matplotlib.axes.Axes
        As many as ``study.trade`` has rows: arm across in m, front on the left; zones in two
        shades, curtains as heavy lines that name the row in front of them.
    """
    plan = cabin_plan(study.question.scenario)
    across, width = seats_across(plan), 0.82 * row_step(plan)
    for ax, row in zip(axes, study.trade, strict=True):
        _one_division(ax, plan, across, width, row, study)
    for ax in axes[:-1]:
        ax.tick_params(labelbottom=False)
    axes[-1].set_xlabel("arm, m (front of the cabin on the left)")


def _one_division(
    ax: Axes,
    plan: CabinPlan,
    across: NDArray[np.float64],
    width: float,
    row: TradeRow,
    study: ZoneStudy,
) -> None:
    zone_of = {number: k for k, rows in enumerate(_zone_numbers(row, plan)) for number in rows}
    zone = np.array([zone_of[int(number)] for number in plan.row])
    for shade in range(2):
        here = np.flatnonzero(zone % 2 == shade)
        boxes = [
            Rectangle((plan.arm_m[s] - width / 2, across[s] - 0.42), width, 0.84) for s in here
        ]
        ax.add_collection(
            PatchCollection(
                boxes,
                facecolor=[_BLOCKED if plan.blocked[s] else ZONE_SHADES[shade] for s in here],
                edgecolor=GREY,
                lw=0.4,
            )
        )
    ax.plot(plan.arm_m[plan.blocked], across[plan.blocked], "x", color=INK, ms=3.5, mew=0.8)
    order = list(study.rows.number)
    top, bottom = float(across.max()) + 0.7, float(across.min()) - 0.7
    for cut in row.boundaries or ():
        behind = order[order.index(cut) + 1]
        arm = 0.5 * (plan.arm_m[plan.row == cut].mean() + plan.arm_m[plan.row == behind].mean())
        ax.plot([arm, arm], [bottom, top], color=INK, lw=2.2, solid_capstyle="butt")
        ax.annotate(
            f"{cut}",
            (arm, top),
            xytext=(0, 1),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7,
            color=INK,
        )
    for k, count in enumerate(row.counts):
        middle = float(plan.arm_m[zone == k].mean())
        ax.annotate(
            f"{count}/{int(((zone == k) & ~plan.blocked).sum())}",
            (middle, bottom),
            xytext=(0, -1),
            textcoords="offset points",
            ha="center",
            va="top",
            fontsize=6.5,
            color=INK,
        )
    ax.set_xlim(plan.arm_m.min() - 2 * width, plan.arm_m.max() + 2 * width)
    # room for a line of figures above and below, however many seats lie abreast
    span = top - bottom
    ax.set_ylim(top + max(1.6, 0.2 * span), bottom - max(1.4, 0.2 * span))
    ax.invert_yaxis()
    ax.set_yticks([])
    ax.grid(visible=False)
    ax.spines["left"].set_visible(False)
    text = f"{row.label}\n{row.conventional_kgm:,.0f} kg m"
    ax.set_ylabel(text, rotation=0, ha="right", va="center", fontsize=7.5)


def _zone_numbers(row: TradeRow, plan: CabinPlan) -> list[list[int]]:
    from cgrisk.scenario import parse_rows

    known = set(plan.row.tolist())
    return [[n for n in parse_rows(text) if n in known] for text in row.rows]


def _best(study: ZoneStudy) -> list[TradeRow]:
    return [row for row in study.trade if row.label != EXISTING]


def _ticks(ax: Axes, rows: Sequence[TradeRow]) -> None:
    ax.set_xticks(sorted({row.zones for row in rows}))
    ax.set_xlim(min(r.zones for r in rows) - 0.5, max(r.zones for r in rows) + 0.5)
    ax.set_xlabel("zones")


def seating_deviation(study: ZoneStudy, *, ax: Axes) -> Axes:
    """Draw the standard deviation of the seating error by zones: closed form, and sampled."""
    rows, now = _best(study), study.row(EXISTING)
    zones = [row.zones for row in rows]
    ax.plot(
        zones,
        [row.closed_sd_kgm for row in rows],
        "s--",
        color=FORWARD,
        ms=4,
        label="seats at random (exact)",
    )
    ax.errorbar(
        zones,
        [row.sampled_sd_kgm for row in rows],
        yerr=[1.96 * row.sampled_sd_se_kgm for row in rows],
        fmt="o-",
        color=AFT,
        ms=4,
        capsize=2,
        label="as people sit (sampled, 95 %)",
    )
    ax.plot(now.zones, now.sampled_sd_kgm, "D", mfc="none", color=INK, ms=8, label="zones of now")
    ax.set_ylim(0.0, 1.35 * max(max(r.sampled_sd_kgm, r.closed_sd_kgm, 1.0) for r in [*rows, now]))
    ax.set_ylabel("standard deviation of the\nseating moment, kg m")
    ax.legend(fontsize=6.5, frameon=False, loc="upper right", handlelength=1.5)
    _ticks(ax, [*rows, now])
    return ax


def side_buffers(study: ZoneStudy, *, ax: Axes) -> Axes:
    """Draw the conventional seating buffer and the sampled excesses a side by zones."""
    rows, now = _best(study), study.row(EXISTING)
    zones = np.array([row.zones for row in rows], dtype=np.float64)
    ax.plot(
        zones,
        [row.conventional_pct for row in rows],
        "s:",
        color=INK,
        ms=4,
        label="conventional, seating alone",
    )
    for k, (side, colour, style, shift) in enumerate(
        (("forward", FORWARD, "v--", -0.07), ("aft", AFT, "^-", 0.07))
    ):
        found = [row.excess[k] for row in rows]
        at = np.array([one.estimate for one in found])
        ends = np.array([[one.low, one.high] for one in found]).T
        ends = np.where(np.isfinite(ends), ends, at)
        ax.errorbar(
            zones + shift,
            at,
            yerr=np.abs(ends - at),
            fmt=style,
            color=colour,
            ms=4,
            lw=1.2,
            capsize=2,
            label=f"sampled {side}, all causes",
        )
        ax.plot(now.zones + shift, now.excess[k].estimate, "D", mfc="none", color=INK, ms=7)
    ax.plot(now.zones, now.conventional_pct, "D", mfc="none", color=INK, ms=7)
    ends_of = [one.estimate for row in [*rows, now] for one in row.excess]
    ax.set_ylim(0.0, 1.45 * max(0.1, *ends_of, *(row.conventional_pct for row in rows)))
    ax.set_ylabel(f"buffer a side, % MAC\n(sampled: for {study.question.level:g} a flight)")
    ax.legend(fontsize=6.5, frameon=False, loc="upper right", handlelength=1.5)
    _ticks(ax, [*rows, now])
    return ax


def room_left(study: ZoneStudy, *, ax: Axes) -> Axes:
    """Draw the usable envelope by zones, with the standard error against the most zones."""
    rows, now = _best(study), study.row(EXISTING)
    most = rows[-1].label
    error = []
    for row in rows:
        step = study.against(row.label, most)
        error.append(0.0 if step is None else 1.96 * step.usable_se_pct)
    ax.errorbar(
        [row.zones for row in rows],
        [row.usable_pct for row in rows],
        yerr=error,
        fmt="o-",
        color=AFT,
        ms=4,
        capsize=2,
        label=f"usable; bars: 95 % of the\ndifference to {most}",
    )
    ax.plot(now.zones, now.usable_pct, "D", mfc="none", color=INK, ms=8)
    width = rows[-1].width_pct
    ax.axhline(width, color=GREY, lw=1.2, ls=":", label="between certified limits")
    ax.set_ylabel("usable width for the planned\nzero-fuel CG, % MAC")
    low = min(row.usable_pct - e for row, e in zip(rows, error, strict=True))
    high = max(width, *(row.usable_pct + e for row, e in zip(rows, error, strict=True)))
    ax.set_ylim(low - 0.05 * (high - low + 1.0), high + 0.45 * (high - low + 1.0))
    ax.legend(fontsize=6.5, frameon=False, loc="upper right", handlelength=1.5)
    _ticks(ax, [*rows, now])
    return ax
