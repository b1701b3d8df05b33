"""Loads that are possible at a zero-fuel mass: how many people, in which zones, holds, fuel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import dry_operating, tank_tables
from cgrisk.decide.load_state import LoadState, state_of, zone_seat_counts
from cgrisk.errors import UsageError
from cgrisk.flight.paper_masses import adult_standard_kg, child_standard_kg
from cgrisk.scenario import Scenario
from cgrisk.units import to_si, unit_name

__all__ = [
    "COUNTS",
    "LoadRange",
    "fuel_range",
    "highest_zero_fuel_kg",
    "load_range",
    "state_at",
    "states_at",
]

Floats = NDArray[np.float64]

#: Passenger counts that are tried at a mass.
COUNTS: Final = 9
#: Fuel besides what the phases burn, as part of it: the least that is loaded.
_RESERVE: Final = 0.05
_BEFORE_LANDING: Final = ("approach", "landing", "taxi_in")


@dataclass(frozen=True, slots=True)
class LoadRange:
    """What may be aboard at a zero-fuel mass.

    Attributes
    ----------
    mass_kg : float
        Zero-fuel mass.
    payload_kg : float
        Passengers and hold loads.
    fewest, most : int
        Passengers: what the holds cannot take must be passengers, and there are only so many
        seats.
    """

    mass_kg: float
    payload_kg: float
    fewest: int
    most: int


def _passenger_kg(scenario: Scenario) -> float:
    """Return the load sheet's mean mass of a passenger, children in the scenario's share."""
    operation, state = scenario.operation, state_of(scenario)
    adult = adult_standard_kg(operation)
    if state.passengers == 0:
        return adult
    children = sum(state.children) / state.passengers
    return (1.0 - children) * adult + children * child_standard_kg(operation)


def highest_zero_fuel_kg(scenario: Scenario) -> float:
    """Return the highest zero-fuel mass at which the flight can be made (kg).

    Seats and holds full, within the maximum zero-fuel mass, and with the least fuel within the
    maximum taxi, take-off and landing masses.
    """
    masses, each = scenario.aircraft.masses, _passenger_kg(scenario)
    dry, _ = dry_operating(scenario.aircraft)
    room = sum(hold.max_load for hold in scenario.aircraft.holds)
    full = dry + room + int(zone_seat_counts(scenario).sum()) * each
    least = (1.0 + _RESERVE) * sum(_burnt_kg(scenario).values())
    return float(min(full, masses.max_zero_fuel, _fuel_room_kg(scenario) - least))


def load_range(scenario: Scenario, *, mass_kg: float) -> LoadRange:
    """Return what may be aboard at a zero-fuel mass.

    Parameters
    ----------
    scenario : Scenario
    mass_kg : float

    Raises
    ------
    UsageError
        If the aircraft can not have that zero-fuel mass on this flight.
    """
    dry, _ = dry_operating(scenario.aircraft)
    seats = int(zone_seat_counts(scenario).sum())
    room = sum(hold.max_load for hold in scenario.aircraft.holds)
    each, highest = _passenger_kg(scenario), highest_zero_fuel_kg(scenario)
    if not dry - 0.5 <= mass_kg <= highest + 0.5:
        system = scenario.operation.units
        unit, name = to_si(1.0, dimension="mass", system=system), unit_name("mass", system=system)
        raise UsageError(
            argument="masses",
            expected=f"zero-fuel masses from {dry / unit:,.0f} to {highest / unit:,.0f} {name}",
            got=f"{mass_kg / unit:,.1f} {name}",
            cure="That is from empty to full, with fuel enough for the phases; take masses in "
            "between.",
        )
    payload = max(mass_kg - dry, 0.0)
    # Bounded before they are made whole: the quotient has no bound where people weigh nothing.
    fewest = math.ceil(min(max((payload - room) / each - 1e-9, 0.0), seats))
    most = math.floor(min(payload / each + 1e-9, seats))
    return LoadRange(mass_kg, payload, min(fewest, most), most)


def _split_evenly(count: int, seats: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return a count split over zones in proportion to their seats, by largest remainders."""
    exact = count * seats / max(int(seats.sum()), 1)
    out = np.floor(exact).astype(np.int64)
    order = np.argsort(-(exact - out), kind="stable")
    out[order[: count - int(out.sum())]] += 1
    return out


