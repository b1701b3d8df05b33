"""Plain shares of the causes: the variance that goes away when a cause is frozen.

Freezing a cause at one of its values takes some variance away; averaged over its values that is
the variance of the conditional mean given the cause, its first-order share. It is estimated by
flying every flight a second time with all other causes drawn anew: the covariance of the two
answers over the variance (I. M. Sobol', Math. Comput. Simulation 55 (2001) 271; from memory).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.flight import FlightModel, fly_block
from cgrisk.randomness import CAUSES, MAX_FLIGHTS
from cgrisk.sampling import Sample

__all__ = ["frozen_shares"]

Floats = NDArray[np.float64]

#: What is explained, by its column.
_ANSWERS: Final = {
    "most_forward_error_in_flight": "error_min_pct_mac.in_flight",
    "most_aft_error_in_flight": "error_max_pct_mac.in_flight",
    "most_forward_error_in_take_off_and_landing": "error_min_pct_mac.take_off_and_landing",
    "most_aft_error_in_take_off_and_landing": "error_max_pct_mac.take_off_and_landing",
}
#: Causes that this version samples.
SAMPLED: Final = tuple(cause for cause in CAUSES if cause != "entry")
#: Flights below which no share is stated.
FEWEST: Final = 100
_PIECES = 4


def _again(
    model: FlightModel, seed: int, numbers: NDArray[np.uint32], fresh: NDArray[np.uint32], kept: str
) -> Floats:
    swapped = {cause: fresh for cause in SAMPLED if cause != kept}
    rows = fly_block(model, seed=seed, flights=numbers, swapped=swapped)
    columns = [model.columns.index(name) for name in _ANSWERS.values()]
    return rows[:, columns]


def _share(first: Floats, second: Floats) -> tuple[float, Floats]:
    """Return (share, influence of each pair) from pairs that have one cause in common."""
    if not np.isfinite(first).all():  # no phase of the group was flown
        return math.nan, np.full(first.size, math.nan)
    centre = 0.5 * (first.mean() + second.mean())
    a, b = first - centre, second - centre
    variance = 0.5 * float(a @ a + b @ b) / a.size
    scale = max(1.0, float(np.abs(first).max()))
    if not variance > 1e-18 * scale * scale:  # rounding of an answer that does not vary, or nan
        return 0.0, np.zeros(a.size)
    share = float(a @ b) / a.size / variance
    return share, (a * b - share * 0.5 * (a * a + b * b)) / variance


def _error(influence: Floats) -> float:
    """Return the standard error of a mean of influences."""
    if influence.size < 2:
        return math.nan
    return float(influence.std(ddof=1)) / math.sqrt(influence.size)


def frozen_shares(sample: Sample, *, flights: int = 4096, jobs: int = -1) -> pd.DataFrame:
    """Return each cause's plain share of the variance of the CG error's extremes.

    Parameters
    ----------
    sample : Sample
        Flights; the first of them are flown again, once for each cause.
    flights : int
        How many (fewer if the sample has fewer).
    jobs : int
        Threads; changes no result.

    Returns
    -------
    pandas.DataFrame
        answer, cause, share, standard_error, flights; the last cause of an answer is
        ``together``: what only shows when causes act jointly, 1 less the sum. Shares are nan
        below 100 flights, and for phases that are not flown.
    """
    n = min(flights, sample.flights)
    numbers = np.arange(n, dtype=np.uint32)
    # Fresh draws come from flight numbers that the sample does not use.
    first_fresh = sample.flights if sample.flights + n <= MAX_FLIGHTS else 0
    fresh = (first_fresh + np.arange(n)).astype(np.uint32)
    columns = list(_ANSWERS.values())
    before = sample.frame[columns].to_numpy()[:n]
    pieces = np.array_split(np.arange(n), min(_PIECES, n))
    tasks = (
        delayed(_again)(sample.model, sample.seed, numbers[piece], fresh[piece], cause)
        for cause in SAMPLED
        for piece in pieces
    )
    done = Parallel(n_jobs=jobs, backend="threading")(tasks)
    rows: list[tuple[str, str, float, float, int]] = []
    for place, answer in enumerate(_ANSWERS):
        total, influences = 0.0, np.zeros(n)
        for number, cause in enumerate(SAMPLED):
            again = np.concatenate(done[number * len(pieces) : (number + 1) * len(pieces)])
            share, influence = _share(before[:, place], again[:, place])
            # The flights flown first are common to all causes, and so is part of their noise.
            total, influences = total + share, influences + influence
            rows.append((answer, cause, share, _error(influence), n))
        rows.append((answer, "together", 1.0 - total, _error(influences), n))
    if n < FEWEST:
        rows = [(answer, cause, math.nan, math.nan, n) for answer, cause, *_ in rows]
    return pd.DataFrame(rows, columns=["answer", "cause", "share", "standard_error", "flights"])
