"""How the risk falls with the planned distance from a limit, down to the rarest."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from cgrisk.rare import Study
from cgrisk.rare.thresholds import curve_end
from cgrisk.report.style import AFT, FORWARD, GREY, INK

__all__ = ["swing_bars", "tail_curve", "tail_share_bars"]

_SHOWN = 15
#: Factors that are named on the axis, where they fit.
_FACTORS = (0.001, 0.01, 0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, 100.0, 1000.0)


def tail_curve(study: Study, *, ax: Axes) -> Axes:
    """Draw the exceedance curve with both ranges, its methods, the target and the tail fit.

    Parameters
    ----------
    study : Study
        From :func:`cgrisk.rare.study_tail`.
    ax : matplotlib.axes.Axes
        Where to draw: threshold across, probability per flight up.
    """
    curve, question = study.curve, study.question
    score = question.score
    colour = FORWARD if study.side == "forward" else AFT
    x = curve["threshold"].to_numpy()
    if "assumption_high" in curve:
        ax.fill_between(
            x,
            curve["assumption_low"].clip(lower=question.deepest / 30.0),
            curve["assumption_high"],
            color=GREY,
            alpha=0.28,
            lw=0,
            label="assumption range (9 draws in 10)",
        )
        _upper_end(ax, study)
    seen = (curve["estimate"] > 0.0).to_numpy()
    ax.fill_between(
        x[seen],
        curve["low"][seen].clip(lower=question.deepest / 30.0),
        curve["high"][seen],
        color=colour,
        alpha=0.35,
        lw=0,
        label=f"simulation interval, {100 * question.confidence:g} %",
    )
    styles = dict(zip(curve["method"].unique(), ("-", "--", ":"), strict=False))
    last = -1
    for method, style in styles.items():
        here = np.flatnonzero(seen & (curve["method"] == method).to_numpy())
        if here.size == 0:
            continue
        joined = here if last < 0 else np.insert(here, 0, last)
        last = int(here[-1])
        ax.plot(
            x[joined],
            curve["estimate"].to_numpy()[joined],
            color=colour,
            ls=style,
            lw=1.8,
            label=str(method).split(",")[0],
        )
    if not seen.all():
        bounds, label = curve["high"][~seen], "no flight seen: upper bound"
        ax.plot(x[~seen], bounds, "v", mfc="none", color=colour, ms=4, mew=0.8, label=label)
    fit = curve["fit"].to_numpy()
    shown = fit > question.deepest / 30.0
    if shown.any():
        ax.plot(x[shown], fit[shown], color=INK, lw=0.9, ls="-.", label="tail fit, as a check")
    ax.axhline(question.target, color=INK, lw=0.8)
    ax.annotate(
        f"target\n{question.target:g}",
        (1.0, question.target),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),  # beside the axes: the curve may cross the line anywhere
        textcoords="offset points",
        va="center",
        fontsize=7.5,
        color=INK,
    )
    _marks(ax, study)
    ax.set_yscale("log")
    ax.set_ylim(curve_end(question) / 3.0, 1.0)
    ends = [v for v in (x[-1], study.inverse.assumption) if math.isfinite(v)]
    ax.set_xlim(x[0], max(ends) + 0.01 * (max(ends) - x[0]))
    if score.offset_sign:
        ax.set_xlabel(
            f"planned distance from the certified {study.side} limit, "
            "% MAC of the zero-fuel CG (same masses)"
        )
        ax.set_ylabel("probability per flight of leaving\nthe certified envelope")
    else:
        ax.set_xlabel(f"{score.name.replace('_', ' ')}: past its limit by, {score.unit}")
        ax.set_ylabel("probability per flight")
    ax.legend(fontsize=7, loc="lower left", facecolor="white", edgecolor="none", framealpha=1.0)
    return ax


def _upper_end(ax: Axes, study: Study) -> None:
    """Draw the upper end of the assumption range beyond its lower end, down to the target."""
    found = study.assumptions
    if found is None:
        return
    both = study.curve["assumption_low"].notna() & study.curve["assumption_high"].notna()
    start = study.curve["threshold"].to_numpy()[max(int(both.sum()) - 1, 0)]
    first = int(np.searchsorted(found.thresholds, start))
    _, high = found.ends()
    there = np.flatnonzero(found.known_high() & (high >= study.question.target / 10.0))
    there = there[there >= first]
    if there.size > 1:
        ax.plot(
            found.thresholds[there],
            high[there],
            color=GREY,
            lw=1.2,
            label="its upper end alone",
        )


def _marks(ax: Axes, study: Study) -> None:
    """Mark the planned load, the operational limit, and what meets the target."""
    score = study.question.score
    if score.offset_sign:
        places = {"this load": score.as_planned, "operational limit": score.at_limit}
        for (name, place), side in zip(places.items(), (4, -4), strict=True):
            ax.axvline(place, color=GREY, lw=0.8, ls=":")
            ax.annotate(
                name,
                (place, 0.97),
                xycoords=("data", "axes fraction"),
                xytext=(side, 0),
                textcoords="offset points",
                rotation=90,
                va="top",
                ha="left" if side > 0 else "right",
                fontsize=7,
                color=INK,
            )
    inverse, target = study.inverse, study.question.target
    for place, marker, name in (
        (inverse.estimate, "o", "meets the target: estimate"),
        (inverse.simulation, "|", "at the upper end of the interval"),
        (inverse.assumption, "D", "at the upper ends of both ranges"),
    ):
        if math.isfinite(place):
            ax.plot(
                [place],
                [target],
                marker,
                ls="none",
                color=INK,
                ms=5,
                mfc="white",
                mew=1.0,
                zorder=5,
                label=name,
            )


def swing_bars(swings: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw how many times the risk grows or shrinks with each input at the ends of its range.

    Parameters
    ----------
    swings : pandas.DataFrame
        From :func:`cgrisk.causes.swings`.
    ax : matplotlib.axes.Axes
        Where to draw: factor on the risk across (logarithmic), one bar an input whose swing is
        told.
    """
    part = swings[np.isfinite(swings["swing"])].head(_SHOWN).iloc[::-1]
    place = np.arange(len(part))
    for at, colour, hatch, name in (
        ("low", FORWARD, "", "at the low end"),
        ("high", AFT, "///", "at the high end"),
    ):
        ratio = part[f"ratio_at_{at}"].clip(lower=1e-3).fillna(1.0)
        ax.barh(
            place,
            ratio - 1.0,
            left=1.0,
            color=colour,
            alpha=0.8,
            height=0.6,
            hatch=hatch,
            edgecolor="white",
            label=name,
        )
    ax.axvline(1.0, color=INK, lw=0.8)
    ax.set_xscale("log")
    least, most = ax.get_xlim()
    ticks = [t for t in _FACTORS if least <= t <= most]
    ax.set_xticks(ticks, [f"× {t:g}" for t in ticks])
    ax.minorticks_off()
    ax.set_yticks(place, [_short(key) for key in part["key"]], fontsize=7)
    ax.set_xlabel("factor on the risk when this input alone goes to an end of its range")
    ax.legend(fontsize=7, loc="lower right", frameon=False)
    return ax


