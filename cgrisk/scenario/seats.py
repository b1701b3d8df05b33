"""Rows and seats as written in scenario files, expanded to explicit seats."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache

from cgrisk.scenario.aircraft_file import Cabin, Seat

__all__ = ["expand_seats", "parse_rows", "parse_seat_name", "select_seats"]

_RANGE = re.compile(r"\s*([0-9]{1,3})(?:\s*-\s*([0-9]{1,3}))?\s*")
_SEAT = re.compile(r"\s*([0-9]{1,3})([A-Z])\s*")


def parse_rows(text: str) -> tuple[int, ...]:
    """Return the row numbers of a text such as ``"1-9"`` or ``"12,14-20"``, in the order written.

    Raises
    ------
    ValueError
        If the text is not of that form, a range runs backwards, or a row repeats.
    """
    rows: list[int] = []
    for part in text.split(","):
        match = _RANGE.fullmatch(part)
        if match is None:
            raise ValueError(f"{part.strip()!r} is not a row or a range of rows")
        first, last = int(match[1]), int(match[2] or match[1])
        if last < first or first < 1:
            raise ValueError(f"{part.strip()!r} does not run from a lower row to a higher one")
        rows.extend(range(first, last + 1))
    if len(set(rows)) != len(rows):
        raise ValueError(f"a row stands twice in {text!r}")
    return tuple(rows)


def parse_seat_name(text: str) -> tuple[int, str]:
    """Return (row, letter) of a seat name such as ``"12A"``.

    Raises
    ------
    ValueError
        If the text is not a seat name.
    """
    match = _SEAT.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a seat such as '12A'")
    return int(match[1]), match[2]


def _row_seats(layout: str) -> list[tuple[str, str, int]]:
    """Return (letter, position, aisle) for a layout such as ``"ABC-DEF"``."""
    blocks = layout.split("-")
    out: list[tuple[str, str, int]] = []
    for number, block in enumerate(blocks):
        for place, letter in enumerate(block):
            on_left, on_right = (
                place == 0 and number > 0,
                (place == len(block) - 1 and number < len(blocks) - 1),
            )
            at_wall = (number == 0 and place == 0) or (
                number == len(blocks) - 1 and place == len(block) - 1
            )
            # A seat between wall and aisle (one seat a side) counts as an aisle seat: nobody
            # has to be climbed over.
            position = "aisle" if on_left or on_right else "window" if at_wall else "middle"
            # Aisles are numbered from the left; a centre block's left half uses the left one.
            left_half = place < len(block) / 2
            aisle = max(1, number if left_half else number + 1)
            out.append((letter, position, min(aisle, max(1, len(blocks) - 1))))
    return out


def expand_seats(cabin: Cabin) -> tuple[Seat, ...]:
    """Return every seat of a cabin, row by row from the front, left to right.

    The arm of a row is the arm of the row before it plus its group's pitch; the first row stands
    at ``first_row_arm``.

    Raises
    ------
    ValueError
        If rows are malformed, or neither rows nor a seat table is given.
    """
    if cabin.seat_table:
        return tuple(sorted(cabin.seat_table, key=lambda seat: (seat.arm, seat.row, seat.letter)))
    return _seats_of_rows(cabin)


@lru_cache(maxsize=32)  # a search makes thousands of scenarios of one cabin
def _seats_of_rows(cabin: Cabin) -> tuple[Seat, ...]:
    if not cabin.rows or cabin.first_row_arm is None:
        raise ValueError("the cabin has neither rows with first_row_arm nor a seat plan")
    missing = {parse_seat_name(name) for name in cabin.missing}
    seats: list[Seat] = []
    arm = cabin.first_row_arm
    started = False
    for group in cabin.rows:
        layout = group.seats or cabin.seats
        if layout is None:
            raise ValueError(f"rows {group.rows} have no seat letters")
        for row in parse_rows(group.rows):
            arm = arm + group.pitch if started else arm
            started = True
            seats.extend(
                Seat(
                    row=row,
                    letter=letter,
                    arm=arm,
                    position=position,  # type: ignore[arg-type]
                    aisle=aisle,
                    cabin_class=group.cabin_class,
                )
                for letter, position, aisle in _row_seats(layout)
                if (row, letter) not in missing
            )
    return tuple(seats)


def select_seats(seats: tuple[Seat, ...], names: Iterable[str]) -> tuple[int, ...]:
    """Return the indices of the seats named by seats (``"12A"``) or rows (``"12"``, ``"20-29"``).

    Raises
    ------
    ValueError
        If a name is malformed or matches no seat.
    """
    chosen: set[int] = set()
    for name in names:
        if _SEAT.fullmatch(name):
            key = parse_seat_name(name)
            hits = {i for i, seat in enumerate(seats) if (seat.row, seat.letter) == key}
        else:
            rows = set(parse_rows(name))
            hits = {i for i, seat in enumerate(seats) if seat.row in rows}
        if not hits:
            raise ValueError(f"{name!r} names no seat of this cabin")
        chosen |= hits
    return tuple(sorted(chosen))
