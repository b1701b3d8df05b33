"""How often flights leave the envelope as the planned CG moves toward a limit."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from cgrisk.flight import OperationalShift
from cgrisk.report.style import AFT, FORWARD, INK

__all__ = ["exceedance"]

#: Ends of curves nearer than this (% MAC) are named one above the other.
_CLOSE = 0.5


def exceedance(
    curves: pd.DataFrame,
    *,
    ax: Axes,
    shifts: tuple[OperationalShift, ...] = (),
    note: str = "",
    limit: str = "operational limit",
) -> Axes:
    """Draw exceedance against the planned CG's distance from the operational limit.

    Parameters
    ----------
    curves : pandas.DataFrame
        From :func:`cgrisk.risk.offset_curve`, one side or both.
    ax : matplotlib.axes.Axes
        Where to draw: offset in % MAC across, probability per flight up.
    shifts : tuple of OperationalShift
        Where the operational limits stand: offsets are then counted from them.
    note : str
        Method and number of flights, drawn in the chart.
    limit : str
        What the shifts are counted from: the certified limit where there is no operational one.
    """
    at = {shift.side: shift.offset_pct_mac for shift in shifts}
    ends = curves.groupby("side")["offset_pct_mac"].max()
    ends -= ends.index.map(lambda side: at.get(side, 0.0))
    close = float(ends.max() - ends.min()) < _CLOSE  # the curves' names would stand on each other
    for side, colour, style in (("forward", FORWARD, "--"), ("aft", AFT, "-")):
        part = curves[curves["side"] == side]
        if part.empty:
            continue
        x = part["offset_pct_mac"] - at.get(side, 0.0)
        some = (part["hits"] > 0).to_numpy()
        ax.fill_between(
            x[some], part["low"][some], part["high"][some], color=colour, alpha=0.25, lw=0
        )
        ax.plot(x[some], part["estimate"][some], color=colour, ls=style, lw=1.8)
        ax.plot(x[~some], part["high"][~some], "v", mfc="none", color=colour, ms=3.5, mew=0.8)
        last = part[some].iloc[-1] if some.any() else part.iloc[-1]
        ax.annotate(
            side,
            (last["offset_pct_mac"] - at.get(side, 0.0), max(last["estimate"], 1e-12)),
            xytext=(4, -9 if close and side == "forward" else 3),
            textcoords="offset points",
            color=colour,
            fontsize=8.5,
        )
        if side in at and -at[side] > -8.0:
            ax.plot([-at[side]], [1.0], marker="|", ms=9, mew=1.6, color=colour, clip_on=False)
            ax.annotate(
                "this load",
                (-at[side], 1.0),
                xytext=(0, 7),
                textcoords="offset points",
                ha="center",
                fontsize=7,
                color=colour,
                annotation_clip=False,
            )
    if at:
        ax.axvline(0.0, color=INK, lw=1.0)
        first, last_x = ax.get_xlim()
        room = -first > 0.3 * (last_x - first)  # for the words left of the line
        ax.annotate(
            f"planned on the\n{limit}",
            (0.0, 0.02),
            xytext=(-4 if room else 4, 0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="right" if room else "left",
            fontsize=7.5,
            color=INK,
        )
    ax.set_yscale("log")
    ax.set_ylim(top=1.0)
    where = f"beyond the {limit}" if at else "toward the limit"
    ax.set_xlabel(f"planned zero-fuel CG {where}, % MAC (same masses)")
    ax.set_ylabel("probability per flight of leaving\nthe certified envelope")
    text = "band: 95 % interval; open triangles: upper bound, no event seen"
    ax.annotate(
        f"{text}\n{note}" if note else text,
        (0.99, 0.03),
        xycoords="axes fraction",
        ha="right",
        fontsize=7,
        color=INK,
    )
    return ax
