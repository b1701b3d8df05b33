"""Intervals against published values; all of them quoted from memory."""

from __future__ import annotations

import math

import pytest

from cgrisk.risk import binomial_interval, needed_flights


@pytest.mark.parametrize("flights", [30, 100, 300, 3_000, 1_000_000])
def test_rule_of_three(flights: int) -> None:
    # Hanley and Lippman-Hand, "If nothing goes wrong, is everything all right?", JAMA 249 (1983)
    # 1743-1745, from memory: no event in n gives an upper 95 % bound of about 3/n. The bound is
    # below 3/n, and above it by no more than ln 20 = 2.9957 and the curvature for short samples.
    high = binomial_interval(0, flights=flights, confidence=0.9).high
    assert 0.95 * 3.0 / flights < high < 3.0 / flights
    assert high == pytest.approx(3.0 / flights, rel=0.0015 + 1.5 / flights)
    assert high * flights == pytest.approx(math.log(20.0), rel=1.5 / flights)


@pytest.mark.parametrize(
    ("hits", "low", "high"), [(1, 0.0025, 0.4450), (2, 0.0252, 0.5561), (5, 0.1871, 0.8129)]
)
def test_ten_trials_at_95_percent(hits: int, low: float, high: float) -> None:
    # Clopper and Pearson, Biometrika 26 (1934) 404-413, in the four digits of later tables;
    # from memory.
    found = binomial_interval(hits, flights=10, confidence=0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("share", "confidence", "flights"),
    [(0.90, 0.90, 22), (0.90, 0.95, 29), (0.95, 0.95, 59), (0.99, 0.95, 299), (0.99, 0.99, 459)],
)
def test_sample_sizes_of_one_sided_tolerance_bounds(
    share: float, confidence: float, flights: int
) -> None:
    # Wilks, Annals of Mathematical Statistics 12 (1941) 91-96, as used for "95/95" bounds; from
    # memory.
    assert needed_flights(share, confidence) == flights
