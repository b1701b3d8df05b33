"""The exceedance curve, its inverse and its default offsets."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from cgrisk.errors import UsageError
from cgrisk.risk import (
    binomial_interval,
    default_offsets,
    exceedance_curve,
    needed_flights,
    offset_for_risk,
)
from tests.oracles.slow_intervals import slow_exceedance, slow_offset

COLUMNS = ["offset", "hits", "flights", "estimate", "low", "high", "method"]


def test_curve_against_counting(seed_offset: int) -> None:
    rng = np.random.default_rng(21 + seed_offset)
    margins = np.round(rng.normal(2.0, 1.0, 400), 1)  # rounding makes ties, with offsets too
    offsets = np.round(rng.uniform(-2.0, 6.0, 50), 1)
    curve = exceedance_curve(margins, offsets=offsets, confidence=0.9)
    assert list(curve.columns) == COLUMNS
    assert curve["offset"].tolist() == offsets.tolist()
    assert set(curve["flights"]) == {400}
    for row in curve.itertuples():
        hits = slow_exceedance(margins.tolist(), row.offset)
        expected = binomial_interval(hits, flights=400, confidence=0.9)
        assert (row.hits, row.estimate) == (hits, expected.estimate)
        assert (row.low, row.high, row.method) == (expected.low, expected.high, expected.method)
    assert curve["hits"].nunique() > 10


def test_a_flight_on_the_limit_is_inside() -> None:
    below, on, above = math.nextafter(0.3, 0.0), 0.3, math.nextafter(0.3, 1.0)
    curve = exceedance_curve([0.3, 0.3, 0.5], offsets=[below, on, above, 0.5, 0.6])
    assert curve["hits"].tolist() == [0, 0, 2, 2, 3]
    assert curve["method"].iloc[1].startswith("exact binomial, no event in 3 flights")
    assert curve["method"].iloc[4].startswith("exact binomial, event in all 3 flights")


def test_zero_offset_counts_negative_margins_only() -> None:
    curve = exceedance_curve([-1.0, -0.0, 0.0, 1.0], offsets=[0.0])
    assert curve["hits"].tolist() == [1]


def test_curve_takes_series_and_integers() -> None:
    curve = exceedance_curve(pd.Series([1, 2, 3], index=[7, 8, 9]), offsets=np.array([2]))
    assert curve["hits"].tolist() == [1]
    assert curve["offset"].dtype == np.float64


@pytest.mark.parametrize(
    ("margins", "offsets", "message"),
    [
        ([], [0.0], "margins: expected a one-dimensional array of numbers"),
        ([1.0, math.nan], [0.0], "margins: expected finite numbers"),
        ([1.0], [math.inf], "offsets: expected finite numbers"),
        ([1.0], [], "offsets: .* at least one entry"),
        ([1.0], 0.0, r"offsets: .* got 'shape \(\), dtype float64'"),
    ],
)
def test_faulty_curves_are_refused(margins: object, offsets: object, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        exceedance_curve(margins, offsets=offsets)  # type: ignore[arg-type]


def test_curve_refuses_a_percentage() -> None:
    with pytest.raises(UsageError, match=r"confidence: .* got 95"):
        exceedance_curve([1.0], offsets=[0.0], confidence=95)


@pytest.mark.parametrize("decimals", [12, 0])
@pytest.mark.parametrize("risk", ["0.02", "0.1", "0.5", "0.97"])
def test_offset_against_trying_every_margin(risk: str, decimals: int, seed_offset: int) -> None:
    rng = np.random.default_rng(22 + seed_offset)
    margins = np.round(rng.normal(3.0, 2.0, 200), decimals)
    found = offset_for_risk(margins, risk=float(risk), confidence=0.95)
    assert found.offset == slow_offset(margins.tolist(), risk, "0.95")
    assert found.reached
    assert found.hits == slow_exceedance(margins.tolist(), found.offset)
    assert found.flights == 200


def test_offset_is_the_largest_that_keeps_the_risk() -> None:
    margins = np.arange(1_000.0)
    found = offset_for_risk(margins, risk=0.01, confidence=0.95)
    assert found.offset == found.hits
    assert found.high <= 0.01
    # The two-sided curve at 90 % has the same upper bounds.
    curve = exceedance_curve(
        margins, offsets=[found.offset, math.nextafter(found.offset, math.inf)], confidence=0.9
    )
    assert curve["high"].iloc[0] == pytest.approx(found.high, rel=1e-10)
    assert curve["high"].iloc[0] <= 0.01 < curve["high"].iloc[1]
    assert curve["hits"].tolist() == [found.hits, found.hits + 1]
    assert found.method == (
        f"order statistics, margin of rank {found.hits + 1} of 1000: one-sided exact binomial"
    )


def test_offset_with_only_just_enough_flights() -> None:
    enough = needed_flights(0.99, 0.95)
    assert enough == 299
    found = offset_for_risk(np.arange(float(enough)) + 5.0, risk=0.01, confidence=0.95)
    assert (found.offset, found.hits, found.needed_flights) == (5.0, 0, enough)
    assert found.high == pytest.approx(
        binomial_interval(0, flights=enough, confidence=0.9).high, rel=1e-14
    )


def test_offset_that_the_sample_cannot_show() -> None:
    found = offset_for_risk(np.arange(298.0), risk=0.01, confidence=0.95)
    assert found.offset is None
    assert not found.reached
    assert (found.hits, found.needed_flights) == (0, 299)
    assert found.high == pytest.approx(
        binomial_interval(0, flights=298, confidence=0.9).high, rel=1e-14
    )
    assert found.high > 0.01
    assert found.method == (
        "no offset: with 298 flights even no event shows a risk of 0.01 at best; "
        "299 flights are needed for 0.01"
    )


def test_offset_counts_ties_on_the_limit_as_inside() -> None:
    # 100 flights stand on the same margin: the planned CG may move onto it, not past it.
    found = offset_for_risk([4.0] * 100, risk=0.05)
    assert (found.offset, found.hits) == (4.0, 0)


def test_offset_can_be_away_from_the_limit() -> None:
    found = offset_for_risk(np.linspace(-3.0, -2.0, 100), risk=0.05)
    assert found.offset == pytest.approx(-3.0 + found.hits / 99)


@pytest.mark.parametrize(
    ("risk", "confidence", "message"),
    [
        (0.0, 0.95, r"risk: expected a number strictly between 0 and 1; got 0\.0"),
        (1, 0.95, "risk: .* got 1"),
        (math.nan, 0.95, "risk: .* got nan"),
        (0.1, 0, "confidence: .* got 0"),
    ],
)
def test_faulty_risks_are_refused(risk: float, confidence: float, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        offset_for_risk([1.0, 2.0], risk=risk, confidence=confidence)


def test_offset_refuses_missing_margins() -> None:
    with pytest.raises(UsageError, match="margins: expected finite numbers"):
        offset_for_risk([math.nan], risk=0.5)


def test_default_offsets_span_the_lower_half(seed_offset: int) -> None:
    margins = np.random.default_rng(23 + seed_offset).gumbel(10.0, 1.5, 1_001)
    offsets = default_offsets(margins)
    curve = exceedance_curve(margins, offsets=offsets)
    assert offsets.shape == (60,)
    assert (np.diff(offsets) > 0.0).all()
    assert offsets[0] < margins.min()
    assert curve["hits"].iloc[0] == 0
    assert curve["hits"].iloc[-1] == 500
    assert default_offsets(margins, count=7).shape == (7,)


@pytest.mark.parametrize("value", [0.0, -3.5, 1e-9, 1e9])
def test_default_offsets_show_the_step_of_equal_margins(value: float) -> None:
    offsets = default_offsets([value] * 5)
    curve = exceedance_curve([value] * 5, offsets=offsets)
    assert (np.diff(offsets) > 0.0).all()
    assert set(curve["hits"]) == {0, 5}


@pytest.mark.parametrize("count", [1, 0, 2.5, True])
def test_default_offsets_need_two_points(count: object) -> None:
    with pytest.raises(UsageError, match="count: expected a whole number of at least 2"):
        default_offsets([1.0, 2.0], count=count)  # type: ignore[arg-type]


def test_default_offsets_need_margins() -> None:
    with pytest.raises(UsageError, match=r"margins: .* at least one entry"):
        default_offsets([])
