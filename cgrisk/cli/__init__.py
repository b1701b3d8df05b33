"""The command line: one file a command, no computation."""

from __future__ import annotations

from cgrisk.cli.main import command, main

__all__ = ["command", "main"]
