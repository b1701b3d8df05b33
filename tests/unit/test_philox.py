"""Philox kernels against the plain whole-number version, and the vector form against both."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cgrisk.compiled import kernel
from cgrisk.randomness import Cause
from cgrisk.randomness.philox import block, entity_word, philox4x32, philox_fill
from tests.oracles.plain_philox import philox

WORD = st.integers(0, 2**32 - 1)
KEY = (0xDEADBEEF, 0x01234567)


def plain_fill(flight, versions, cause, first_entity, n_entities, draw, key) -> list[tuple]:
    columns = []
    for entity in range(first_entity, first_entity + n_entities):
        version = int(versions[0] if len(versions) == 1 else versions[entity])
        columns.append(philox((flight, version, (cause << 24) + entity, draw), key))
    return columns


def filled(flight, versions, cause, first_entity, n_entities, draw, key) -> list[tuple]:
    out = np.full((4, n_entities + 3), 7, np.uint32)
    philox_fill(out, flight, versions, cause, first_entity, n_entities, draw, *key)
    assert (out[:, n_entities:] == 7).all(), "wrote past the last entity"
    return [tuple(column) for column in out[:, :n_entities].T.tolist()]


@given(WORD, WORD, WORD, WORD, WORD, WORD)
def test_scalar_kernel_is_the_plain_version(c0, c1, c2, c3, k0, k1) -> None:
    assert philox4x32(c0, c1, c2, c3, k0, k1) == philox((c0, c1, c2, c3), (k0, k1))


def test_many_random_counters(seed_offset: int) -> None:
    rows = np.random.default_rng(11 + seed_offset).integers(0, 2**32, (2_000, 6)).tolist()
    for row in rows:
        assert philox4x32(*row) == philox(tuple(row[:4]), tuple(row[4:]))


def test_words_are_uint32_in_kernels_and_in_python() -> None:
    @kernel
    def doubled(flight):
        word = block(flight, 0, 1, 0, 0, 0, 0)[0]
        return word, np.uint64(word) * np.uint64(2)

    word, twice = doubled(3)
    expected = philox((3, 0, 1 << 24, 0), (0, 0))[0]
    assert (word, twice) == (expected, 2 * expected)
    assert 0 <= word < 2**32


@pytest.mark.parametrize("number_type", [int, np.uint32, np.uint64, np.int64])
def test_any_integer_type_gives_the_same_block(number_type) -> None:
    arguments = (2**32 - 1, 2**31, 5, 2**24 - 1, 2**32 - 2, 2**31 + 5, 2**32 - 1)
    assert block(*map(number_type, arguments)) == block(*arguments)
    assert block(*arguments) == philox((2**32 - 1, 2**31, 2**24 * 6 - 1, 2**32 - 2), arguments[5:])


@pytest.mark.parametrize("n_entities", [0, 1, 7, 8, 15, 16, 17, 31, 40, 64, 65, 189, 400])
@pytest.mark.parametrize("first_entity", [0, 3])
def test_vector_form_with_one_version(n_entities: int, first_entity: int) -> None:
    """Lengths about the vector widths: the body, the remainder and the short loop all count."""
    arguments = (2**32 - 1, np.array([9], np.uint32), Cause.MASS, first_entity, n_entities, 2, KEY)
    assert filled(*arguments) == plain_fill(*arguments)


@pytest.mark.parametrize("n_entities", [0, 1, 7, 8, 15, 16, 17, 31, 40, 64, 65, 189, 400])
@pytest.mark.parametrize("first_entity", [0, 3])
def test_vector_form_with_a_version_each(n_entities: int, first_entity: int) -> None:
    count = max(2, first_entity + n_entities)
    versions = np.arange(count, dtype=np.uint32) * np.uint32(0x9E3779B1)
    arguments = (17, versions, Cause.SEATING, first_entity, n_entities, 2**32 - 1, KEY)
    assert filled(*arguments) == plain_fill(*arguments)


def test_vector_form_at_the_last_entity() -> None:
    arguments = (0, np.zeros(1, np.uint32), 255, 2**24 - 20, 20, 0, KEY)
    assert filled(*arguments) == plain_fill(*arguments)


def test_vector_form_into_one_slab_of_a_larger_array() -> None:
    slabs = np.zeros((3, 4, 50), np.uint32)
    philox_fill(slabs[1], 4, np.zeros(1, np.uint32), 6, 0, 50, 0, *KEY)
    assert not slabs[[0, 2]].any()
    expected = plain_fill(4, [0], 6, 0, 50, 0, KEY)
    assert list(map(tuple, slabs[1].T.tolist())) == expected


def test_entity_word_keeps_cause_and_entity_apart() -> None:
    assert entity_word(1, 0) == 0x01000000
    assert entity_word(11, 2**24 - 1) == 0x0BFFFFFF
    assert entity_word(255, 2**24 - 1) == 0xFFFFFFFF


def test_raising_one_version_changes_that_entity_alone() -> None:
    versions = np.zeros(30, np.uint32)
    before = filled(1, versions, Cause.MOVEMENT, 0, 30, 0, KEY)
    versions[12] = 1
    after = filled(1, versions, Cause.MOVEMENT, 0, 30, 0, KEY)
    assert [i for i in range(30) if before[i] != after[i]] == [12]
