"""Which cause makes the variance: Shapley shares, between first-order and total."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from cgrisk.report.style import AFT, FORWARD, GREY, INK, plain

__all__ = ["variance_bars"]

#: Colour and hatch of each answer, told apart in grey too.
_LOOKS = ((AFT, ""), (FORWARD, "///"), (GREY, ""), ("#d5d5d5", "..."))
_HEIGHT = 0.8


def _beside(ax: Axes, text: str, y: float) -> None:
    """Write a text right of the axes, at a height in data."""
    ax.annotate(
        text,
        (1.0, y),
        xycoords=ax.get_yaxis_transform(),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        fontsize=7.5,
        color=INK,
        annotation_clip=False,
    )


def variance_bars(variance: pd.DataFrame, *, ax: Axes, least: float = 0.0005) -> Axes:
    """Draw each cause's Shapley share of the variance, with its first-order and total share.

    Parameters
    ----------
    variance : pandas.DataFrame
        From :func:`cgrisk.causes.cause_variance`; up to four answers, of which the first decides
        the order of the causes.
    ax : matplotlib.axes.Axes
        Where to draw: share of variance in % across, largest on top; the Shapley shares with their
        standard errors are written beside it.
    least : float
        Causes with shares below this in all answers are only named under the axis.
    """
    answers = list(dict.fromkeys(variance["answer"]))[: len(_LOOKS)]
    causes = variance[variance["cause"] != "together"]
    known = [a for a in answers if causes.loc[causes["answer"] == a, "shapley"].notna().any()]
    first = causes[causes["answer"] == (known or answers)[0]].sort_values("shapley", kind="stable")
    largest = causes.groupby("cause")[["total", "shapley"]].max().max(axis=1)
    shown = [cause for cause in first["cause"] if largest[cause] >= least]
    reasons = dict(zip(variance["answer"], variance["reason"], strict=True))
    if not shown:
        text = "\n".join(f"{plain(a.replace('_', ' '))}: {reasons[a]}" for a in answers)
        ax.text(0.5, 0.5, text, ha="center", va="center", transform=ax.transAxes, color=INK)
        ax.set_axis_off()
        return ax
    height = _HEIGHT / len(answers)
    place = np.arange(len(shown), dtype=np.float64)
    for number, answer in enumerate(answers):
        rows = causes[causes["answer"] == answer].set_index("cause").loc[shown]
        reason = reasons[answer]
        name = plain(answer.replace("_", " ")) + (f" ({reason})" if reason else "")
        colour, hatch = _LOOKS[number]
        at = place + ((len(answers) - 1) / 2.0 - number) * height
        shares, error = 100.0 * rows["shapley"], 100.0 * rows["shapley_se"]
        ax.barh(
            at,
            shares,
            xerr=error,
            height=0.9 * height,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            label=name,
            error_kw={"lw": 0.9, "ecolor": INK},
        )
        last = number == len(answers) - 1
        ax.plot(
            100.0 * rows["first_order"],
            at,
            "o",
            ms=4,
            mfc="white",
            mec=INK,
            label="alone (first order)" if last else None,
        )
        ax.plot(
            100.0 * rows["total"],
            at,
            "|",
            ms=7,
            mew=1.6,
            color=INK,
            label="with all joint effects (total)" if last else None,
        )
        for y, share, se in zip(at, shares, error, strict=True):
            if np.isfinite(share):
                _beside(ax, f"{share:.1f} ± {se:.1f}", y)
    _beside(ax, "Shapley, %", place[-1] + 0.62)
    ax.set_yticks(place, [plain(cause) for cause in shown])
    ax.axvline(0.0, color=INK, lw=0.8)
    ax.grid(visible=False, axis="y")
    ax.legend(loc="lower right", fontsize=7.5, framealpha=1.0, edgecolor="none")
    hidden = [cause for cause in first["cause"] if cause not in shown]
    under = f"\nunder {100.0 * least:g} %: {', '.join(map(plain, hidden))}" if hidden else ""
    ax.set_xlabel(f"share of the variance, %; Shapley shares add up to 100 %{under}")
    return ax
