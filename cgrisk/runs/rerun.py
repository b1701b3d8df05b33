"""Repeating a run from its manifest, and what came out of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from cgrisk.compiled import source_fingerprint
from cgrisk.runs.manifest import environment
from cgrisk.runs.store import MANIFEST, read_run
from cgrisk.sampling import Block, simulate

__all__ = ["RerunVerdict", "rerun"]

#: Relative difference within which a rerun on other versions counts as the same.
CLOSE = 1e-12


@dataclass(frozen=True, slots=True)
class RerunVerdict:
    """What a rerun gave.

    Attributes
    ----------
    verdict : str
        "identical", "within 1e-12" or "different".
    largest : float
        Largest difference, relative to the larger of the value and 1 (nan where shapes differ).
    columns : tuple of str
        Figures that are not identical.
    changed : dict of str to tuple of str
        What differs in the environment: then and now.
    """

    verdict: str
    largest: float
    columns: tuple[str, ...]
    changed: dict[str, tuple[str, str]]


def _compare(before: pd.DataFrame, after: pd.DataFrame) -> tuple[str, float, tuple[str, ...]]:
    if list(before.columns) != list(after.columns) or len(before) != len(after):
        return "different", float("nan"), tuple(sorted({*before.columns} ^ {*after.columns}))
    old, new = before.to_numpy(), after.to_numpy()
    if old.tobytes() == new.tobytes():
        return "identical", 0.0, ()
    gap = np.abs(old - new) / np.maximum(np.abs(old), 1.0)
    gap = np.where(np.isnan(gap) & ~(np.isnan(old) & np.isnan(new)), np.inf, np.nan_to_num(gap))
    changed = tuple(np.asarray(before.columns)[(gap > 0.0).any(axis=0)].tolist())
    largest = float(gap.max())
    return ("within 1e-12" if largest <= CLOSE else "different"), largest, changed


def rerun(
    folder: str | Path, *, jobs: int = 1, on_block: Callable[[Block], None] | None = None
) -> RerunVerdict:
    """Repeat a run from its manifest alone and compare flight by flight.

    Raises
    ------
    RunFolderError
        If the folder is no complete run.
    """
    run = read_run(folder)
    manifest = run.manifest
    scenario = manifest.read_scenario(shown=str(Path(folder) / MANIFEST))
    sample = simulate(
        scenario, flights=manifest.flights, seed=manifest.seed, jobs=jobs, on_block=on_block
    )
    verdict, largest, columns = _compare(run.frame, sample.frame)
    now = environment() | {"kernel": str(source_fingerprint())}
    then = manifest.environment | {"kernel": str(manifest.kernel)}
    changed = {
        name: (str(then.get(name, "none")), str(now.get(name, "none")))
        for name in sorted({*then, *now})
        if then.get(name) != now.get(name)
    }
    return RerunVerdict(verdict, largest, columns, changed)
