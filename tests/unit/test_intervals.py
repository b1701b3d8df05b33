"""Intervals for shares of flights, paired differences and means."""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal

import numpy as np
import pytest
from scipy import stats

from cgrisk.errors import UsageError
from cgrisk.risk import (
    Interval,
    binomial_interval,
    binomial_intervals,
    mean_interval,
    paired_difference,
    proportion_difference,
)
from cgrisk.risk.intervals import independent_difference, product_bounds
from tests.oracles.slow_intervals import slow_binomial_interval, slow_difference


@pytest.mark.parametrize("confidence", ["0.5", "0.95", "0.999"])
@pytest.mark.parametrize(
    ("hits", "flights"),
    [
        (0, 1), (1, 1), (0, 2), (1, 2), (2, 2), (0, 17), (1, 17), (8, 17), (16, 17), (17, 17),
        (0, 300), (3, 300), (150, 300), (299, 300), (0, 10_000_000), (2, 10_000_000),
    ],
)  # fmt: skip
def test_against_sums_of_the_binomial_law(hits: int, flights: int, confidence: str) -> None:
    found = binomial_interval(hits, flights=flights, confidence=float(confidence))
    low, high = slow_binomial_interval(hits, flights, confidence)
    # The upper bound is inverted through its complement: it carries the rounding of a number
    # near 1, half of 2**-52, whatever its own size.
    assert found.low == pytest.approx(low, rel=1e-13, abs=0.0)
    assert found.high == pytest.approx(high, rel=1e-13, abs=2.0**-53)
    assert found.estimate == hits / flights


