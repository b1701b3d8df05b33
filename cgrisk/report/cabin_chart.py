"""The cabin from above: seats, zones, curtains, lavatories and galleys."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import PatchCollection
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from cgrisk.aircraft import CabinPlan
from cgrisk.report.style import GREY, INK, plain

__all__ = ["ZONE_SHADES", "cabin_zones", "row_step", "seats_across", "zones_frame"]

_AISLE = 2
#: Zones side by side are told apart by these two.
ZONE_SHADES = ("#cfe0ee", "#f6f6f6")
_OUTSIDE = "#ffffff"
#: Places nearer to each other than this are named in one block (m).
_NEAR_M = 5.0


def seats_across(plan: CabinPlan) -> NDArray[np.float64]:
    """Return the lateral place of each seat, in seats from the left, aisles left open."""
    letters = sorted(set(plan.letter))
    letter = np.array([letters.index(name) for name in plan.letter])
    by_aisle = [
        float((plan.position[letter == k] == _AISLE).mean()) > 0.5 for k in range(len(letters))
    ]
    place, at = [0.0], 0.0
    for left, right in pairwise(by_aisle):
        at += 1.7 if left and right else 1.0
        place.append(at)
    lateral: NDArray[np.float64] = np.array(place)[letter]
    return lateral


def row_step(plan: CabinPlan) -> float:
    """Return the usual distance from row to row (m)."""
    arms = np.unique(plan.arm_m)
    return float(np.median(np.diff(arms))) if arms.size > 1 else 0.8


def zones_frame(plan: CabinPlan) -> pd.DataFrame:
    """Return the zones as they are drawn: zone, first_row, last_row, seats, blocked, mean_arm_m."""
    rows = []
    for k, name in enumerate(plan.zones):
        here = plan.zone == k
        if here.any():
            numbers = plan.row[here]
            blocked = int((here & plan.blocked).sum())
            arm = float(plan.arm_m[here].mean())
            rows.append((name, numbers.min(), numbers.max(), int(here.sum()), blocked, arm))
    names = ["zone", "first_row", "last_row", "seats", "blocked", "mean_arm_m"]
    return pd.DataFrame(rows, columns=names)


def cabin_zones(plan: CabinPlan, *, ax: Axes) -> Axes:
    """Draw the cabin from above with its zones; blocked seats are crossed.

    Parameters
    ----------
    plan : CabinPlan
        From :func:`cgrisk.aircraft.cabin_plan`.
    ax : matplotlib.axes.Axes
        Where to draw: arm across in m, front on the left.
    """
    across, width = seats_across(plan), 0.82 * row_step(plan)
    for shade in (-1, 0, 1):
        chosen = plan.zone < 0 if shade < 0 else (plan.zone >= 0) & (plan.zone % 2 == shade)
        boxes = [
            Rectangle((plan.arm_m[s] - width / 2, across[s] - 0.42), width, 0.84)
            for s in np.flatnonzero(chosen)
        ]
        colour = _OUTSIDE if shade < 0 else ZONE_SHADES[shade]
        ax.add_collection(PatchCollection(boxes, facecolor=colour, edgecolor=GREY, lw=0.5))
    ax.plot(plan.arm_m[plan.blocked], across[plan.blocked], "x", color=INK, ms=3.5, mew=0.8)
    top, bottom = float(across.max()) + 0.7, float(across.min()) - 0.7
    for k, name in enumerate(plan.zones):
        here = plan.zone == k
        if not here.any():
            continue
        rows = plan.row[here]
        usable = int((here & ~plan.blocked).sum())
        ax.annotate(
            f"{plain(name)}: rows {rows.min()}–{rows.max()}, {usable} seats",
            (float(plan.arm_m[here].mean()), top),
            xytext=(0, 4),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7.5,
        )
    _curtains(ax, plan, top, bottom)
    _facilities(ax, plan, bottom)
    arms = [plan.arm_m, plan.lavatories.arm_m, plan.galleys.arm_m]
    every = np.concatenate([a for a in arms if a.size])
    ax.set_xlim(every.min() - 2.5 * width, every.max() + 2.5 * width)
    ax.set_ylim(bottom - 3.4, top + 1.4)
    ax.set_yticks([])
    ax.grid(visible=False)
    ax.spines["left"].set_visible(False)
    ax.set_xlabel("arm, m (front of the cabin on the left)")
    return ax


def _curtains(ax: Axes, plan: CabinPlan, top: float, bottom: float) -> None:
    order = np.argsort(plan.arm_m, kind="stable")
    for before, after in pairwise(order):
        if plan.zone[before] != plan.zone[after] and plan.row[before] != plan.row[after]:
            arm = 0.5 * (plan.arm_m[before] + plan.arm_m[after])
            ax.plot([arm, arm], [bottom, top], color=INK, lw=2.0, solid_capstyle="butt")


def _facilities(ax: Axes, plan: CabinPlan, bottom: float) -> None:
    """Mark lavatories and galleys below the cabin; those near each other are named together."""
    found = [
        (float(arm), f"{plain(name)}, {count} doors" if count > 1 else plain(name))
        for name, arm, count in zip(
            plan.lavatories.name, plan.lavatories.arm_m, plan.lavatories.count, strict=True
        )
    ]
    found += [
        (float(arm), plain(name))
        for name, arm in zip(plan.galleys.name, plan.galleys.arm_m, strict=True)
    ]
    clusters: list[list[tuple[float, str]]] = []
    for place in sorted(found):
        if clusters and place[0] - clusters[-1][-1][0] < _NEAR_M:
            clusters[-1].append(place)
        else:
            clusters.append([place])
    for number, cluster in enumerate(clusters):
        for arm, _ in cluster:
            ax.plot([arm, arm], [bottom, bottom - 0.5], color=INK, lw=1.2)
        last = number == len(clusters) - 1 and number > 0
        align = "left" if number == 0 else "right" if last else "center"
        arms = [arm for arm, _ in cluster]
        at = min(arms) if number == 0 else max(arms) if last else sum(arms) / len(arms)
        ax.annotate(
            "\n".join(f"{arm:.1f} m: {name}" for arm, name in cluster),
            (at, bottom - 0.6),
            ha=align,
            va="top",
            fontsize=6.5,
            color=INK,
        )
