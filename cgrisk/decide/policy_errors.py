"""Differences of the mean CG error between policies, with the people boarded on more flights.

Policies fly the same random words, but each deals out the seats in its own way, and who sits where
is most of the CG error. Boarding costs a seventh of a flight, and its part of the error is known
for every flight flown. So the mean is taken in two parts: the error without the people's part,
on the flights flown, and the people's part on those and :data:`BOARDINGS` times as many more.
Both are plain means over numbers of flights fixed beforehand: nothing is fitted, and whatever the
law of the seats, the estimate has no bias.

It is the control variate whose mean is itself sampled. Source: B. W. Schmeiser, M. R. Taaffe and
J. Wang, "Biased control-variate estimation", IIE Transactions 33 (2001) 219 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray
from scipy import special

from cgrisk.decide.policy import scenario_under
from cgrisk.decide.policy_cells import Cell, Task, count_seed
from cgrisk.decide.policy_pairs import variance_gain
from cgrisk.flight import FlightModel, passengers_aboard, prepare
from cgrisk.rare import Meter
from cgrisk.scenario.policies_file import Policy

__all__ = ["BOARDINGS", "ErrorPair", "board_count", "error_pair", "mean_errors", "people_pct"]

Floats = NDArray[np.float64]

#: Boardings more for each flight flown.
BOARDINGS: Final = 4
#: Most flights of a number of passengers that the means stand on.
_MOST: Final = 1024
_BATCH: Final = 512
#: A number of passengers that stands for less of the demand is left to the flights flown.
_SLIGHT: Final = 1e-3


def people_pct(model: FlightModel, *, seed: int, flights: NDArray[np.uint32]) -> Floats:
    """Return the people's part of the CG error at take-off, % MAC, without flying.

    Body and bag of everybody, where he sits, about the planned take-off CG, over the planned mass:
    a straight line in the moment, so that its mean is that of the moment.

    Parameters
    ----------
    model, seed, flights
        As for :func:`cgrisk.flight.fly_block`.

    Returns
    -------
    float64 array, shape (n,)
    """
    sheet, arm = model.program.sheet, model.program.cabin.arm_m
    seat, mass, _ = passengers_aboard(model, seed=seed, flights=flights)
    moment = np.where(seat >= 0, mass * (arm[seat] - sheet.take_off_arm_m), 0.0).sum(axis=1)
    mass_kg = sheet.zero_fuel_mass_kg + sheet.take_off_fuel_kg
    return np.asarray(100.0 * moment / (mass_kg * model.balance.mac_m))


def board_count(
    task: Task,
    policies: Sequence[Policy],
    cells: Sequence[Cell],
    *,
    passengers: int,
    meter: Meter,
) -> list[Floats]:
    """Return the people's part of the error by policy: of the flights compared, and of more.

    Parameters
    ----------
    task, policies
        As in :func:`cgrisk.decide.policy_cells.fly_count`.
    cells : sequence of Cell
        Of the policies at this number of passengers; those that come to the same are boarded once.
    passengers : int
    meter : Meter
        Keeps what was boarded.

    Returns
    -------
    list of float64 array
        % MAC, each of ``(1 + BOARDINGS)`` times the flights compared; empty where they do not fit.
    """
    seed = count_seed(task.seed, passengers)
    flights = (1 + BOARDINGS) * min(task.compared, _MOST)
    starts = range(0, flights, _BATCH)

    def make() -> dict[str, NDArray[np.generic]]:
        out: dict[str, NDArray[np.generic]] = {}
        for policy, cell in zip(policies, cells, strict=True):
            if not cell.flights or cell.digest in out:
                continue
            there = scenario_under(task.scenario, policy, passengers=passengers, bags=task.bags)
            model = prepare(there)
            with Parallel(n_jobs=task.jobs, backend="threading") as pool:
                parts = pool(
                    delayed(people_pct)(
                        model,
                        seed=seed,
                        flights=np.arange(k, min(k + _BATCH, flights), dtype=np.uint32),
                    )
                    for k in starts
                )
            out[cell.digest] = np.concatenate(parts)
        return out

    found = meter.kept(f"{passengers}/boardings", make)
    return [
        np.asarray(found[cell.digest], dtype=np.float64) if cell.flights else np.empty(0)
        for cell in cells
    ]


@dataclass(frozen=True, slots=True)
class ErrorPair:
    """Difference of two mean CG errors at one number of passengers, second less first.

    Attributes
    ----------
    difference : float
        % MAC.
    variance : float
        Of the difference.
    paired : float
        Variance on the same flights without more boardings.
    apart : float
        Variance on as many flights of their own.
    """

    difference: float
    variance: float
    paired: float
    apart: float


def error_pair(first: Floats, second: Floats, *, boarded: tuple[Floats, Floats]) -> ErrorPair:
    """Return the difference of two mean errors.

    Parameters
    ----------
    first, second : float64 array, shape (n,)
        CG errors of the same flights, % MAC.
    boarded : (float64 array, float64 array)
        The people's part of both, of these flights and more; without it (empty), the flights alone.
    """
    n = first.size
    error = second - first
    apart = float(first.var(ddof=1) + second.var(ddof=1)) / n
    paired = float(error.var(ddof=1)) / n
    people = boarded[1] - boarded[0]
    if people.size <= n:
        return ErrorPair(float(error.mean()), paired, paired, apart)
    own = people[:n]
    rest = error - own
    # The first flights are in both means.
    both = float(np.cov(rest, own)[0, 1])
    m = people.size
    variance = float(rest.var(ddof=1)) / n + (float(people.var(ddof=1)) + 2.0 * both) / m
    gap = float(rest.mean()) + float(people.mean())
    return ErrorPair(gap, max(variance, 0.0), paired, apart)


def mean_errors(
    task: Task,
    policies: Sequence[Policy],
    cells: Sequence[Sequence[Cell]],
    *,
    weights: Floats,
    meter: Meter,
) -> pd.DataFrame:
    """Return the differences of the mean CG errors of all pairs over the demand, and their gains.

    Parameters
    ----------
    task, policies
        As in :func:`cgrisk.decide.policy_cells.fly_count`.
    cells : sequence of sequence of Cell
        By number of passengers, then policy.
    weights : float64 array, shape (counts,)
        How often each number of passengers is flown; taken afresh over those where both fit.
    meter : Meter

    Returns
    -------
    pandas.DataFrame
        first, second, difference_pct_mac (second less first, at take-off, over the demand), low,
        high (normal), told_apart, flights (of each), boardings (of each, these flights among
        them), gain_same_flights (how many times less variance than on as many flights of their
        own), gain (the same with the boardings).
    """
    z = float(special.ndtri(0.5 * (1.0 + task.confidence)))
    n = min(task.compared, _MOST)
    people: list[list[Floats]] = []
    for here, weight in zip(cells, weights, strict=True):
        if weight < _SLIGHT * float(weights.sum()):
            people.append([np.empty(0)] * len(policies))
            continue
        passengers = here[0].passengers
        meter.doing = f"{passengers} passengers: boarded"
        people.append(board_count(task, policies, here, passengers=passengers, meter=meter))
    rows: list[tuple[object, ...]] = []
    for i, j in combinations(range(len(policies)), 2):
        both = [k for k, here in enumerate(cells) if here[i].flights and here[j].flights]
        total = float(weights[both].sum())
        if not both or total <= 0.0:
            continue
        gap = 0.0
        spread = np.zeros(3)
        flights = boardings = 0
        for k in both:
            share = float(weights[k]) / total
            one, two = people[k][i], people[k][j]
            found = error_pair(
                cells[k][i].error_pct[:n], cells[k][j].error_pct[:n], boarded=(one, two)
            )
            gap += share * found.difference
            spread += share**2 * np.array([found.variance, found.paired, found.apart])
            flights += n
            boardings += max(n, one.size)
        variance, paired, apart = (float(v) for v in spread)
        error = z * math.sqrt(variance)
        low, high = gap - error, gap + error
        told = low > 0.0 or high < 0.0
        gains = variance_gain(apart, paired), variance_gain(apart, variance)
        names = policies[i].name, policies[j].name
        rows.append((*names, gap, low, high, told, flights, boardings, *gains))
    columns = ["first", "second", "difference_pct_mac", "low", "high", "told_apart"]
    columns += ["flights", "boardings", "gain_same_flights", "gain"]
    return pd.DataFrame(rows, columns=columns)
