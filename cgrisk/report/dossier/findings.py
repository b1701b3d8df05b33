"""What a report is made from: a complete run, and results of decisions on the same scenario."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import pandas as pd

from cgrisk.errors import RunFolderError, UsageError
from cgrisk.report.csv_table import parse_csv
from cgrisk.report.dossier.parts import HASH_SIGNS
from cgrisk.report.file_units import FileUnits
from cgrisk.report.result_folder import SEAL, check_seal
from cgrisk.runs import Run, read_run
from cgrisk.runs.files import digest_of, read_regular

__all__ = ["KINDS", "Findings", "Result", "read_findings"]

#: Main file of each kind of result; causes lie beside the tail they explain.
KINDS: Final = {
    "tail": "tail.json",
    "causes": "causes.json",
    "buffers": "buffers.json",
    "zones": "zones.json",
    "policies": "policies.json",
    "restrict": "restriction.json",
    "loads": "loads.json",
}


def _text(path: Path) -> str:
    """Return the text of a file that was found whole a moment ago."""
    try:
        return read_regular(path).decode("utf-8")
    except (OSError, ValueError) as error:
        raise RunFolderError(
            f"{path}: expected the text that was written; got {_reason(error)}. Repeat the command "
            "that made it."
        ) from error


def _reason(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:120]


def _table(folder: Path, name: str) -> pd.DataFrame:
    path = folder / name
    try:
        text = read_regular(path).decode("utf-8")
        return parse_csv(text)
    except pd.errors.EmptyDataError:
        return pd.DataFrame()
    except (OSError, ValueError) as error:
        raise RunFolderError(
            f"{path}: expected a table as it was written; got {_reason(error)}. Repeat the command "
            "that made it."
        ) from error


@dataclass(frozen=True)
class Result:
    """Results of a command other than ``run``, every file checked against its hash.

    Attributes
    ----------
    kind : str
        One of ``KINDS``.
    folder : Path
        Where they are.
    data : dict
        Content of its JSON file: answer and manifest.
    files : tuple of str
        What the folder holds.
    """

    kind: str
    folder: Path
    data: dict[str, Any]
    files: tuple[str, ...]

    @property
    def command(self) -> str:
        """The command that made it."""
        return str(self.data["manifest"].get("command", ""))

    @property
    def decision(self) -> tuple[str, ...]:
        """Its sentences to act on."""
        told = self.data.get("decision", ())
        return (told,) if isinstance(told, str) else tuple(str(line) for line in told)

    def has(self, name: str) -> bool:
        """Return whether a file is there."""
        return name in self.files

    def table(self, stem: str) -> pd.DataFrame:
        """Return a table; empty where there is none."""
        return _table(self.folder, f"{stem}.csv") if self.has(f"{stem}.csv") else pd.DataFrame()

    def drawing(self, stem: str) -> str:
        """Return a chart as it was drawn."""
        return self.text(f"{stem}.svg")

    def text(self, name: str) -> str:
        """Return the text of a file."""
        return _text(self.folder / name)

    def sha256(self) -> str:
        """Return the SHA-256 of its seal, which stands for all its files."""
        return digest_of(self.folder / SEAL)


@dataclass(frozen=True)
class Findings:
    """A run with what was decided on the same scenario.

    Attributes
    ----------
    run : Run
        Complete, every file checked.
    results : tuple of Result
        In the order of ``KINDS``, then by name.
    left_out : tuple of (str, str)
        Folders that were not taken, and why.
    """

    run: Run
    results: tuple[Result, ...]
    left_out: tuple[tuple[str, str], ...]

    def of(self, kind: str) -> tuple[Result, ...]:
        """Return the results of a kind."""
        return tuple(result for result in self.results if result.kind == kind)

    def table(self, stem: str) -> pd.DataFrame:
        """Return a summary of the run; empty where there is none."""
        name = f"summaries/{stem}.csv"
        if name not in self.run.manifest.files:
            return pd.DataFrame()
        return _table(self.run.folder, name)

    def has_chart(self, stem: str) -> bool:
        """Return whether the run has a chart."""
        return f"charts/{stem}.svg" in self.run.manifest.files

    def chart_table(self, stem: str) -> pd.DataFrame:
        """Return the numbers of a chart of the run."""
        return _table(self.run.folder, f"charts/{stem}.csv")

    def drawing(self, stem: str) -> str:
        """Return a chart of the run as it was drawn."""
        return _text(self.run.folder / "charts" / f"{stem}.svg")

    @property
    def units(self) -> FileUnits:
        """Units that masses, lengths and moments are told in."""
        return FileUnits.of(self.run.model.scenario)

    @cached_property
    def leave(self) -> pd.DataFrame:
        """Probability of leaving the envelope, by side, phase and reading."""
        return self.table("leave_envelope")

    def row(self, *, side: str, reading: str, phase: str = "any") -> dict[str, Any]:
        """Return one probability of leaving the envelope with its interval and method."""
        table = self.leave
        here = table[
            (table["side"] == side) & (table["phase"] == phase) & (table["reading"] == reading)
        ]
        return {str(key): value for key, value in here.iloc[0].to_dict().items()}


def _kind_of(folder: Path) -> str | None:
    found = [kind for kind, name in KINDS.items() if (folder / name).is_file()]
    if "causes" in found:
        return "causes"
    return found[0] if found else None


def _digest(scenario: Any) -> str:
    text = json.dumps(scenario, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _read(folder: Path, kind: str, run: Run) -> Result:
    files = check_seal(folder)
    name = KINDS[kind]
    if name not in files:
        raise RunFolderError(f"{folder}: expected {name} under its seal; got none. Repeat it.")
    try:
        data = json.loads(read_regular(folder / name))
        if kind == "causes":
            tail = json.loads(read_regular(folder / KINDS["tail"]))
            # Both have "phases": those that count, and the share of each in the risk.
            data = tail | data | {"phases": tail["phases"], "in_phases": data["phases"]}
        digest = _digest(data["manifest"]["scenario"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise RunFolderError(
            f"{folder / name}: expected an answer with its manifest; got none. Repeat it."
        ) from error
    if digest != run.inputs.scenario_sha256:
        own, other = run.inputs.scenario_sha256[:HASH_SIGNS], digest[:HASH_SIGNS]
        raise RunFolderError(
            f"{folder}: expected the scenario of the run (SHA-256 {own}); got another ({other}). "
            "Repeat the command with the run's scenario, or the run with this one."
        )
    return Result(kind=kind, folder=folder, data=data, files=files)


def read_findings(folder: str | Path, *, beside: Sequence[str | Path] | None = None) -> Findings:
    """Read a run and the results of decisions on the same scenario.

    Parameters
    ----------
    folder : str or Path
        Of the run.
    beside : sequence of str or Path, optional
        Folders of results that must be taken, and no others. Where it is not given, those that lie
        beside the run's folder are looked at, and taken if they are whole and of the same scenario.

    Raises
    ------
    RunFolderError
        If the run, or a folder that must be taken, is not complete, was changed, or is of another
        scenario.
    UsageError
        If a folder that must be taken holds no result of cgrisk, or two have the same name.
    """
    run = read_run(folder)
    results, left_out = [], []
    if beside is not None:
        for name in beside:
            place = Path(name)
            kind = _kind_of(place)
            if kind is None:
                raise UsageError(
                    argument="--with",
                    expected=f"a folder written by cgrisk {', '.join(KINDS)}",
                    got=str(name),
                    cure="Name the folder that the command wrote.",
                )
            results.append(_read(place, kind, run))
    else:
        around = run.folder.resolve().parent
        for place in sorted(path for path in around.iterdir() if path.is_dir()):
            kind = _kind_of(place)
            if kind is None:
                continue
            try:
                results.append(_read(place, kind, run))
            except RunFolderError as error:
                why = str(error).removeprefix(f"{place}: ").replace(f"{around}{os.sep}", "")
                left_out.append((place.name, why))
    names = [result.folder.name for result in results]
    if len(set(names)) < len(names):
        raise UsageError(
            argument="--with",
            expected="folders with names of their own",
            got=sorted(name for name in set(names) if names.count(name) > 1),
            cure="Name each folder once, and rename those of the same name.",
        )
    order = list(KINDS)
    results.sort(key=lambda result: (order.index(result.kind), result.folder.name))
    return Findings(run=run, results=tuple(results), left_out=tuple(left_out))
