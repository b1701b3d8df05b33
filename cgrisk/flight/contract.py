"""Sizes and orders that the compiled kernel and the column names agree on. Loads no compiler."""

from __future__ import annotations

from typing import Final

__all__ = ["CONTRIBUTIONS", "HEADER", "PER_SIDE"]

#: Parts of the moment error at take-off, in the order of the columns.
CONTRIBUTIONS: Final = (
    "dry",
    "count",
    "seating",
    "mass",
    "cargo",
    "fuel",
    "configuration",
    "rounding",
)
#: Figures per flight before those by phase and side.
HEADER: Final = 24
#: Figures per phase and side.
PER_SIDE: Final = 5
