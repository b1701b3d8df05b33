"""The one family of errors that cgrisk raises on purpose.

Every message says what was expected, what was got, and the cure. Programs read
the attributes; people read ``str(error)``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "CgriskError",
    "ComputationError",
    "Fault",
    "InputError",
    "InterruptedRunError",
    "NoRunFolderError",
    "RunFolderError",
    "UsageError",
]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with an input, and how to mend it.

    Attributes
    ----------
    file : str
        File as the user named it.
    line : int or None
        1-based line, when the fault can be pinned to one.
    key : str
        Dotted path of the key, for instance ``cabin.rows[2].pitch``.
    expected, got, cure : str
        What would be accepted, what stands there, and what to do.
    """

    file: str
    line: int | None
    key: str
    expected: str
    got: str
    cure: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        key = f" {self.key}:" if self.key else ""
        return f"{where}:{key} expected {self.expected}; got {self.got}. {self.cure}"


class CgriskError(Exception):
    """Base of every error raised on purpose. ``exit_code`` is what the command line returns."""

    exit_code = 1


class InputError(CgriskError):
    """A scenario, policy or data file is faulty; carries all its faults at once."""

    exit_code = 2

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class UsageError(CgriskError):
    """An argument is out of its range, or arguments do not go together."""

    exit_code = 2

    def __init__(self, *, argument: str, expected: str, got: object, cure: str) -> None:
        self.argument, self.expected, self.got, self.cure = argument, expected, got, cure
        super().__init__(f"{argument}: expected {expected}; got {got!r}. {cure}")


class ComputationError(CgriskError):
    """A computation could not finish; the message says why and what to do."""


class InterruptedRunError(CgriskError):
    """A run was interrupted; the message says what is saved and how to go on."""

    exit_code = 130


class RunFolderError(CgriskError):
    """A run folder cannot be read, written or trusted."""


class NoRunFolderError(RunFolderError):
    """Nothing stands where a run folder was named."""

    exit_code = 2
