"""The conventional stack by cause, straight and as a root of squares, beside the sampled one."""

from __future__ import annotations

import textwrap
from typing import Final

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.patches import Patch
from matplotlib.transforms import ScaledTranslation
from numpy.typing import ArrayLike, NDArray

from cgrisk.aircraft import Balance
from cgrisk.decide.conventional_table import CAUSES, moment_pct_mac
from cgrisk.errors import UsageError
from cgrisk.report.style import INK, plain

__all__ = ["buffer_bars"]

_COLOURS = sns.color_palette("colorblind").as_hex()
#: Colour and hatch of each cause of the model, told apart in grey too.
_LOOKS: Final = {
    "seating": (_COLOURS[0], ""),
    "mass": (_COLOURS[4], "xx"),
    "movement": (_COLOURS[1], "//"),
    "service": (_COLOURS[8], "\\\\"),
    "dry": (_COLOURS[2], ".."),
    "cargo": (_COLOURS[9], "--"),
    "fuel": (_COLOURS[3], "||"),
    "configuration": (_COLOURS[5], "++"),
    "count": (_COLOURS[6], "oo"),
    "limit and mass": (_COLOURS[7], "**"),
    "simulation": ("#f4f4f4", "...."),
    "assumptions": ("#c9c9c9", "////"),
}
_OTHER: Final = ("#d5d5d5", "OO")
_NAMES: Final = {
    "seating": "seating",
    "mass": "passenger mass",
    "movement": "walks and water",
    "service": "carts and crew",
    "dry": "dry mass and CG",
    "cargo": "load in the holds",
    "fuel": "fuel",
    "configuration": "gear and flaps",
    "count": "passenger count",
    "limit and mass": "mass and limit",
    "simulation": "confidence bound",
    "assumptions": "assumptions",
}
_HEIGHT: Final = 0.62
#: Letters of a part's name that fit across the whole axis.
_LETTERS: Final = 95


