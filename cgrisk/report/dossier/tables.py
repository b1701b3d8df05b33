"""Tables of a report from frames: which column, under which heading, with how many figures."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from cgrisk.report.dossier.figures import (
    chance_cell,
    count_cell,
    figure_cell,
    fixed,
    fixed_cell,
    range_text,
    spoken,
    text_cell,
)
from cgrisk.report.dossier.parts import Cell, Column, Table
from cgrisk.report.file_units import FileUnits
from cgrisk.units import Dimension

__all__ = [
    "Field",
    "interval",
    "measured",
    "named",
    "number",
    "percent",
    "probability",
    "records_of",
    "significant",
    "span",
    "table_of",
    "whole",
    "words",
]

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Field:
    """A column of a table, and how its cells are made of a row of the frame."""

    column: Column
    cell: Callable[[Row], Cell]
    needs: tuple[str, ...]


def _field(
    head: str,
    cell: Callable[[Row], Cell],
    *needs: str,
    key: str = "",
    numeric: bool = True,
    weight: float = 1.0,
) -> Field:
    return Field(Column(head, key, numeric, weight), cell, needs)


def words(name: str, head: str, *, key: str = "", weight: float = 1.0) -> Field:
    """Return a column of words as they stand."""
    return _field(
        head, lambda row: text_cell(row[name]), name, key=key, numeric=False, weight=weight
    )


def named(name: str, head: str, *, key: str = "", weight: float = 1.0) -> Field:
    """Return a column of names of phases, sides and figures, as they are read."""
    return _field(
        head, lambda row: Cell(spoken(row[name])), name, key=key, numeric=False, weight=weight
    )


def number(
    name: str, head: str, digits: int = 0, *, signed: bool = False, scale: float = 1.0
) -> Field:
    """Return a column of numbers to so many decimals, multiplied by a scale."""
    return _field(head, lambda row: fixed_cell(scale * row[name], digits, signed=signed), name)


def measured(
    name: str,
    head: str,
    dimension: Dimension,
    units: FileUnits,
    *,
    digits: int = 0,
    signed: bool = False,
) -> Field:
    """Return a column of masses, lengths or moments in the units of the files."""
    scale = units.scale(dimension)
    head = f"{head}, {units.name(dimension)}" if head else units.name(dimension)
    return number(name, head, digits, signed=signed, scale=scale)


def whole(name: str, head: str) -> Field:
    """Return a column of whole numbers."""
    return _field(
        head, lambda row: Cell("–") if row[name] != row[name] else count_cell(row[name]), name
    )


def percent(name: str, head: str, digits: int = 0) -> Field:
    """Return a column of shares, told in per cent."""
    return _field(head, lambda row: fixed_cell(100.0 * row[name], digits), name)


def significant(name: str, head: str, digits: int = 3) -> Field:
    """Return a column of numbers to so many significant figures."""
    return _field(head, lambda row: figure_cell(row[name], digits), name)


def probability(
    head: str = "probability per flight (interval)",
    *,
    estimate: str = "estimate",
    low: str = "low",
    high: str = "high",
    hits: str = "hits",
) -> Field:
    """Return a column of probabilities with their intervals; none seen is told as a bound."""

    def cell(row: Row) -> Cell:
        if row[estimate] != row[estimate]:
            return Cell("–")
        found = {"estimate": row[estimate], "low": row[low], "high": row[high]}
        if hits in row:
            found["hits"] = row[hits]
        return chance_cell(found)

    return _field(head, cell, estimate, low, high, weight=2.3)


def span(head: str, *, low: str, high: str, weight: float = 1.5) -> Field:
    """Return a column of ranges, from and to in one notation; "up to" where no least is told."""

    def cell(row: Row) -> Cell:
        if not math.isfinite(row[high]):
            return Cell("–")
        return Cell(range_text(row[low], row[high]), float(row[high]))

    return _field(head, cell, low, high, weight=weight)


def interval(
    head: str,
    digits: int,
    *,
    estimate: str = "estimate",
    low: str = "low",
    high: str = "high",
    signed: bool = False,
) -> Field:
    """Return a column of estimates with their intervals; an end that is not known is told so."""

    def cell(row: Row) -> Cell:
        if row[estimate] != row[estimate]:
            return Cell("–")

        def end(value: float) -> str:
            return fixed(value, digits, signed=signed) if math.isfinite(value) else "no bound"

        ends = f"{end(float(row[low]))} to {end(float(row[high]))}"
        middle = fixed(row[estimate], digits, signed=signed)
        return Cell(f"{middle} ({ends})", float(row[estimate]))

    return _field(head, cell, estimate, low, high, weight=1.7)


def records_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame by the names of its columns."""
    return [{str(key): value for key, value in row.items()} for row in frame.to_dict("records")]


def table_of(
    frame: pd.DataFrame, fields: Sequence[Field], *, caption: str, note: str = ""
) -> Table:
    """Return a table of a frame; fields whose columns the frame lacks are left out."""
    there = [field for field in fields if set(field.needs) <= set(frame.columns)]
    rows = tuple(tuple(field.cell(row) for field in there) for row in records_of(frame))
    return Table(caption, tuple(field.column for field in there), rows, note)
