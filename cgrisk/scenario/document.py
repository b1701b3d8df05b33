"""Reading the files of a scenario safely: what they say, where it stands, and what cannot be read.

A file is read only if it is a regular file of sane size in UTF-8, and a file that another one
names only if it lies in the scenario's own folder.
"""

from __future__ import annotations

import re
import stat
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, time
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from cgrisk.errors import Fault, InputError
from cgrisk.scenario.locate import KeyPath, line_at, locate

__all__ = [
    "Document",
    "Placement",
    "key_text",
    "read_document",
    "read_text",
    "referenced",
    "shown",
]

#: Largest file that is read. A full scenario has some 10 kB.
MAX_BYTES: Final = 2_000_000
#: Longest line that is parsed.
MAX_LINE: Final = 20_000
#: Most parts of a dotted key: the standard parser takes quadratic time over them.
MAX_KEY_PARTS: Final = 20
_LONG_KEY = re.compile(
    r"""^[ \t]*\[{0,2}[ \t]*(?:(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){20}""",
    re.MULTILINE,
)
#: Deepest nesting of tables and lists; the models need seven.
MAX_DEPTH: Final = 20

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_LONGEST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Placement:
    """Rows of a CSV file that stand in for a list: their file, lines and column names."""

    file: str
    lines: tuple[int, ...]
    columns: tuple[str, ...]


@dataclass(frozen=True)
class Document:
    """A TOML file: its name as the user gave it, its text and what it says.

    ``placements`` tells, for the path of a list that was read from a CSV file, where its rows are.
    """

    file: str
    text: str
    data: dict[str, Any]
    placements: Mapping[KeyPath, Placement] = field(default_factory=dict)

    @cached_property
    def _lines(self) -> dict[KeyPath, int]:
        return locate(self.text)

    def fault(self, path: KeyPath, *, expected: str, got: str, cure: str) -> Fault:
        """Return a fault of what stands at a path, in this file or in its CSV file."""
        for prefix, placed in self.placements.items():
            rest = path[len(prefix) :]
            if path[: len(prefix)] == prefix and rest and isinstance(rest[0], int):
                column = rest[1] if len(rest) > 1 else ""
                name = placed.columns[column] if isinstance(column, int) else column
                return Fault(placed.file, placed.lines[rest[0]], name, expected, got, cure)
        return Fault(self.file, line_at(self._lines, path), key_text(path), expected, got, cure)


def key_text(path: KeyPath) -> str:
    """Return a path as people write it, for instance ``cabin.rows[2].pitch``."""
    text = ""
    for key in path:
        if isinstance(key, int):
            text += f"[{key}]"
        else:
            text += ("." if text else "") + (key if _BARE.fullmatch(key) else shown(key))
    return text


