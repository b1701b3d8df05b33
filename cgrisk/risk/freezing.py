"""Shares of the causes: the variance that goes away when a cause is frozen.

Freezing a cause at one of its values takes some variance away; averaged over its values that is
the variance of the conditional mean given the cause: its *plain* share. What is left when all
other causes are frozen is its share *with its joint effects*. Both come from flights flown again
with one cause drawn anew (A. Saltelli et al., Computer Physics Communications 181 (2010) 259,
estimators b and f of its table 2; from memory).
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.flight import FlightModel, fly_block
from cgrisk.randomness import CAUSES, MAX_FLIGHTS
from cgrisk.risk.readings import FEWEST_FOR_SHARES
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
_PIECES = 4


def _again(
    model: FlightModel,
    seed: int,
    numbers: NDArray[np.uint32],
    fresh: NDArray[np.uint32],
    causes: tuple[str, ...],
) -> Floats:
    """Return the answers with some causes drawn anew."""
    swapped = dict.fromkeys(causes, fresh)
    rows = fly_block(model, seed=seed, flights=numbers, swapped=swapped)
    columns = [model.columns.index(name) for name in _ANSWERS.values()]
    return rows[:, columns]


class _Shares(NamedTuple):
    """Plain share and share with joint effects, and the influence of each flight on them."""

    plain: float
    joint: float
    plain_influence: Floats
    joint_influence: Floats


def _shares(first: Floats, second: Floats, mixed: Floats) -> _Shares:
    """Return the shares of a cause from flights, other flights, and the first with it swapped."""
    if not np.isfinite(first).all():  # no phase of the group was flown
        return _Shares(math.nan, math.nan, np.full(first.size, math.nan), first)
    a, b = first - first.mean(), second - second.mean()
    square = 0.5 * (a * a + b * b)
    variance = float(square.mean())
    scale = max(1.0, float(np.abs(first).max()))
    if not variance > 1e-18 * scale * scale:  # rounding of an answer that does not vary
        return _Shares(0.0, 0.0, np.zeros(a.size), np.zeros(a.size))
    change = mixed - first
    plain, joint = b * change / variance, 0.5 * change * change / variance
    relative = square / variance
    return _Shares(
        float(plain.mean()),
        float(joint.mean()),
        plain - plain.mean() * relative,
        joint - joint.mean() * relative,
    )


def _error(influence: Floats) -> float:
    """Return the standard error of a mean of influences."""
    return float(influence.std(ddof=1)) / math.sqrt(influence.size)


def frozen_shares(sample: Sample, *, flights: int = 4096, jobs: int = -1) -> pd.DataFrame:
    """Return each cause's shares of the variance of the CG error's extremes.

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
        answer, cause, share (the variance that goes away when the cause is frozen),
        standard_error, with_joint_effects (what is left when all others are frozen),
        joint_standard_error, flights. The last cause of an answer is ``together``: what only shows
        when causes act jointly, 1 less the sum of the shares. Shares are nan below 100 flights,
        and for phases that are not flown.
    """
    n = min(flights, sample.flights)
    numbers = np.arange(n, dtype=np.uint32)
    # Fresh draws come from flight numbers that the sample does not use, if there are any left.
    first_fresh = sample.flights if sample.flights + n <= MAX_FLIGHTS else n
    fresh = (first_fresh + np.arange(n)).astype(np.uint32)
    first = _again(sample.model, sample.seed, numbers, fresh, ())
    pieces = np.array_split(np.arange(n), min(_PIECES, n))
    kinds = (SAMPLED, *((cause,) for cause in SAMPLED)) if n >= FEWEST_FOR_SHARES else ()
    tasks = (
        delayed(_again)(sample.model, sample.seed, numbers[piece], fresh[piece], causes)
        for causes in kinds
        for piece in pieces
    )
    done = Parallel(n_jobs=jobs, backend="threading")(tasks)
    flown = [
        np.concatenate(done[i * len(pieces) : (i + 1) * len(pieces)]) for i in range(len(kinds))
    ]
    rows: list[tuple[str, str, float, float, float, float, int]] = []
    for place, answer in enumerate(_ANSWERS):
        total, influence = 0.0, np.zeros(n)
        for number, cause in enumerate(SAMPLED, start=1):
            if not kinds:
                rows.append((answer, cause, math.nan, math.nan, math.nan, math.nan, n))
                total = math.nan
                continue
            found = _shares(first[:, place], flown[0][:, place], flown[number][:, place])
            # Flights are common to all causes, and so is part of their noise.
            total, influence = total + found.plain, influence + found.plain_influence
            errors = _error(found.plain_influence), _error(found.joint_influence)
            rows.append((answer, cause, found.plain, errors[0], found.joint, errors[1], n))
        error = _error(influence) if kinds else math.nan
        rows.append((answer, "together", 1.0 - total, error, math.nan, math.nan, n))
    names = ["answer", "cause", "share", "standard_error"]
    return pd.DataFrame(
        rows, columns=[*names, "with_joint_effects", "joint_standard_error", "flights"]
    )
