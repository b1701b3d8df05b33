"""Variates against SciPy's quantiles, and at their edges."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from cgrisk.randomness import variates
from cgrisk.randomness.variates import (
    categorical,
    exponential,
    index,
    lognormal,
    normal,
    normal_cdf,
    poisson,
    truncated_normal,
    uniform,
    uniform53,
)

WORD = st.integers(0, 2**32 - 1)
LAST = 2**32 - 1
SMALLEST_U = 2.0**-33
LARGEST_U = 1.0 - 2.0**-33


def each(kernel, values, *rest) -> np.ndarray:
    return np.array([kernel(float(value), *rest) for value in values])


@pytest.fixture
def rng(seed_offset: int) -> np.random.Generator:
    return np.random.default_rng(23 + seed_offset)


class TestUniform:
    def test_ends(self) -> None:
        assert uniform(0) == SMALLEST_U
        assert uniform(LAST) == LARGEST_U
        assert uniform(np.uint32(LAST)) == LARGEST_U

    @given(WORD)
    def test_middle_of_the_cell(self, word: int) -> None:
        assert uniform(word) * 2**33 == 2 * word + 1
        assert uniform(word) == uniform(np.uint32(word))
        assert uniform(word) + uniform(LAST - word) == 1.0

    def test_53_bits_never_reach_0_or_1(self) -> None:
        assert uniform53(0, 0) == 2.0**-53
        assert uniform53(LAST, LAST) == 1.0 - 2.0**-53 < 1.0

    @given(WORD, WORD)
    def test_53_bits_are_exact(self, word_a: int, word_b: int) -> None:
        cell = (word_a >> 6) * 2**26 + (word_b >> 6)
        assert uniform53(word_a, word_b) * 2**53 == 2 * cell + 1
        assert uniform53(np.uint32(word_a), np.uint32(word_b)) * 2**53 == 2 * cell + 1


class TestNormal:
    def test_is_the_quantile_of_scipy(self, rng: np.random.Generator) -> None:
        u = np.concatenate(
            [
                10.0 ** rng.uniform(-300, 0, 20_000),
                rng.random(20_000),
                1.0 - 10.0 ** rng.uniform(-15.9, 0, 10_000),
            ]
        )
        u = u[(u > 0.0) & (u < 1.0)]
        np.testing.assert_allclose(each(normal, u), special.ndtri(u), rtol=1e-14, atol=0)

    def test_middle_and_ends(self) -> None:
        assert normal(0.5) == 0.0
        assert normal(SMALLEST_U) == pytest.approx(special.ndtri(SMALLEST_U), rel=1e-14)
        assert normal(1.0 - 2.0**-53) == pytest.approx(8.2095361516013855, rel=1e-14)

    @given(WORD)
    def test_complement_is_the_negative(self, word: int) -> None:
        assert normal(uniform(LAST - word)) == -normal(uniform(word))

    @pytest.mark.parametrize(
        "u",
        [0.0, 0.075, 0.5, 0.925, math.exp(-25.0), 1.0],
        ids=["low end", "low split", "middle", "high split", "far split", "high end"],
    )
    def test_rises_from_word_to_word(self, u: float) -> None:
        """At the ends and across the joints of the approximation, neighbour by neighbour."""
        middle = min(max(round(u * 2**32), 3_000), 2**32 - 3_000)
        z = [normal(uniform(word)) for word in range(middle - 3_000, middle + 3_000)]
        assert (np.diff(z) > 0.0).all()

    def test_rises_elsewhere(self, rng: np.random.Generator) -> None:
        words = np.sort(rng.integers(0, LAST, 20_000))
        neighbours = [(normal(uniform(int(w))), normal(uniform(int(w) + 1))) for w in words]
        assert all(a < b for a, b in neighbours)
        assert all(a[0] <= b[0] for a, b in pairwise(neighbours))

    def test_the_far_joint_is_closed(self) -> None:
        """The joint at exp(-25) lies below the first word; 53-bit and tail arguments meet it."""
        joint = math.exp(-25.0)
        u = joint * (1.0 + np.arange(-2_000, 2_000) * 1e-12)
        assert (np.diff(each(normal, u)) > 0.0).all()

    def test_probability_below_is_that_of_scipy(self) -> None:
        z = np.linspace(-37.0, 9.0, 2_001)
        np.testing.assert_allclose(each(normal_cdf, z), special.ndtr(z), rtol=1e-12, atol=0)
        assert normal_cdf(-math.inf) == 0.0
        assert normal_cdf(math.inf) == 1.0


class TestIndex:
    @pytest.mark.parametrize("n", [1, 2, 3, 189, 2**31])
    def test_ends(self, n: int) -> None:
        assert index(SMALLEST_U, n) == 0
        assert index(LARGEST_U, n) == n - 1
        assert index(1.0 - 2.0**-53, n) == n - 1
        assert index(1.0, n) == n - 1  # clipped

    @given(WORD, st.integers(1, 1_000))
    def test_is_the_cell_of_the_word(self, word: int, n: int) -> None:
        assert index(uniform(word), n) == (2 * word + 1) * n // 2**33


class TestCategorical:
    @given(
        st.lists(st.integers(0, 5), min_size=1, max_size=12).filter(any),
        st.integers(0, 2**20 - 1),
    )
    def test_is_a_plain_search(self, weights: list[int], cell: int) -> None:
        u = (cell + 0.5) * 2.0**-20
        target = u * sum(weights)
        expected = next(i for i in range(len(weights)) if sum(weights[: i + 1]) > target)
        got = categorical(u, np.cumsum(weights, dtype=np.float64))
        assert got == expected
        assert weights[got] > 0

    def test_boundary_belongs_to_the_class_above(self) -> None:
        cumulative = np.array([0.25, 0.25, 1.0])
        assert categorical(np.nextafter(0.25, 0.0), cumulative) == 0
        assert categorical(0.25, cumulative) == 2
        assert categorical(1.0 - 2.0**-53, cumulative) == 2

    def test_one_class(self) -> None:
        assert categorical(SMALLEST_U, np.array([0.3])) == 0
        assert categorical(LARGEST_U, np.array([0.3])) == 0

    def test_empty_last_class_is_never_returned(self) -> None:
        for total in (1.0, 0.1 + 0.2, 1.0 + 2.0**-52, math.pi):
            assert categorical(1.0 - 2.0**-53, np.array([total, total])) == 0


class TestExponential:
    def test_is_the_quantile_of_scipy(self, rng: np.random.Generator) -> None:
        u = np.concatenate([rng.random(5_000), [SMALLEST_U, LARGEST_U, 1e-12]])
        np.testing.assert_allclose(each(exponential, u), stats.expon.ppf(u), rtol=1e-14)
        assert 0.0 < exponential(SMALLEST_U) < exponential(LARGEST_U) < 23.0


class TestPoisson:
    @pytest.mark.parametrize("rate", [1e-9, 0.01, 0.5, 1.0, 3.7, 12.0, 49.9, 50.0, 500.0])
    def test_is_the_quantile_of_scipy(self, rate: float, rng: np.random.Generator) -> None:
        u = np.concatenate([rng.random(3_000), [SMALLEST_U, LARGEST_U]])
        assert (each(poisson, u, rate) == stats.poisson.ppf(u, rate)).all()

    @pytest.mark.parametrize("rate", [0.3, 4.0, 50.0])
    def test_steps_where_the_law_steps(self, rate: float) -> None:
        counts = np.arange(int(rate + 6.0 * math.sqrt(rate)) + 1)
        below = stats.poisson.cdf(counts, rate)
        kept = (below > 1e-9) & (below < 1.0 - 1e-9)
        assert kept.sum() >= 3
        for count, step in zip(counts[kept], below[kept], strict=True):
            assert poisson(step * (1.0 - 1e-12), rate) == count
            assert poisson(step * (1.0 + 1e-12), rate) == count + 1

    def test_no_rate_no_event(self) -> None:
        assert poisson(SMALLEST_U, 0.0) == 0
        assert poisson(1.0 - 2.0**-53, 0.0) == 0

    @pytest.mark.parametrize("rate", [0.0, 1e-300, 1.0, 50.0, 500.0, 800.0, -1.0])
    @pytest.mark.parametrize("u", [1.0 - 2.0**-53, 1.0, 2.0, math.inf])
    def test_ends_whatever_is_asked(self, rate: float, u: float) -> None:
        assert 0 <= poisson(u, rate) <= rate + 50.0 + 20.0 * math.sqrt(abs(rate))

    @pytest.mark.parametrize("u, rate", [(math.nan, 1.0), (0.5, math.nan), (0.5, math.inf)])
    def test_ends_for_what_is_no_number(self, u: float, rate: float) -> None:
        assert poisson(u, rate) in (0, 1)


class TestLognormal:
    def test_is_the_quantile_of_scipy(self, rng: np.random.Generator) -> None:
        u = np.concatenate([rng.random(3_000), [SMALLEST_U, LARGEST_U]])
        expected = stats.lognorm.ppf(u, 0.21, loc=-3.0, scale=78.0)
        np.testing.assert_allclose(each(lognormal, u, -3.0, 78.0, 0.21), expected, rtol=1e-13)

    def test_edges(self) -> None:
        assert lognormal(0.5, 4.0, 70.0, 0.3) == 74.0
        assert lognormal(LARGEST_U, 4.0, 70.0, 0.0) == 74.0
        assert lognormal(SMALLEST_U, 4.0, 70.0, 0.3) > 4.0


#: mean, sd, low, high
TRUNCATIONS = [
    (0.0, 1.0, -1.0, 1.0),
    (80.0, 15.0, 40.0, 140.0),
    (80.0, 15.0, 100.0, 110.0),
    (80.0, 15.0, 50.0, 60.0),
    (80.0, 15.0, 80.0, 300.0),
    (0.0, 1.0, -0.5, 10.0),
    (0.0, 1.0, -10.0, 0.5),
    (0.0, 1.0, 5.0, 8.0),
    (0.0, 1.0, -21.0, -20.0),
    (0.0, 1.0, 30.0, 31.0),
    (0.0, 1.0, -1e-6, 2e-6),
    (5.0, 2.0, -math.inf, 3.0),
    (5.0, 2.0, 7.0, math.inf),
    (5.0, 2.0, -math.inf, math.inf),
]


class TestTruncatedNormal:
    @pytest.mark.parametrize("mean, sd, low, high", TRUNCATIONS)
    def test_is_the_quantile_of_scipy(
        self, mean: float, sd: float, low: float, high: float, rng: np.random.Generator
    ) -> None:
        """Where the mean is inside, the upper half is compared from above: SciPy's ppf loses half
        its digits near 1 there, as its isf does where the mean is outside."""
        u = np.concatenate([rng.random(500), [SMALLEST_U, LARGEST_U, 0.5]])
        got = each(truncated_normal, u, mean, sd, low, high)
        law = stats.truncnorm((low - mean) / sd, (high - mean) / sd, loc=mean, scale=sd)
        from_above = (u > 0.5) & (low < mean < high)
        expected = np.where(from_above, law.isf(1.0 - u), law.ppf(u))
        np.testing.assert_allclose(got, expected, rtol=0, atol=1e-12 * sd)
        assert ((low <= got) & (got <= high)).all()

    @pytest.mark.parametrize("mean, sd, low, high", TRUNCATIONS)
    def test_mirror_image(self, mean: float, sd: float, low: float, high: float) -> None:
        for u in (SMALLEST_U, 0.1, 0.5, 0.77, LARGEST_U):
            mirrored = -truncated_normal(1.0 - u, -mean, sd, -high, -low)
            got = truncated_normal(u, mean, sd, low, high)
            assert got == pytest.approx(mirrored, rel=0, abs=1e-12 * sd)

    @pytest.mark.parametrize(
        "mean, low, high, expected",
        [(5.0, 0.0, 9.0, 5.0), (5.0, 6.0, 9.0, 6.0), (5.0, 0.0, 4.0, 4.0), (5.0, 5.0, 5.0, 5.0)],
    )
    def test_no_spread(self, mean: float, low: float, high: float, expected: float) -> None:
        for u in (SMALLEST_U, 0.5, LARGEST_U):
            assert truncated_normal(u, mean, 0.0, low, high) == expected

    def test_no_room(self) -> None:
        for u in (SMALLEST_U, 0.5, LARGEST_U):
            assert truncated_normal(u, 80.0, 15.0, 90.0, 90.0) == 90.0

    @pytest.mark.parametrize("low, high, nearer", [(45.0, 60.0, 45.0), (-60.0, -45.0, -45.0)])
    def test_out_of_reach_gives_the_nearer_bound(
        self, low: float, high: float, nearer: float
    ) -> None:
        for u in (SMALLEST_U, 0.5, LARGEST_U):
            assert truncated_normal(u, 0.0, 1.0, low, high) == nearer

    @given(
        WORD,
        st.floats(-1e3, 1e3),
        st.floats(0.0, 1e3),
        st.floats(-1e4, 1e4),
        st.floats(0.0, 1e4),
    )
    def test_never_leaves_its_bounds(
        self, word: int, mean: float, sd: float, low: float, width: float
    ) -> None:
        assert low <= truncated_normal(uniform(word), mean, sd, low, low + width) <= low + width


@given(WORD, WORD)
def test_variates_rise_with_their_word(word_a: int, word_b: int) -> None:
    low, high = sorted((word_a, word_b))
    u, v = uniform(low), uniform(high)
    assert normal(u) <= normal(v)
    assert exponential(u) <= exponential(v)
    assert poisson(u, 4.0) <= poisson(v, 4.0)
    assert index(u, 30) <= index(v, 30)
    assert lognormal(u, 0.0, 80.0, 0.2) <= lognormal(v, 0.0, 80.0, 0.2)


def test_every_public_kernel_is_tested_here() -> None:
    assert set(variates.__all__) <= set(globals())
