"""Printing: plain text, without control characters that a scenario may carry."""

from __future__ import annotations

import json
import sys
import time
from typing import Any

__all__ = ["Progress", "answer", "clean", "say"]


def clean(text: str) -> str:
    """Return text without control characters, so that no file can steer the terminal."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def say(text: str) -> None:
    """Print a message on stderr."""
    sys.stderr.write(clean(text) + "\n")


def answer(text: str | dict[str, Any]) -> None:
    """Print the answer on stdout: text as it stands, data as JSON."""
    if isinstance(text, dict):
        text = json.dumps(text, indent=2, allow_nan=False)
    sys.stdout.write(clean(text) + "\n")
    sys.stdout.flush()


class Progress:
    """A line on a terminal's stderr that is rewritten as flights are done; silent elsewhere."""

    def __init__(self, total: int) -> None:
        self.total, self.done, self.start = total, 0, time.perf_counter()
        self._shown = sys.stderr.isatty()

    def begin(self, text: str) -> None:
        """Show what is being waited for before the first flights are done."""
        if self._shown:
            sys.stderr.write(f"\r\x1b[2K{clean(text)}")
            sys.stderr.flush()
        self.start = time.perf_counter()

    def advance(self, flights: int, text: str = "") -> None:
        """Count flights and rewrite the line."""
        self.done += flights
        seconds = time.perf_counter() - self.start
        rate = self.done / seconds if seconds > 0.0 else 0.0
        if self._shown:
            bar = "#" * round(24 * self.done / self.total)
            sys.stderr.write(
                f"\r\x1b[2K[{bar:<24}] {self.done:,}/{self.total:,} flights  {rate:,.0f}/s  "
                f"{clean(text)}"
            )
            sys.stderr.flush()

    def end(self) -> float:
        """Leave the line; return flights per second."""
        if self._shown:
            sys.stderr.write("\n")
        seconds = time.perf_counter() - self.start
        return self.done / seconds if seconds > 0.0 else 0.0
