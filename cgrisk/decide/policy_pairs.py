"""Which policies can be told apart: differences on the same flights, and what they gain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from cgrisk.decide.policy_cells import Cell
from cgrisk.flight import SIDES
from cgrisk.risk.sequential import any_time_difference

__all__ = ["contrasts", "pair_table", "variance_gain"]

Floats = NDArray[np.float64]

#: Standard errors beyond the bound that give four runs in five.
_POWER = float(special.ndtri(0.8))


def _common(
    first: Cell, second: Cell, side: int, most: int | None = None
) -> tuple[int, int, int, int, int]:
    """Return (flights, hits of the first, of the second, of the first alone, of the second)."""
    flights = min(first.flights, second.flights)
    flights = flights if most is None else min(flights, most)
    one, two = first.beyond[side, :flights], second.beyond[side, :flights]
    only_one, only_two = int((one & ~two).sum()), int((two & ~one).sum())
    return flights, int(one.sum()), int(two.sum()), only_one, only_two


def variance_gain(independent: float, paired: float) -> float:
    """Return how many times less variance pairing leaves; inf if none, nan if no news."""
    if paired > 0.0:
        return independent / paired
    return math.inf if independent > 0.0 else math.nan


def pair_table(
    names: Sequence[str], cells: Sequence[Sequence[Cell]], *, confidence: float
) -> pd.DataFrame:
    """Return the paired differences of all pairs of policies, by number of passengers and side.

    Parameters
    ----------
    names : sequence of str
        Of the policies.
    cells : sequence of sequence of Cell
        By number of passengers, then policy.
    confidence : float
        Of each interval by itself.

    Returns
    -------
    pandas.DataFrame
        first, second, passengers, side, flights (that both flew), first_risk, second_risk (on
        those), difference (second less first), low, high, told_apart, only_first, only_second.
    """
    rows: list[tuple[object, ...]] = []
    for here in cells:
        for i, j in combinations(range(len(names)), 2):
            one, two = here[i], here[j]
            if not one.flights or not two.flights:
                continue
            for s, side in enumerate(SIDES):
                flights, a, b, only_a, only_b = _common(one, two, s)
                p = any_time_difference(only_b, only_a, flights=flights, confidence=confidence)
                apart = p.low > 0.0 or p.high < 0.0
                risks = a / flights, b / flights
                interval = p.estimate, p.low, p.high, apart
                which = names[i], names[j], one.passengers, side, flights
                rows.append((*which, *risks, *interval, only_a, only_b))
    columns = ["first", "second", "passengers", "side", "flights", "first_risk", "second_risk"]
    columns += ["difference", "low", "high", "told_apart", "only_first", "only_second"]
    return pd.DataFrame(rows, columns=columns)


def contrasts(
    names: Sequence[str],
    cells: Sequence[Sequence[Cell]],
    *,
    weights: Floats,
    confidence: float,
    flights: int,
) -> pd.DataFrame:
    """Return the differences over the demand, and how many more flights would tell policies apart.

    They stand on the first flights alone, as many as every cell has whatever they showed. All that
    were flown would be more, but their number was decided by their hits: a difference between a
    policy that was soon decided and one that was not then comes out too large, at ten and more
    numbers of passengers by as much as its standard error.

    Parameters
    ----------
    names, cells
        As in :func:`pair_table`.
    weights : float64 array, shape (counts,)
        How often each number of passengers is flown; taken afresh over those where both fit.
    confidence : float
        Of each interval by itself.
    flights : int
        Of a cell, fixed beforehand: :attr:`cgrisk.decide.policy_cells.Task.compared`.

    Returns
    -------
    pandas.DataFrame
        first, second, side, difference (second less first, per flight over the demand), low, high
        (normal), told_apart, flights (of each, in all), times_needed (times as many that would
        tell the difference seen from none on four runs of five; inf where none was seen, nan
        where told apart), more_flights (that many more in all, of both policies), gain_risk and
        gain_mean_error (how many times less variance than runs of their own).
    """
    z = float(special.ndtri(0.5 * (1.0 + confidence)))
    rows: list[tuple[object, ...]] = []
    for i, j in combinations(range(len(names)), 2):
        both = [k for k, here in enumerate(cells) if here[i].flights and here[j].flights]
        total = float(weights[both].sum())
        if not both or total <= 0.0:
            continue
        share = weights / total
        error_gain = _error_gain(
            [(float(share[k]), cells[k][i], cells[k][j]) for k in both], flights=flights
        )
        for s, side in enumerate(SIDES):
            gap = spread = apart_spread = bare = 0.0
            flown = seen = 0
            for k in both:
                number, a, b, only_a, only_b = _common(cells[k][i], cells[k][j], s, flights)
                p, q = a / number, b / number
                gap += share[k] * (q - p)
                seen += only_a + only_b
                # One flight more of each kind keeps a variance that few flights show as none.
                extra = cells[k][i].digest != cells[k][j].digest
                own = (only_a + only_b) / number - (q - p) ** 2
                bare += share[k] ** 2 * max(own, 0.0) / number
                spread += share[k] ** 2 * max(own + extra / number, 0.0) / number
                apart_spread += share[k] ** 2 * (p * (1.0 - p) + q * (1.0 - q)) / number
                flown += number
            error = math.sqrt(spread)
            low, high = gap - z * error, gap + z * error
            told = low > 0.0 or high < 0.0
            times = math.nan if told else math.inf
            if not told and gap != 0.0:
                times = ((z + _POWER) * error / gap) ** 2
            more = 2.0 * flown * (times - 1.0)
            gain = variance_gain(apart_spread, bare) if seen or apart_spread else math.nan
            figures = gap, low, high, told, flown, times, more, gain, error_gain
            rows.append((names[i], names[j], side, *figures))
    columns = ["first", "second", "side", "difference", "low", "high", "told_apart", "flights"]
    columns += ["times_needed", "more_flights", "gain_risk", "gain_mean_error"]
    return pd.DataFrame(rows, columns=columns)


def _error_gain(pairs: list[tuple[float, Cell, Cell]], *, flights: int) -> float:
    """Return how many times less variance the difference of the mean CG errors has, paired."""
    apart = paired = 0.0
    for share, one, two in pairs:
        size = min(one.error_pct.size, two.error_pct.size, flights)
        if size < 2:
            continue
        first, second = one.error_pct[:size], two.error_pct[:size]
        apart += share**2 * float(first.var(ddof=1) + second.var(ddof=1)) / size
        paired += share**2 * float((second - first).var(ddof=1)) / size
    return variance_gain(apart, paired)
