"""Rows and seats as files write them."""

from __future__ import annotations

from collections import Counter

import pytest

from cgrisk.scenario import expand_seats, parse_rows, select_seats
from cgrisk.scenario.aircraft_file import Cabin
from cgrisk.scenario.seats import parse_seat_name


def cabin(**content: object) -> Cabin:
    return Cabin.model_validate(content)


def rows(*groups: tuple[str, float] | tuple[str, float, str], **more: object) -> Cabin:
    names = ("rows", "pitch", "seats")
    return cabin(
        first_row_arm=10.0,
        rows=[dict(zip(names, group, strict=False)) for group in groups],
        **({"seats": "AB-CD"} | more),
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("7", (7,)),
        ("1-3", (1, 2, 3)),
        (" 12 , 14 - 16 ", (12, 14, 15, 16)),
        ("5,1-2", (5, 1, 2)),
        ("999", (999,)),
        ("3-3", (3,)),
    ],
)
def test_parse_rows(text: str, expected: tuple[int, ...]) -> None:
    assert parse_rows(text) == expected


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "'' is not a row"),
        ("1,", "'' is not a row"),
        ("1-", "'1-' is not a row"),
        ("a", "'a' is not a row"),
        ("1.5", "is not a row"),
        ("-3", "'-3' is not a row"),
        ("1000", "'1000' is not a row"),
        ("1\u0663", "is not a row"),
        ("3-1", "does not run from a lower row"),
        ("0-3", "does not run from a lower row"),
        ("1-3,2", "a row stands twice"),
    ],
)
def test_parse_rows_refuses(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        parse_rows(text)


def test_parse_seat_name() -> None:
    assert parse_seat_name(" 12A ") == (12, "A")
    for wrong in ("A12", "12", "12a", "12AB", "", "1234A", "\u0661A"):
        with pytest.raises(ValueError, match="is not a seat such as '12A'"):
            parse_seat_name(wrong)


def test_arms_by_pitch() -> None:
    """An exit row's own pitch is its distance from the row before it."""
    seats = expand_seats(rows(("1-2", 0.8), ("3", 1.5), ("4-5", 0.7)))
    arms = {seat.row: seat.arm for seat in seats}
    assert arms == pytest.approx({1: 10.0, 2: 10.8, 3: 12.3, 4: 13.0, 5: 13.7}, rel=1e-15)
    assert [f"{s.row}{s.letter}" for s in seats[:5]] == ["1A", "1B", "1C", "1D", "2A"]


@pytest.mark.parametrize(
    ("layout", "positions", "aisles"),
    [
        ("ABC-DEF", "wma amw", "111 111"),
        ("AB-CD", "wa aw", "11 11"),
        ("A-BC", "a aw", "1 11"),
        ("AC-DEFG-HK", "wa amma aw", "11 1122 22"),
        ("A-DG-K", "a aa a", "1 12 2"),
        ("AC-DEG-HK", "wa ama aw", "11 112 22"),
        ("ABC", "wmw", "111"),
        ("A", "w", "1"),
    ],
)
def test_positions_and_aisles(layout: str, positions: str, aisles: str) -> None:
    seats = expand_seats(rows(("1", 1.0), seats=layout))
    assert "".join(s.letter for s in seats) == layout.replace("-", "")
    assert [s.position[0] for s in seats] == list(positions.replace(" ", ""))
    assert [s.aisle for s in seats] == [int(a) for a in aisles.replace(" ", "")]


def test_layout_and_class_of_a_group() -> None:
    groups = [
        {"rows": "1-2", "pitch": 1.0, "seats": "A-F", "cabin_class": "business"},
        {"rows": "10-11", "pitch": 0.8},
    ]
    seats = expand_seats(cabin(first_row_arm=5.0, seats="AB-CD", rows=groups))
    assert Counter(s.cabin_class for s in seats) == {"business": 4, "economy": 8}
    assert [s.row for s in seats[4:8]] == [10] * 4


def test_missing_seats() -> None:
    seats = expand_seats(rows(("1-2", 1.0), missing=["1A", "2D"]))
    assert [f"{s.row}{s.letter}" for s in seats] == ["1B", "1C", "1D", "2A", "2B", "2C"]
    assert next(s for s in seats if s.letter == "B").position == "aisle"


def test_seat_table_is_sorted_from_the_front() -> None:
    table = [
        {"row": 2, "letter": "A", "arm": 9.0, "position": "window"},
        {"row": 1, "letter": "B", "arm": 8.0, "position": "aisle", "aisle": 2},
        {"row": 1, "letter": "A", "arm": 8.0, "position": "window"},
    ]
    seats = expand_seats(cabin(seat_table=table))
    assert [(s.row, s.letter, s.aisle) for s in seats] == [(1, "A", 1), (1, "B", 2), (2, "A", 1)]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ({}, "neither rows with first_row_arm nor a seat plan"),
        ({"rows": [{"rows": "1", "pitch": 1.0}]}, "neither rows with first_row_arm"),
        ({"first_row_arm": 1.0, "rows": [{"rows": "1", "pitch": 1.0}]}, "rows 1 have no seat"),
    ],
)
def test_expand_seats_refuses(content: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        expand_seats(cabin(**content))


def test_select_seats() -> None:
    seats = expand_seats(rows(("1-3", 1.0)))
    assert select_seats(seats, []) == ()
    assert select_seats(seats, ["1B", "3", "1B"]) == (1, 8, 9, 10, 11)
    assert select_seats(seats, ["2-9"]) == (4, 5, 6, 7, 8, 9, 10, 11)
    for wrong in ("4", "1E", "7-9"):
        with pytest.raises(ValueError, match="names no seat of this cabin"):
            select_seats(seats, [wrong])
    with pytest.raises(ValueError, match="is not a row"):
        select_seats(seats, ["front"])
