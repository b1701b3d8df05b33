"""Entry point: parse, call the command, turn every error into a message and an exit status.

Exit status: 0 for an answer, 2 for bad usage or input, 1 for a computation that could not finish,
3 for buffers or an envelope whose proof failed, 130 for one that was interrupted.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from cgrisk import __version__
from cgrisk.cli.output import say
from cgrisk.errors import CgriskError

__all__ = ["command", "main", "make_parser"]

_COMMANDS = (
    "run",
    "tail",
    "causes",
    "buffers",
    "zones",
    "loads",
    "policies",
    "restrict",
    "report",
    "replay",
    "rerun",
    "compare",
    "check",
    "new",
    "fields",
)
_INTERRUPTED = 130


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands. Loads no numerical library."""
    parser = argparse.ArgumentParser(
        prog="cgrisk",
        description="How likely is it that an aircraft leaves its CG envelope? A study aid, not "
        "approved data and not for dispatch.",
        epilog="example: cgrisk run --flights 10000",
    )
    parser.add_argument("--version", action="version", version=f"cgrisk {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in _COMMANDS:
        module = importlib.import_module(f"cgrisk.cli.{name}")
        command = commands.add_parser(
            name,
            help=module.HELP,
            description=module.HELP,
            epilog=f"example: {module.EXAMPLE}",
        )
        module.add_arguments(command)
        command.add_argument(
            "--json", action="store_true", help="print the whole answer as JSON on stdout alone"
        )
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status."""
    name, flies = "", False
    try:
        chosen = make_parser().parse_args(arguments)
        name, flies = f" {chosen.command}", hasattr(chosen, "flights")
        return int(importlib.import_module(f"cgrisk.cli.{chosen.command}").execute(chosen))
    except SystemExit as leave:  # argparse: 0 after --help, 2 after bad usage
        return int(leave.code or 0)
    except CgriskError as error:
        say(f"cgrisk{name}: {error}")
        return error.exit_code
    except KeyboardInterrupt:
        say(f"cgrisk{name}: interrupted. Start it again.")
        return _INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        return 1
    except OSError as error:
        say(f"cgrisk{name}: {error.filename or 'output'}: {error.strerror or error}")
        return 1
    except MemoryError:
        more = "End other programs, or use a machine with more of it."
        say(f"cgrisk{name}: out of memory. {'Ask for fewer flights.' if flies else more}")
        return 1
    except Exception as error:
        if os.environ.get("CGRISK_DEBUG") == "1":
            raise
        say(
            f"cgrisk{name}: internal error ({type(error).__name__}: {error}). "
            "Please report it; CGRISK_DEBUG=1 shows where."
        )
        return 1


def command() -> int:
    """Run one command as a process of its own."""
    status = main()
    if status == _INTERRUPTED:
        # The compiled part may still be at work in other threads, and would be waited for.
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
    return status