def _filled(count: int, seats: NDArray[np.int64], order: Sequence[int]) -> NDArray[np.int64]:
    out = np.zeros(seats.size, dtype=np.int64)
    for zone in order:
        out[zone] = min(count, int(seats[zone]))
        count -= int(out[zone])
    return out


def _zone_splits(count: int, seats: NDArray[np.int64]) -> dict[str, NDArray[np.int64]]:
    zones = list(range(seats.size))
    middle = sorted(zones, key=lambda z: (abs(z - (len(zones) - 1) / 2.0), z))
    found = {
        "in proportion to seats": _split_evenly(count, seats),
        "front zones first": _filled(count, seats, zones),
        "rear zones first": _filled(count, seats, zones[::-1]),
        "middle zones first": _filled(count, seats, middle),
        "end zones first": _filled(count, seats, middle[::-1]),
    }
    unique: dict[tuple[int, ...], str] = {}
    for name, split in found.items():
        unique.setdefault(tuple(split.tolist()), name)
    return {name: np.array(split, dtype=np.int64) for split, name in unique.items()}


def _spread_over(load_kg: float, room: Floats, weights: Floats) -> Floats:
    """Return a load shared out over holds by weights; what one cannot take goes to the others."""
    out, left = np.zeros(room.size), load_kg
    while left > 1e-6 and (out < room - 1e-9).any():
        open_holds = np.where(out < room - 1e-9, weights + 1e-9, 0.0)
        add = np.minimum(left * open_holds / open_holds.sum(), room - out)
        out += add
        left -= float(add.sum())
    return out


def _hold_splits(scenario: Scenario, load_kg: float) -> dict[str, Floats]:
    room = np.array([hold.max_load for hold in scenario.aircraft.holds], dtype=np.float64)
    if room.size == 0 or load_kg <= 0.0:
        return {"holds empty": np.zeros(room.size)}
    arms = np.array([hold.arm for hold in scenario.aircraft.holds])
    found = {"holds in proportion": load_kg * room / room.sum()}
    for name, order in (
        ("forward hold first", np.argsort(arms)),
        ("aft hold first", np.argsort(-arms)),
    ):
        out, left = np.zeros(room.size), load_kg
        for hold in order:
            out[hold] = min(left, room[hold])
            left -= out[hold]
        found[name] = out
    return found


def _state(
    scenario: Scenario,
    payload_kg: float,
    people: NDArray[np.int64],
    hold_weights: Floats,
    fuel_kg: float,
) -> LoadState:
    """Return people by zone with what is left of a payload in the holds, by weights."""
    now, rules = state_of(scenario), scenario.operation.load_sheet
    share = sum(now.children) / now.passengers if now.passengers else 0.0
    children = np.floor(share * people + 0.5).astype(np.int64)
    seated = float((people - children).sum()) * adult_standard_kg(scenario.operation)
    seated += float(children.sum()) * child_standard_kg(scenario.operation)
    room = np.array([hold.max_load for hold in scenario.aircraft.holds], dtype=np.float64)
    held = _spread_over(max(payload_kg - seated, 0.0), room, hold_weights)
    wanted = (sum(now.bags) / now.passengers if now.passengers else 0.0) * float(people.sum())
    whole, bag = float(held.sum()), rules.bag_mass
    bags = [
        int(min(wanted * float(kg) / whole, float(kg) / bag)) if whole > 0.0 and bag > 0.0 else 0
        for kg in held
    ]
    return LoadState(
        adults=tuple((people - children).tolist()),
        children=tuple(children.tolist()),
        bags=tuple(bags),
        cargo_kg=tuple(max(float(kg) - n * bag, 0.0) for kg, n in zip(held, bags, strict=True)),
        fuel_kg=fuel_kg,
    )


