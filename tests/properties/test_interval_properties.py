"""What must hold of intervals, quantile bounds and curves whatever the sample."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cgrisk.risk import (
    binomial_interval,
    binomial_intervals,
    default_offsets,
    exceedance_curve,
    mean_interval,
    offset_for_risk,
    proportion_difference,
    quantile_interval,
    upper_quantile_bound,
)

LEVELS = st.floats(0.01, 0.9999)
SHARES = st.floats(0.001, 0.999)
# A coarse grid makes ties; its sums and negatives are exact.
SAMPLES = st.lists(st.integers(-40, 40).map(lambda k: k / 4), min_size=1, max_size=80)


@st.composite
def counted(draw: st.DrawFn) -> tuple[int, int]:
    flights = draw(st.integers(1, 5_000_000))
    return draw(st.integers(0, flights)), flights


@given(counted(), LEVELS)
def test_interval_holds_its_estimate(case: tuple[int, int], level: float) -> None:
    hits, flights = case
    found = binomial_interval(hits, flights=flights, confidence=level)
    assert 0.0 <= found.low <= found.estimate == hits / flights <= found.high <= 1.0


@given(counted(), LEVELS)
def test_interval_is_mirrored(case: tuple[int, int], level: float) -> None:
    hits, flights = case
    found = binomial_interval(hits, flights=flights, confidence=level)
    mirror = binomial_interval(flights - hits, flights=flights, confidence=level)
    assert found.low == pytest.approx(1.0 - mirror.high, rel=1e-9, abs=1e-13)
    assert found.high == pytest.approx(1.0 - mirror.low, rel=1e-9, abs=1e-13)


@given(st.integers(1, 400), LEVELS)
def test_bounds_rise_with_hits(flights: int, level: float) -> None:
    low, high = binomial_intervals(np.arange(flights + 1), flights=flights, confidence=level)
    assert (np.diff(low) > 0.0).all()
    assert (np.diff(high) > 0.0).all()


@given(counted(), st.floats(0.01, 0.99), st.floats(0.001, 0.009))
def test_more_confidence_is_wider(case: tuple[int, int], level: float, more: float) -> None:
    hits, flights = case
    narrow = binomial_interval(hits, flights=flights, confidence=level)
    wide = binomial_interval(hits, flights=flights, confidence=level + more)
    assert wide.low <= narrow.low
    assert narrow.high <= wide.high


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=60), LEVELS)
def test_difference_holds_its_estimate_and_mirrors(
    pairs: list[tuple[bool, bool]], level: float
) -> None:
    first, second = (list(side) for side in zip(*pairs, strict=True))
    forth = proportion_difference(first, second=second, confidence=level)
    back = proportion_difference(second, second=first, confidence=level)
    assert forth.estimate == pytest.approx(np.mean(first) - np.mean(second), abs=1e-12)
    assert -1.0 <= forth.low <= forth.estimate <= forth.high <= 1.0
    assert (forth.low, forth.high) == pytest.approx((-back.high, -back.low), rel=1e-9, abs=1e-12)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40), st.integers(-1000, 1000), LEVELS)
def test_mean_interval_moves_with_its_values(values: list[float], shift: int, level: float) -> None:
    found = mean_interval(values, confidence=level)
    moved = mean_interval([value + shift for value in values], confidence=level)
    assert found.low <= found.estimate <= found.high
    assert moved.estimate == pytest.approx(found.estimate + shift, abs=1e-6)
    assert moved.high - moved.low == pytest.approx(found.high - found.low, rel=1e-6, abs=1e-6)


@given(SAMPLES, SHARES, LEVELS)
def test_quantile_bounds_are_mirrored(values: list[float], share: float, level: float) -> None:
    found = quantile_interval(values, share, confidence=level)
    mirror = quantile_interval([-value for value in values], 1.0 - share, confidence=level)
    assert found.low <= found.estimate <= found.high
    assert (found.low, found.high) == (-mirror.high, -mirror.low)


@given(SAMPLES, SHARES, LEVELS)
def test_one_sided_bound_is_the_two_sided_one_at_half_the_error(
    values: list[float], share: float, level: float
) -> None:
    one = upper_quantile_bound(values, share, confidence=(1.0 + level) / 2.0)
    two = quantile_interval(values, share, confidence=level)
    assert one.high == two.high
    assert one.estimate == two.estimate


@given(SAMPLES, st.randoms(use_true_random=False), SHARES)
def test_order_of_the_flights_does_not_matter(
    values: list[float], shuffler: object, share: float
) -> None:
    shuffled = list(values)
    shuffler.shuffle(shuffled)  # type: ignore[attr-defined]
    assert quantile_interval(values, share) == quantile_interval(shuffled, share)
    assert offset_for_risk(values, risk=share) == offset_for_risk(shuffled, risk=share)


@given(SAMPLES, LEVELS)
def test_curve_rises_and_moves_with_the_margins(values: list[float], level: float) -> None:
    offsets = np.arange(-11.0, 11.0, 0.25)
    curve = exceedance_curve(values, offsets=offsets, confidence=level)
    moved = exceedance_curve(np.array(values) + 2.5, offsets=offsets + 2.5, confidence=level)
    assert (np.diff(curve["hits"]) >= 0).all()
    assert curve["hits"].tolist() == moved["hits"].tolist()
    assert curve["hits"].iloc[0] == 0
    assert curve["hits"].iloc[-1] == len(values)
    assert (curve["low"] <= curve["estimate"]).all()
    assert (curve["estimate"] <= curve["high"]).all()


@given(SAMPLES, SHARES, st.floats(0.5, 0.9999))
def test_offset_keeps_the_risk_and_one_step_more_does_not(
    values: list[float], risk: float, level: float
) -> None:
    found = offset_for_risk(values, risk=risk, confidence=level)
    assert (found.offset is None) == (len(values) < found.needed_flights)
    if found.offset is None:
        assert found.high > risk
        return
    assert found.high <= risk
    beyond = np.nextafter(found.offset, np.inf)
    curve = exceedance_curve(
        values, offsets=[found.offset, beyond], confidence=max(2.0 * level - 1.0, 1e-9)
    )
    assert curve["hits"].iloc[0] == found.hits
    if found.hits:
        assert curve["high"].iloc[0] == pytest.approx(found.high, rel=1e-9)
    if curve["hits"].iloc[1] < len(values):
        assert curve["high"].iloc[1] > risk * (1.0 - 1e-9)


@given(SAMPLES, st.integers(2, 100))
def test_default_offsets_start_clear_and_rise(values: list[float], count: int) -> None:
    offsets = default_offsets(values, count)
    curve = exceedance_curve(values, offsets=offsets)
    assert offsets.shape == (count,)
    assert (np.diff(offsets) > 0.0).all()
    assert curve["hits"].iloc[0] == 0
