"""A restriction confirmed: flown afresh at its number of passengers and at those around it.

The restriction was chosen because its flights were good ones; those flights prove nothing any more.
It is flown again on keys of their own, a number of flights fixed before the first of them, and
where these do not settle it four times as many. They are judged by exact binomial bounds that hold
all together: the error that the confidence leaves is shared out equally over all attempts, numbers
of passengers, sides, and the two looks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.decide.policy_cells import RARE, Cell, Task, split_risk
from cgrisk.decide.restriction import Family, Restriction
from cgrisk.errors import UsageError
from cgrisk.flight import SIDES, FlightModel, fly_block, prepare
from cgrisk.rare import Meter, envelope_score
from cgrisk.rare.score import finite_scores
from cgrisk.rare.seeds import derived_seed
from cgrisk.risk.intervals import binomial_intervals
from cgrisk.scenario import Scenario

__all__ = ["Proof", "confirm", "flights_to_confirm", "proof_seed"]

_BATCH: Final = 512
#: The second look has so many times the flights of the first.
_LOOKS: Final = (1, 4)
#: Most flights of a number of passengers, in multiples of a cell's.
_MOST: Final = 8
#: The risk nearby may be so much greater than the one seen.
_MORE_NEARBY: Final = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """An attempt to confirm a restriction.

    Attributes
    ----------
    restriction : Restriction
    passengers : int
        For which it was chosen.
    attempt : int
        1 for the first.
    each : float
        Probability that each single bound may be wrong with.
    table : pandas.DataFrame
        passengers, side, fits, flights, hits (-1 where split), risk, high, seed: high is the upper
        bound. It ends where a side is seen to be at the target or above.
    target : float
    method : str
    flights : int
    """

    restriction: Restriction
    passengers: int
    attempt: int
    each: float
    table: pd.DataFrame
    target: float
    method: str
    flights: int

    @property
    def holds(self) -> bool:
        """Whether every bound is under the target."""
        flown = self.table[self.table["fits"]]
        there = (flown["passengers"] == self.passengers).any()
        return bool(there and (flown["high"] < self.target).all())

    @property
    def confirmed_at(self) -> tuple[int, ...]:
        """Numbers of passengers at which both bounds are under the target, rising."""
        flown = self.table[self.table["fits"]]
        both = flown.groupby("passengers")["high"].max() < self.target
        return tuple(int(n) for n in both.index[both])


def proof_seed(seed: int, passengers: int, attempt: int) -> int:
    """Return the seed of the flights of an attempt with a number of passengers."""
    return derived_seed(seed, "restriction", str(attempt), str(passengers))


def flights_to_confirm(cell: Cell, *, task: Task, each: float) -> int:
    """Return how many flights an upper bound under the target is likely to need.

    The fewest of 512, 1024, 2048 and so on at which a restriction with the risk seen, and a
    fifth more, would be confirmed although it had two standard deviations of bad luck; the most
    allowed if none is enough.

    Parameters
    ----------
    cell : Cell
        The restriction as it was flown before.
    task : Task
    each : float
        Probability that each single bound may be wrong with.
    """
    seen = (cell.risk * cell.flights).max() + 0.5
    risk = _MORE_NEARBY * float(seen) / cell.flights
    most = max(_MOST * task.flights, _BATCH)
    flights = _BATCH
    while flights < most:
        hits = risk * flights + 2.0 * math.sqrt(risk * flights)
        high = binomial_intervals(
            [min(math.ceil(hits), flights)], flights=flights, confidence=1.0 - 2.0 * each
        )[1][0]
        if high < task.target:
            return flights
        flights *= 2
    return most


def confirm(
    family: Family,
    restriction: Restriction,
    *,
    task: Task,
    cell: Cell,
    attempt: int,
    meter: Meter,
) -> Proof:
    """Fly a restriction afresh at its number of passengers and at those around it.

    Numbers of passengers for which it leaves too few seats, or too little room for their bags, are
    left out, and the table says so.

    Parameters
    ----------
    family : Family
    restriction : Restriction
    task : Task
    cell : Cell
        The restriction as it was flown before; from it, and from nothing flown here, follows how
        many flights there are.
    attempt : int
        From 1 to the family's attempts.
    meter : Meter
        Told of the flights; keeps what was flown.
    """
    search, n = family.search, cell.passengers
    near = range(max(1, n - search.near), min(family.plan.seats, n + search.near) + 1)
    looks = len(_LOOKS) if task.target >= RARE else 1
    each = (1.0 - task.confidence) / (search.attempts * len(near) * len(SIDES) * looks)
    flights = flights_to_confirm(cell, task=task, each=each)
    rows: list[tuple[object, ...]] = []
    flown = 0
    method = f"exact binomial (Clopper-Pearson), {flights} flights, else four times as many"
    if task.target < RARE:
        method = "splitting, t interval of the log of the risk (approximate)"
    for m in near:
        seed = proof_seed(task.seed, m, attempt)
        there = _fitting(family, restriction, m)
        if there is None:
            rows += [(m, side, False, 0, 0, math.nan, math.nan, seed) for side in SIDES]
            continue
        meter.doing = f"{n} passengers: confirming, attempt {attempt}, at {m}"
        if task.target < RARE:
            found = _split(there, task, seed, each, meter)
        else:
            found = _looked_at(there, task, seed, flights, each, meter)
        for s, side in enumerate(SIDES):
            hits, total, risk, high = (float(x[s]) for x in found)
            rows.append((m, side, True, int(total), int(hits), risk, high, seed))
        flown += int(found[1].sum() if task.target < RARE else found[1].max())
        if (found[2] >= task.target).any():
            break
    columns = ["passengers", "side", "fits", "flights", "hits", "risk", "high", "seed"]
    table = pd.DataFrame(rows, columns=columns)
    return Proof(restriction, n, attempt, each, table, task.target, method, flown)


def _fitting(family: Family, restriction: Restriction, passengers: int) -> Scenario | None:
    try:
        if family.left(restriction, passengers=passengers) < passengers:
            return None
        return family.scenario_of(restriction, passengers=passengers)
    except UsageError:
        return None


Figures = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def _piece(there: Scenario, *parts: object) -> str:
    return "/".join(("proof", there.digest(), *(str(part) for part in parts)))


def _looked_at(
    there: Scenario, task: Task, seed: int, flights: int, each: float, meter: Meter
) -> Figures:
    """Return hits, flights, risk and upper bound by side, after one look or two."""
    hits, total = np.zeros(len(SIDES)), 0
    high = np.ones(len(SIDES))
    for times in _LOOKS:
        hits += _hits(there, task, seed, (total, times * flights), meter)
        total = times * flights
        high = binomial_intervals(
            hits.astype(np.int64), flights=total, confidence=1.0 - 2.0 * each
        )[1]
        if (high < task.target).all() or (hits >= task.target * total).any():
            break
    return hits, np.full(len(SIDES), float(total)), hits / total, high


def _hits(
    there: Scenario, task: Task, seed: int, span: tuple[int, int], meter: Meter
) -> NDArray[np.float64]:
    """Return how many of the flights from one number to before another leave, by side."""

    def make() -> dict[str, NDArray[np.generic]]:
        model = prepare(there)
        scores = [envelope_score(model, side=side) for side in SIDES]
        hits = np.zeros(len(SIDES))
        starts = range(*span, _BATCH)
        with Parallel(n_jobs=task.jobs, backend="threading", return_as="generator") as pool:
            for rows in pool(delayed(_block)(model, seed, k, span[1]) for k in starts):
                hits += [
                    float((finite_scores(score, rows) > task.threshold(score)).sum())
                    for score in scores
                ]
                meter.add(rows.shape[0])
        return {"hits": hits}

    return meter.kept(_piece(there, seed, *span), make)["hits"].astype(np.float64)


def _block(model: FlightModel, seed: int, start: int, flights: int) -> NDArray[np.float64]:
    numbers = np.arange(start, min(start + _BATCH, flights), dtype=np.uint32)
    return fly_block(model, seed=seed, flights=numbers)


def _split(there: Scenario, task: Task, seed: int, each: float, meter: Meter) -> Figures:
    """Return -1, flights, risk and upper bound by side, by splitting."""

    def make() -> dict[str, NDArray[np.generic]]:
        model = prepare(there)
        sure = replace(task, confidence=1.0 - 2.0 * each)
        found = np.empty((3, len(SIDES)))
        for s, side in enumerate(SIDES):
            score = envelope_score(model, side=side)
            risk, _, high, flights = split_risk(
                model, score=score, task=sure, seed=seed, meter=meter
            )
            found[:, s] = flights, risk, high
        return {"found": found}

    flights, risk, high = meter.kept(_piece(there, seed, each), make)["found"].astype(np.float64)
    return np.full(len(SIDES), -1.0), flights, risk, high
