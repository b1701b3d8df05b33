"""The seating part of the conventional stack: seats filled in order from one end of each zone.

Passengers take the window seats of a zone row by row from one end, then the aisle seats, then the
rest; the largest running moment about the load sheet's arm counts, and the zones are added up (the
method of FAA AC 120-27, read as a method; the words are this project's).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.aircraft import POSITIONS
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel
from cgrisk.flight.paper_masses import zone_mass_on_sheet_kg

__all__ = [
    "RECKONINGS",
    "Reckoning",
    "ZoneSeating",
    "filling_order",
    "running_moments",
    "worst_row_moment",
    "zone_mass_kg",
    "zone_seating",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Reckoning = Literal["classic", "state"]

#: classic: the largest running moment over every count from 0 to the zone's open seats; state: the
#: running moment at the load state's own count.
RECKONINGS: Final = ("classic", "state")
#: When the seats of each position are taken: windows, aisle, the rest.
_TURN: Final = {"window": 0, "aisle": 1, "middle": 2}
#: Running moments nearer than this, per kg of a passenger (m), are equal.
_TIE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class ZoneSeating:
    """How far seats filled in order from one end may take a zone's moment from the load sheet's.

    Attributes
    ----------
    zone, side : str
        Name of the zone (``cabin`` where people may sit anywhere); forward for seats filled from
        the front, aft for seats filled from the rear.
    passengers, seats : int
        On the load sheet, and seats that are not blocked.
    arm_m, mass_kg : float
        Arm of the zone on the load sheet, and the mean standard mass of its passengers.
    classic_kgm : float
        Largest running moment toward the side over all counts, at least 0; 0 with nobody aboard.
    classic_count : int
        How many are seated when it is reached.
    state_kgm : float
        Moment toward the side with the load sheet's own count seated, at least 0.
    extreme_kgm : float
        Moment toward the side with that count on the seats nearest to that end, whatever their
        position: what can happen at worst, which the conventional order does not cover.
    """

    zone: str
    side: str
    passengers: int
    seats: int
    arm_m: float
    mass_kg: float
    classic_kgm: float
    classic_count: int
    state_kgm: float
    extreme_kgm: float

    def moment_kgm(self, reckoning: Reckoning) -> float:
        """Return the moment by one of :data:`RECKONINGS`."""
        return self.classic_kgm if reckoning == "classic" else self.state_kgm


def worst_row_moment(rows: int, *, pitch_m: float, mass_kg: float = 1.0, columns: int = 1) -> float:
    """Return the worst running moment of equal rows filled one after the other from one end.

    Parameters
    ----------
    rows : int
        Number of rows N, at least 0.
    pitch_m : float
        Distance p between rows (m), at least 0.
    mass_kg : float
        Mass w of each passenger (kg).
    columns : int
        Passengers in each row.

    Returns
    -------
    float
        Size of the moment about the centroid of the seats (kg m), toward the end that is filled
        first: columns x w p N^2/8 for an even, w p (N^2 - 1)/8 for an odd number of rows.

    Raises
    ------
    UsageError
        If a number is negative.

    Notes
    -----
    Row i (from 0) lies p (i - (N - 1)/2) from the centroid; the running sum turns where that
    changes its sign, after floor(N/2) rows.
    """
    for argument, value in (("rows", rows), ("pitch_m", pitch_m), ("columns", columns)):
        if not value >= 0:
            raise UsageError(
                argument=argument, expected="at least 0", got=value, cure="Give a size or a number."
            )
    return columns * mass_kg * pitch_m * (rows * rows - rows % 2) / 8.0


def running_moments(arm_m: ArrayLike, *, about_m: float, mass_kg: float = 1.0) -> Floats:
    """Return the moments about an arm as seats are taken one after the other.

    Parameters
    ----------
    arm_m : array_like, shape (n,)
        Arms of the seats in the order they are taken (m).
    about_m : float
        Arm the moments are taken about (m).
    mass_kg : float
        Mass of each passenger.

    Returns
    -------
    float64 array, shape (n + 1,)
        Moment (kg m, positive aft) with 0, 1, ... n seated.
    """
    steps = mass_kg * (np.asarray(arm_m, dtype=np.float64) - about_m)
    return np.concatenate([[0.0], np.cumsum(steps)])


def filling_order(
    arm_m: ArrayLike, *, position: Sequence[int] | Ints, from_front: bool = True
) -> Ints:
    """Return the order in which seats are taken: windows, aisle, rest, each from one end.

    Parameters
    ----------
    arm_m : array_like, shape (n,)
        Arms of the seats (m).
    position : sequence of int, shape (n,)
        Their positions, codes of :data:`cgrisk.aircraft.POSITIONS`.
    from_front : bool
        From the front, or from the rear.

    Returns
    -------
    int64 array, shape (n,)
        Indices of the seats; of seats at one arm the earlier index comes first.
    """
    arms = np.asarray(arm_m, dtype=np.float64)
    turns = np.array([_TURN[name] for name in POSITIONS])[np.asarray(position, dtype=np.int64)]
    return np.lexsort((arms if from_front else -arms, turns)).astype(np.int64)


def zone_mass_kg(model: FlightModel) -> Floats:
    """Return the mean standard mass of each zone's passengers (kg, shape (zones,)); 0 if none."""
    operation = model.scenario.operation
    return np.array(
        [
            zone_mass_on_sheet_kg(operation, z) / max(z.adults + z.children, 1)
            for z in operation.zones
        ]
    )


