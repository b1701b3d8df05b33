"""A cloud out of tilted flights, for what is flown again under other assumptions.

The weighted flights of all strengths together stand for the whole law. Too many to fly again, they
are drawn by lot in each band of scores, from one threshold to the next, and batch, with chances in
proportion to their weights: each then stands for as much as any other of its band. The weights undo
the choice of the random words, so they hold for what the same words do under other assumptions too.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight import entity_counts
from cgrisk.rare.cloud import Cloud, Part
from cgrisk.rare.moves import Particles
from cgrisk.rare.seeds import generator
from cgrisk.rare.tilt_mixture import BATCHES, Round
from cgrisk.rare.tilting import TiltedStratum, TiltedTail

__all__ = ["tilted_cloud"]

Floats = NDArray[np.float64]

#: Flights kept of each band and batch.
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
        _part(stratum, round_, places, weight)
        for stratum in tail.strata
        for round_, (places, weight) in zip(
            stratum.rounds, _drawn(stratum, tail.estimate.thresholds), strict=True
        )
        if places.size
    ]
    return Cloud(tuple(parts), BATCHES)


def _drawn(stratum: TiltedStratum, thresholds: Floats) -> list[tuple[NDArray[np.int64], Floats]]:
    """Return, for each strength, the flights that are kept and the probability each stands for."""
    rounds = stratum.rounds
    sizes = [each.scores.size for each in rounds]
    walks = rounds[0].scores.shape[1]
    scores = np.concatenate([each.scores.ravel() for each in rounds])
    weights = np.concatenate(
        [(each.weights[:, None] * each.walk_weights).ravel() / each.scores.size for each in rounds]
    )
    batch = np.concatenate(
        [np.arange(size) // (walks * each.batch) for size, each in zip(sizes, rounds, strict=True)]
    )
    cell = np.searchsorted(thresholds, scores, side="left") * BATCHES + batch
    rng = generator(rounds[0].seed, "cloud")
    kept, stands_for = [], []
    for number in np.unique(cell):
        here = rng.permutation(np.flatnonzero(cell == number))
        places, weight = _by_lot(weights[here], rng)
        kept.append(here[places])
        stands_for.append(weight)
    places, weight = np.concatenate(kept), np.concatenate(stands_for)
    order = np.argsort(places)
    places, weight = places[order], weight[order]
    ends = np.cumsum(sizes)
    cuts = np.searchsorted(places, ends)
    starts = np.concatenate([[0], cuts[:-1]])
    return [
        (places[a:b] - (end - size), weight[a:b])
        for a, b, end, size in zip(starts, cuts, ends, sizes, strict=True)
    ]


def _by_lot(weights: Floats, rng: np.random.Generator) -> tuple[NDArray[np.int64], Floats]:
    """Draw places systematically with chances in proportion to weights; return their own too."""
    total = float(weights.sum())
    if weights.size <= _KEEP or total == 0.0:
        return np.arange(weights.size), weights
    marks = (np.arange(_KEEP) + rng.random()) * total / _KEEP
    places = np.minimum(np.searchsorted(np.cumsum(weights), marks, side="right"), weights.size - 1)
    chosen, times = np.unique(places, return_counts=True)
    return chosen, times * total / _KEEP


def _part(stratum: TiltedStratum, round_: Round, places: NDArray[np.int64], weight: Floats) -> Part:
    load, column = np.divmod(places, round_.scores.shape[1])
    walk = round_.walks.walk_at(column, round_.times[load])
    flights = load.astype(np.uint32)
    model = stratum.stratum.model
    aim = stratum.leaner.aim
    data = aim.data(round_.strength, round_.seed)
    versions, _ = aim.versions(data, seed=round_.seed, flights=flights)
    versions, _ = aim.walking(
        versions, np.arange(flights.size), walk, seed=round_.seed, flights=flights
    )
    return Part(
        stratum.stratum.name,
        round_.seed,
        Particles(flights, versions, round_.scores.ravel()[places]),
        weight,
        load // round_.batch,
        BATCHES,
        entity_counts(model),
        stratum.stratum.causes,
    )