def _short(key: str) -> str:
    text = key.removeprefix("operation.").replace("[]", "").replace("_", " ").replace(".", ": ")
    return text.replace("$", r"\$")


def tail_share_bars(table: pd.DataFrame, *, ax: Axes, level: float) -> Axes:
    """Draw what each cause contributes to the excess of the flights at a level.

    Parameters
    ----------
    table : pandas.DataFrame
        Of a :class:`cgrisk.causes.TailShares`.
    ax : matplotlib.axes.Axes
        Where to draw: % MAC across, one bar a part.
    level : float
        The excess, for the label.
    """
    part = table[table["part"] != "residual"]
    part = part.reindex(part["mean_pct_mac"].abs().sort_values().index)
    place = np.arange(len(part))
    ax.barh(place, part["mean_pct_mac"], color=AFT, height=0.6, xerr=part["standard_error"])
    for k, (value, share) in enumerate(zip(part["mean_pct_mac"], part["share"], strict=True)):
        ax.annotate(
            f"{value:+.2f} ({np.rint(100 * share) + 0.0:.0f} %)",
            (max(value, 0.0), k),
            xytext=(8, 0),
            textcoords="offset points",
            va="center",
            fontsize=7,
            color=INK,
        )
    ax.axvline(0.0, color=INK, lw=0.8)
    ax.set_yticks(place, list(part["part"]), fontsize=7.5)
    ax.margins(x=0.2)
    ax.set_xlabel(f"mean contribution to an excess of {level:.2f} % MAC, % MAC (zero-fuel CG)")
    return ax
