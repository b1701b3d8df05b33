"""Quantile bounds from order statistics."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from cgrisk.errors import UsageError
from cgrisk.risk import needed_flights, quantile_interval, upper_quantile_bound
from cgrisk.risk.quantiles import fewest_for_lower, lower_rank, upper_rank
from tests.oracles.slow_intervals import slow_ranks

FRACTIONS = [Fraction(1, 100), Fraction(1, 4), Fraction(1, 2), Fraction(9, 10), Fraction(99, 100)]


@pytest.mark.parametrize("flights", [1, 2, 5, 20, 59, 101])
@pytest.mark.parametrize("p", FRACTIONS)
def test_ranks_against_exact_sums(flights: int, p: Fraction) -> None:
    for tail in (Fraction(1, 10), Fraction(1, 40), Fraction(1, 2000)):
        found = (
            lower_rank(flights, probability=float(p), tail=float(tail)),
            upper_rank(flights, probability=float(p), tail=float(tail)),
        )
        assert found == slow_ranks(flights, p, tail)


def test_ranks_where_the_tail_is_met_exactly() -> None:
    # P(all four at or below the median) = 1/16 = 1 - 0.9375: at most, so it will do.
    assert upper_rank(4, probability=0.5, tail=1.0 - 0.9375) == 4
    assert upper_rank(4, probability=0.5, tail=math.nextafter(0.0625, 0.0) * (1 - 1e-9)) == 5
    assert lower_rank(4, probability=0.5, tail=1.0 - 0.9375) == 1
    assert lower_rank(4, probability=0.5, tail=0.0624) == 0
    # 1 - 0.9 is 0.09999999999999998 in floats; 0.1 is meant.
    assert upper_rank(1, probability=0.1, tail=1.0 - 0.9) == 1
    assert needed_flights(0.1, 0.9) == 1
    assert needed_flights(0.5, 0.9375) == 4


def test_interval_on_shuffled_ranks(seed_offset: int) -> None:
    # The values are their own ranks, so the bounds can be read off.
    values = np.random.default_rng(11 + seed_offset).permutation(np.arange(1.0, 101.0))
    lower, upper = slow_ranks(100, Fraction(1, 4), Fraction(1, 40))
    found = quantile_interval(values, 0.25, confidence=0.95)
    assert (found.low, found.estimate, found.high) == (lower, 25.0, upper)
    assert found.method == f"order statistics, ranks {lower} and {upper} of 100"
    assert found.confidence == 0.95


def test_interval_leaves_its_input_alone() -> None:
    values = np.array([3.0, 1.0, 2.0])
    quantile_interval(values, 0.5)
    assert values.tolist() == [3.0, 1.0, 2.0]


@pytest.mark.parametrize(
    ("flights", "p", "rank"), [(100, 0.07, 7), (100, 0.29, 29), (10, 0.25, 3), (1, 0.001, 1)]
)
def test_estimate_is_the_smallest_value_that_reaches_the_share(
    flights: int, p: float, rank: int
) -> None:
    values = np.arange(1.0, flights + 1.0)
    assert quantile_interval(values, p).estimate == rank
    assert upper_quantile_bound(values, p).estimate == rank


def test_too_few_flights_for_an_upper_bound() -> None:
    found = quantile_interval(np.arange(40.0), 0.99, confidence=0.9)
    assert found.high == math.inf
    assert math.isfinite(found.low)
    assert "no upper bound: 40 flights are too few, 299 are needed" in found.method
    enough = quantile_interval(np.arange(299.0), 0.99, confidence=0.9)
    assert enough.high == 298.0
    assert "too few" not in enough.method
    assert quantile_interval(np.arange(298.0), 0.99, confidence=0.9).high == math.inf


def test_too_few_flights_for_a_lower_bound() -> None:
    found = quantile_interval(np.arange(298.0), 0.01, confidence=0.9)
    assert found.low == -math.inf
    assert "no lower bound: 298 flights are too few, 299 are needed" in found.method
    assert quantile_interval(np.arange(299.0), 0.01, confidence=0.9).low == 0.0


def test_one_flight_bounds_nothing() -> None:
    found = quantile_interval([7.0], 0.5)
    assert (found.low, found.estimate, found.high) == (-math.inf, 7.0, math.inf)
    assert found.method == (
        "order statistics, ranks none and none of 1; "
        "no lower bound: 1 flight is too few, 6 are needed; "
        "no upper bound: 1 flight is too few, 6 are needed"
    )


def test_ties_give_a_bound_on_the_tied_value() -> None:
    found = quantile_interval([2.0] * 50, 0.5)
    assert (found.low, found.estimate, found.high) == (2.0, 2.0, 2.0)


@pytest.mark.parametrize("flights", [58, 59, 60, 200])
def test_one_sided_bound_against_exact_sums(flights: int) -> None:
    _, upper = slow_ranks(flights, Fraction(95, 100), Fraction(5, 100))
    found = upper_quantile_bound(np.arange(1.0, flights + 1.0)[::-1], 0.95, confidence=0.95)
    assert found.low == -math.inf
    if flights < 59:
        assert found.high == math.inf
        assert found.method == (
            "order statistics, one-sided; no upper bound: 58 flights are too few, 59 are needed"
        )
    else:
        assert found.high == upper
        assert found.method == f"order statistics, rank {upper} of {flights}: one-sided upper bound"


def test_one_sided_bound_never_falls_below_the_estimate() -> None:
    found = upper_quantile_bound(np.arange(100.0), 0.5, confidence=0.01)
    assert found.high >= found.estimate


@pytest.mark.parametrize("confidence", ["0.5", "0.9", "0.95", "0.999"])
@pytest.mark.parametrize("p", ["0.3", "0.9", "0.99", "0.999"])
def test_needed_flights_in_fractions(p: str, confidence: str) -> None:
    flights = needed_flights(float(p), float(confidence))
    error = 1 - Fraction(confidence)
    assert Fraction(p) ** flights <= error
    assert flights == 1 or Fraction(p) ** (flights - 1) > error
    values = np.zeros(flights)
    assert upper_quantile_bound(values, float(p), confidence=float(confidence)).high == 0.0
    if flights > 1:
        fewer = upper_quantile_bound(values[1:], float(p), confidence=float(confidence))
        assert fewer.high == math.inf
    assert fewest_for_lower(1.0 - float(p), tail=1.0 - float(confidence)) == flights


@pytest.mark.parametrize(
    ("values", "probability", "confidence", "message"),
    [
        ([1.0], 0.0, 0.95, r"probability: expected a number strictly between 0 and 1; got 0\.0"),
        ([1.0], 1.0, 0.95, r"probability: .* got 1\.0"),
        ([1.0], 95, 0.95, "probability: .* got 95"),
        ([1.0], math.nan, 0.95, "probability: .* got nan"),
        ([1.0], 0.5, 1.5, r"confidence: .* got 1\.5"),
        ([], 0.5, 0.95, "values: expected a one-dimensional array of numbers"),
        ([1.0, math.nan], 0.5, 0.95, "values: expected finite numbers; got '1 of 2 not finite"),
        ([1.0, -math.inf], 0.5, 0.95, "values: expected finite numbers"),
        ([[1.0]], 0.5, 0.95, r"values: .* got 'shape \(1, 1\), dtype float64'"),
    ],
)
def test_faulty_input_is_refused(
    values: object, probability: float, confidence: float, message: str
) -> None:
    for function in (quantile_interval, upper_quantile_bound):
        with pytest.raises(UsageError, match=message):
            function(values, probability, confidence=confidence)  # type: ignore[arg-type]


def test_needed_flights_refuses_what_is_no_fraction() -> None:
    with pytest.raises(UsageError, match=r"probability: .* got 1"):
        needed_flights(1, 0.95)
    with pytest.raises(UsageError, match=r"confidence: .* got 0"):
        needed_flights(0.5, 0)
