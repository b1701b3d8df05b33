"""The cabin as arrays: seats, zones, what is blocked, and what people walk to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.scenario import Scenario, expand_seats, parse_rows, select_seats
from cgrisk.scenario.aircraft_file import Cabin, Seat

__all__ = [
    "POSITIONS",
    "CabinPlan",
    "CrewSeats",
    "Galleys",
    "Lavatories",
    "cabin_plan",
    "zone_arms",
]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Places of a seat in its row, in the order of their codes.
POSITIONS: Final = ("window", "middle", "aisle")


class _ReadOnly:
    """Sets the arrays of a dataclass read-only."""

    __slots__ = ()

    def __post_init__(self) -> None:
        for field in fields(self):  # type: ignore[arg-type]
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)


@dataclass(frozen=True, slots=True, eq=False)
class Lavatories(_ReadOnly):
    """Lavatory groups, in the order of the aircraft file.

    Attributes
    ----------
    name : tuple of str
        Names.
    arm_m : float64 array, shape (L,)
        Arm of a person inside.
    count : int64 array, shape (L,)
        Lavatories that one queue serves.
    queue_sign : int64 array, shape (L,)
        -1 where the queue grows forward, 1 where it grows aft.
    classes : tuple of tuple of str
        Classes of travel that may use each; empty means all.
    """

    name: tuple[str, ...]
    arm_m: Floats
    count: Ints
    queue_sign: Ints
    classes: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Galleys(_ReadOnly):
    """Galleys, in the order of the aircraft file.

    Attributes
    ----------
    name : tuple of str
        Names.
    arm_m : float64 array, shape (G,)
        Arm of a person or cart in it.
    standing : int64 array, shape (G,)
        Passengers who may stand about in it.
    classes : tuple of tuple of str
        Classes of travel that may use each; empty means all.
    """

    name: tuple[str, ...]
    arm_m: Floats
    standing: Ints
    classes: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, eq=False)
class CrewSeats(_ReadOnly):
    """Cabin crew stations, in the order of the aircraft file.

    Attributes
    ----------
    name : tuple of str
        Names.
    arm_m : float64 array, shape (C,)
        Arm of a seated crew member.
    crew : int64 array, shape (C,)
        Crew members seated there.
    """

    name: tuple[str, ...]
    arm_m: Floats
    crew: Ints


@dataclass(frozen=True, slots=True, eq=False)
class CabinPlan(_ReadOnly):
    """Seats of a cabin from the front, and what people walk to.

    Attributes
    ----------
    row : int64 array, shape (S,)
        Row numbers.
    letter : tuple of str
        Seat letters.
    arm_m : float64 array, shape (S,)
        Arm of the occupant.
    position : int64 array, shape (S,)
        0 window, 1 middle, 2 aisle (:data:`POSITIONS`).
    aisle : int64 array, shape (S,)
        Aisle used: 0 the left one or the only one, 1 the right one.
    class_index : int64 array, shape (S,)
        Class of travel, into ``classes``.
    zone : int64 array, shape (S,)
        Zone, into ``zones``; -1 where no zone has the row.
    blocked : bool array, shape (S,)
        Seats that nobody may use.
    snake_order : int64 array, shape (S,)
        Seats row by row, left to right, on the next row right to left, and so on: neighbours in
        this order sit side by side, across the aisle, or at one wall in consecutive rows.
    classes, zones : tuple of str
        Names of the classes of travel (in order of appearance) and of the zones.
    lavatories : Lavatories
    galleys : Galleys
    crew_seats : CrewSeats
    """

    row: Ints
    letter: tuple[str, ...]
    arm_m: Floats
    position: Ints
    aisle: Ints
    class_index: Ints
    zone: Ints
    blocked: Flags
    snake_order: Ints
    classes: tuple[str, ...]
    zones: tuple[str, ...]
    lavatories: Lavatories
    galleys: Galleys
    crew_seats: CrewSeats

    @property
    def seats(self) -> int:
        """Number of seats, blocked ones included."""
        return int(self.arm_m.size)

    def seat_label(self, seat: int) -> str:
        """Return the name of a seat by its index, for instance ``12A``."""
        return f"{self.row[seat]}{self.letter[seat]}"


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int64)


def _floats(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _snake(seats: Sequence[Seat], *, by_letter: bool) -> list[int]:
    rows: dict[int, list[int]] = {}
    for i, seat in enumerate(seats):
        rows.setdefault(seat.row, []).append(i)
    order: list[int] = []
    for turn, members in enumerate(rows.values()):
        if by_letter:  # a seat plan sorts staggered seats by arm, not from left to right
            members.sort(key=lambda i: seats[i].letter)
        order.extend(members if turn % 2 == 0 else reversed(members))
    return order


def _facilities(cabin: Cabin) -> tuple[Lavatories, Galleys, CrewSeats]:
    return (
        Lavatories(
            name=tuple(lavatory.name for lavatory in cabin.lavatories),
            arm_m=_floats([lavatory.arm for lavatory in cabin.lavatories]),
            count=_ints([lavatory.count for lavatory in cabin.lavatories]),
            queue_sign=_ints(
                [-1 if lavatory.queue_toward == "fore" else 1 for lavatory in cabin.lavatories]
            ),
            classes=tuple(lavatory.classes for lavatory in cabin.lavatories),
        ),
        Galleys(
            name=tuple(galley.name for galley in cabin.galleys),
            arm_m=_floats([galley.arm for galley in cabin.galleys]),
            standing=_ints([galley.standing for galley in cabin.galleys]),
            classes=tuple(galley.classes for galley in cabin.galleys),
        ),
        CrewSeats(
            name=tuple(station.name for station in cabin.crew_seats),
            arm_m=_floats([station.arm for station in cabin.crew_seats]),
            crew=_ints([station.crew for station in cabin.crew_seats]),
        ),
    )


def cabin_plan(scenario: Scenario) -> CabinPlan:
    """Return the cabin of a scenario, with the zones and blocked seats of its operation.

    Raises
    ------
    ValueError
        If rows or blocked seats are malformed or name no seat; the checks on loading report these
        as faults of the file.
    """
    cabin, operation = scenario.aircraft.cabin, scenario.operation
    seats = expand_seats(cabin)
    zone_of_row = {
        row: number for number, zone in enumerate(operation.zones) for row in parse_rows(zone.rows)
    }
    classes = tuple(dict.fromkeys(seat.cabin_class for seat in seats))
    blocked = np.zeros(len(seats), dtype=np.bool_)
    blocked[list(select_seats(seats, operation.seating.blocked))] = True
    lavatories, galleys, crew_seats = _facilities(cabin)
    return CabinPlan(
        row=_ints([seat.row for seat in seats]),
        letter=tuple(seat.letter for seat in seats),
        arm_m=_floats([seat.arm for seat in seats]),
        position=_ints([POSITIONS.index(seat.position) for seat in seats]),
        aisle=_ints([seat.aisle - 1 for seat in seats]),
        class_index=_ints([classes.index(seat.cabin_class) for seat in seats]),
        zone=_ints([zone_of_row.get(seat.row, -1) for seat in seats]),
        blocked=blocked,
        snake_order=_ints(_snake(seats, by_letter=bool(cabin.seat_table))),
        classes=classes,
        zones=tuple(zone.name for zone in operation.zones),
        lavatories=lavatories,
        galleys=galleys,
        crew_seats=crew_seats,
    )


def zone_arms(scenario: Scenario, plan: CabinPlan) -> Floats:
    """Return the arms the load sheet uses for the zones (m, shape (zones,)), before rounding.

    A zone without an arm of its own has that of the centroid of its seats, blocked ones included:
    the papers do not change when a seat is blocked.

    Raises
    ------
    UsageError
        If a zone has neither an arm nor a seat.
    """
    arms = []
    for number, zone in enumerate(scenario.operation.zones):
        seats = plan.arm_m[plan.zone == number]
        if zone.arm is None and seats.size == 0:
            raise UsageError(
                argument=f"zone {zone.name!r}",
                expected="an arm, or rows that have seats",
                got=f"rows {zone.rows}",
                cure="Give the zone rows of this cabin.",
            )
        arms.append(float(seats.mean()) if zone.arm is None else zone.arm)
    return _floats(arms)
