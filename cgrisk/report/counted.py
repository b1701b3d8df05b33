"""Numbers with their nouns."""

from __future__ import annotations

__all__ = ["seats_blocked"]


def seats_blocked(seats: int) -> str:
    """Return a number of blocked seats in words: 1 seat blocked, 2 seats blocked."""
    return f"{seats} {'seat' if seats == 1 else 'seats'} blocked"
