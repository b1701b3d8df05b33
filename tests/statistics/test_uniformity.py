"""The random words as a sample: uniform, uncorrelated, sensitive to every bit, never repeated."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from cgrisk.compiled import kernel
from cgrisk.randomness import CAUSES, MAX_ENTITIES, Cause, split_seed
from cgrisk.randomness.philox import block, entity_word, philox4x32, philox_fill
from cgrisk.randomness.variates import normal, uniform
from tests.oracles.plain_philox import unphilox

SIGNIFICANCE = 1e-6
STANDARD_ERRORS = 5.0


@kernel
def scrambled(inputs: NDArray[np.uint32], out: NDArray[np.uint32]) -> None:
    """Blocks of rows of four counter words and two key words."""
    for i in range(inputs.shape[0]):
        row = inputs[i]
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = philox4x32(
            row[0], row[1], row[2], row[3], row[4], row[5]
        )


@kernel
def uniforms_and_normals(
    words: NDArray[np.uint32], u: NDArray[np.float64], z: NDArray[np.float64]
) -> None:
    for i in range(words.size):
        u[i] = uniform(words[i])
        z[i] = normal(u[i])


def drawn(
    seed: int,
    *,
    flights: int = 1,
    causes: tuple[int, ...] = (Cause.MASS,),
    entities: int = 1,
    draws: int = 1,
    versions: int = 1,
) -> NDArray[np.uint32]:
    """Words of a whole grid of counters, shape (flights, versions, causes, draws, entities, 4)."""
    key = split_seed(seed)
    grid = np.empty((flights, versions, len(causes), draws, 4, entities), np.uint32)
    for flight, version, cause, draw in np.ndindex(flights, versions, len(causes), draws):
        row = np.array([version], np.uint32)
        out = grid[flight, version, cause, draw]
        philox_fill(out, flight, row, causes[cause], 0, entities, draw, *key)
    return np.moveaxis(grid, -2, -1)


def centred(words: NDArray[np.uint32]) -> NDArray[np.float64]:
    """Words as numbers of mean 0 and variance 1."""
    return ((words + 0.5) * 2.0**-32 - 0.5) * np.sqrt(12.0)


#: Grids that run mainly along one part of the counter, with that part's axis.
GRIDS = {
    "flight": ({"flights": 20_000, "entities": 4}, 0),
    "version": ({"versions": 20_000, "entities": 4}, 1),
    "cause": ({"flights": 2_000, "causes": tuple(Cause), "entities": 4}, 2),
    "draw": ({"draws": 20_000, "entities": 4}, 3),
    "entity": ({"flights": 4, "entities": 20_000}, 4),
}


@pytest.fixture(scope="module", params=GRIDS)
def grid(request: pytest.FixtureRequest, seed_offset: int) -> tuple[NDArray, int]:
    sizes, axis = GRIDS[request.param]
    return drawn(2_024 + seed_offset, **sizes), axis


def test_uniforms_are_uniform_and_normals_normal(grid: tuple[NDArray, int]) -> None:
    words = grid[0].reshape(-1)
    u, z = np.empty((2, words.size))
    uniforms_and_normals(words, u, z)
    assert stats.kstest(u, "uniform").pvalue > SIGNIFICANCE
    assert stats.kstest(z, "norm").pvalue > SIGNIFICANCE


@pytest.mark.parametrize("word", range(4))
def test_each_word_and_each_of_its_bytes_is_uniform(grid: tuple[NDArray, int], word: int) -> None:
    words = np.ascontiguousarray(grid[0][..., word]).reshape(-1)
    assert stats.kstest((words + 0.5) * 2.0**-32, "uniform").pvalue > SIGNIFICANCE
    for byte in words.view(np.uint8).reshape(-1, 4).T:
        assert stats.chisquare(np.bincount(byte, minlength=256)).pvalue > SIGNIFICANCE


@pytest.mark.parametrize("lag", [1, 2, 3, 8])
def test_neighbours_are_uncorrelated(grid: tuple[NDArray, int], lag: int) -> None:
    """Along the counter's part that runs, each word with each, in value and in spread."""
    words, axis = grid
    x = np.moveaxis(centred(words), axis, 0)
    for scores in (x, (x**2 - 1.0) / np.sqrt(0.8)):  # the variance of x**2 is 4/5
        first = scores[:-lag].reshape(-1, 4)
        second = scores[lag:].reshape(-1, 4)
        correlations = first.T @ second / len(first)
        assert np.abs(correlations).max() < STANDARD_ERRORS / np.sqrt(len(first))


def test_words_of_a_block_are_uncorrelated(grid: tuple[NDArray, int]) -> None:
    x = centred(grid[0]).reshape(-1, 4)
    correlations = (x.T @ x / len(x))[np.triu_indices(4, 1)]
    assert np.abs(correlations).max() < STANDARD_ERRORS / np.sqrt(len(x))


