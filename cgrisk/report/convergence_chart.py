"""How the estimate settled as flights were flown."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from cgrisk.report.style import AFT, FORWARD

__all__ = ["convergence"]


def convergence(frame: pd.DataFrame, *, ax: Axes, marks: bool = False) -> Axes:
    """Draw the running probability of each side with its interval against the flights flown.

    Parameters
    ----------
    frame : pandas.DataFrame
        One reading of :func:`cgrisk.risk.convergence.running_estimates`.
    ax : matplotlib.axes.Axes
        Where to draw: flights across, probability per flight up, both logarithmic.
    marks : bool
        Whether to lay an unseen point named ``hot-N`` (N: row of the frame, from 0) on each
        estimate.
    """
    number = 0
    for side, colour, style in (("forward", FORWARD, "--"), ("aft", AFT, "-")):
        part = frame[frame["side"] == side]
        if part.empty:
            continue
        some = (part["hits"] > 0).to_numpy()
        x = part["flights"].to_numpy()
        low, high = part["low"].to_numpy(), part["high"].to_numpy()
        ax.fill_between(x[some], low[some], high[some], color=colour, alpha=0.25, lw=0)
        ax.plot(x[some], part["estimate"].to_numpy()[some], color=colour, ls=style, lw=1.8)
        ax.plot(x[~some], high[~some], "v", mfc="none", color=colour, ms=3.5, mew=0.8)
        last = part.iloc[-1]
        ax.annotate(
            side,
            (float(last["flights"]), float(last["estimate"] or last["high"])),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            color=colour,
            annotation_clip=False,
        )
        if marks:
            seen = part["estimate"].where(part["hits"] > 0, part["high"]).to_numpy()
            for at, height in zip(x, seen, strict=True):
                ax.plot([at], [height], "o", ms=8, color="none", gid=f"hot-{number}")
                number += 1
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_ylim(top=1.0)
    ax.set_xlim(float(frame["flights"].min()), float(frame["flights"].max()))
    ax.set_xlabel("flights flown")
    ax.set_ylabel("probability per flight of leaving\nthe certified envelope")
    return ax
