"""Policies in charts: risk against passengers, risk against seats, policy by passengers."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.colors import LogNorm

from cgrisk.decide.policies import PolicyStudy
from cgrisk.flight import SIDES
from cgrisk.report.style import AFT, FORWARD, GREY, INK, plain

__all__ = ["pareto_chart", "policy_heat_map", "policy_lines", "policy_panel"]

_STYLES: Final = ("-", "--", ":", "-.")
_MARKS: Final = ("o", "s", "^", "v", "D", "P", "X", "<", ">", "*")
_FLOOR: Final = 0.02
_DARK: Final = 0.5


def _least(study: PolicyStudy) -> float:
    return study.task.target * _FLOOR


def _seen(risk: pd.Series) -> pd.Series:
    """Return risks without those of no event, which a logarithmic axis cannot show."""
    return risk.where(risk > 0.0)


def policy_lines(study: PolicyStudy, *, ax: Axes, side: str) -> Axes:
    """Draw the risk of each policy against the passengers, a line a policy, and the target.

    The intervals stand in :func:`policy_panel`: ten bands in one chart hide each other.

    Parameters
    ----------
    study : PolicyStudy
    ax : matplotlib.axes.Axes
        Where to draw: passengers across, probability per flight up (logarithmic).
    side : str
        Side of the envelope.
    """
    colours = sns.color_palette("colorblind", 10).as_hex()
    floor = _least(study)
    for i, policy in enumerate(study.file.policies):
        part = study.table[(study.table["policy"] == policy.name) & (study.table["side"] == side)]
        part = part[part["fits"]]
        colour = colours[i % len(colours)]
        x = part["passengers"].to_numpy()
        ax.plot(
            x,
            _seen(part["risk"]),
            color=colour,
            ls=_STYLES[i % len(_STYLES)],
            marker=_MARKS[i % len(_MARKS)],
            ms=3.2,
            lw=1.2,
            label=plain(policy.name),
        )
        open_ = part[part["standing"] == "undecided"]
        ax.plot(
            open_["passengers"], open_["risk"].clip(lower=floor), ls="", marker="o", ms=7,
            mfc="none", mec=colour, mew=0.7,
        )  # fmt: skip
    ax.axhline(study.task.target, color=INK, lw=1.0)
    ax.annotate(
        f"target {study.task.target:g}",
        (0.005, study.task.target),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=7.5,
        color=INK,
    )
    ax.set_yscale("log")
    ax.set_ylim(floor, 1.0)
    ax.set_xlabel("passengers aboard")
    ax.set_ylabel(f"probability per flight, {side},\nplanned on the operational limit")
    return ax


def policy_panel(study: PolicyStudy, *, ax: Axes, policy: str) -> Axes:
    """Draw the risk of one policy on both sides, with its intervals, before all the others.

    Parameters
    ----------
    study : PolicyStudy
    ax : matplotlib.axes.Axes
        Where to draw: passengers across, probability per flight up (logarithmic).
    policy : str
        Its name.
    """
    floor = _least(study)
    others = study.table[(study.table["policy"] != policy) & study.table["fits"]]
    for _, part in others.groupby(["policy", "side"], sort=False):
        ax.plot(part["passengers"], _seen(part["risk"]), color="#d0d0d0", lw=0.5)
    own = study.table[(study.table["policy"] == policy) & study.table["fits"]]
    for side, colour, style in zip(SIDES, (FORWARD, AFT), ("--", "-"), strict=True):
        part = own[own["side"] == side]
        x = part["passengers"].to_numpy()
        low, high = part["low"].clip(lower=floor), part["high"].clip(lower=floor)
        ax.fill_between(x, low, high, color=colour, alpha=0.3, lw=0)
        ax.plot(x, _seen(part["risk"]), color=colour, ls=style, lw=1.3, label=side)
    ax.axhline(study.task.target, color=INK, lw=0.8)
    ax.set_yscale("log")
    ax.set_ylim(floor, 1.0)
    ax.set_title(plain(policy), fontsize=8)
    return ax


def pareto_chart(study: PolicyStudy, *, ax: Axes) -> Axes:
    """Draw the risk of each policy against the seats it costs; the Pareto set is joined.

    Parameters
    ----------
    study : PolicyStudy
    ax : matplotlib.axes.Axes
        Where to draw: seats across, probability per flight over the demand up (logarithmic).
    """
    frame, floor = study.ranking, _least(study)
    cost = frame["seats_blocked"].to_numpy(dtype=np.float64)
    risk = frame["risk"].clip(lower=floor).to_numpy()
    low, high = frame["low"].clip(lower=floor).to_numpy(), frame["high"].to_numpy()
    ax.vlines(cost, low, high, color=GREY, lw=1.0)
    front = frame["pareto"].to_numpy()
    # People turned away are a third scale: what is best on it alone is marked, and not joined.
    order = np.lexsort((risk, cost))
    order = order[front[order]]
    order = order[risk[order] <= np.minimum.accumulate(risk[order])]
    ax.plot(cost[order], risk[order], color=AFT, lw=1.0, drawstyle="steps-post", zorder=1)
    ax.plot(cost[~front], risk[~front], "o", color=GREY, ms=4.5)
    maybe = frame["pareto_possible"].to_numpy() & ~front
    ax.plot(cost[maybe], risk[maybe], "D", mec=AFT, mfc="white", ms=6, ls="", label="may be of it")
    ax.plot(cost[front], risk[front], "D", color=AFT, ms=6, ls="", label="Pareto set")
    ax.legend(fontsize=7, frameon=False, loc="upper right")
    names = [
        f"{name} ({left:.1f} turned away)" if left >= 0.05 else str(name)
        for name, left in zip(frame["policy"], frame["turned_away"], strict=True)
    ]
    _labels(ax, names, cost, risk)
    ax.axhline(study.task.target, color=INK, lw=1.0)
    ax.annotate(
        f"target {study.task.target:g}",
        (0.995, study.task.target),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        textcoords="offset points",
        ha="right",
        fontsize=7.5,
        color=INK,
    )
    ax.set_yscale("log")
    ax.set_xlim(-0.04 * (cost.max() + 1.0), 1.15 * (cost.max() + 1.0))
    ax.set_xlabel(
        "seats blocked, mean over the demand (passengers turned away a flight: in brackets)"
    )
    ax.set_ylabel("probability per flight over the demand,\nworse side, on the operational limit")
    return ax


def _labels(ax: Axes, names: list[str], cost: np.ndarray, risk: np.ndarray) -> None:
    """Write the names beside their points, those of near points one above the other."""
    order = np.argsort(risk, kind="stable")
    heights = np.log10(risk[order])
    span = max(float(np.ptp(heights)), 0.5)
    shown = heights.copy()
    for k in range(1, shown.size):
        shown[k] = max(shown[k], shown[k - 1] + 0.048 * span)
    shown -= max(float(shown[-1] - heights[-1]), 0.0) * 0.5
    for k, i in enumerate(order):
        ax.annotate(
            plain(names[i]),
            (cost[i], risk[i]),
            xytext=(cost[i] + 0.05 * (cost.max() + 1.0), 10.0 ** shown[k]),
            textcoords="data",
            va="center",
            fontsize=7,
            color=INK,
            arrowprops={"arrowstyle": "-", "color": GREY, "lw": 0.5, "relpos": (0.0, 0.5)},
            bbox={"fc": "white", "ec": "none", "pad": 0.6},
        )


def policy_heat_map(study: PolicyStudy, *, ax: Axes) -> Axes:
    """Draw the risk on the worse side, policy by passengers; undecided ones with a ring.

    Parameters
    ----------
    study : PolicyStudy
    ax : matplotlib.axes.Axes
        Where to draw: passengers across, policies down.
    """
    names = [policy.name for policy in study.file.policies]
    worst = study.table.groupby(["policy", "passengers"])["risk"].max().unstack()
    grid = worst.reindex(index=names, columns=study.counts).to_numpy(dtype=np.float64)
    floor = _least(study)
    norm = LogNorm(vmin=floor, vmax=1.0)
    edges = np.arange(study.counts.size + 1)
    image = ax.pcolormesh(
        edges, np.arange(len(names) + 1), np.maximum(grid, floor), norm=norm, cmap="cividis_r"
    )
    image.set_edgecolor("face")
    sides = study.table[study.table["standing"] == "undecided"]
    for name, n in zip(sides["policy"], sides["passengers"], strict=True):
        column = int(np.searchsorted(study.counts, n))
        dark = float(norm(max(grid[names.index(name), column], floor))) > _DARK
        mark = "white" if dark else INK
        ax.plot(column + 0.5, names.index(name) + 0.5, "o", ms=4, mfc="none", mec=mark, mew=0.8)
    above = grid > study.task.target
    for r, c in zip(*np.nonzero(above), strict=True):
        ax.plot([c + 0.15, c + 0.85], [r + 0.15, r + 0.85], color="white", lw=0.5)
    step = max(1, study.counts.size // 12)
    ax.set_xticks(edges[:-1:step] + 0.5, [str(n) for n in study.counts[::step]])
    ax.set_yticks(np.arange(len(names)) + 0.5, [plain(name) for name in names], fontsize=7.5)
    ax.invert_yaxis()
    ax.grid(visible=False)
    ax.set_xlabel(
        f"passengers aboard (stroke: estimate above the target {study.task.target:g}; "
        "ring: undecided; blank: no seat)"
    )
    bar = ax.figure.colorbar(image, ax=ax, pad=0.015)
    bar.set_label("probability per flight, worse side", fontsize=7.5)
    return ax
