"""CSV tables: those that a scenario file may name, and how any other one is read."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from cgrisk.errors import Fault, InputError
from cgrisk.scenario.document import MAX_BYTES, Placement, read_text, shown

__all__ = ["FUEL_INDEX", "SEAT_PLAN", "SURVEY", "TableForm", "read_table"]


@dataclass(frozen=True, slots=True)
class TableForm:
    """Columns of a CSV table, and how large it may be.

    Attributes
    ----------
    columns : dict
        Name to what its texts are made into, by a function that raises ValueError.
    optional : frozenset of str
        Columns that may be missing, or empty in a row.
    as_list : bool
        Make each row a list in the order of the columns instead of a table.
    says : mapping
        What the cells of a column must be, in words; a whole number or a number if not given.
    comments : bool
        Leave out lines above the header that begin with ``#``.
    most_rows, most_bytes : int
        Limits of the file.
    kind : str
        What the file is called.
    """

    columns: dict[str, Callable[[str], Any]]
    optional: frozenset[str] = frozenset()
    as_list: bool = False
    says: Mapping[str, str] = field(default_factory=dict)
    comments: bool = False
    most_rows: int = 5_000
    most_bytes: int = MAX_BYTES
    kind: str = "a CSV file"


SEAT_PLAN: Final = TableForm(
    columns={
        "row": int,
        "letter": str,
        "arm": float,
        "position": str,
        "aisle": int,
        "cabin_class": str,
    },
    optional=frozenset({"aisle", "cabin_class"}),
)
FUEL_INDEX: Final = TableForm(columns={"fuel": float, "index": float}, as_list=True)

SURVEY: Final = TableForm(
    columns={"sex": str, "mass": float}, as_list=True, comments=True, most_rows=20_000
)

_KINDS: Final[dict[Callable[[str], Any], str]] = {int: "a whole number", float: "a number"}


def read_table(path: Path, *, file: str, form: TableForm) -> tuple[list[Any], Placement]:
    """Return the rows of a CSV file as a TOML file would state them, and where they stand.

    Parameters
    ----------
    path : pathlib.Path
        File.
    file : str
        Its name for messages.
    form : TableForm
        Its columns.

    Raises
    ------
    InputError
        With every fault of header and cells.
    """
    lines = _read_lines(path, file, form)
    header = [name.strip() for name in lines[0][1]] if lines else []
    faults = _header_faults(header, file, form, line=lines[0][0] if lines else 1)
    if faults:
        raise InputError(faults)
    rows: list[Any] = []
    for line, cells in lines[1:]:
        row, wrong = _read_row(header, cells, file, form, line)
        faults += wrong
        rows.append(list(row.values()) if form.as_list else row)
    if not rows:
        expected, cure = "a header and at least one row", "Add the rows of the table."
        faults.append(Fault(file, None, "", expected, "no rows", cure))
    if faults:
        raise InputError(faults)
    return rows, Placement(file, tuple(line for line, _ in lines[1:]), tuple(form.columns))


def _read_lines(path: Path, file: str, form: TableForm) -> list[tuple[int, list[str]]]:
    """Return (line, cells) of every line that is not blank or a comment above the header."""
    text = read_text(path, file=file, most_bytes=form.most_bytes, kind=form.kind)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    lines: list[tuple[int, list[str]]] = []
    try:
        for cells in reader:
            comment = form.comments and not lines and "".join(cells).lstrip().startswith("#")
            if any(cell.strip() for cell in cells) and not comment:
                lines.append((reader.line_num, cells))
            if len(lines) > form.most_rows + 1:
                expected = f"at most {form.most_rows} rows"
                cure = "Check that this is the right file."
                raise InputError([Fault(file, reader.line_num, "", expected, "more rows", cure)])
    except csv.Error as error:
        fault = Fault(
            file, reader.line_num, "", "valid CSV", str(error), "Check the quotes of that line."
        )
        raise InputError([fault]) from None
    return lines


def _header_faults(header: Sequence[str], file: str, form: TableForm, *, line: int) -> list[Fault]:
    wanted = [name for name in form.columns if name not in form.optional]
    expected = "the columns " + ", ".join(wanted)
    if form.optional:
        also = [name for name in form.columns if name in form.optional]
        expected += f" and, if wanted, {', '.join(also)}"

    def fault(key: str, got: str, cure: str) -> Fault:
        return Fault(file, line, key, expected, got, cure)

    if len(header) == 1 and ";" in header[0]:
        return [fault("", "columns apart by semicolons", "Save the file with commas.")]
    faults = [
        fault(name, "no such column", f"Name it in the first line: {','.join(wanted)}")
        for name in wanted
        if name not in header
    ]
    faults += [
        fault("", f"the column {shown(name)}", "Take the column away, or correct its name.")
        for name in header
        if name not in form.columns
    ]
    faults += [
        fault(name, f"{header.count(name)} columns of that name", "Keep one of them.")
        for name in form.columns
        if header.count(name) > 1
    ]
    return faults


def _read_row(
    header: Sequence[str], cells: Sequence[str], file: str, form: TableForm, line: int
) -> tuple[dict[str, Any], list[Fault]]:
    """Return the cells of a row in the order of the form, and their faults."""
    if len(cells) != len(header):
        fault = Fault(
            file,
            line,
            "",
            f"{len(header)} cells, as in the first line",
            f"{len(cells)}",
            "Check the commas; decimals are written with a point.",
        )
        return {}, [fault]
    texts = {name: cell.strip() for name, cell in zip(header, cells, strict=True)}
    row: dict[str, Any] = {}
    faults = []
    for name, make in form.columns.items():
        text = texts.get(name, "")
        if text == "" and name in form.optional:
            continue
        try:
            row[name] = make(text)
        except ValueError:
            got = shown(text) if text else "an empty cell"
            expected = form.says.get(name) or _KINDS[make]
            faults.append(
                Fault(file, line, name, expected, got, "Write what is expected into that cell.")
            )
    return row, faults