def buffer_bars(
    conventional: pd.DataFrame,
    *,
    ax: Axes,
    mass_kg: float,
    balance: Balance,
    sampled: pd.DataFrame | None = None,
    sampled_name: str = "sampled",
) -> Axes:
    """Draw the conventional stack of one side and group of phases, cause by cause.

    Parameters
    ----------
    conventional : pandas.DataFrame
        Rows of :attr:`cgrisk.decide.conventional.ConventionalBuffers.table` for one side and
        group: cause, moment_kgm. Drawn twice: as the straight sum, and as the root of the sum of
        squares, where each cause takes its square over the root, so that the parts add up.
    ax : matplotlib.axes.Axes
        Where to draw: kg m across below, % MAC above.
    mass_kg : float
        Mass at which the % MAC are told.
    balance : Balance
        Chord of the aircraft.
    sampled : pandas.DataFrame, optional
        The buffer of sampled flights in the same columns; a part below 0 is drawn to the left.
    sampled_name : str
        What stands beside that bar.

    Raises
    ------
    UsageError
        If a cause stands twice in a frame, or the mass is not above 0.
    """
    moments = _moments(conventional, "conventional")
    per_pct = 1.0 / moment_pct_mac(1.0, mass_kg=mass_kg, balance=balance)
    root = float(np.sqrt((moments**2).sum()))
    bars = {
        "straight sum": moments,
        "root sum of squares": moments**2 / root if root > 0.0 else moments,
    }
    if sampled is not None:
        bars[sampled_name] = _moments(sampled, "sampled")
    sums = [(part.clip(upper=0.0).sum(), part.clip(lower=0.0).sum()) for part in bars.values()]
    low, high = min(s[0] for s in sums), max(s[1] for s in sums)
    span = max(high - low, 1.0)
    shown: list[str] = []
    for place, part in enumerate(bars.values()):
        ends = {1.0: 0.0, -1.0: 0.0}
        for cause in sorted(part.index, key=_place):
            moment = float(part[cause])
            if moment == 0.0:
                continue
            sign = float(np.sign(moment))
            family = CAUSES.get(cause, cause)
            colour, hatch = _LOOKS.get(family, _OTHER)
            ax.barh(
                place,
                moment,
                left=ends[sign],
                height=_HEIGHT,
                color=colour,
                hatch=hatch,
                edgecolor="white",
                lw=0.8,
            )
            _inside(ax, cause, moment, ends[sign] + 0.5 * moment, place, share=abs(moment) / span)
            ends[sign] += moment
            if family not in shown:
                shown.append(family)
        total = float(part.sum())
        ax.plot([total, total], [place - 0.5 * _HEIGHT, place + 0.5 * _HEIGHT], color=INK, lw=1.6)
        ax.annotate(
            f"{total:,.0f} kg m\n{total / per_pct:.2f} % MAC",
            (ends[1.0], place),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
            color=INK,
        )
    ax.set_yticks(range(len(bars)), [plain(name).replace(" ", "\n", 1) for name in bars])
    ax.set_ylim(len(bars) - 0.5, -0.5)
    ax.set_xlim(low - 0.02 * span if low < 0.0 else 0.0, high + 0.16 * span)
    ax.axvline(0.0, color=INK, lw=0.8)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel(
        "moment toward the limit, kg m (root sum of squares: each part its square over the root)"
    )
    ax.xaxis.set_major_formatter(lambda value, _place: f"{value:,.0f}")

    def to_pct(kgm: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(kgm, dtype=np.float64) / per_pct

    def to_kgm(pct: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(pct, dtype=np.float64) * per_pct

    above = ax.secondary_xaxis("top", functions=(to_pct, to_kgm))
    above.set_xlabel(f"% MAC at {mass_kg:,.0f} kg")
    _legend(ax, shown)
    return ax


def _moments(frame: pd.DataFrame, argument: str) -> pd.Series[float]:
    if frame["cause"].duplicated().any():
        raise UsageError(
            argument=argument,
            expected="one row for each cause",
            got=sorted(set(frame.loc[frame["cause"].duplicated(), "cause"])),
            cure="Give the rows of one side and one group of phases.",
        )
    moments: pd.Series[float] = frame.set_index("cause")["moment_kgm"].astype(float)
    return moments


def _place(cause: str) -> tuple[int, int, str]:
    """Return where a cause stands in its bar: by family, then in the order of the stack."""
    families, causes = list(_LOOKS), list(CAUSES)
    family = CAUSES.get(cause, cause)
    return (
        families.index(family) if family in families else len(families),
        causes.index(cause) if cause in causes else len(causes),
        cause,
    )


def _inside(
    ax: Axes, cause: str, moment: float, middle: float, place: int, *, share: float
) -> None:
    """Write a cause and its moment into its part of the bar, as far as there is room."""
    letters = int(share * _LETTERS)
    number = f"{moment:,.0f}"
    if letters < len(number) + 1:
        return
    lines = textwrap.wrap(cause, letters, break_long_words=False)
    if len(lines) > 3 or max(len(line) for line in lines) > letters:
        lines = []
    ax.text(
        middle,
        place,
        "\n".join([*map(plain, lines), number]),
        ha="center",
        va="center",
        fontsize=6.2,
        color=INK,
        linespacing=0.95,
        bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
    )


def _legend(ax: Axes, shown: list[str]) -> None:
    looks = [
        (_LOOKS[family], _NAMES[family]) for family in sorted(shown, key=_place) if family in _LOOKS
    ]
    others = [plain(family) for family in shown if family not in _LOOKS]
    if others:
        looks.append(
            (_OTHER, textwrap.shorten("other: " + ", ".join(others), 30, placeholder="..."))
        )
    handles = [
        Patch(facecolor=colour, hatch=hatch, edgecolor="white", label=label)
        for (colour, hatch), label in looks
    ]
    # under the label of the axis, however high the axes are
    below = ax.transAxes + ScaledTranslation(0.0, -34.0 / 72.0, ax.figure.dpi_scale_trans)
    if handles:
        ax.legend(
            handles=handles,
            loc="upper center",
            bbox_to_anchor=(0.5, 0.0),
            bbox_transform=below,
            ncols=4,
            fontsize=7,
            frameon=False,
            handlelength=2.2,
            columnspacing=1.4,
            handleheight=1.2,
        )
