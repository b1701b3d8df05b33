"""A cloud out of tilted flights, for what is flown again under other assumptions.

Each threshold of a tilted tail is told by the flights of two strengths. So is the band of scores
from it to the next: every flight with a score there stands, half of it for either strength, for
its weight; those below the first threshold are told by the strengths of the first. The mean over a
strength's flights of ``weight * [score in the band] * f`` is that of the band's part of ``f``, and
the bands make up the whole law. The weights undo the choice of the random words, so they hold for
what the same words do under other assumptions too.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight import entity_counts
from cgrisk.flight.leaning import lean_block
from cgrisk.rare.cloud import Cloud, Part
from cgrisk.rare.moves import Particles
from cgrisk.rare.seeds import generator
from cgrisk.rare.tilt_pilot import STEP
from cgrisk.rare.tilt_rounds import BATCHES, Round, TiltedStratum
from cgrisk.rare.tilting import TiltedTail

__all__ = ["tilted_cloud"]

Floats = NDArray[np.float64]

#: Flights kept of each band, batch and strength.
_KEEP: Final = 10


def tilted_cloud(tail: TiltedTail) -> Cloud:
    """Return the cloud of a tilted tail; its replicates are the 20 batches.

    Parameters
    ----------
    tail : TiltedTail

    Raises
    ------
    ComputationError
        If no words are found that do what was chosen for a flight, as when it was flown.
    """
    parts = [
        _part(stratum, round_, rung=rung, thresholds=tail.estimate.thresholds)
        for stratum, rounds in zip(tail.strata, tail.rounds, strict=True)
        for rung, round_ in rounds.items()
    ]
    return Cloud(tuple(part for part in parts if len(part.particles)), BATCHES)


def _bands(stratum: TiltedStratum, thresholds: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Return where bands of scores begin, and the stronger rung of each.

    Thresholds that no strength reaches have none of their own: the last band goes on beyond them.
    """
    reached = np.flatnonzero(stratum.upper > 0)
    upper = stratum.upper[reached]
    begins = np.concatenate([[-np.inf], thresholds[reached[1:]]])
    return begins, upper


def _part(stratum: TiltedStratum, round_: Round, *, rung: int, thresholds: Floats) -> Part:
    begins, upper = _bands(stratum, thresholds)
    band = np.searchsorted(begins, round_.scores, side="left") - 1
    mine = (upper[band] == rung) | (upper[band] == rung + 1)
    batch = np.arange(round_.scores.size) // round_.batch
    rng = generator(round_.seed, "cloud")
    # By lot within each band and batch; those left stand for the others.
    order = rng.permutation(round_.scores.size)
    cell = (band * BATCHES + batch)[order]
    by_cell = np.argsort(cell, kind="stable")
    counts = np.bincount(cell, minlength=begins.size * BATCHES)
    starts = np.cumsum(counts) - counts
    place = np.empty(cell.size, dtype=np.int64)
    place[by_cell] = np.arange(cell.size) - starts[cell[by_cell]]
    kept = np.zeros(cell.size, dtype=bool)
    kept[order] = place < _KEEP
    chosen = np.flatnonzero(kept & mine)
    inside = counts[band[chosen] * BATCHES + batch[chosen]]
    stands_for = inside / np.minimum(inside, _KEEP)
    flights = chosen.astype(np.uint32)
    model = stratum.stratum.model
    data = stratum.leaner.aim.data(STEP * rung, round_.seed)
    versions, _, _ = lean_block(model, data, seed=round_.seed, flights=flights)
    return Part(
        stratum.stratum.name,
        round_.seed,
        Particles(flights, versions, round_.scores[chosen]),
        0.5 * round_.weights[chosen] * stands_for / (round_.batch * BATCHES),
        batch[chosen],
        entity_counts(model),
    )
