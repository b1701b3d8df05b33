"""Which cause makes the CG error."""

from __future__ import annotations

from math import isnan

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from cgrisk.report.style import AFT, FORWARD, GREY, INK

__all__ = ["cause_bars", "frozen_bars"]


def cause_bars(causes: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw the standard deviation of each cause's part, largest on top, with its share.

    Parameters
    ----------
    causes : pandas.DataFrame
        From :func:`cgrisk.risk.cause_shares`.
    ax : matplotlib.axes.Axes
        Where to draw: standard deviation in % MAC across.
    """
    shown = causes[causes["sd_pct_mac"] > 1e-9].sort_values("sd_pct_mac")
    ax.barh(shown["cause"], shown["sd_pct_mac"], color=AFT, height=0.6)
    for place, (sd, share) in enumerate(
        zip(shown["sd_pct_mac"], shown["share_of_variance"], strict=True)
    ):
        ax.annotate(
            f"{sd:.2f}" + ("" if isnan(share) else f"   {100 * share:z.0f} % of the variance"),
            (sd, place),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
            color=INK,
        )
    ax.margins(x=0.35)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel("standard deviation of the CG error at take-off, % MAC")
    return ax


def frozen_bars(frozen: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw each cause's plain share of the variance of the extreme errors, with standard errors.

    Parameters
    ----------
    frozen : pandas.DataFrame
        From :func:`cgrisk.risk.frozen_shares`.
    ax : matplotlib.axes.Axes
        Where to draw: share of variance in % across.
    """
    shown = (
        ("most_aft_error_in_flight", "most aft, in flight", AFT, ""),
        ("most_forward_error_in_flight", "most forward, in flight", FORWARD, "//"),
        ("most_aft_error_in_take_off_and_landing", "most aft, take-off and landing", GREY, ""),
    )
    first = frozen[frozen["answer"] == shown[0][0]].sort_values("share")
    causes = [c for c in first["cause"] if c != "together"]
    place = np.array([0.0, *(np.arange(len(causes)) + 1.2)])
    height = 0.26
    for i, (answer, label, colour, hatch) in enumerate(shown):
        rows = frozen[frozen["answer"] == answer].set_index("cause").loc[["together", *causes]]
        ax.barh(
            place + (1 - i) * height,
            100.0 * rows["share"],
            xerr=100.0 * rows["standard_error"],
            height=height,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            label=label,
            error_kw={"lw": 0.8, "ecolor": INK},
        )
        ax.plot(
            100.0 * rows["with_joint_effects"],
            place + (1 - i) * height,
            "|",
            color=INK,
            ms=5,
            mew=1.4,
            label="with joint effects" if i == len(shown) - 1 else None,
        )
    ax.set_yticks(place, ["only together", *causes])
    ax.axvline(0.0, color=INK, lw=0.8)
    ax.grid(visible=False, axis="y")
    ax.legend(loc=(0.66, 0.3), fontsize=7.5, framealpha=1.0, edgecolor="none", title="CG error")
    ax.set_xlabel("variance that goes away when the cause is frozen, % (bar: one standard error)")
    return ax
