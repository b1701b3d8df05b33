"""How the estimate settled as flights were flown."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import NullLocator

from cgrisk.report.style import AFT, FORWARD

__all__ = ["convergence"]

#: Ends nearer to each other than this factor would write their names over each other.
_NEAR = 1.6


def _label_lift(frame: pd.DataFrame) -> dict[str, float]:
    """Return how far up (points) the name of each side stands from its end."""
    last = frame.groupby("side").last()
    ends = last["estimate"].where(last["hits"] > 0, last["high"])
    if len(ends) < 2 or ends.max() > _NEAR * ends.min():
        return dict.fromkeys(ends.index, 0.0)
    upper = str(ends.idxmax()) if ends.max() > ends.min() else "aft"
    return {side: 5.0 if side == upper else -5.0 for side in ends.index}


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
    number, lift = 0, _label_lift(frame)
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
            xytext=(5, lift[side]),
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
    least, most = float(frame["flights"].min()), float(frame["flights"].max())
    ticks = [m * 10**k for k in range(12) for m in (1, 2, 5) if least <= m * 10**k <= most]
    if len(ticks) > 8:
        ticks = [t for t in ticks if str(t).startswith("1")]
    ax.set_xticks(ticks, [f"{tick:,}" for tick in ticks])
    ax.xaxis.set_minor_locator(NullLocator())
    ax.set_ylim(top=1.0)
    ax.set_xlim(least, max(most, 1.01 * least))
    ax.set_xlabel("flights flown")
    ax.set_ylabel("probability per flight of leaving\nthe certified envelope")
    return ax
