"""Where in the cabin people stand, and when."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from cgrisk.flight import FlightModel
from cgrisk.report.style import GREY, INK, plain

__all__ = ["occupancy_map"]

_LABELS = 12
#: Share of flights with a cart at a place and time, above which it is shown.
_CART_SHARE = 0.05


def occupancy_map(occupancy: pd.DataFrame, *, model: FlightModel, ax: Axes) -> Axes:
    """Draw the mean number of passengers out of their seats by row (up) and time (across).

    Parameters
    ----------
    occupancy : pandas.DataFrame
        From :func:`cgrisk.risk.occupancy`.
    model : FlightModel
        What was flown: phases, and where lavatories and galleys are.
    ax : matplotlib.axes.Axes
        Where to draw; the front of the cabin is at the top. Carts are drawn as contours.
    """
    arms = np.unique(occupancy["arm_m"].to_numpy())
    times = np.unique(occupancy["time_min"].to_numpy())
    shape = times.size, arms.size
    people = occupancy["mean_passengers"].to_numpy().reshape(shape).T
    carts = occupancy["mean_carts"].to_numpy().reshape(shape).T
    step = float(times[1] - times[0]) if times.size > 1 else 1.0
    time_edges = np.append(times - 0.5 * step, times[-1] + 0.5 * step)
    rows = occupancy["row"].to_numpy()[: arms.size]
    row_edges = np.arange(arms.size + 1) - 0.5
    top = float(people.max()) or 1.0
    mesh = ax.pcolormesh(
        time_edges, row_edges, people, cmap="Greys", vmin=0.0, vmax=top, rasterized=True
    )
    figure = ax.figure
    figure.colorbar(mesh, ax=ax, pad=0.01, label="passengers out of their seats, mean")
    if carts.max() > 0.0 and min(times.size, arms.size) > 1:
        ax.contour(
            times, np.arange(arms.size), carts, levels=[_CART_SHARE], colors=[INK], linewidths=0.7
        )
        ax.plot(
            [],
            [],
            color=INK,
            lw=0.7,
            label=f"a cart is here on more than {100 * _CART_SHARE:.0f} % of flights",
        )
        ax.legend(loc="upper right", bbox_to_anchor=(1.0, -0.12), fontsize=7, frameon=False)
    ends = model.program.timeline.end_s / 60.0
    for end in ends[:-1]:
        ax.axvline(end, color=GREY, lw=0.6, ls=":")
    starts = np.concatenate([[0.0], ends[:-1]])
    for name, start, end in zip(model.phases, starts, ends, strict=True):
        if end - start > 0.06 * ends[-1]:
            text = plain(name.replace("_", "-"))
            ax.annotate(
                text,
                (0.5 * (start + end), 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 3),
                textcoords="offset points",
                ha="center",
                fontsize=7,
                color=INK,
            )
    every = max(1, -(-arms.size // _LABELS))
    shown = [i for i in range(arms.size) if i % every == 0 or i == arms.size - 1]
    ax.set_yticks(shown, [str(rows[i]) for i in shown])
    ax.set_ylim(arms.size - 0.5, -0.5)
    ax.set_xlim(0.0, float(ends[-1]))
    ax.set_xlabel("time from the start of taxi, min")
    ax.set_ylabel("row")
    ax.grid(visible=False)
    return ax
