"""The command that would add what a report lacks, ready to be pasted."""

from __future__ import annotations

import os
import shlex
from functools import lru_cache
from pathlib import Path
from typing import Final

from cgrisk.runs import Run
from cgrisk.scenario import load_scenario
from cgrisk.scenario.shipped import DEFAULT, shipped_scenarios

__all__ = ["PLACEHOLDERS", "asks", "copies", "repeats"]

#: What capitals in the commands stand for.
PLACEHOLDERS: Final = (
    "P: the probability per flight that you accept; there is no published one. CASE: the operation "
    "file that the run was made from, where the run does not say which. Paths are those of the "
    "folder in which run and report were made. What is written beside the run's folder is taken "
    "into the next report by itself; results elsewhere are named with --with FOLDER."
)
#: Words before the case, words after it, and the folder to write.
_FORMS: Final = {
    "tail": ("tail", "--side {side} --target P", "tail-{side}"),
    "causes": ("causes", "--side {side} --target P", "causes-{side}"),
    "buffers": ("buffers", "--risk P", "buffers"),
    "zones": ("zones", "", "zones"),
    "policies": ("policies", "{beside}/policies.toml --target P", "policies"),
    "restrict": ("restrict", "{beside}/policies.toml --target P", "restrict"),
    "loads": ("loads", "{beside}/loads.csv", "loads"),
    "entry": ("run", "--with-entry-errors --flights {flights}", "with-entry-errors"),
}
#: Folder into which the shipped case is copied where a command needs what lies beside it.
_COPY: Final = "my-case"


@lru_cache(maxsize=1)
def _shipped() -> str:
    return load_scenario(shipped_scenarios()[DEFAULT]).digest()


def _free(folder: Path) -> Path:
    """Return a folder that is not there yet: a command writes into a new one."""
    number, free = 2, folder
    while free.exists():
        free = folder.with_name(f"{folder.name}-{number}")
        number += 1
    return free


def asks(run: Run, kind: str, *, side: str = "aft") -> str:
    """Return the command that makes a kind of result for a run's scenario, beside the run.

    Parameters
    ----------
    run : Run
        Whose case, seed and folder are meant.
    kind : str
        tail, causes, buffers, zones, policies, restrict, loads or entry.
    side : str
        Of a tail or its causes.
    """
    verb, rest, name = _FORMS[kind]
    case = str(run.manifest.settings.get("case") or "")
    if not case and run.inputs.scenario_sha256 != _shipped():
        case = "CASE"
    if not case and "{beside}" in rest:
        case = _COPY
    beside = Path(case).parent if case.endswith(".toml") else Path(case)
    words = rest.format(
        side=side, flights=run.manifest.flown, beside=shlex.quote(str(beside)) if case else ""
    )
    beside_run = Path(os.path.normpath(run.folder / os.pardir))
    out = _free(beside_run / name.format(side=side))
    parts = [
        f"cgrisk {verb}",
        shlex.quote(case) if case else "",
        words,
        f"--seed {run.inputs.seed}",
        f"--out {shlex.quote(str(out))}",
    ]
    return " ".join(part for part in parts if part)


def copies(run: Run) -> str:
    """Return the command that copies the shipped case to where other commands look for it.

    Empty where the run was made from a file that it names, or of another case.
    """
    if run.manifest.settings.get("case") or run.inputs.scenario_sha256 != _shipped():
        return ""
    return f"cgrisk new {_COPY}"


def repeats(run: Run, verb: str) -> str:
    """Return ``cgrisk rerun`` or ``cgrisk report`` of a run's folder."""
    return f"cgrisk {verb} {shlex.quote(str(run.folder))}"
