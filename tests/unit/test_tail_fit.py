"""The generalised-Pareto cross-check: known shapes, coverage, another library, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from cgrisk.errors import UsageError
from cgrisk.rare.tail_fit import pareto_fit, tail_fit


@pytest.mark.parametrize("shape", [-0.2, 0.0, 0.2])
def test_a_known_shape_is_found(shape, seed_offset):
    rng = np.random.default_rng(51 + seed_offset)
    y = stats.genpareto.rvs(shape, scale=3.0, size=5000, random_state=rng)
    found, scale = pareto_fit(y)
    one = 1.0 + shape
    assert abs(found - shape) < 5.0 * one / math.sqrt(y.size)
    assert abs(scale / 3.0 - 1.0) < 5.0 * math.sqrt(2.0 * one / y.size)


@pytest.mark.parametrize("shape", [-0.7, -0.2, 0.0, 0.2, 1.0])
def test_the_likelihood_is_no_less_than_that_of_another_search(shape, seed_offset):
    rng = np.random.default_rng(52 + seed_offset)
    y = stats.genpareto.rvs(shape, scale=0.01, size=400, random_state=rng)
    other = stats.genpareto.fit(y, floc=0.0)
    ours, theirs = (
        stats.genpareto.logpdf(y, c, 0.0, scale).sum()
        for c, scale in (pareto_fit(y), (other[0], other[2]))
    )
    assert ours >= theirs - 1e-6


@pytest.mark.parametrize(
    "law", [stats.norm(), stats.genpareto(-0.2), stats.genpareto(0.2)], ids=["normal", "-", "+"]
)
def test_intervals_cover(law, seed_offset):
    """Approximate intervals are asked for 90 % where they promise 95 %."""
    rng = np.random.default_rng(53 + seed_offset)
    chances, repetitions = np.array([0.5, 3e-3, 5e-4]), 200
    covered = np.zeros(3, dtype=int)
    for _ in range(repetitions):
        tail = tail_fit(law.rvs(size=4000, random_state=rng), thresholds=law.isf(chances)).estimate
        covered += (tail.low <= chances) & (chances <= tail.high)
    for count in covered.tolist():
        found = stats.binomtest(count, repetitions, 0.90, alternative="less")
        assert found.pvalue > 1e-6


def test_the_table_and_the_answer_agree(seed_offset):
    rng = np.random.default_rng(54 + seed_offset)
    fit = tail_fit(rng.standard_normal(20_000), thresholds=[0.0, 3.0, 4.5])
    table, tail = fit.stability, fit.estimate
    assert table["share"].tolist() == [0.1, 0.05, 0.02, 0.01, 0.005]
    assert table["exceedances"].tolist() == [2000, 1000, 400, 200, 100]
    assert table["used"].tolist() == [False, False, False, True, False]
    assert table["probability_first"].isna().all()
    assert table["probability_last"].iloc[3] == tail.estimate[2]
    assert "cross-check only" in tail.method
    assert tail.flights == 20_000
    assert (tail.low <= tail.estimate).all()
    assert (tail.estimate <= tail.high).all()
    assert (np.diff(tail.estimate) < 0.0).all()


def test_an_end_below_a_threshold_is_said(seed_offset):
    rng = np.random.default_rng(55 + seed_offset)
    tail = tail_fit(rng.random(4000), thresholds=[0.99, 3.0]).estimate
    assert tail.estimate[1] == tail.low[1] == 0.0
    assert 0.0 <= tail.high[1] < 1e-3
    assert any("fitted tail ends at" in text for text in tail.warnings)


def test_the_least_shape_is_fitted(seed_offset):
    """Uniform scores have shape -1, where many fits end: none is lost to rounding."""
    least = 0
    for seed in range(30):
        scores = np.random.default_rng(57 + seed + 100 * seed_offset).random(4000)
        for start in (0.9, 0.95, 0.98):
            least += pareto_fit(scores[scores > start] - start)[0] == -1.0
        tail = tail_fit(scores, thresholds=[0.99, 3.0]).estimate
        assert np.isfinite(tail.high).all()
        assert tail.low[0] < tail.estimate[0] < tail.high[0]
    assert least >= 20


def test_shapes_that_disagree_are_told(seed_offset):
    """A short body with a heavy tail of its own above the 1 % point."""
    rng = np.random.default_rng(56 + seed_offset)
    scores = rng.random(50_000)
    scores[:500] = 1.0 + rng.pareto(1.0, 500)
    tail = tail_fit(scores, thresholds=[2.0]).estimate
    assert any("differ by more than their errors allow" in text for text in tail.warnings)


@pytest.mark.parametrize(
    ("scores", "thresholds", "match"),
    [
        (np.arange(400.0), [1.0], "at least 50 different scores"),
        (np.ones(1000), [1.0], "not all equal"),
        (np.array([*range(999), math.nan]), [1.0], "finite numbers"),
        (np.repeat([0.0, 1.0], 500), [1.0], "at least 50 different scores"),
        (np.arange(1000.0), [2.0, 1.0], "rising numbers"),
        (np.arange(1000.0), [math.inf], "finite numbers"),
    ],
)
def test_faulty_arguments_are_refused(scores, thresholds, match):
    with pytest.raises(UsageError, match=match):
        tail_fit(scores, thresholds=thresholds)


def test_faulty_exceedances_are_refused():
    with pytest.raises(UsageError, match="above 0 that are not all equal"):
        pareto_fit([1.0, 1.0])