def shown(value: object) -> str:
    """Return a value of a file as a message shows it: short, on one line, nothing unprintable."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        # Python refuses to print whole numbers of thousands of digits.
        return str(value) if abs(value) < 10**30 else "a whole number of more than 30 digits"
    if isinstance(value, str):
        text = value[:_LONGEST_SHOWN]
        text = "".join(
            sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text
        )
        return f'"{text}"' if len(value) <= _LONGEST_SHOWN else f'"{text}..."'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)} {'entry' if len(value) == 1 else 'entries'}"
    if isinstance(value, date | time):
        return f"the date or time {value.isoformat()}"
    return str(value)


def referenced(folder: Path, name: str) -> tuple[Path | None, str]:
    """Return the path of a file that another file names, or None and what is wrong with the name.

    Parameters
    ----------
    folder : pathlib.Path
        The scenario's folder.
    name : str
        Name as it stands in the file: a plain name, without folders.
    """
    if name in {"", ".", ".."} or re.search(r"[/\\:\x00-\x1f\x7f]", name):
        return None, f"{shown(name)}, which is not the plain name of a file"
    path = folder / name
    try:
        inside = path.resolve().parent == folder.resolve()
    except (OSError, RuntimeError, ValueError):
        return None, f"{shown(name)}, which cannot be followed"
    return (path, "") if inside else (None, f"{shown(name)}, a link that leaves the folder")


def read_text(
    path: Path, *, file: str, most_bytes: int = MAX_BYTES, kind: str = "a scenario file"
) -> str:
    """Return the text of a file of at most so many bytes; ``kind`` is what should be named.

    Raises
    ------
    InputError
        If it is not there, not a regular file, too large, not readable or not UTF-8.
    """

    def refuse(expected: str, got: str, cure: str) -> InputError:
        return InputError([Fault(file, None, "", expected, got, cure)])

    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            got = "a folder" if stat.S_ISDIR(status.st_mode) else "something else"
            raise refuse("a file", got, f"Name {kind}.")
        with path.open("rb") as stream:
            content = stream.read(most_bytes + 1)
    except FileNotFoundError:
        raise refuse("a file", "nothing of that name", "Check the name and the folder.") from None
    except PermissionError:
        raise refuse(
            "a file that may be read", "no permission", "Change its permissions."
        ) from None
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise refuse("a file that can be read", reason, "Check the name and the disk.") from None
    if len(content) > most_bytes:
        raise refuse(
            f"at most {most_bytes} bytes", "a larger file", "Check that this is the file you mean."
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        got = f"byte 0x{content[error.start]:02x}, which is not UTF-8"
        fault = Fault(file, line, "", "text in UTF-8", got, "Save the file in UTF-8.")
        raise InputError([fault]) from None


def read_document(path: Path, *, file: str, kind: str = "a scenario file") -> Document:
    """Return a TOML file, parsed; ``kind`` is what should be named.

    Raises
    ------
    InputError
        If it cannot be read, is not TOML, or nests too deeply.
    """
    text = read_text(path, file=file, kind=kind)
    _refuse_monsters(text, file)
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise _too_deep(file) from None
    except ValueError as error:
        raise InputError([_syntax_fault(str(error), text, file)]) from None
    if any(depth > MAX_DEPTH for depth in _depths(data)):
        raise _too_deep(file)
    return Document(file, text, data)


def _refuse_monsters(text: str, file: str) -> None:
    """Refuse what would take the parser very long."""
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > MAX_LINE:
            expected, got = f"lines of at most {MAX_LINE} characters", f"{len(line)} characters"
            cure = "Break the line; lists may run over several lines."
            raise InputError([Fault(file, number, "", expected, got, cure)])
    long_key = _LONG_KEY.search(text)
    if long_key is not None:
        number = text.count("\n", 0, long_key.start()) + 1
        expected, cure = f"keys of at most {MAX_KEY_PARTS} parts", "`cgrisk fields` lists the keys."
        raise InputError([Fault(file, number, "", expected, "a key of more parts", cure)])


def _too_deep(file: str) -> InputError:
    expected = f"tables and lists nested at most {MAX_DEPTH} deep"
    cure = "Start from the files that `cgrisk new` writes."
    return InputError([Fault(file, None, "", expected, "deeper nesting", cure)])


def _depths(data: dict[str, Any]) -> Iterator[int]:
    """Yield the depth of every table and list, without recursion."""
    waiting: list[tuple[Any, int]] = [(data, 1)]
    while waiting:
        value, depth = waiting.pop()
        members = value.values() if isinstance(value, dict) else value
        yield depth
        waiting += [(member, depth + 1) for member in members if isinstance(member, dict | list)]


def _syntax_fault(message: str, text: str, file: str) -> Fault:
    place = _PLACE.search(message)
    what = _PLACE.sub("", message)
    if place is not None and place[1]:
        line, cure = int(place[1]), f"Look at column {place[2]} of that line."
    elif place is not None:
        line, cure = text.count("\n") + 1, "Something is not closed: a quote, bracket or brace."
    else:
        return Fault(file, None, "", "valid TOML", what, "Correct the value.")
    if what.startswith(("Cannot overwrite", "Cannot declare")):
        cure = "This key or table stands in the file twice: keep one."
    return Fault(file, line, "", "valid TOML", what[:200], cure)
