"""Numbers with their nouns."""

from __future__ import annotations

import pytest

from cgrisk.report.counted import seats_blocked


@pytest.mark.parametrize(
    ("seats", "words"),
    [(0, "0 seats blocked"), (1, "1 seat blocked"), (12, "12 seats blocked")],
)
def test_seats_blocked(seats: int, words: str) -> None:
    assert seats_blocked(seats) == words