def _one_zone(
    name: str,
    *,
    arms: Floats,
    position: Ints,
    passengers: int,
    arm_m: float,
    mass_kg: float,
) -> tuple[ZoneSeating, ZoneSeating]:
    found = []
    for side, sign in (("forward", -1.0), ("aft", 1.0)):
        order = filling_order(arms, position=position, from_front=side == "forward")
        toward = sign * running_moments(arms[order], about_m=arm_m, mass_kg=mass_kg)
        seated = min(passengers, arms.size)
        # the first of equals, whatever the last bits say
        top = float(toward.max())
        place = int(np.argmax(toward >= top - _TIE * mass_kg)) if seated > 0 else 0
        nearest = np.sort(sign * (arms - arm_m))[::-1][:seated]
        found.append(
            ZoneSeating(
                zone=name,
                side=side,
                passengers=passengers,
                seats=arms.size,
                arm_m=arm_m,
                mass_kg=mass_kg,
                classic_kgm=top if place > 0 else 0.0,
                classic_count=place,
                state_kgm=max(0.0, float(toward[seated])),
                extreme_kgm=max(0.0, mass_kg * float(nearest.sum())),
            )
        )
    return found[0], found[1]


def zone_seating(model: FlightModel) -> tuple[ZoneSeating, ...]:
    """Return the seating deviations of every zone toward both sides, by both reckonings.

    Blocked seats are left out. A zone without passengers has none. Where people may sit anywhere
    in the cabin, the cabin is one zone at the centroid of the load sheet's passengers.
    """
    plan, zones = model.plan, model.scenario.operation.zones
    counts = [zone.adults + zone.children for zone in zones]
    sheet_arms, masses = model.sheet.arms("zone"), zone_mass_kg(model)
    open_seats = ~plan.blocked
    if model.scenario.operation.seating.scope == "cabin":
        planned_kg = np.array(counts) * masses
        total_kg = float(planned_kg.sum())
        return _one_zone(
            "cabin",
            arms=plan.arm_m[open_seats],
            position=plan.position[open_seats],
            passengers=sum(counts),
            arm_m=float(planned_kg @ sheet_arms) / total_kg if total_kg > 0.0 else 0.0,
            mass_kg=total_kg / max(sum(counts), 1),
        )
    found: list[ZoneSeating] = []
    for number, zone in enumerate(zones):
        here = open_seats & (plan.zone == number)
        found += _one_zone(
            zone.name,
            arms=plan.arm_m[here],
            position=plan.position[here],
            passengers=counts[number],
            arm_m=float(sheet_arms[number]),
            mass_kg=float(masses[number]),
        )
    return tuple(found)