def state_at(
    scenario: Scenario,
    *,
    mass_kg: float,
    people: NDArray[np.int64],
    hold_weights: Floats,
    fuel_kg: float,
) -> LoadState:
    """Return the load state of a zero-fuel mass with people by zone and weights of the holds.

    Parameters
    ----------
    scenario : Scenario
        Its children's share and bags per passenger are kept.
    mass_kg : float
        Zero-fuel mass.
    people : int64 array, shape (zones,)
    hold_weights : float64 array, shape (holds,)
        What is not people is shared out over the holds in this proportion, as far as it fits.
    fuel_kg : float
        Block fuel.

    Raises
    ------
    UsageError
        If the aircraft can not have that zero-fuel mass.
    """
    span = load_range(scenario, mass_kg=mass_kg)
    return _state(scenario, span.payload_kg, people, hold_weights, fuel_kg)


def _burnt_kg(scenario: Scenario) -> dict[str, float]:
    """Return the fuel that each kind of phase burns."""
    out: dict[str, float] = {}
    for phase in scenario.operation.phases:
        out[phase.kind] = out.get(phase.kind, 0.0) + 60.0 * phase.minutes * phase.fuel_flow
    return out


def _fuel_room_kg(scenario: Scenario) -> float:
    """Return the most zero-fuel mass and block fuel together (kg), by all maximum masses."""
    masses, burnt = scenario.aircraft.masses, _burnt_kg(scenario)
    taxi = burnt.get("taxi_out", 0.0)
    flown = sum(kg for kind, kg in burnt.items() if kind not in _BEFORE_LANDING)
    rooms = [masses.max_taxi, masses.max_take_off + taxi]
    if set(burnt) & set(_BEFORE_LANDING):
        rooms.append(masses.max_landing + flown)
    return float(min(rooms))


def fuel_range(scenario: Scenario, *, mass_kg: float) -> tuple[float, float]:
    """Return the least and the most block fuel with a zero-fuel mass (kg).

    At least a twentieth more than the phases burn; at most what the tanks hold at the planned
    density, within the maximum taxi, take-off and landing masses.

    Parameters
    ----------
    scenario : Scenario
    mass_kg : float
        Zero-fuel mass.
    """
    fuel = scenario.operation.fuel
    least = (1.0 + _RESERVE) * sum(_burnt_kg(scenario).values())
    held = (fuel.density or fuel.density_mean) * sum(
        table.capacity_m3 for table in tank_tables(scenario.aircraft)
    )
    # A kilogram less: masses on the load sheet are rounded.
    return least, max(min(held, _fuel_room_kg(scenario) - mass_kg) - 1.0, least)


def _fuel_kg(scenario: Scenario, mass_kg: float) -> float:
    """Return the scenario's block fuel, within what is possible with a zero-fuel mass."""
    least, most = fuel_range(scenario, mass_kg=mass_kg)
    return min(max(scenario.operation.fuel.block, least), most)


def states_at(
    scenario: Scenario, *, mass_kg: float, counts: int | Sequence[int] = COUNTS
) -> list[tuple[LoadState, str]]:
    """Return the candidates at a zero-fuel mass, each with its description.

    Parameters
    ----------
    scenario : Scenario
        Its children's share, bags per passenger and rules are kept.
    mass_kg : float
        Zero-fuel mass.
    counts : int or sequence of int
        Passenger counts; a number asks for so many from the fewest to the most possible.
    """
    span = load_range(scenario, mass_kg=mass_kg)
    seats, each = zone_seat_counts(scenario), _passenger_kg(scenario)
    wanted: Sequence[int]
    if isinstance(counts, int):
        spread = np.linspace(span.fewest, span.most, counts).round()
        wanted = np.unique(spread).astype(int).tolist()
    else:
        wanted = counts
    fuel, found = _fuel_kg(scenario, mass_kg), []
    for count in wanted:
        left = max(span.payload_kg - count * each, 0.0)
        for people, split in _zone_splits(int(count), seats).items():
            for loads, held in _hold_splits(scenario, left).items():
                state = _state(scenario, span.payload_kg, split, held, fuel)
                found.append((state, f"{count} passengers, {people}; {loads}"))
    return found
