"""Versions that tell a passenger's first urge and whom he asks along."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.flight.kernel.told_calls import (
    ASKED,
    ASKED_CHANCE,
    ATTEMPTS,
    asked_word,
    is_low,
    told_call,
)
from cgrisk.flight.kernel.told_words import CELLS, TOLD, cell_bounds, cell_of, told_word

LAST = 2**32 - 1


def test_every_word_is_in_the_cell_that_is_told_of_it() -> None:
    for cell in range(CELLS):
        first, past = cell_bounds(cell)
        assert cell_of(first) == cell_of(past - 1) == cell


@pytest.mark.parametrize("cell", range(0, CELLS, 9))
def test_the_first_urge_lies_in_the_cell(cell: int) -> None:
    first, past = cell_bounds(cell)
    version = told_call(cell, ATTEMPTS, (1 << ASKED) - 1, 63)
    assert TOLD <= version <= LAST
    for word in (0, LAST // 3, LAST):
        assert first <= int(told_word(version, np.uint32(word))) < past


def test_members_told_have_low_words_on_that_attempt_and_others_high_ones() -> None:
    members = 0b1000_0000_0010_0110
    words = np.linspace(0, LAST, 501).astype(np.uint32)
    for attempt in range(1, ATTEMPTS + 1):
        version = told_call(5, attempt, members, 17)
        for member in range(ASKED):
            told = [int(asked_word(version, attempt, member, word)) for word in words]
            assert {is_low(np.uint32(word)) for word in told} == {bool(members >> member & 1)}
            # As even within its range as the word that is drawn.
            low = bool(members >> member & 1)
            begin, length = (0.0, ASKED_CHANCE) if low else (ASKED_CHANCE, 1.0 - ASKED_CHANCE)
            share = (np.array(told) / 2.0**32 - begin) / length
            np.testing.assert_allclose(share, words / 2.0**32, atol=1e-8)


def test_all_other_words_are_those_drawn() -> None:
    version = told_call(5, 2, (1 << ASKED) - 1, 17)
    word = np.uint32(LAST - 3)
    assert asked_word(version, 1, 0, word) == word  # another attempt
    assert asked_word(version, 2, ASKED, word) == word  # a member too many
    assert asked_word(TOLD - 1, 2, 0, word) == word  # a version that tells nothing


def test_no_two_calls_have_the_same_version() -> None:
    told = {
        told_call(cell, attempt, members, draw)
        for cell in (0, 1, CELLS - 1)
        for attempt in range(1, ATTEMPTS + 1)
        for members in (0, 1, 1 << (ASKED - 1))
        for draw in (0, 1, 63)
    }
    assert len(told) == 3 * ATTEMPTS * 3 * 3
