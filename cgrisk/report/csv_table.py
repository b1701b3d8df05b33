"""Tables as CSV in which no name is taken for a formula by a spreadsheet.

A text that begins with one of the signs of a formula gets an apostrophe before it, unless it is a
number. So does one that has apostrophes before such a sign, so that what is read back is what was
written, but for a column whose every text is a number. (OWASP, "CSV Injection".)
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Final

import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

__all__ = ["parse_csv", "write_csv"]

_FORMULA: Final = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")  # noqa: RUF001
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", re.ASCII)


def write_csv(path: Path, frame: pd.DataFrame, *, float_format: str | None = None) -> None:
    """Write a table without its index.

    Parameters
    ----------
    path : Path
        File to write.
    frame : pandas.DataFrame
        Numbers and text; header and cells alike are made harmless.
    float_format : str, optional
        As in pandas; every figure that tells numbers apart if not given.
    """
    _mapped(frame, _harmless).to_csv(
        path, index=False, lineterminator="\n", float_format=float_format
    )


def parse_csv(text: str) -> pd.DataFrame:
    """Return a table that :func:`write_csv` wrote; an empty cell is missing, no other text is.

    Raises
    ------
    ValueError
        If it is none; pandas.errors.EmptyDataError, one of them, if nothing stands there.
    """
    frame = pd.read_csv(io.StringIO(text), keep_default_na=False, na_values=[""])
    return _mapped(frame, _restored)


def _harmless(text: str) -> str:
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def _restored(text: str) -> str:
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def _mapped(frame: pd.DataFrame, change: Callable[[str], str]) -> pd.DataFrame:
    """Return a table with header and texts changed, and all else as it is."""

    def changed(cell: object) -> object:
        return change(cell) if isinstance(cell, str) else cell

    columns = [
        column
        if is_numeric_dtype(column.dtype) or is_bool_dtype(column.dtype)
        else pd.Series(
            [changed(cell) for cell in column],
            index=column.index,
            dtype=object if isinstance(column.dtype, pd.CategoricalDtype) else column.dtype,
        )
        for _, column in frame.items()
    ]
    if not columns:
        return frame
    made = pd.concat(columns, axis=1)
    made.columns = pd.Index([changed(name) for name in frame.columns])
    return made
