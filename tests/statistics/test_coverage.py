"""How often the intervals hold the truth: summed exactly where possible, else simulated.

Exact sums have no sampling error. Simulated shares state their standard error (SE) and are
compared at 5 SE.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from cgrisk.risk import (
    binomial_intervals,
    mean_interval,
    offset_for_risk,
    proportion_difference,
    quantile_interval,
    upper_quantile_bound,
)


def standard_error(share: float, runs: int) -> float:
    return math.sqrt(share * (1.0 - share) / runs)


def coverage_by_summing(flights: int, p: np.ndarray, confidence: float) -> np.ndarray:
    counts = np.arange(flights + 1)
    low, high = binomial_intervals(counts, flights=flights, confidence=confidence)
    holds = (low[:, None] <= p) & (p <= high[:, None])
    return (stats.binom.pmf(counts[:, None], flights, p) * holds).sum(axis=0)


def where_coverage_is_lowest(flights: int, confidence: float) -> np.ndarray:
    """Probabilities on either side of every bound: between bounds coverage has no dip."""
    bounds = np.concatenate(
        binomial_intervals(np.arange(flights + 1), flights=flights, confidence=confidence)
    )
    inner = bounds[(bounds > 0.0) & (bounds < 1.0)]
    near = np.concatenate([inner * (1.0 - 1e-9), inner * (1.0 + 1e-9)])
    return near[near < 1.0]


@pytest.mark.parametrize("flights", [1, 2, 5, 10, 30, 50, 51, 60, 100, 200, 400])
def test_binomial_coverage_at_its_worst(flights: int) -> None:
    lowest = coverage_by_summing(flights, where_coverage_is_lowest(flights, 0.95), 0.95).min()
    assert lowest >= 0.95 - 1e-9  # the guarantee of Clopper and Pearson; points lie 1e-9 off bounds


@pytest.mark.parametrize(
    ("flights", "p"),
    [(100, 0.01), (100, 0.3), (1_000, 0.003), (1_000, 0.5), (100_000, 2e-5), (100_000, 0.999)],
)
def test_binomial_coverage_simulated(flights: int, p: float, seed_offset: int) -> None:
    runs = 40_000  # SE 0.0011 at 95 %
    hits = np.random.default_rng(31 + seed_offset).binomial(flights, p, size=runs)
    low, high = binomial_intervals(hits, flights=flights)
    share = float(((low <= p) & (p <= high)).mean())
    counts = np.arange(stats.binom.ppf(1e-12, flights, p), stats.binom.ppf(1 - 1e-12, flights, p))
    counts = counts.astype(np.int64)
    bounds = binomial_intervals(counts, flights=flights)
    holds = (bounds[0] <= p) & (p <= bounds[1])
    exact = float((stats.binom.pmf(counts, flights, p) * holds).sum())
    assert exact >= 0.93
    assert abs(share - exact) <= 5.0 * standard_error(exact, runs)
    assert share >= 0.93 - 5.0 * standard_error(0.93, runs)


@pytest.mark.parametrize(
    ("both", "only_first", "only_second"),
    [(0.0, 0.05, 0.05), (0.2, 0.1, 0.0), (0.1, 0.3, 0.1), (0.3, 0.02, 0.5), (0.0, 0.5, 0.5)],
)
def test_difference_coverage_summed(both: float, only_first: float, only_second: float) -> None:
    flights, covered, total = 16, 0.0, 0.0
    concordant = 1.0 - only_first - only_second
    assert both <= concordant  # how these split between both and neither tells nothing
    for b, c in itertools.product(range(flights + 1), repeat=2):
        rest = flights - b - c
        if rest < 0:
            continue
        weight = (
            math.comb(flights, b) * math.comb(flights - b, c)
            * only_first**b * only_second**c * concordant**rest
        )  # fmt: skip
        first = [True] * b + [False] * (c + rest)
        second = [False] * b + [True] * c + [False] * rest
        found = proportion_difference(first, second=second, confidence=0.95)
        covered += weight * (found.low <= only_first - only_second <= found.high)
        total += weight
    assert total == pytest.approx(1.0, abs=1e-12)
    assert covered >= 0.95 - 1e-12


def test_mean_coverage_simulated(seed_offset: int) -> None:
    runs = 4_000  # SE 0.0034
    samples = np.random.default_rng(32 + seed_offset).normal(3.0, 2.0, size=(runs, 6))
    found = [mean_interval(sample) for sample in samples]
    share = sum(interval.low <= 3.0 <= interval.high for interval in found) / runs
    assert abs(share - 0.95) <= 5.0 * standard_error(0.95, runs)


@pytest.mark.parametrize(("flights", "p"), [(60, 0.5), (400, 0.02), (400, 0.98)])
def test_quantile_coverage_simulated(flights: int, p: float, seed_offset: int) -> None:
    runs = 3_000  # SE 0.0040 at 95 %
    samples = np.random.default_rng(33 + seed_offset).exponential(size=(runs, flights))
    truth = -math.log1p(-p)
    # The estimates' ranks, and so the exact coverage, follow from any one sample.
    rank = quantile_interval(np.arange(1.0, flights + 1.0), p)
    exact = float(stats.binom.cdf(rank.high - 1, flights, p)) - (
        float(stats.binom.cdf(rank.low - 1, flights, p)) if math.isfinite(rank.low) else 0.0
    )
    found = [quantile_interval(sample, p) for sample in samples]
    share = sum(interval.low <= truth <= interval.high for interval in found) / runs
    assert exact >= 0.95
    assert abs(share - exact) <= 5.0 * standard_error(exact, runs)


def test_quantile_coverage_of_lumped_values(seed_offset: int) -> None:
    # Values in {0, 1, 2}: the 0.9 quantile is 2 (P(value <= 1) = 0.85). Ties only help.
    runs = 3_000
    rng = np.random.default_rng(34 + seed_offset)
    samples = rng.choice([0.0, 1.0, 2.0], p=[0.6, 0.25, 0.15], size=(runs, 300))
    two = [quantile_interval(sample, 0.9) for sample in samples]
    one = [upper_quantile_bound(sample, 0.9) for sample in samples]
    slack = 5.0 * standard_error(0.95, runs)
    assert sum(found.low <= 2.0 <= found.high for found in two) / runs >= 0.95 - slack
    assert sum(found.high >= 2.0 for found in one) / runs >= 0.95 - slack


def test_one_sided_quantile_coverage(seed_offset: int) -> None:
    runs, flights, p = 3_000, 500, 0.97
    samples = np.random.default_rng(35 + seed_offset).uniform(size=(runs, flights))
    share = sum(upper_quantile_bound(sample, p).high >= p for sample in samples) / runs
    rank = upper_quantile_bound(np.arange(1.0, flights + 1.0), p).high
    exact = float(stats.binom.cdf(rank - 1, flights, p))
    assert exact >= 0.95
    assert abs(share - exact) <= 5.0 * standard_error(exact, runs)


def test_offset_found_keeps_the_risk_as_often_as_promised(seed_offset: int) -> None:
    # The offset is chosen from the same flights, which must not spoil its confidence.
    runs, flights, risk = 3_000, 500, 0.02
    samples = np.random.default_rng(36 + seed_offset).normal(size=(runs, flights))
    offsets = [offset_for_risk(sample, risk=risk, confidence=0.95).offset for sample in samples]
    true_risk = stats.norm.cdf(np.array(offsets, dtype=np.float64))
    kept = float((true_risk <= risk).mean())
    rank = offset_for_risk(np.arange(1.0, flights + 1.0), risk=risk, confidence=0.95).offset
    assert rank is not None
    exact = float(stats.binom.sf(rank - 1, flights, risk))
    assert exact >= 0.95
    assert abs(kept - exact) <= 5.0 * standard_error(exact, runs)