@pytest.mark.parametrize("flights", [2, 5, 40, 1_000, 123_456])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_against_scipy(flights: int, confidence: float) -> None:
    for hits in sorted({0, 1, 2, flights // 3, flights // 2, flights - 1, flights}):
        expected = stats.binomtest(hits, flights).proportion_ci(confidence, method="exact")
        found = binomial_interval(hits, flights=flights, confidence=confidence)
        assert (found.low, found.high) == pytest.approx((expected.low, expected.high), rel=1e-8)


def test_no_event_is_an_upper_bound() -> None:
    found = binomial_interval(0, flights=1_000)
    assert found == Interval(
        estimate=0.0,
        low=0.0,
        high=pytest.approx(1.0 - 0.025 ** (1 / 1_000), rel=1e-12),
        confidence=0.95,
        method="exact binomial, no event in 1000 flights: upper bound",
    )


def test_no_event_keeps_its_digits_with_very_many_flights() -> None:
    # 1 - 0.025**(1/n) by subtraction has lost half its digits here; -ln(0.025)/n (1 + O(1/n)).
    flights = 10**12
    found = binomial_interval(0, flights=flights)
    assert found.high == pytest.approx(math.log(40.0) / flights, rel=1e-11)


def test_event_on_all_flights_is_a_lower_bound() -> None:
    found = binomial_interval(1, flights=1, confidence=0.9)
    assert (found.estimate, found.high) == (1.0, 1.0)
    assert found.low == pytest.approx(0.05, rel=1e-12)
    assert found.method == "exact binomial, event in all 1 flight: lower bound"


def test_between_the_ends_the_method_is_two_sided() -> None:
    assert binomial_interval(1, flights=2).method == "exact binomial (Clopper-Pearson), two-sided"


def test_numpy_integers_are_counts() -> None:
    counted = np.count_nonzero(np.array([True, False, True]))
    assert binomial_interval(np.int32(2), flights=np.int64(3)) == binomial_interval(
        int(counted), flights=3
    )


def test_result_is_frozen() -> None:
    found = binomial_interval(1, flights=2)
    with pytest.raises(dataclasses.FrozenInstanceError, match="low"):
        found.low = 0.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("hits", "flights", "confidence", "message"),
    [
        (4, 3, 0.95, r"hits: expected between 0 and flights \(= 3\); got 4"),
        (-1, 3, 0.95, "hits: expected a whole number of at least 0; got -1"),
        (0, 0, 0.95, "flights: expected a whole number of at least 1; got 0"),
        (0, -5, 0.95, "flights: expected a whole number of at least 1; got -5"),
        (1.5, 3, 0.95, r"hits: .* got 1\.5"),
        (1.0, 3, 0.95, r"hits: .* got 1\.0\. Count flights as integers"),
        (math.nan, 3, 0.95, "hits: .* got nan"),
        (True, 3, 0.95, "hits: .* got True"),
        ("1", 3, 0.95, "hits: .* got '1'"),
        (None, 3, 0.95, "hits: .* got None"),
        (1, 3.0, 0.95, r"flights: .* got 3\.0"),
        (1, math.nan, 0.95, "flights: .* got nan"),
        (1, 3, 0.0, r"confidence: expected a number strictly between 0 and 1; got 0\.0"),
        (1, 3, 1.0, r"confidence: .* got 1\.0"),
        (1, 3, True, "confidence: .* got True"),
        (1, 3, 95, "confidence: .* got 95. Give a fraction, for instance 0.95 for 95 %"),
        (1, 3, math.nan, "confidence: .* got nan"),
        (1, 3, "high", "confidence: .* got 'high'"),
    ],
)
def test_faulty_counts_are_refused(
    hits: object, flights: object, confidence: object, message: str
) -> None:
    with pytest.raises(UsageError, match=message):
        binomial_interval(hits, flights=flights, confidence=confidence)  # type: ignore[arg-type]


@pytest.mark.parametrize("confidence", [0.9, 0.95])
@pytest.mark.parametrize("flights", [1, 2, 37])
def test_many_counts_equal_the_single_ones(flights: int, confidence: float) -> None:
    counts = np.arange(flights + 1, dtype=np.int32)[::-1]
    low, high = binomial_intervals(counts, flights=flights, confidence=confidence)
    single = [binomial_interval(int(k), flights=flights, confidence=confidence) for k in counts]
    assert low.tolist() == [interval.low for interval in single]
    assert high.tolist() == [interval.high for interval in single]


@pytest.mark.parametrize(
    ("hits", "message"),
    [
        ([0, 4], r"hits: expected between 0 and flights \(= 3\); got 4"),
        ([-1, 2], r"hits: expected between 0 and flights \(= 3\); got -1"),
        ([1.0, 2.0], "hits: expected a one-dimensional array of whole numbers"),
        ([math.nan], "dtype float64"),
        ([True], "dtype bool"),
        ([], "with at least one entry"),
        ([[1, 2]], r"shape \(1, 2\)"),
        (2, r"shape \(\)"),
        ([[1], [1, 2]], "one-dimensional"),
    ],
)
def test_faulty_arrays_of_counts_are_refused(hits: object, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        binomial_intervals(hits, flights=3)  # type: ignore[arg-type]


def paired(both: int, only_first: int, only_second: int, neither: int) -> list[list[bool]]:
    pattern = (
        [(True, True)] * both
        + [(True, False)] * only_first
        + [(False, True)] * only_second
        + [(False, False)] * neither
    )
    return [list(side) for side in zip(*pattern, strict=True)]


@pytest.mark.parametrize(
    "counts",
    [(0, 0, 0, 1), (0, 0, 0, 50), (3, 5, 1, 41), (0, 0, 7, 93), (10, 20, 0, 0), (0, 1, 0, 0),
     (2, 4, 4, 200), (0, 9, 30, 361)],
)  # fmt: skip
def test_difference_against_the_four_corners(counts: tuple[int, int, int, int]) -> None:
    first, second = paired(*counts)
    found = proportion_difference(first, second=second, confidence=0.95)
    low, high = slow_difference(first, second, Decimal("0.05"))
    assert found.estimate == (counts[1] - counts[2]) / sum(counts)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9, abs=1e-15)
    assert -1.0 <= found.low <= found.estimate <= found.high <= 1.0
    assert f"{counts[1]} and {counts[2]} discordant flights in {sum(counts)}" in found.method


def test_difference_takes_zeros_and_ones_and_changes_sign_when_swapped() -> None:
    first, second = (np.array(side, dtype=np.int8) for side in paired(2, 9, 3, 60))
    forth = proportion_difference(first, second=second)
    back = proportion_difference(second.astype(bool), second=first)
    assert forth.estimate == -back.estimate
    assert (forth.low, forth.high) == pytest.approx((-back.high, -back.low), rel=1e-12)


def test_difference_agrees_with_the_sign_test() -> None:
    sides = set()
    for only_first in range(25):
        first, second = paired(5, only_first, 4, 100)
        found = proportion_difference(first, second=second, confidence=0.9)
        sign_test = stats.binomtest(only_first, only_first + 4, 0.5).pvalue
        apart = not found.low <= 0.0 <= found.high
        assert apart == (sign_test < 0.05)
        sides.add(apart)
    assert sides == {True, False}


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        ([True], [True, False], r"second: expected as many flights as first \(= 1\); got 2"),
        ([0, 2], [0, 1], "first: expected truth values, or 0 and 1; got 'values from 0 to 2'"),
        ([0, 1], [-1, 1], "second: expected truth values, or 0 and 1"),
        ([0.5], [True], "first: .* dtype float64"),
        ([], [], "first: .* at least one entry"),
    ],
)
def test_faulty_pairs_are_refused(first: object, second: object, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        proportion_difference(first, second=second)  # type: ignore[arg-type]


def test_mean_against_scipy() -> None:
    values = np.array([0.3, -1.2, 2.5, 0.9, 0.9, 4.1])
    for confidence in (0.5, 0.95, 0.999):
        found = mean_interval(values, confidence=confidence)
        expected = stats.ttest_1samp(values, 0.0).confidence_interval(confidence)
        assert found.estimate == pytest.approx(values.mean(), rel=1e-14)
        assert (found.low, found.high) == pytest.approx((expected.low, expected.high), rel=1e-10)
        assert found.method == "Student t, 6 flights"


def test_mean_of_two_values_by_hand() -> None:
    # One degree of freedom is the Cauchy law: t(0.975) = tan(0.475 pi); standard error 1.
    found = mean_interval([1, 3])
    assert found.estimate == 2.0
    assert found.high - 2.0 == pytest.approx(math.tan(0.475 * math.pi), rel=1e-10)
    assert 2.0 - found.low == pytest.approx(math.tan(0.475 * math.pi), rel=1e-10)


def test_mean_keeps_its_digits_far_from_zero() -> None:
    near = mean_interval([0.0, 1.0, 2.0, 5.0])
    far = mean_interval([1e9, 1e9 + 1.0, 1e9 + 2.0, 1e9 + 5.0])
    assert far.high - far.low == pytest.approx(near.high - near.low, rel=1e-6)


def test_mean_of_equal_values_has_no_width() -> None:
    found = mean_interval([0.1] * 3)
    assert (found.low, found.estimate, found.high) == (0.1, 0.1, 0.1)
    assert found.method == "Student t, all 3 flights have the same value: no spread seen"


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ([2.0], "values: expected at least two values, .* got '1 value'. Simulate more flights"),
        ([], "values: .* at least one entry"),
        ([1.0, math.nan, math.inf], "got '2 of 3 not finite, the first at index 1'"),
        ([[1.0, 2.0]], r"shape \(1, 2\)"),
        (["a", "b"], "array of numbers"),
    ],
)
def test_faulty_values_have_no_mean(values: object, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        mean_interval(values)  # type: ignore[arg-type]


def test_mean_refuses_a_percentage() -> None:
    with pytest.raises(UsageError, match=r"confidence: .* got 95"):
        mean_interval([1.0, 2.0], confidence=95)


def test_every_interval_is_at_95_percent_unless_told() -> None:
    many = binomial_intervals([0, 3, 40], flights=40)
    told = binomial_intervals([0, 3, 40], flights=40, confidence=0.95)
    np.testing.assert_array_equal(many, told)
    one, two = np.arange(9) < 4, np.arange(9) % 3 == 0
    assert binomial_interval(3, flights=40) == binomial_interval(3, flights=40, confidence=0.95)
    assert proportion_difference(one, second=two) == proportion_difference(
        one, second=two, confidence=0.95
    )
    assert paired_difference(2, 1, flights=9) == paired_difference(2, 1, flights=9, confidence=0.95)
    assert mean_interval([1.0, 2.0, 4.0]) == mean_interval([1.0, 2.0, 4.0], confidence=0.95)


def test_no_flight_gives_no_interval() -> None:
    for call in (
        lambda: binomial_intervals([0], flights=0),
        lambda: binomial_interval(0, flights=0),
        lambda: paired_difference(0, 0, flights=0),
    ):
        with pytest.raises(UsageError, match="flights: expected a whole number of at least 1"):
            call()


def test_no_more_discordant_flights_than_flights() -> None:
    with pytest.raises(UsageError, match="at least the discordant flights"):
        paired_difference(3, 3, flights=5)
    assert paired_difference(3, 2, flights=5).estimate == 0.2


def test_estimates_of_other_flights_differ_by_their_outer_bounds() -> None:
    """Both hold together with 95 % where each does with 97.5 % (Bonferroni)."""
    first = Interval(0.5, 0.25, 0.75, 0.975, "one")
    second = Interval(0.125, 0.0625, 0.375, 0.975, "other")
    found = independent_difference(first, second=second)
    assert (found.estimate, found.low, found.high) == (0.375, -0.125, 0.6875)
    assert found.confidence == pytest.approx(0.95, rel=1e-15)
    assert "not paired" in found.method


@pytest.mark.parametrize(
    ("share", "bounds"),
    [
        (None, (-0.5, 0.5)),  # no discordant flight: either direction
        ((0.75, 1.0), (0.125, 0.5)),  # first's for sure: q from 1/4 at the least lean
        ((0.0, 0.25), (-0.5, -0.125)),
        ((0.25, 0.75), (-0.25, 0.25)),
        ((0.5, 0.75), (0.0, 0.25)),  # a lean of 0 is on either side
        ((0.25, 0.5), (-0.25, 0.0)),
    ],
)
def test_extremes_of_a_product_by_hand(
    share: tuple[float, float] | None, bounds: tuple[float, float]
) -> None:
    def pair(low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
        return np.array([low]), np.array([high])

    found = product_bounds(pair(0.25, 0.5), None if share is None else pair(*share))
    assert found == bounds
