"""Where each key of a TOML file stands: dotted path to line number.

The standard parser gives values without places, so this walks the text a second time. It is used
only when something is wrong, and only on text that the standard parser has accepted; it therefore
looks for the ends of keys and values and judges nothing.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from typing import TypeAlias

__all__ = ["KeyPath", "line_at", "locate"]

#: Keys and list positions from the top of the file, for instance ``("tanks", 1, "capacity")``.
KeyPath: TypeAlias = tuple[str | int, ...]

_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\r\n]+")
_STRING = re.compile(
    r'"""(?:\\.|"{1,2}(?!")|[^"\\])*"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)


def locate(text: str) -> dict[KeyPath, int]:
    """Return the 1-based line of every key, table and list entry of a valid TOML text.

    Parameters
    ----------
    text : str
        Text that ``tomllib.loads`` accepts.

    Returns
    -------
    dict
        Path to line. A table that is opened more than once stands at its first line.
    """
    return _Scanner(text).scan()


def line_at(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a path or, where it is not in the file, of what would hold it.

    None means the top of the file: no single line can be named.
    """
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path)


class _Scanner:
    """One pass over the text; ``at`` is the place reached."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self.entries: dict[KeyPath, int] = {}  # entries so far of each list of [[tables]]
        self.newlines = [i for i, sign in enumerate(text) if sign == "\n"]

    def scan(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self._peek("[["):
                table = self._header(brackets=2)
            elif self._peek("["):
                table = self._header(brackets=1)
            else:
                self._pair(table)
            self._skip(_BLANK)
        return self.lines

    def _peek(self, sign: str) -> bool:
        return self.text.startswith(sign, self.at)

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        if match is not None:
            self.at = match.end()

    def _mark(self, path: KeyPath, line: int) -> None:
        """Note the line of a path, and of what holds it where that was not opened before."""
        while path and path not in self.lines:
            self.lines[path] = line
            path = path[:-1]

    def _line(self) -> int:
        return bisect_right(self.newlines, self.at - 1) + 1

    def _key(self) -> list[str]:
        """Read a key, dotted or not."""
        parts: list[str] = []
        while True:
            self._skip(_SPACE)
            start = self.at
            if self.text[start] in "\"'":
                self._skip(_STRING)
                # The standard parser undoes the escapes.
                parts.append(str(tomllib.loads(f"k = {self.text[start : self.at]}")["k"]))
            else:
                self._skip(_BARE_KEY)
                parts.append(self.text[start : self.at])
            self._skip(_SPACE)
            if not self._peek("."):
                return parts
            self.at += 1

    def _header(self, *, brackets: int) -> KeyPath:
        line = self._line()
        self.at += brackets
        *parents, last = self._key()
        self.at += brackets
        path: KeyPath = ()
        for part in parents:
            path = self._open((*path, part))
        path = (*path, last)
        if brackets == 2:
            self.entries[path] = self.entries.get(path, 0) + 1
            path = (*path, self.entries[path] - 1)
        self._mark(path, line)
        return path

    def _open(self, path: KeyPath) -> KeyPath:
        """Return the last entry where a path names a list of tables, else the path."""
        return (*path, self.entries[path] - 1) if path in self.entries else path

    def _pair(self, table: KeyPath) -> None:
        line = self._line()
        path = (*table, *self._key())
        self.at += 1  # the equals sign
        self._mark(path, line)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._skip(_SPACE)
        if self._peek("["):
            self._list(path)
        elif self._peek("{"):
            self._inline_table(path)
        elif self.text[self.at] in "\"'":
            self._skip(_STRING)
        else:
            self._skip(_SCALAR)

    def _list(self, path: KeyPath) -> None:
        self.at += 1
        number = 0
        while True:
            self._skip(_BLANK)
            if self._peek("]"):
                break
            if self._peek(","):
                self.at += 1
                number += 1
                continue
            self.lines[(*path, number)] = self._line()
            self._value((*path, number))
        self.at += 1

    def _inline_table(self, path: KeyPath) -> None:
        self.at += 1
        while True:
            self._skip(_BLANK)
            if self._peek("}"):
                break
            if self._peek(","):
                self.at += 1
                continue
            self._pair(path)
        self.at += 1
