"""How the estimate settled as flights were flown, and whether blocks agree with each other."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from cgrisk.flight import SIDES
from cgrisk.risk.intervals import binomial_interval
from cgrisk.runs import BlockStore, blocks_of
from cgrisk.sampling import BLOCK
from cgrisk.sampling.layout import AS_PLANNED, AT_LIMIT, outcome_name

__all__ = ["block_agreement", "running_estimates"]

_POINTS: Final = 60
_FIRST: Final = 50
_READINGS: Final = (AT_LIMIT, AS_PLANNED)


def _hits(
    store: BlockStore, flown: int, points: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return hits up to each point, and hits of each block, by outcome of interest."""
    names = list(store.layout.outcomes)
    places = [names.index(outcome_name(s, "any", r)) for s in SIDES for r in _READINGS]
    upto = np.zeros((len(places), points.size), dtype=np.int64)
    by_block, so_far, start = [], np.zeros(len(places), dtype=np.int64), 0
    for segment in store.segments():
        for _, flights, bits in blocks_of(segment, flights=flown):
            here = np.unpackbits(bits[places], axis=1, count=flights).astype(np.int64)
            inside = (points > start) & (points <= start + flights)
            if inside.any():
                running = here.cumsum(axis=1)
                upto[:, inside] = so_far[:, None] + running[:, points[inside] - start - 1]
            so_far += here.sum(axis=1)
            by_block.append(here.sum(axis=1))
            start += flights
    return upto, np.array(by_block).T


def _points(flights: int) -> NDArray[np.int64]:
    first = min(_FIRST, flights)
    return np.unique(np.geomspace(first, flights, _POINTS).round().astype(np.int64))


def running_estimates(store: BlockStore, *, flown: int, confidence: float = 0.95) -> pd.DataFrame:
    """Return the probability of leaving the envelope (any phase) after so many flights.

    Parameters
    ----------
    store : BlockStore
        Blocks of a run whose flights are all flown.
    flown : int
        How many they are.
    confidence : float
        Of each interval by itself, for the number of flights by itself.

    Returns
    -------
    pandas.DataFrame
        side, reading, flights, hits, estimate, low, high; evenly spaced on the logarithm.
    """
    points = _points(flown)
    upto, _ = _hits(store, flown, points)
    rows = []
    for number, (side, reading) in enumerate((s, r) for s in SIDES for r in _READINGS):
        for flights, hits in zip(points.tolist(), upto[number].tolist(), strict=True):
            p = binomial_interval(hits, flights=flights, confidence=confidence)
            rows.append((side, reading, flights, hits, p.estimate, p.low, p.high))
    names = ["side", "reading", "flights", "hits", "estimate", "low", "high"]
    return pd.DataFrame(rows, columns=names)


def block_agreement(store: BlockStore, *, flown: int) -> pd.DataFrame:
    """Return whether the blocks' hits differ by more than chance.

    Pearson's statistic of hits by block against one probability for all; flights are independent,
    so its p-value is even between 0 and 1. Told from five expected hits a block on.

    Parameters
    ----------
    store : BlockStore
        Blocks of a run whose flights are all flown.
    flown : int
        How many they are.

    Returns
    -------
    pandas.DataFrame
        side, reading, blocks, hits, statistic, degrees, p_value (nan where not told).
    """
    _, by_block = _hits(store, flown, np.array([flown], dtype=np.int64))
    size = np.full(by_block.shape[1], BLOCK, dtype=np.float64)
    size[-1] = flown - BLOCK * (size.size - 1)
    rows = []
    for number, (side, reading) in enumerate((s, r) for s in SIDES for r in _READINGS):
        hits = by_block[number]
        share = hits.sum() / flown
        expected = share * size
        statistic = p_value = math.nan
        if size.size > 1 and expected.min() >= 5.0 and share < 1.0:
            statistic = float(((hits - expected) ** 2 / (expected * (1.0 - share))).sum())
            p_value = float(stats.chi2.sf(statistic, size.size - 1))
        rows.append((side, reading, size.size, int(hits.sum()), statistic, size.size - 1, p_value))
    names = ["side", "reading", "blocks", "hits", "statistic", "degrees", "p_value"]
    return pd.DataFrame(rows, columns=names)
