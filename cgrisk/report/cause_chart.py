"""Which cause makes the CG error at take-off."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from cgrisk.report.style import AFT, INK

__all__ = ["cause_bars"]


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
            f"{sd:.2f}   {100 * share:.0f} % of the variance",
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
