"""Checks of what an aircraft file says about its cabin."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from cgrisk.scenario.aircraft_file import Cabin
from cgrisk.scenario.document import shown
from cgrisk.scenario.fields import SignedLength
from cgrisk.scenario.locate import KeyPath
from cgrisk.scenario.problems import Check, Problem, in_units, repeated
from cgrisk.scenario.seats import parse_rows, parse_seat_name
from cgrisk.scenario.shapes import shape_of
from cgrisk.units import UnitSystem

__all__ = ["CABIN_CHECKS", "MAX_SEATS"]

MAX_SEATS: Final = 1000
MAX_AISLES: Final = 2
#: Farthest that a lavatory, galley or crew seat stands from the nearest row; more means a slip.
_FACILITIES_BEYOND_M: Final = 40.0
_ROWS_FORM: Final = 'rows such as "1-9" or "12,14-20"'


def _one_form(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    """Rows or a seat plan, and what goes with rows only with rows."""
    plan_key = "seat_plan" if cabin.seat_plan is not None else "seat_table"
    has_plan = bool(cabin.seat_plan is not None or cabin.seat_table)
    if has_plan and cabin.rows:
        yield Problem(
            ("cabin", plan_key),
            "either rows or a seat plan",
            f"rows and {plan_key}",
            "Keep the one that describes the cabin.",
        )
    elif not has_plan and not cabin.rows:
        yield Problem(
            ("cabin",),
            "either rows or a seat plan",
            "neither",
            "Give rows with first_row_arm and seats, or name a seat_plan.",
        )
    elif has_plan:
        left_over = {
            "first_row_arm": cabin.first_row_arm is not None,
            "seats": cabin.seats is not None,
            "missing": bool(cabin.missing),
        }
        for key in (key for key, given in left_over.items() if given):
            yield Problem(
                ("cabin", key),
                f"no {key} beside a seat plan, which says it all",
                f"{key} and {plan_key}",
                f"Take {key} away.",
            )


def _rows_by_group(cabin: Cabin) -> list[tuple[int, tuple[int, ...]]]:
    """Return (group, rows) of the groups whose rows can be read."""
    out = []
    for number, group in enumerate(cabin.rows):
        try:
            out.append((number, parse_rows(group.rows)))
        except ValueError:
            continue
    return out


def _rows(cabin: Cabin, system: UnitSystem) -> Iterator[Problem]:
    if not cabin.rows:
        return
    if cabin.first_row_arm is None:
        yield Problem(
            ("cabin",),
            "first_row_arm, where the first row stands",
            "nothing",
            "Give the arm of the occupants of the first row.",
        )
    for number, group in enumerate(cabin.rows):
        path: KeyPath = ("cabin", "rows", number, "rows")
        try:
            parse_rows(group.rows)
        except ValueError as error:
            yield Problem(path, _ROWS_FORM, str(error), "Correct the rows.")
        if group.seats is None and cabin.seats is None:
            yield Problem(
                ("cabin", "rows", number),
                "seats, the letters of a row",
                "nothing, here and in cabin",
                'Add seats = "ABC-DEF", or as it is, to the cabin or to these rows.',
            )
    seen: dict[int, int] = {}
    for number, rows in _rows_by_group(cabin):
        twice = [row for row in rows if row in seen]
        if twice:
            yield Problem(
                ("cabin", "rows", number, "rows"),
                "each row once",
                f"row {twice[0]} once more (first in rows[{seen[twice[0]]}])",
                "Correct the rows of one of the groups.",
            )
        seen |= dict.fromkeys(rows, number)
    if cabin.first_row_arm is not None:
        yield from _length_of_cabin(cabin, cabin.first_row_arm, system)


def _length_of_cabin(cabin: Cabin, first: float, system: UnitSystem) -> Iterator[Problem]:
    quantity = shape_of(SignedLength).quantity
    most = quantity.high if quantity is not None else 0.0
    arm = first
    for number, rows in _rows_by_group(cabin):
        arm += cabin.rows[number].pitch * (len(rows) - (1 if number == 0 else 0))
        if arm > most:
            yield Problem(
                ("cabin", "rows", number, "pitch"),
                f"rows that end at an arm of at most {in_units(most, 'length', system)}",
                in_units(arm, "length", system),
                "Check the pitch, the number of rows and the units.",
            )
            return


def _letters(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    layouts: list[tuple[KeyPath, str | None]] = [(("cabin", "seats"), cabin.seats)]
    layouts += [
        (("cabin", "rows", number, "seats"), group.seats) for number, group in enumerate(cabin.rows)
    ]
    for path, layout in layouts:
        letters = (layout or "").replace("-", "")
        twice = [letter for letter in letters if letters.count(letter) > 1]
        if twice:
            yield Problem(
                path,
                "each letter once in a row",
                f"{twice[0]} twice in {shown(layout)}",
                "Give each seat of a row its own letter.",
            )
        aisles = (layout or "").count("-")
        if aisles > MAX_AISLES:
            yield Problem(
                path,
                f"at most {MAX_AISLES} aisles",
                f"{aisles} in {shown(layout)}",
                "Write a hyphen only where an aisle is.",
            )


def _no_aisle(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    """Report a cabin without any aisle: the model lets people walk along one."""
    layouts = [group.seats or cabin.seats or "" for group in cabin.rows]
    wide = [number for number, layout in enumerate(layouts) if len(layout) > 1]
    if wide and not any("-" in layout for layout in layouts):
        own = cabin.rows[wide[0]].seats is not None
        yield Problem(
            ("cabin", "rows", wide[0], "seats") if own else ("cabin", "seats"),
            "an aisle in some row",
            f"none, {shown(layouts[wide[0]])}",
            'Write a hyphen where the aisle is, as in "ABC-DEF".',
        )


def _layout_of(cabin: Cabin, number: int) -> str:
    return (cabin.rows[number].seats or cabin.seats or "").replace("-", "")


def _number_of_seats(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    seats = sum(len(rows) * len(_layout_of(cabin, group)) for group, rows in _rows_by_group(cabin))
    if seats > MAX_SEATS:
        yield Problem(
            ("cabin", "rows"),
            f"at most {MAX_SEATS} seats",
            f"{seats} seats",
            "Check the row numbers and the seat letters.",
        )
    elif seats and len(set(cabin.missing)) >= seats:
        yield Problem(
            ("cabin", "missing"),
            "at least one seat that is fitted",
            f"all {seats} seats missing",
            "Name only the seats that are not fitted.",
        )


def _missing(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    if not cabin.rows:
        return
    letters = {
        row: _layout_of(cabin, group) for group, rows in _rows_by_group(cabin) for row in rows
    }
    for place, name in enumerate(cabin.missing):
        try:
            row, letter = parse_seat_name(name)
        except ValueError as error:
            yield Problem(
                ("cabin", "missing", place), 'a seat such as "12A"', str(error), "Name one seat."
            )
            continue
        if letter not in letters.get(row, ""):
            yield Problem(
                ("cabin", "missing", place),
                "a seat that the rows have",
                shown(name),
                "Correct the seat's name, or take it away.",
            )
    yield from repeated(cabin.missing, ("cabin", "missing"), of="missing seat", key=None)


def _seat_table(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    names = [f"{seat.row}{seat.letter}" for seat in cabin.seat_table]
    yield from repeated(names, ("cabin", "seat_table"), of="seat", key="letter")


def _facilities(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    for key, kind in (
        ("lavatories", "lavatory group"),
        ("galleys", "galley"),
        ("crew_seats", "crew station"),
    ):
        yield from repeated([x.name for x in getattr(cabin, key)], ("cabin", key), of=kind)


def _facilities_near_the_rows(cabin: Cabin, system: UnitSystem) -> Iterator[Problem]:
    """Lavatories, galleys and crew seats stand in the cabin or a little beyond its rows."""
    beyond = _FACILITIES_BEYOND_M
    arms = [seat.arm for seat in cabin.seat_table]
    if cabin.rows and cabin.first_row_arm is not None:
        length = sum(cabin.rows[group].pitch * len(rows) for group, rows in _rows_by_group(cabin))
        arms += [cabin.first_row_arm, cabin.first_row_arm + length]
    if not arms:
        return
    low, high = min(arms) - beyond, max(arms) + beyond
    for key in ("lavatories", "galleys", "crew_seats"):
        for number, place in enumerate(getattr(cabin, key)):
            if not low <= place.arm <= high:
                yield Problem(
                    ("cabin", key, number, "arm"),
                    f"an arm near the rows, {in_units(low, 'length', system)} to "
                    f"{in_units(high, 'length', system)}",
                    in_units(place.arm, "length", system),
                    "Check the arm, its datum and its unit.",
                )


#: Checks of the cabin by itself.
CABIN_CHECKS: Final = tuple(
    Check(("cabin",), run)
    for run in (
        _one_form,
        _rows,
        _letters,
        _no_aisle,
        _number_of_seats,
        _missing,
        _seat_table,
        _facilities,
        _facilities_near_the_rows,
    )
)
