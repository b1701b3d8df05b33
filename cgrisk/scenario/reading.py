"""Reading the files of a scenario folder: TOML, CSV, and nothing outside the folder."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from pathlib import Path
from typing import Any

from cgrisk.errors import Fault

__all__ = ["MOST_BYTES", "parse_toml", "read_table", "read_text", "resolve_reference"]

#: Largest file that is read.
MOST_BYTES = 2_000_000
_GREATEST_INTEGER = 10**15
_AT = re.compile(r"\(at line (\d+), column (\d+)\)")


def read_text(path: Path, *, shown: str) -> str | Fault:
    """Return the text of a regular UTF-8 file of modest size, or what is wrong with it."""

    def fault(got: str, cure: str) -> Fault:
        return Fault(shown, None, "", "a readable UTF-8 text file", got, cure)

    try:
        if not path.exists():
            return fault("no such file", "Check the name; `cgrisk new DIR` writes a set to edit.")
        if not path.is_file():
            return fault("a folder or special file", "Name the file itself.")
        size = path.stat().st_size
        if size > MOST_BYTES:
            return fault(f"{size} bytes", f"Keep it under {MOST_BYTES} bytes.")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        return fault(f"byte {error.start} that is not UTF-8", "Save the file as UTF-8.")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        return fault(reason, "Check the name and the permissions.")


def parse_toml(text: str, *, shown: str) -> dict[str, Any] | Fault:
    """Return the data of a TOML text, or where it stops being TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = _AT.search(str(error))
        line = int(match[1]) if match else None
        reason = _AT.sub("", str(error)).strip()
        return Fault(shown, line, "", "TOML", reason, "Mend the syntax on that line.")
    except (RecursionError, ValueError) as error:
        got = "nesting too deep" if isinstance(error, RecursionError) else str(error)[:80]
        return Fault(shown, None, "", "TOML", got, "Simplify the file.")


def oversized_integers(data: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Return the paths of whole numbers too large to be any quantity of an aircraft."""
    if isinstance(data, dict):
        return [p for key, value in data.items() for p in oversized_integers(value, (*path, key))]
    if isinstance(data, list):
        return [p for i, value in enumerate(data) for p in oversized_integers(value, (*path, i))]
    return [path] if isinstance(data, int) and abs(data) > _GREATEST_INTEGER else []


def resolve_reference(folder: Path, name: object, *, shown: str, key: str) -> Path | Fault:
    """Return the path of a file named in a scenario file; it must lie in the same folder."""
    expected = "the name of a file in the scenario's own folder"
    cure = "Put the file next to this one and give its bare name."
    if not isinstance(name, str) or not name or len(name) > 120:
        return Fault(shown, None, key, expected, repr(name)[:80], cure)
    if "/" in name or "\\" in name or "\0" in name or name in (".", "..") or ":" in name:
        return Fault(shown, None, key, expected, repr(name), cure)
    path = folder / name
    try:
        inside = path.resolve().parent == folder.resolve()
    except (OSError, RuntimeError):
        inside = False
    if not inside:
        return Fault(shown, None, key, expected, f"{name!r}, a link out of the folder", cure)
    return path


def _cell(text: str, kind: type) -> Any:
    value = text.strip()
    if kind is int:
        return int(value)
    if kind is float:
        return float(value)
    return value


def read_table(
    path: Path, *, shown: str, required: dict[str, type], optional: dict[str, type]
) -> list[dict[str, Any]] | list[Fault]:
    """Return the rows of a CSV file as dictionaries of typed values, or all its faults.

    The first line names the columns; empty cells of optional columns are left out.
    """
    text = read_text(path, shown=shown)
    if isinstance(text, Fault):
        return [text]
    reader = csv.reader(io.StringIO(text, newline=""))
    kinds = required | optional
    rows: list[dict[str, Any]] = []
    faults: list[Fault] = []
    try:
        header = [name.strip().lower() for name in next(reader, [])]
        wrong = [name for name in header if name not in kinds]
        lacking = [name for name in required if name not in header]
        if wrong or lacking or len(set(header)) != len(header):
            wanted = "columns " + ", ".join(required) + "".join(f" [{n}]" for n in optional)
            got = ", ".join(header)[:120] or "an empty file"
            return [Fault(shown, 1, "", wanted, got, "Mend the first line.")]
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            line = reader.line_num
            if len(cells) != len(header):
                expected, got = f"{len(header)} cells", str(len(cells))
                faults.append(Fault(shown, line, "", expected, got, "Mend the row."))
                continue
            row: dict[str, Any] = {}
            for name, cell in zip(header, cells, strict=True):
                if not cell.strip() and name in optional:
                    continue
                try:
                    row[name] = _cell(cell, kinds[name])
                except ValueError:
                    noun = "a whole number" if kinds[name] is int else "a number"
                    faults.append(Fault(shown, line, name, noun, repr(cell[:40]), "Mend it."))
            rows.append(row)
            if len(rows) > 5000 or len(faults) > 100:
                break
    except csv.Error as error:
        faults.append(Fault(shown, reader.line_num, "", "CSV", str(error), "Mend the row."))
    if not rows and not faults:
        faults.append(Fault(shown, 2, "", "at least one row", "none", "Fill in the table."))
    return faults or rows
