"""Printing: plain text, without control characters that a scenario may carry."""

from __future__ import annotations

import json
import re
import shutil
import sys
import time
from contextlib import suppress
from typing import Any

__all__ = ["Progress", "answer", "clean", "duration", "say", "slug"]


def clean(text: str) -> str:
    """Return text without control characters, so that no file can steer the terminal."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def say(text: str) -> None:
    """Print a message on stderr."""
    if sys.stderr is not None:
        with suppress(OSError):  # nobody listens
            sys.stderr.write(clean(text) + "\n")


def answer(text: str | dict[str, Any]) -> None:
    """Print the answer on stdout: text as it stands, data as JSON."""
    if isinstance(text, dict):
        text = json.dumps(text, indent=2, allow_nan=False)
    if sys.stdout is not None:
        sys.stdout.write(_encodable(clean(text), sys.stdout.encoding) + "\n")
        sys.stdout.flush()


def _encodable(text: str, encoding: str | None) -> str:
    """Return text with escapes for the signs that an encoding lacks."""
    encoding = encoding or "utf-8"
    return text.encode(encoding, "backslashreplace").decode(encoding)


def slug(name: str, *, instead: str = "scenario") -> str:
    """Return a name as the name of a folder: small letters, digits and hyphens alone."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:60] or instead


def duration(seconds: float) -> str:
    """Return a time in the unit in which it is read."""
    if seconds < 120.0:
        return f"{seconds:.1f} s"
    return f"{seconds / 60.0:.1f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


class Progress:
    """A line on a terminal's stderr that is rewritten as flights are done; silent elsewhere."""

    def __init__(self) -> None:
        self.flown, self.start = 0, time.perf_counter()
        self._shown = sys.stderr is not None and sys.stderr.isatty()

    def begin(self, text: str) -> None:
        """Show what is being waited for before the first flights are done."""
        self._write(text)
        self.start = time.perf_counter()

    def show(self, done: int, *, flown: int, part: float, text: str = "") -> None:
        """Rewrite the line: flights done in all, of them flown now, part of the work done."""
        self.flown = flown
        rate = self._rate()
        bar = "#" * round(24 * min(part, 1.0))
        left = ""
        if rate and 0.0 < part < 1.0:
            left = f"  about {duration(done * (1.0 - part) / part / rate)} left"
        self._write(f"[{bar:<24}] {done:,} flights  {rate:,.0f}/s{left}  {text}")

    def end(self) -> float:
        """Leave the line; return flights per second."""
        if self._shown:
            sys.stderr.write("\n")
        return self._rate()

    def _rate(self) -> float:
        seconds = time.perf_counter() - self.start
        return self.flown / seconds if seconds > 0.0 else 0.0

    def _write(self, text: str) -> None:
        if self._shown:
            room = shutil.get_terminal_size((100, 24)).columns - 1
            sys.stderr.write(f"\r\x1b[2K{clean(text)[:room]}")
            sys.stderr.flush()
