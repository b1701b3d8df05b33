"""Repeat a run from its manifest alone and say whether the figures are the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
import pandas as pd

from cgrisk import __version__
from cgrisk.compiled import source_fingerprint
from cgrisk.flight import FlightModel
from cgrisk.runs.fly import fly_run
from cgrisk.runs.manifest import Manifest, library_versions, machine
from cgrisk.runs.store import model_of, read_run
from cgrisk.sampling import Block

__all__ = ["ColumnDifference", "RerunVerdict", "Verdict", "compare_frames", "rerun"]

Verdict = Literal["identical", "within 1e-12", "different"]
TOLERANCE: Final = 1e-12


@dataclass(frozen=True, slots=True)
class ColumnDifference:
    """How one figure differs between a run and its repetition.

    Attributes
    ----------
    column : str
        Name of the figure.
    flights : int
        Flights on which it is not the same bits; all of them where one side lacks the column.
    first_flight : int
        First of them.
    relative : float
        Largest difference over the largest absolute value the figure takes in the run: a margin
        close to nought is as exact as the moments it is a difference of, not as its own size.
        Infinite where one side lacks the column or the value.
    """

    column: str
    flights: int
    first_flight: int
    relative: float


@dataclass(frozen=True, slots=True)
class RerunVerdict:
    """What repeating a run came to.

    Attributes
    ----------
    verdict : {"identical", "within 1e-12", "different"}
        Same bits; or no figure further off than 1e-12 (see :class:`ColumnDifference`); or more.
    flights, seed : int
        Of the run.
    columns : tuple of ColumnDifference
        Figures that are not the same bits, worst first.
    largest_relative : float
        Largest of their differences, 0 if none.
    changed : dict of str to (str, str)
        Versions and machine that are not as in the run: then, now.
    flights_per_second : float
        Of the repetition.
    """

    verdict: Verdict
    flights: int
    seed: int
    columns: tuple[ColumnDifference, ...]
    largest_relative: float
    changed: dict[str, tuple[str, str]]
    flights_per_second: float


def _column(name: str, then: pd.Series[float], now: pd.Series[float]) -> ColumnDifference | None:
    a, b = then.to_numpy(dtype=np.float64), now.to_numpy(dtype=np.float64)
    # Bits, not values: a zero that changes sign is not the same result.
    differs = a.view(np.uint64) != b.view(np.uint64)
    if not differs.any():
        return None
    gap = np.abs(a[differs] - b[differs])
    scale = float(np.nanmax(np.abs(a), initial=0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = np.where(gap == 0.0, 0.0, gap / scale)
    relative = float(np.nan_to_num(shares, nan=np.inf).max())
    return ColumnDifference(name, int(differs.sum()), int(differs.argmax()), relative)


def compare_frames(then: pd.DataFrame, *, now: pd.DataFrame) -> tuple[ColumnDifference, ...]:
    """Return the columns of two frames of equally many flights that are not the same bits.

    Parameters
    ----------
    then, now : pandas.DataFrame
        Figures of the run and of its repetition, one row per flight.

    Returns
    -------
    tuple of ColumnDifference
        Worst first.
    """
    found = []
    for name in dict.fromkeys([*then.columns, *now.columns]):
        if name in then.columns and name in now.columns:
            difference = _column(str(name), then[name], now[name])
        else:
            difference = ColumnDifference(str(name), len(then), 0, float("inf"))
        if difference is not None:
            found.append(difference)
    return tuple(sorted(found, key=lambda d: (-d.relative, d.column)))


def _changed(manifest: Manifest) -> dict[str, tuple[str, str]]:
    then = {
        "cgrisk": manifest.cgrisk,
        "kernel sources": manifest.kernel_sha,
        **manifest.versions,
        **{key: manifest.machine.get(key, "unknown") for key in machine()},
    }
    now = {
        "cgrisk": __version__,
        "kernel sources": f"{source_fingerprint():016x}",
        **library_versions(),
        **machine(),
    }
    return {
        key: (then.get(key, "unknown"), now.get(key, "unknown"))
        for key in {**then, **now}
        if then.get(key) != now.get(key)
    }


def rerun(
    folder: str | Path,
    *,
    jobs: int = 1,
    on_ready: Callable[[FlightModel, float], None] | None = None,
    on_block: Callable[[Block], None] | None = None,
) -> RerunVerdict:
    """Fly a run again from its manifest and compare every figure of every flight.

    Parameters
    ----------
    folder : str or pathlib.Path
        Folder of a complete run; it is not changed.
    jobs : int
        Workers; -1 for one per processor. Changes no result.
    on_ready, on_block : callable, optional
        See :func:`cgrisk.runs.fly_run`.

    Raises
    ------
    RunInputError
        If the folder is no complete run or was changed.
    UsageError
        If ``jobs`` is out of range.
    """
    run = read_run(folder)
    manifest = run.manifest
    scenario = model_of(manifest).scenario
    flown = fly_run(
        scenario,
        flights=manifest.flights,
        seed=manifest.seed,
        jobs=jobs,
        on_ready=on_ready,
        on_block=on_block,
    )
    columns = compare_frames(run.frame, now=flown.sample.frame)
    largest = max((column.relative for column in columns), default=0.0)
    verdict: Verdict = "different"
    if not columns:
        verdict = "identical"
    elif largest <= TOLERANCE:
        verdict = "within 1e-12"
    return RerunVerdict(
        verdict=verdict,
        flights=manifest.flights,
        seed=manifest.seed,
        columns=columns,
        largest_relative=largest,
        changed=_changed(manifest),
        flights_per_second=flown.flights_per_second,
    )
