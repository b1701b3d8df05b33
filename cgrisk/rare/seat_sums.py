"""Exact law of the sum of the arms of taken seats, by counting row after row.

Arms stand on a lattice: all of them a first arm plus whole multiples of a step. A state of the
count is (seats so far, sum of their steps); every term is positive, so that probabilities keep
their digits however small they are. Whichever is fewer is counted, taken or empty seats.

Seats by preference are a race of exponential clocks (Efraimidis and Spirakis, Information
Processing Letters 97 (2006) 181): by the time t of the last one taken, the others ran down one by
one. Given t they are independent, and the law is an integral over t. In the logarithm of t its
terms are analytic and vanish at both ends, so that the trapezoidal rule converges geometrically
(Trefethen and Weideman, SIAM Review 56 (2014) 385). Both ends are cut where, for every set of
seats, at most 1e-15 of its probability is lost: given the set and the order, the time is a sum of
exponential waits whose rates lie between those of equal seats of the least and greatest weight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from cgrisk.errors import ComputationError

__all__ = ["LatticeLaw", "SumPlan", "add_laws", "law_of_plan", "plan_of_sum"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Sums nearer to each other than this are one (m).
MERGED_M = 1e-9
#: Steps finer than this are not looked for (m).
_FINEST_M = 1e-7
#: Most states of a count, and most additions for one law.
_MOST_STATES, _MOST_WORK = 4e6, 2e10
_LOST = 1e-15
#: Agreement of two step widths, and most probability that may be missing. Halving the step at
#: least squares the error of the trapezoidal rule here, so the finer law is good to 1e-12.
_AGREE, _WHOLE = 1e-7, 1e-11
_SMALLEST = 1e-280
_HALVINGS = 5


@dataclass(frozen=True, slots=True, eq=False)
class LatticeLaw:
    """Probabilities of ``start + step * i``.

    Attributes
    ----------
    start, step : float
        In one unit, the step above 0.
    probability : float64 array, shape (n,)
        May contain zeros.
    nodes : int
        Nodes of the integral over time; 0 where none was needed.
    """

    start: float
    step: float
    probability: Floats
    nodes: int = 0

    def times(self, factor: float) -> LatticeLaw:
        """Return the law of ``factor`` (at least 0) times the sum."""
        if factor == 0.0:
            return LatticeLaw(0.0, 1.0, np.ones(1), self.nodes)
        return LatticeLaw(factor * self.start, factor * self.step, self.probability, self.nodes)


@dataclass(frozen=True, slots=True, eq=False)
class SumPlan:
    """Seats out of which some are taken, put on a lattice.

    Attributes
    ----------
    fixed_m : float
        Sum of the arms of seats taken for certain.
    arm_m : float64 array, shape (n,)
        Arms of the seats in doubt.
    weight : float64 array of shape (n,), or None
        Preference, greatest 1; None where all sets are equally likely.
    take : int
        How many of them are taken, more than 0 and fewer than n; 0 where none is in doubt.
    first_m, step_m : float
        Arm ``i`` is ``first_m + step_m * index[i]``.
    index : int64 array, shape (n,)
    """

    fixed_m: float
    arm_m: Floats
    weight: Floats | None
    take: int
    first_m: float
    step_m: float
    index: Ints


def _fitted(values: Floats, step: float) -> float:
    """Return the step by least squares, about a rough one."""
    multiples = np.rint(values / step)
    return float(values @ multiples) / float(multiples @ multiples)


def common_step(values: Floats, *, finest: float, tolerance: float) -> tuple[float, Ints]:
    """Return the greatest step of which all values are whole multiples, and the multiples.

    Parameters
    ----------
    values : float64 array, shape (n,)
        At least 0.
    finest : float
        Remainders below this count as none.
    tolerance : float
        Most that a value may differ from its multiple.

    Raises
    ------
    ComputationError
        If there is none.
    """
    rising = np.unique(values[values > finest])
    step = 0.0
    for place, value in enumerate(rising):
        a, b = float(value), step
        while b > finest:
            a, b = b, abs(a - b * round(a / b))
        # Fitted anew: the rounding of one remainder would be multiplied by the next.
        step = _fitted(rising[: place + 1], a)
    if step == 0.0:
        return 1.0, np.zeros(values.size, dtype=np.int64)
    multiples = np.rint(values / step)
    if float(np.abs(values - step * multiples).max()) > tolerance:
        raise ComputationError(
            "The seats do not stand on a common lattice of arms, so their sums are too many to "
            "count. Give arms that are multiples of a common length, or count flights."
        )
    return step, multiples.astype(np.int64)


def plan_of_sum(
    fixed_m: float, *, arm_m: Floats, weight: Floats | None = None, take: int
) -> SumPlan:
    """Put seats on a lattice and see that their sums can be counted.

    Raises
    ------
    ComputationError
        If they cannot, with the reason.
    """
    if take in (0, arm_m.size):
        fixed = fixed_m + (float(arm_m.sum()) if take else 0.0)
        return SumPlan(fixed, np.empty(0), None, 0, 0.0, 1.0, np.empty(0, dtype=np.int64))
    first = float(arm_m.min())
    counted = min(take, arm_m.size - take)
    step, index = common_step(arm_m - first, finest=_FINEST_M, tolerance=MERGED_M / counted)
    if weight is not None:
        weight = None if np.ptp(weight) == 0.0 else weight / weight.max()
    plan = SumPlan(fixed_m, arm_m, weight, take, first, step, index)
    width = _width(plan)
    states = (counted + 1.0) * width
    work = states * (arm_m.size + np.unique(index).size)
    if weight is not None:
        low, high = _times(plan)
        work *= 3.0 * (high - low) / _first_step(plan)
    if states > _MOST_STATES or work > _MOST_WORK:
        raise ComputationError(
            f"Counting the sums of {counted} out of {arm_m.size} arms on a lattice of "
            f"{1000.0 * step:.4g} mm takes {states:.1e} states and {work:.1e} additions, where "
            f"{_MOST_STATES:.0e} and {_MOST_WORK:.0e} are the most. Count flights instead."
        )
    return plan


def _counted(plan: SumPlan) -> int:
    return min(plan.take, plan.arm_m.size - plan.take)


def _width(plan: SumPlan) -> int:
    """Return how many sums of steps the counted seats may have."""
    return int(np.sort(plan.index)[-_counted(plan) :].sum()) + 1


def _first_step(plan: SumPlan) -> float:
    return 0.5 / math.sqrt(plan.take)


def _times(plan: SumPlan) -> tuple[float, float]:
    """Return between which logarithms of time the last seat is taken, whatever the set."""
    assert plan.weight is not None
    n, take = plan.arm_m.size, plan.take
    early = -math.log1p(-float(special.betaincinv(take, n - take + 1, _LOST)))
    late = -math.log(float(special.betaincinv(n - take + 1, take, _LOST)))
    return math.log(early / float(plan.weight.max())), math.log(late / float(plan.weight.min()))


def _row_factors(
    plan: SumPlan, taken: Floats, empty: Floats, last: Floats | None
) -> list[tuple[int, Floats, Floats]]:
    """Return for each arm (steps, chances of k counted seats, the same with the last one here).

    ``taken``, ``empty`` and ``last``: (nodes, seats), the factors of a seat that is taken, is
    empty, or is the last one taken.
    """
    few = plan.take <= plan.arm_m.size - plan.take  # taken seats are counted, not empty ones
    rows = []
    for step in np.unique(plan.index):
        seats = np.flatnonzero(plan.index == step)
        plain = np.zeros((taken.shape[0], seats.size + 1))
        plain[:, 0] = 1.0
        marked = np.zeros_like(plain)
        for seat in seats:
            counted, other = (taken, empty) if few else (empty, taken)
            old, old_marked = plain.copy(), marked.copy()
            plain = old * other[:, [seat]]
            plain[:, 1:] += old[:, :-1] * counted[:, [seat]]
            marked = old_marked * other[:, [seat]]
            marked[:, 1:] += old_marked[:, :-1] * counted[:, [seat]]
            if last is not None:
                if few:
                    marked[:, 1:] += old[:, :-1] * last[:, [seat]]
                else:
                    marked += old * last[:, [seat]]
        rows.append((int(step), plain, marked))
    return rows


def _count(rows: Sequence[tuple[int, Floats, Floats]], *, most: int, width: int) -> Floats:
    """Return the weights of the sums of ``most`` counted seats, (2, width).

    First without, then with the last one among the seats; rows have one node here.
    """
    state = np.zeros((2, most + 1, width))
    state[0, 0, 0] = 1.0
    seats, reach = np.zeros(0, dtype=np.int64), 0
    for step, plain, marked in rows:
        here = min(plain.size - 1, most)
        known = min(seats.size, most)
        seats = np.concatenate([seats, np.full(plain.size - 1, step)])
        grown = np.zeros_like(state)
        for k in range(here + 1):
            old = state[:, : min(known, most - k) + 1, : reach + 1]
            target = grown[:, k : k + old.shape[1], k * step : k * step + reach + 1]
            old = old[:, :, : target.shape[2]]
            target += plain[k] * old
            target[1] += marked[k] * old[0]
        state = grown
        reach = int(np.sort(seats)[-most:].sum())
    last: Floats = state[:, most, :]
    return last


def _by_chance(plan: SumPlan) -> tuple[Floats, int]:
    """All sets equally likely: independent seats of one chance, given their number."""
    chance = np.full((1, plan.arm_m.size), plan.take / plan.arm_m.size)
    rows = [(s, p[0], m[0]) for s, p, m in _row_factors(plan, chance, 1.0 - chance, None)]
    weights = _count(rows, most=_counted(plan), width=_width(plan))[0]
    return weights / weights.sum(), 0


def _at_times(plan: SumPlan, log_times: Floats) -> Floats:
    """Return the sum of the integrand over nodes in the logarithm of time."""
    assert plan.weight is not None
    total = np.zeros(_width(plan))
    for piece in np.array_split(log_times, max(1, log_times.size // 64)):
        run_down = np.exp(piece)[:, None] * plan.weight
        empty = np.exp(-run_down)
        rows = _row_factors(plan, -np.expm1(-run_down), empty, run_down * empty)
        for node in range(piece.size):
            at_node = [(step, plain[node], marked[node]) for step, plain, marked in rows]
            total += _count(at_node, most=_counted(plan), width=total.size)[1]
    return total


def _by_preference(plan: SumPlan) -> tuple[Floats, int]:
    """Seats by preference, one after another: the integral over the time of the last."""
    low, high = _times(plan)
    intervals = math.ceil((high - low) / _first_step(plan))
    width = (high - low) / intervals
    places = np.arange(intervals + 1, dtype=np.float64)
    coarse = _at_times(plan, low + width * places[::2])
    total = coarse + _at_times(plan, low + width * places[1::2])
    before, nodes = 2.0 * width * coarse, intervals + 1
    for _ in range(_HALVINGS):
        law = width * total
        seen = law > _SMALLEST
        apart = float((np.abs(law - before)[seen] / law[seen]).max())
        if apart < _AGREE and abs(float(law.sum()) - 1.0) < _WHOLE:
            return law, nodes
        total += _at_times(plan, low + width * (np.arange(intervals, dtype=np.float64) + 0.5))
        before, width, nodes = law, 0.5 * width, nodes + intervals
        intervals *= 2
    raise ComputationError(
        "The integral over the time at which the last seat is taken does not settle: the weights "
        "of the seats differ too much. Bring the preferences nearer together, or count flights."
    )


def law_of_plan(plan: SumPlan) -> LatticeLaw:
    """Return the law of the sum of the arms of the taken seats (m)."""
    if plan.take == 0:
        return LatticeLaw(plan.fixed_m, 1.0, np.ones(1))
    probability, nodes = _by_chance(plan) if plan.weight is None else _by_preference(plan)
    # Sums of steps were counted over the fewer: turn empty seats into taken ones.
    start = plan.fixed_m + plan.take * plan.first_m
    if plan.take > plan.arm_m.size - plan.take:
        start += plan.step_m * (int(plan.index.sum()) - (probability.size - 1))
        probability = probability[::-1]
    return LatticeLaw(start, plan.step_m, np.ascontiguousarray(probability), nodes)


def add_laws(laws: Sequence[LatticeLaw], *, tolerance: float) -> LatticeLaw:
    """Return the law of the sum of independent terms.

    Parameters
    ----------
    laws : sequence of LatticeLaw
        At least one, in one unit.
    tolerance : float
        Sums nearer to each other than this are one.

    Raises
    ------
    ComputationError
        If their steps have no common measure with which the sums can be counted.
    """
    start = math.fsum(law.start for law in laws)
    nodes = sum(law.nodes for law in laws)
    moving = [law for law in laws if law.probability.size > 1]
    if not moving:
        return LatticeLaw(start, 1.0, np.ones(1), nodes)
    longest = max(law.probability.size for law in moving)
    step, multiples = common_step(
        np.array([law.step for law in moving]),
        finest=tolerance * _FINEST_M / MERGED_M,
        tolerance=tolerance / longest,
    )
    lengths = [
        m * (law.probability.size - 1) for m, law in zip(multiples.tolist(), moving, strict=True)
    ]
    if sum(lengths) + 1 > _MOST_STATES:
        raise ComputationError(
            f"The rows of different regions have steps whose sums take {sum(lengths) + 1:.1e} "
            f"places, where {_MOST_STATES:.0e} are the most. Count flights instead."
        )
    total = np.ones(1)
    for multiple, law in zip(multiples.tolist(), moving, strict=True):
        if multiple == 1:
            total = np.convolve(total, law.probability)
            continue
        grown = np.zeros(total.size + multiple * (law.probability.size - 1))
        for place in np.flatnonzero(law.probability):
            first = multiple * int(place)
            grown[first : first + total.size] += law.probability[place] * total
        total = grown
    return LatticeLaw(start, step, total, nodes)
