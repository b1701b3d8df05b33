"""The risk by side and phase, each with its interval."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from cgrisk.report.style import AFT, FORWARD, GREY, INK, plain

__all__ = ["risk_by_phase"]

_WHOLE = ("take_off_and_landing", "in_flight", "any")
_GROUPS = {
    "take_off": "take-off",
    "take_off_and_landing": "take-off and landing",
    "in_flight": "in flight",
    "any": "whole flight",
}
#: As planned is drawn lighter and smaller than at the limit.
_READINGS = (("at the operational limit", 1.9, 5.5), ("as planned", 0.9, 3.5))


def risk_by_phase(table: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw the probability of leaving the envelope by phase (up), side and reading.

    Parameters
    ----------
    table : pandas.DataFrame
        From :func:`cgrisk.risk.leave_envelope`; index 0 to n - 1. The marks of row N are named
        ``mark-N-bar`` and ``mark-N-dot``.
    ax : matplotlib.axes.Axes
        Where to draw: probability per flight across, logarithmic. Filled marks: planned on the
        operational limit; open ones: as planned; triangles: upper bounds. Aft stands
        above forward in each phase.
    """
    phases = list(dict.fromkeys(table["phase"]))
    phases = [p for p in phases if p not in _WHOLE] + [p for p in phases if p in _WHOLE]
    seen = table[table["hits"] > 0]
    least = float(seen["low"].min()) if not seen.empty else float(table["high"].min()) / 3.0
    floor = max(least / 1.5, 1e-12)
    for number, row in table.iterrows():
        side, reading = str(row["side"]), str(row["reading"])
        colour = AFT if side == "aft" else FORWARD
        rank = [name for name, _, _ in _READINGS].index(reading)
        _, width, size = _READINGS[rank]
        place = phases.index(str(row["phase"])) + (-0.27 if side == "aft" else 0.09) + 0.18 * rank
        high, low, estimate = float(row["high"]), float(row["low"]), float(row["estimate"])
        if row["hits"] > 0:
            ax.plot(
                [max(low, floor), high],
                [place, place],
                color=colour,
                lw=width,
                ls="-" if side == "aft" else (0, (4, 1.2)),
                gid=f"mark-{number}-bar",
            )
            fill = colour if rank == 0 else "white"
            marker = "o" if side == "aft" else "s"
            ax.plot(
                [estimate],
                [place],
                marker,
                color=colour,
                mfc=fill,
                ms=size,
                mew=1.0,
                gid=f"mark-{number}-dot",
            )
        else:
            ax.plot(
                [high],
                [place],
                "<",
                color=colour,
                mfc=colour if rank == 0 else "white",
                ms=size,
                mew=0.9,
                gid=f"mark-{number}-dot",
            )
    first_group = sum(phase not in _WHOLE for phase in phases)
    ax.axhline(first_group - 0.5, color=GREY, lw=0.7)
    ax.set_yticks(range(len(phases)), [_name(phase) for phase in phases])
    ax.set_ylim(len(phases) - 0.45, -0.55)
    ax.set_xscale("log")
    ax.set_xlim(left=floor)
    ax.set_xlabel("probability per flight of leaving the certified envelope")
    ax.grid(visible=False, axis="y")
    _legend(ax)
    return ax


def _name(phase: str) -> str:
    return plain(_GROUPS.get(phase, phase.replace("_", " ")))


def _legend(ax: Axes) -> None:
    handles = [
        (ax.plot([], [], "o-", color=AFT, lw=1.9, ms=5.5)[0], "aft, on the operational limit"),
        (ax.plot([], [], "o-", color=AFT, lw=0.9, ms=3.5, mfc="white")[0], "aft, as planned"),
        (
            ax.plot([], [], "s", ls=(0, (4, 1.2)), color=FORWARD, lw=1.9, ms=5.5)[0],
            "forward, on the operational limit",
        ),
        (
            ax.plot([], [], "s", ls=(0, (4, 1.2)), color=FORWARD, lw=0.9, ms=3.5, mfc="white")[0],
            "forward, as planned",
        ),
        (ax.plot([], [], "<", color=INK, ms=5)[0], "no event seen: upper bound"),
    ]
    ax.legend(
        [handle for handle, _ in handles],
        [name for _, name in handles],
        fontsize=7,
        ncols=3,
        frameon=False,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
    )
