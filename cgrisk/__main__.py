"""The command, also as ``python -m cgrisk``; an interrupt while it is imported ends it quietly."""

from __future__ import annotations

import sys

__all__ = ["command"]


def command() -> int:
    """Run one command as a process of its own and return the exit status."""
    try:
        from cgrisk.cli import command as run

        return run()
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(command())
