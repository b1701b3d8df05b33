"""One look for all charts: colour-blind safe, told apart in grey by line and shade too."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
import seaborn as sns
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

__all__ = ["AFT", "FORWARD", "GREY", "INK", "chart_style", "new_figure", "plain", "save", "short"]

_COLOURS = sns.color_palette("colorblind").as_hex()
#: Aft is dark blue and solid, forward a lighter orange and dashed: apart in grey as well.
AFT, FORWARD = _COLOURS[0], _COLOURS[1]
INK, GREY = "#222222", "#8a8a8a"
_SETTINGS: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.titlesize": 9.5,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
    "svg.fonttype": "path",
    "svg.hashsalt": "cgrisk",
}


@contextmanager
def chart_style() -> Iterator[None]:
    """Apply the look while charts are drawn and saved.

    Names may have signs that the font lacks; they are drawn as boxes, without a warning for each.
    """
    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        for told in (r"Glyph \d+ .* missing from font", "Matplotlib currently does not support"):
            warnings.filterwarnings("ignore", told, UserWarning)
        yield


def new_figure(width_mm: float = 180.0, height_mm: float = 110.0) -> Figure:
    """Return an empty figure of a size on paper, independent of any window system."""
    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def plain(text: str) -> str:
    """Return text from a scenario so that it is drawn as it stands, never as a formula."""
    return "".join(c for c in text if c.isprintable()).replace("$", r"\$")


def short(text: str, *, most: int = 28) -> str:
    """Return text like :func:`plain`, cut where it is too long for a mark in a chart."""
    return plain(text if len(text) <= most else f"{text[: most - 1]}…")


def save(figure: Figure, folder: Path, stem: str) -> list[str]:
    """Write a figure as PNG and SVG, the same bytes every time; return the file names.

    Laid out once, as for the PNG, and each drawn once: to save a figure by itself is to lay it out
    and to draw it twice.
    """
    printed, figure.dpi = figure.dpi, 200.0
    layout = figure.get_layout_engine()
    if layout is not None:
        layout.execute(figure)
        figure.set_layout_engine("none")
    agg: Any = FigureCanvasAgg(figure)
    agg.print_png(folder / f"{stem}.png", metadata={"Software": "cgrisk"})
    figure.dpi = printed
    svg: Any = FigureCanvasSVG(figure)
    svg.print_svg(folder / f"{stem}.svg", metadata={"Date": None})
    return [f"{stem}.svg", f"{stem}.png"]