def test_neighbouring_seeds_are_uncorrelated(seed_offset: int) -> None:
    x = centred(np.stack([drawn(s + seed_offset, entities=40_000) for s in (0, 1, 2**32, 2**63)]))
    x = x.reshape(4, -1)
    correlations = (x @ x.T / x.shape[1])[np.triu_indices(4, 1)]
    assert np.abs(correlations).max() < STANDARD_ERRORS / np.sqrt(x.shape[1])


def test_pairs_fill_the_square(grid: tuple[NDArray, int]) -> None:
    """Neighbouring first words in 32 x 32 cells: dependence that correlation would not see."""
    words, axis = grid
    cells = np.moveaxis(words[..., 0] >> 27, axis, 0)
    even = (len(cells) // 2) * 2
    pairs = (cells[0:even:2] * 32 + cells[1:even:2]).reshape(-1)
    assert stats.chisquare(np.bincount(pairs, minlength=1_024)).pvalue > SIGNIFICANCE


def test_avalanche(seed_offset: int) -> None:
    """One changed bit of counter or key changes each bit of the block with probability 1/2."""
    trials, bits = 500, 192
    rng = np.random.default_rng(77 + seed_offset)
    # Half the counters are small, as in use, and half anything.
    counters = rng.integers(0, 2**32, (trials, 6), dtype=np.uint32)
    counters[::2, :4] &= np.uint32(0x0F0000FF)
    before = np.empty((trials, 4), np.uint32)
    scrambled(counters, before)
    changes = np.empty((bits, trials, 128), np.uint8)
    after = np.empty_like(before)
    for bit in range(bits):
        flipped = counters.copy()
        flipped[:, bit // 32] ^= np.uint32(1 << (bit % 32))
        scrambled(flipped, after)
        changes[bit] = np.unpackbits((before ^ after).view(np.uint8), axis=1)

    def least_probability(counts: NDArray[np.int64], n: int) -> float:
        """Of the counts the one farthest from n / 2: its exact two-sided probability, times how
        many there are."""
        farthest = int(np.abs(2 * counts - n).max())
        return min(1.0, 2.0 * stats.binom.cdf((n - farthest) // 2, n, 0.5) * counts.size)

    by_input_bit = changes.sum(axis=(1, 2), dtype=np.int64)
    by_output_bit = changes.sum(axis=(0, 1), dtype=np.int64)
    by_both = changes.sum(axis=1, dtype=np.int64)
    assert least_probability(by_input_bit, trials * 128) > SIGNIFICANCE
    assert least_probability(by_output_bit, trials * bits) > SIGNIFICANCE
    assert least_probability(by_both, trials) > SIGNIFICANCE
    # Bits must also change independently: the number changed in a block is binomial.
    in_block = changes.sum(axis=2, dtype=np.int64).reshape(-1)
    spread = np.mean((in_block - 64.0) ** 2) / 32.0
    # The kurtosis of a binomial of 128 is 3 - 2/128.
    assert abs(spread - 1.0) < STANDARD_ERRORS * np.sqrt((2.0 - 2.0 / 128.0) / in_block.size)


WORD = st.integers(0, 2**32 - 1)
EVENT = st.tuples(WORD, WORD, st.sampled_from(list(Cause)), st.integers(0, MAX_ENTITIES - 1), WORD)
SEED = st.integers(0, 2**64 - 1)


@given(EVENT, SEED)
def test_a_block_tells_what_it_was_drawn_for(event: tuple[int, ...], seed: int) -> None:
    """Undoing the rounds gives the counter, and the counter gives back all five numbers: no two
    (flight, version, cause, entity, draw) ever share a counter or a block under one seed."""
    key = split_seed(seed)
    flight, version, word, draw = unphilox(block(*event, *key), key)
    assert (flight, version, Cause(word >> 24), word & (MAX_ENTITIES - 1), draw) == event


@given(EVENT, EVENT)
def test_counters_differ_where_events_do(first: tuple[int, ...], second: tuple[int, ...]) -> None:
    def counter(flight, version, cause, entity, draw) -> tuple[int, ...]:
        return flight, version, int(entity_word(cause, entity)), draw

    assert (counter(*first) == counter(*second)) == (first == second)
    neighbour = (*first[:3], (first[3] + 1) % MAX_ENTITIES, first[4])
    assert counter(*neighbour) != counter(*first)


def test_no_block_comes_twice(seed_offset: int) -> None:
    """A million blocks of a dense grid, by their first 64 bits (3e-8 to meet by chance)."""
    words = drawn(
        5 + seed_offset, flights=20, versions=5, causes=tuple(Cause), draws=10, entities=100
    )
    blocks = np.ascontiguousarray(words.reshape(-1, 4)).view(np.uint64)
    assert len(blocks) == 20 * 5 * len(CAUSES) * 10 * 100 > 1_000_000
    assert len(np.unique(blocks[:, 0])) == len(blocks)
    assert len(np.unique(blocks[:, 1])) == len(blocks)
