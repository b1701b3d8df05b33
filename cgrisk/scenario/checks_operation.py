"""Checks of what an operation file means, by itself and against its aircraft."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final, get_args

from cgrisk.scenario.aircraft_file import Cabin, Envelope, Flap, Hold, PhaseKind, Seat, Tank
from cgrisk.scenario.checks_fuel import fuel_capacity_kg
from cgrisk.scenario.document import shown
from cgrisk.scenario.fields import figure
from cgrisk.scenario.locate import KeyPath
from cgrisk.scenario.operation_file import (
    Cart,
    Fuel,
    HoldLoad,
    LoadSheet,
    PartyKind,
    Phase,
    Seating,
    Service,
    Zone,
)
from cgrisk.scenario.problems import Check, Problem, in_units, listed, repeated, unknown_names
from cgrisk.scenario.seats import parse_rows, select_seats
from cgrisk.units import UnitSystem

__all__ = ["OPERATION_CHECKS"]

_KINDS: Final[tuple[str, ...]] = get_args(PhaseKind)
#: Names that tables give to groups of phases.
_RESERVED: Final = ("any", "take_off_and_landing", "in_flight")
#: A zone's arm further than this outside of its own rows means a slip.
_ZONE_ARM_SLACK_M: Final = 2.0


def _rows_or_none(zone: Zone) -> tuple[int, ...] | None:
    try:
        return parse_rows(zone.rows)
    except ValueError:
        return None


def _zone_rows(
    zones: Sequence[Zone], seats: Sequence[Seat], _system: UnitSystem
) -> Iterator[Problem]:
    """Rows of the zones against those of the cabin: each row that has seats in exactly one zone."""
    in_cabin = {seat.row for seat in seats}
    zone_of: dict[int, str] = {}
    complete = True
    for number, zone in enumerate(zones):
        path = ("zones", number, "rows")
        rows = _rows_or_none(zone)
        if rows is None:
            complete = False
            continue
        # A range may span row numbers the cabin skips, but must begin and end at rows it has.
        ends = [int(end) for end in re.findall(r"[0-9]+", zone.rows)]
        strange = [row for row in ends if row not in in_cabin]
        if strange:
            yield Problem(
                path,
                f"rows of the cabin, which has {min(in_cabin)} to {max(in_cabin)}",
                f"row {strange[0]}, which has no seat",
                "Correct the rows of the zone.",
            )
        taken = [row for row in rows if row in zone_of]
        if taken:
            yield Problem(
                path,
                "zones that do not overlap",
                f"row {taken[0]}, which zone {shown(zone_of[taken[0]])} has already",
                "Give each row to one zone.",
            )
        zone_of |= dict.fromkeys(rows, zone.name)
    left = sorted(in_cabin - set(zone_of))
    if complete and left:
        yield Problem(
            ("zones",),
            "zones that together hold every seat",
            f"no zone with row {', '.join(map(str, left[:8]))}{', ...' if len(left) > 8 else ''}",
            "Add the rows to a zone.",
        )


def _zone_names(zones: Sequence[Zone], _system: UnitSystem) -> Iterator[Problem]:
    yield from repeated([zone.name for zone in zones], ("zones",), of="zone")
    for number, zone in enumerate(zones):
        try:
            parse_rows(zone.rows)
        except ValueError as error:
            yield Problem(
                ("zones", number, "rows"),
                'rows such as "1-9" or "12,14-20"',
                str(error),
                "Correct the rows.",
            )


def _zone_arms(
    zones: Sequence[Zone], seats: Sequence[Seat], system: UnitSystem
) -> Iterator[Problem]:
    for number, zone in enumerate(zones):
        rows = set(_rows_or_none(zone) or ())
        arms = [seat.arm for seat in seats if seat.row in rows]
        if zone.arm is None or not arms:
            continue
        low, high = min(arms), max(arms)
        if not low - _ZONE_ARM_SLACK_M <= zone.arm <= high + _ZONE_ARM_SLACK_M:
            yield Problem(
                ("zones", number, "arm"),
                f"an arm among the zone's rows, {in_units(low, 'length', system)} to "
                f"{in_units(high, 'length', system)}",
                in_units(zone.arm, "length", system),
                "Correct the arm, or leave it out to use the centroid of the seats.",
            )


def _usable(seats: Sequence[Seat], seating: Seating) -> list[Seat] | None:
    """Return the seats that are not blocked; None where a blocked seat is misnamed."""
    try:
        blocked = set(select_seats(tuple(seats), seating.blocked))
    except ValueError:
        return None
    return [seat for number, seat in enumerate(seats) if number not in blocked]


def _people_fit(
    zones: Sequence[Zone], seating: Seating, seats: Sequence[Seat], _system: UnitSystem
) -> Iterator[Problem]:
    usable = _usable(seats, seating)
    if usable is None:
        return
    for number, zone in enumerate(zones):
        rows = _rows_or_none(zone)
        if rows is None:
            continue
        people = zone.adults + zone.children
        # With people free to sit anywhere, only the load sheet's count has to fit the zone.
        places = seats if seating.scope == "cabin" else usable
        room = sum(seat.row in set(rows) for seat in places)
        if people > room:
            yield Problem(
                ("zones", number, "adults"),
                f"at most {room} people, the usable seats of zone {shown(zone.name)}",
                f"{zone.adults} adults and {zone.children} children",
                "Correct the counts, the rows or the blocked seats.",
            )
    aboard = sum(zone.adults + zone.children for zone in zones)
    if seating.scope == "cabin" and aboard > len(usable):
        yield Problem(
            ("zones",),
            f"at most {len(usable)} people, the usable seats of the cabin",
            f"{aboard} people",
            "Correct the counts or the blocked seats.",
        )


def _blocked(seating: Seating, seats: Sequence[Seat], _system: UnitSystem) -> Iterator[Problem]:
    for place, name in enumerate(seating.blocked):
        try:
            select_seats(tuple(seats), [name])
        except ValueError as error:
            yield Problem(
                ("seating", "blocked", place),
                'a seat or rows of the cabin, such as "12A" or "20-29"',
                str(error),
                "Correct the name, or take it away.",
            )


def _parties(parties: Sequence[PartyKind], _system: UnitSystem) -> Iterator[Problem]:
    yield from repeated([kind.name for kind in parties], ("parties",), of="kind of party")
    total = sum(kind.share for kind in parties)
    if total > 1.0 + 1e-9:
        yield Problem(
            ("parties",),
            "shares that add up to at most 1",
            figure(total),
            "Lower the shares; those in no party travel alone.",
        )
    for number, kind in enumerate(parties):
        for key in ("adults", "children"):
            low, high = getattr(kind, key)
            if low > high:
                yield Problem(
                    ("parties", number, key),
                    "the least number first, then the most",
                    f"{low} to {high}",
                    "Swap the two numbers.",
                )


def _hold_loads(
    loads: Sequence[HoldLoad], sheet: LoadSheet, holds: Sequence[Hold], system: UnitSystem
) -> Iterator[Problem]:
    most = {hold.name: hold.max_load for hold in holds}
    names = [load.hold for load in loads]
    places = [(("hold_loads", number, "hold"), name) for number, name in enumerate(names)]
    yield from unknown_names(places, list(most), of="hold")
    yield from repeated(names, ("hold_loads",), of="hold load", key="hold")
    for number, load in enumerate(loads):
        mass = load.bags * sheet.bag_mass + load.cargo
        if load.hold in most and mass > most[load.hold]:
            yield Problem(
                ("hold_loads", number),
                f"at most the maximum load of {shown(load.hold)}, "
                f"{in_units(most[load.hold], 'mass', system)}",
                f"{in_units(mass, 'mass', system)} with {load.bags} bags of "
                f"{in_units(sheet.bag_mass, 'mass', system)}",
                "Move load to another hold, or take it off.",
            )


def _block_fuel(
    fuel: Fuel,
    tanks: Sequence[Tank],
    fuel_index: Sequence[tuple[float, float]],
    reference_density: float,
    system: UnitSystem,
) -> Iterator[Problem]:
    if not tanks and not fuel_index:
        return
    density = fuel.density or reference_density
    room = fuel_capacity_kg(tanks, fuel_index, density=density, reference_density=reference_density)
    if fuel.block > room * (1.0 + 1e-9):
        yield Problem(
            ("fuel", "block"),
            f"at most what the tanks hold, {in_units(room, 'mass', system)} at "
            f"{in_units(density, 'density', system)}",
            in_units(fuel.block, "mass", system),
            "Plan less fuel, or correct the capacities or the density.",
        )


def _burn(fuel: Fuel, phases: Sequence[Phase], system: UnitSystem) -> Iterator[Problem]:
    burnt = sum(60.0 * phase.minutes * phase.fuel_flow for phase in phases)
    if burnt > fuel.block * (1.0 + 1e-9):
        yield Problem(
            ("fuel", "block"),
            f"at least what the phases burn, {in_units(burnt, 'mass', system)}",
            in_units(fuel.block, "mass", system),
            "Plan more fuel, or correct the lengths and fuel flows of the phases.",
        )


def _phases(phases: Sequence[Phase], _system: UnitSystem) -> Iterator[Problem]:
    first: dict[str, int] = {}
    latest = 0
    for number, phase in enumerate(phases):
        name = phase.name or phase.kind
        path = ("phases", number, "kind" if phase.name is None else "name")
        if name in _RESERVED:
            yield Problem(
                path,
                "a name that tables do not use for a group of phases",
                shown(name),
                "Choose another name.",
            )
        if name in first:
            yield Problem(
                path,
                "a different name for each phase",
                f"{shown(name)}, as phases[{first[name]}]",
                "Give phases of one kind a name each.",
            )
        first.setdefault(name, number)
        place = _KINDS.index(phase.kind)
        if place < latest:
            yield Problem(
                ("phases", number, "kind"),
                f"phases in the order {', '.join(_KINDS)}",
                f"{phase.kind} after {_KINDS[latest]}",
                "Put the phases in the order they are flown.",
            )
        latest = max(latest, place)


def _phase_flaps(
    phases: Sequence[Phase], flaps: Sequence[Flap], _system: UnitSystem
) -> Iterator[Problem]:
    places = [
        (("phases", number, "flaps"), phase.flaps)
        for number, phase in enumerate(phases)
        if phase.flaps is not None
    ]
    yield from unknown_names(places, [flap.name for flap in flaps], of="flap position")


def _phases_governed(
    phases: Sequence[Phase], envelopes: Sequence[Envelope], _system: UnitSystem
) -> Iterator[Problem]:
    governed = {kind for envelope in envelopes for kind in envelope.phases}
    told: set[str] = set()
    for number, phase in enumerate(phases):
        if phase.kind not in governed and phase.kind not in told:
            told.add(phase.kind)
            yield Problem(
                ("phases", number, "kind"),
                f"a kind of phase that an envelope of the aircraft governs: {listed(governed)}",
                phase.kind,
                "Add the phase to an envelope of the aircraft file.",
            )


def _spans(rows: set[int]) -> str:
    """Return whole numbers as spans: 1 to 5 and 11 to 44."""
    numbers = sorted(rows)
    starts = [n for n in numbers if n - 1 not in rows]
    ends = [n for n in numbers if n + 1 not in rows]
    spans = zip(starts, ends, strict=True)
    return " and ".join(str(a) if a == b else f"{a} to {b}" for a, b in spans)


def _cart_load(
    cart: Cart, path: KeyPath, seats: Sequence[Seat], system: UnitSystem
) -> Iterator[Problem]:
    """Seats to serve in its aisle, and no more trays than it can carry."""
    rows = list(dict.fromkeys(seat.row for seat in seats))
    first, last = sorted((rows.index(cart.from_row), rows.index(cart.to_row)))
    here = set(rows[first : last + 1])
    served = sum(seat.row in here and seat.aisle == cart.aisle for seat in seats)
    if served == 0:
        yield Problem(
            (*path, "aisle"),
            "an aisle that seats of its rows belong to",
            str(cart.aisle),
            "Correct the aisle or the rows.",
        )
    elif served * cart.tray > cart.mass_full:
        yield Problem(
            (*path, "mass_full"),
            f"at least the mass of {served} trays, {in_units(served * cart.tray, 'mass', system)}",
            in_units(cart.mass_full, "mass", system),
            "Check mass_full and tray, or give the rows to more carts.",
        )


def _carts(
    service: Service,
    phases: Sequence[Phase],
    cabin: Cabin,
    seats: Sequence[Seat],
    system: UnitSystem,
) -> Iterator[Problem]:
    path = ("service", "carts")
    galleys = [
        ((*path, number, "galley"), cart.galley) for number, cart in enumerate(service.carts)
    ]
    yield from unknown_names(galleys, [galley.name for galley in cabin.galleys], of="galley")
    rows = {seat.row for seat in seats}
    for number, cart in enumerate(service.carts):
        if {cart.from_row, cart.to_row} <= rows:
            yield from _cart_load(cart, (*path, number), seats, system)
        for key in ("from_row", "to_row"):
            row = getattr(cart, key)
            if row not in rows:
                yield Problem(
                    (*path, number, key),
                    f"a row of the cabin, which has {_spans(rows)}",
                    str(row),
                    "Name a row that has seats.",
                )
    if service.carts and not any(phase.kind == "cruise" for phase in phases):
        yield Problem(
            (*path, 0, "start"),
            "a phase of kind cruise, whose start the time counts from",
            "no such phase",
            "Add the phase, or take the carts away.",
        )


#: Checks of an operation; names that start with ``aircraft.`` come from its aircraft file.
OPERATION_CHECKS: Final = (
    Check(("zones",), _zone_names),
    Check(("zones", "aircraft.seats"), _zone_rows),
    Check(("zones", "aircraft.seats"), _zone_arms),
    Check(("zones", "seating", "aircraft.seats"), _people_fit),
    Check(("seating", "aircraft.seats"), _blocked),
    Check(("parties",), _parties),
    Check(("hold_loads", "load_sheet", "aircraft.holds"), _hold_loads),
    Check(
        ("fuel", "aircraft.tanks", "aircraft.fuel_index", "aircraft.reference_density"),
        _block_fuel,
    ),
    Check(("fuel", "phases"), _burn),
    Check(("phases",), _phases),
    Check(("phases", "aircraft.flaps"), _phase_flaps),
    Check(("phases", "aircraft.envelopes"), _phases_governed),
    Check(("service", "phases", "aircraft.cabin", "aircraft.seats"), _carts),
)
