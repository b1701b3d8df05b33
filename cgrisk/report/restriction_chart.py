"""The least restriction in a chart: seats blocked, and risk, against the number of passengers."""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.axes import Axes

from cgrisk.decide.restriction_search import RestrictionStudy
from cgrisk.report.style import AFT, FORWARD, GREY, INK

__all__ = ["restriction_risk_chart", "restriction_seats_chart"]

_FLOOR: Final = 0.02
_FAMILIES: Final = {
    "": ("o", "no seat blocked"),
    "rear_rows": ("v", "rows from the rear"),
    "front_rows": ("^", "rows from the front"),
    "end_rows": ("D", "rows from both ends"),
    "alternate_rows": ("s", "alternate rows"),
    "zone_quotas": ("P", "zone quota"),
}


def restriction_seats_chart(study: RestrictionStudy, *, ax: Axes) -> Axes:
    """Draw the seats that the least restriction blocks; where none is confirmed, the nearest.

    Parameters
    ----------
    study : RestrictionStudy
    ax : matplotlib.axes.Axes
        Where to draw: passengers across, seats up.
    """
    seats = study.family.plan.seats
    answers = study.answers
    numbers = np.arange(study.counts[0], study.counts[-1] + 1)
    room = np.minimum(seats - numbers, study.family.most_blocked)
    ax.plot(numbers, room, color=GREY, lw=0.8, ls=":", label="most that may be blocked")
    for family, (mark, label) in _FAMILIES.items():
        for status, colour, words in (
            (True, AFT, label),
            (False, FORWARD, f"none confirmed; nearest: {label}"),
        ):
            own = [
                a
                for a in answers
                if a.restriction.family == family and (a.status == "confirmed") == status
            ]
            if not own:
                continue
            x, y = [a.passengers for a in own], [a.seats_blocked for a in own]
            face = colour if status else "none"
            ax.vlines(x, 0, y, color=colour, lw=1.0)
            ax.plot(x, y, mark, color=colour, mfc=face, ms=5.5, ls="", label=words)
    moved = [a for a in answers if a.restriction.holds]
    if moved:
        x, y = [a.passengers for a in moved], [a.seats_blocked for a in moved]
        ax.plot(x, y, "o", mfc="none", mec=INK, ms=10, mew=0.8, ls="", label="hold load moved")
    ax.set_ylim(-0.04 * max(float(room.max()), 10.0), None)
    ax.set_ylabel("seats blocked")
    return ax


def restriction_risk_chart(study: RestrictionStudy, *, ax: Axes) -> Axes:
    """Draw the risk without a restriction and under the one found, on the worse side.

    Parameters
    ----------
    study : RestrictionStudy
    ax : matplotlib.axes.Axes
        Where to draw: passengers across, probability per flight up (logarithmic).
    """
    floor = _FLOOR * study.task.target
    bare = study.tried[study.tried["restriction"] == "no restriction"]
    worse = bare.loc[bare.groupby("passengers")["high"].idxmax()]
    for frame, colour, style, label, shift in (
        (worse, GREY, "--", "no restriction", -0.25),
        (study.table, AFT, "-", "under the restriction found", 0.25),
    ):
        x = frame["passengers"].to_numpy(dtype=np.float64) + shift
        risk = frame["risk"].where(frame["risk"] > 0.0)
        ax.vlines(x, frame["low"].clip(lower=floor), frame["high"], color=colour, lw=1.4)
        ax.plot(x, risk, marker="o", ms=3.5, color=colour, ls=style, lw=1.0, label=label)
    sure = study.table[study.table["status"] == "confirmed"]
    open_ = study.table[study.table["status"] != "confirmed"]
    if len(open_):
        ax.plot(
            open_["passengers"] + 0.25, open_["risk"].clip(lower=floor), "o", ms=7, mfc="none",
            mec=FORWARD, ls="", label="not confirmed: the nearest",
        )  # fmt: skip
    ax.plot(
        sure["passengers"], sure["confirmed_high"], "_", color=INK, ms=9, mew=1.4, ls="",
        label="greatest bound of the fresh flights nearby",
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
    top = max(float(study.table["high"].max()), float(worse["high"].max()), study.task.target)
    ax.set_ylim(floor, min(3.0 * top, 1.0))
    ax.set_xlabel("passengers aboard")
    ax.set_ylabel("probability per flight, worse side")
    return ax
