"""Numbers for people: as many figures as they are worth, their interval beside them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from cgrisk.report.dossier.parts import Cell

__all__ = [
    "chance",
    "chance_cell",
    "count_cell",
    "figure_cell",
    "fixed",
    "fixed_cell",
    "one_in",
    "power",
    "powers",
    "range_text",
    "spoken",
    "text_cell",
]

_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
#: Below it a probability is written with a power of ten.
_SMALL = 1e-3
#: Where one end of a range is below this and the other is not small, both have a power of ten.
_LEAST = 1e-4


def _raised(value: float, digits: int) -> str:
    mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
    return f"{mantissa} × 10{str(int(exponent)).translate(_RAISED)}"


def _decimal(value: float, digits: int) -> str:
    exponent = int(f"{value:.{digits - 1}e}".split("e")[1])
    return f"{value:,.{max(0, digits - 1 - exponent)}f}"


def power(value: float, digits: int = 2) -> str:
    """Return a number to so many significant figures: 0.0041, or 4.1 x 10 to the -5 where small."""
    return powers([value], digits)[0]


def powers(values: Sequence[float], digits: int = 2) -> list[str]:
    """Return numbers that are read together to so many significant figures, in one notation.

    A decimal stays a decimal beside another: 0.0012 (0.00091 to 0.0016). Powers of ten are used
    where all are small, or one is too small for a decimal.
    """
    sizes = [abs(value) for value in values if math.isfinite(value) and value != 0.0]
    raised = bool(sizes) and (
        max(sizes) < _SMALL or max(sizes) >= 1e5 or (len(sizes) > 1 and min(sizes) < _LEAST)
    )
    shown = []
    for value in values:
        if not math.isfinite(value):
            shown.append("–")
        elif value == 0.0:
            shown.append("0")
        else:
            shown.append(_raised(value, digits) if raised else _decimal(value, digits))
    return shown


def one_in(probability: float) -> str:
    """Return one over a probability to two figures, as it is said: 1,500."""
    flights = 1.0 / probability
    return f"{float(f'{flights:.1e}'):,.0f}" if flights >= 10.0 else power(flights)


def fixed(value: Any, digits: int = 0, *, signed: bool = False) -> str:
    """Return a number to so many decimals; a dash where there is none."""
    if value is None or not math.isfinite(float(value)):
        return "–"
    rounded = round(float(value), digits)
    rounded = 0.0 if rounded == 0.0 else rounded
    text = f"{rounded:+,.{digits}f}" if signed and rounded else f"{rounded:,.{digits}f}"
    return text.replace("-", "−")


def chance(row: Mapping[str, Any]) -> str:
    """Return a probability with its interval: keys estimate, low, high; none seen is a bound.

    Parameters
    ----------
    row : mapping
        With ``hits`` the bound is told where it is 0, else where the estimate is 0.
    """
    none = row["hits"] == 0 if "hits" in row else row["estimate"] == 0.0
    if none:
        return f"at most {power(float(row['high']))}"
    estimate, low, high = powers([float(row[key]) for key in ("estimate", "low", "high")])
    return f"{estimate} ({low} to {high})"


def chance_cell(row: Mapping[str, Any]) -> Cell:
    """Return a probability with its interval as a cell, sorted by the estimate."""
    return Cell(chance(row), float(row["estimate"]))


def fixed_cell(value: Any, digits: int = 0, *, signed: bool = False) -> Cell:
    """Return a number to so many decimals as a cell."""
    text = fixed(value, digits, signed=signed)
    return Cell(text, None if text == "–" else float(value))


def figure_cell(value: Any, digits: int = 3) -> Cell:
    """Return a number to so many significant figures as a cell."""
    if value is None or not math.isfinite(float(value)):
        return Cell("–")
    return Cell(power(float(value), digits), float(value))


def count_cell(value: Any) -> Cell:
    """Return a whole number as a cell."""
    return Cell(f"{int(value):,}", float(value))


def text_cell(value: Any) -> Cell:
    """Return words as a cell."""
    if isinstance(value, bool | np.bool_):
        return Cell("yes" if value else "no")
    return Cell("" if value is None or value != value else str(value))


def spoken(name: Any) -> str:
    """Return the name of a phase, group or figure as it is read."""
    words = str(name)
    known = {
        "take_off_and_landing": "take-off and landing",
        "in_flight": "in flight",
        "any": "whole flight",
        "take_off": "take-off",
    }
    return known.get(words, words.replace("_", " "))


def range_text(low: float | None, high: float) -> str:
    """Return a range in one notation; "up to" where its lower end is not told."""
    if low is None or not math.isfinite(low):
        return f"up to {powers([high])[0]}"
    return " to ".join(powers([low, high]))
