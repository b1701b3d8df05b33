"""Repeating a run from its manifest, and what came out of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import source_fingerprint
from cgrisk.runs.read import Run, read_run
from cgrisk.sampling import Block, block_count, fly_blocks, merge_tallies
from cgrisk.sampling.environment import environment

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
        Largest difference, relative to the larger of the value and 1 (inf where shapes differ).
    figures : tuple of str
        Figures that are not identical: columns of the rows, or parts of the tally.
    changed : dict of str to tuple of str
        What differs in the environment: then and now.
    """

    verdict: str
    largest: float
    figures: tuple[str, ...]
    changed: dict[str, tuple[str, str]]


def _gap(old: NDArray[Any], new: NDArray[Any]) -> float:
    """Return the largest relative difference of two arrays; inf for different shapes."""
    if old.shape != new.shape:
        return float("inf")
    if old.tobytes() == new.tobytes():
        return 0.0
    a, b = old.astype(np.float64), new.astype(np.float64)
    same = (a == b) | (np.isnan(a) & np.isnan(b))
    with np.errstate(invalid="ignore"):
        gap = np.abs(a - b) / np.maximum(np.abs(a), 1.0)
    gap = np.where(same, 0.0, np.where(np.isnan(gap), np.inf, gap))
    # Bits differ: at the least a sign of zero.
    return max(float(gap.max()), float(np.finfo(np.float64).tiny))


def _differences(run: Run, blocks: Iterator[Block]) -> Iterator[tuple[str, float]]:
    """Yield (figure, largest relative difference) of every figure of every block or segment."""
    segment = run.segments()
    tally, outcomes = None, []
    size = run.store.segment_blocks
    last = block_count(run.manifest.flown) - 1
    for block in blocks:
        if block.rows is not None:
            before = run.block_rows(block.number)
            for i, name in enumerate(run.model.columns):
                if name in before:
                    yield name, _gap(before[name].to_numpy(), block.rows[:, i])
                else:
                    yield name, float("inf")
        tally = block.tally if tally is None else merge_tallies(tally, block.tally)
        outcomes.append(block.outcomes)
        if block.number % size == size - 1 or block.number == last:
            saved = next(segment, None)
            if saved is None:
                yield "segments", float("inf")
                return
            yield "outcomes", _gap(saved.outcomes, np.concatenate(outcomes, axis=1))
            now = tally.arrays()
            for name, array in saved.tally.arrays().items():
                yield f"tally {name}", _gap(array, now[name])
            tally, outcomes = None, []


def rerun(
    folder: str | Path, *, jobs: int = 1, on_block: Callable[[Block], None] | None = None
) -> RerunVerdict:
    """Repeat a run from its manifest alone and compare it, flight by flight if rows were kept.

    Raises
    ------
    RunFolderError
        If the folder is no complete run.
    """
    run = read_run(folder)
    inputs = run.inputs

    def told() -> Iterator[Block]:
        for block in fly_blocks(
            run.model,
            seed=inputs.seed,
            flights=run.manifest.flown,
            layout=run.layout,
            jobs=jobs,
            keep_rows=inputs.rows,
        ):
            if on_block is not None:
                on_block(block)
            yield block

    worst: dict[str, float] = {}
    for name, gap in _differences(run, told()):
        worst[name] = max(worst.get(name, 0.0), gap)
    largest = max(worst.values())
    figures = tuple(name for name, gap in worst.items() if gap > 0.0)
    verdict = "identical" if not figures else "different"
    if figures and largest <= CLOSE:
        verdict = "within 1e-12"
    now = environment() | {"kernel": str(source_fingerprint())}
    then = inputs.environment | {"kernel": str(inputs.kernel)}
    changed = {
        name: (str(then.get(name, "none")), str(now.get(name, "none")))
        for name in sorted({*then, *now})
        if then.get(name) != now.get(name)
    }
    return RerunVerdict(verdict, largest, figures, changed)
