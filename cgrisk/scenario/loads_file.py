"""Past load sheets: a CSV table of zone counts, hold loads and fuel, read against a scenario."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from cgrisk.errors import Fault, InputError
from cgrisk.scenario.checks_fuel import fuel_capacity_kg
from cgrisk.scenario.document import shown
from cgrisk.scenario.problems import in_units
from cgrisk.scenario.scenario import Scenario
from cgrisk.scenario.seats import expand_seats, parse_rows, select_seats
from cgrisk.scenario.tables import TableForm, read_table
from cgrisk.units import UnitSystem, to_si, unit_name

__all__ = ["PastLoad", "PastLoads", "load_columns", "number_cell", "read_loads", "told_faults"]

#: Most rows and bytes of a file of load sheets.
MOST_ROWS: Final = 100_000
MOST_BYTES: Final = 50_000_000
_MOST_PEOPLE, _MOST_BAGS, _MOST_KG, _LONGEST_NAME = 1000, 2000, 1e6, 120
#: Most faults that are told; more mean that the file is not of this kind.
_MOST_FAULTS: Final = 500

_WHOLE = re.compile(r"[0-9]{1,9}")
_NUMBER = re.compile(r"(?:[0-9]{1,30}\.?[0-9]{0,30}|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,2})?")


@dataclass(frozen=True, slots=True)
class PastLoad:
    """One load sheet of the past, in SI.

    Attributes
    ----------
    line : int
        Line of the file.
    name : str
        As the file has it, plain text; the line where it has none.
    adults, children : tuple of int
        By cabin zone, in the scenario's order.
    bags : tuple of int
        Checked bags by hold, in the aircraft's order.
    cargo_kg : tuple of float
        Other load by hold.
    fuel_kg : float
        Block fuel.
    zero_fuel_mass_kg, take_off_mass_kg : float or None
        What the sheet itself says, where the file has it.
    """

    line: int
    name: str
    adults: tuple[int, ...]
    children: tuple[int, ...]
    bags: tuple[int, ...]
    cargo_kg: tuple[float, ...]
    fuel_kg: float
    zero_fuel_mass_kg: float | None = None
    take_off_mass_kg: float | None = None


@dataclass(frozen=True, slots=True)
class PastLoads:
    """All load sheets of a file, in its order; ``file`` is its name as the user gave it."""

    file: str
    loads: tuple[PastLoad, ...]


def number_cell(*, low: float, high: float, factor: float = 1.0) -> Callable[[str], float]:
    """Return what makes a cell a number from ``low`` to ``high`` (in SI), times a factor to SI.

    Only figures, a point and an exponent are numbers: no "nan", no "inf", no underscores; a minus
    sign only where ``low`` is below 0.
    """

    def make(text: str) -> float:
        bare = text[1:] if low < 0.0 and text.startswith("-") else text
        if _NUMBER.fullmatch(bare) is None:
            raise ValueError(text)
        value = float(text) * factor
        if not low <= value <= high:
            raise ValueError(text)
        return value

    return make


def _whole_cell(most: int) -> Callable[[str], int]:
    def make(text: str) -> int:
        if _WHOLE.fullmatch(text) is None or int(text) > most:
            raise ValueError(text)
        return int(text)

    return make


def _name_cell(text: str) -> str:
    if len(text) > _LONGEST_NAME or not text.isprintable():
        raise ValueError(text)
    return text


def load_columns(scenario: Scenario) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the columns that a file of load sheets must have, and those that it may have.

    Of the two columns of a hold one is enough; it may have both.
    """
    zones = [zone.name for zone in scenario.operation.zones]
    holds = [hold.name for hold in scenario.aircraft.holds]
    must = (*(f"zone {name} adults" for name in zones), "fuel")
    may = (
        "name",
        *(f"zone {name} children" for name in zones),
        *(f"hold {name} {what}" for name in holds for what in ("bags", "cargo")),
        "zero_fuel_mass",
        "take_off_mass",
    )
    return must, may


def _form(scenario: Scenario, system: UnitSystem) -> TableForm:
    must, may = load_columns(scenario)
    factor, unit = to_si(1.0, dimension="mass", system=system), unit_name("mass", system=system)
    people = f"a whole number from 0 to {_MOST_PEOPLE}"
    bags = f"a whole number from 0 to {_MOST_BAGS}"
    mass = f"a mass in {unit}, at least 0 and at most {in_units(_MOST_KG, 'mass', system)}"
    columns: dict[str, Callable[[str], Any]] = {}
    says: dict[str, str] = {}
    for column in ("name", *must, *(name for name in may if name != "name")):
        if column == "name":
            columns[column] = _name_cell
            says[column] = f"printable text of at most {_LONGEST_NAME} characters"
        elif column.startswith("zone "):
            columns[column], says[column] = _whole_cell(_MOST_PEOPLE), people
        elif column.startswith("hold ") and column.endswith(" bags"):
            columns[column], says[column] = _whole_cell(_MOST_BAGS), bags
        else:
            columns[column] = number_cell(low=0.0, high=_MOST_KG, factor=factor)
            says[column] = mass
    return TableForm(
        columns=columns,
        optional=frozenset(may),
        says=says,
        comments=True,
        most_rows=MOST_ROWS,
        most_bytes=MOST_BYTES,
        kind="a CSV file of load sheets",
    )


def read_loads(path: str | Path, *, scenario: Scenario) -> PastLoads:
    """Read past load sheets.

    Parameters
    ----------
    path : str or pathlib.Path
        CSV file in UTF-8, in the units of the scenario's operation file. A column ``zone NAME
        adults`` for each cabin zone and, if wanted, ``zone NAME children`` (0 without it); for each
        hold ``hold NAME bags``, ``hold NAME cargo`` or both (0 without); ``fuel``, the block fuel;
        if wanted ``name``, and the sheet's own ``zero_fuel_mass`` and ``take_off_mass``, against
        which the scenario's are checked. Lines above the header that begin with ``#`` are comments.
    scenario : Scenario
        Its zones, holds, seats and tanks are those of the sheets.

    Raises
    ------
    InputError
        With all faults: file, line, column, what was expected, what was got, the cure.
    """
    file, system = str(path), scenario.operation.units
    try:
        rows, placed = read_table(Path(path), file=file, form=_form(scenario, system))
    except InputError as error:
        raise told_faults(error.faults, file=file) from None
    faults = list(_absent_holds(scenario, rows, file))
    loads = []
    limits = _Limits.of(scenario)
    for line, row in zip(placed.lines, rows, strict=True):
        load = _load(scenario, row, line)
        loads.append(load)
        faults += limits.faults(scenario, load, file, system)
    if faults:
        raise told_faults(faults, file=file)
    return PastLoads(file, tuple(loads))


def told_faults(faults: Any, *, file: str) -> InputError:
    """Return the error that tells faults, the first of them where they are very many."""
    faults = list(faults)
    if len(faults) > _MOST_FAULTS:
        expected, got = "a file with few faults", f"{len(faults)} faults, of which these are some"
        more = Fault(file, None, "", expected, got, "Correct these first.")
        faults = [*faults[:_MOST_FAULTS], more]
    return InputError(faults)


def _absent_holds(scenario: Scenario, rows: list[dict[str, Any]], file: str) -> Iterator[Fault]:
    """Report holds of which no row has anything: an empty hold is written as 0."""
    seen = {column for row in rows for column in row}
    for hold in scenario.aircraft.holds:
        names = [f"hold {hold.name} {what}" for what in ("bags", "cargo")]
        if not seen.intersection(names):
            yield Fault(
                file,
                None,
                names[0],
                f"a column {shown(names[0])} or {shown(names[1])}",
                "neither, or nothing in it",
                "Add the column; write 0 for an empty hold.",
            )


def _load(scenario: Scenario, row: dict[str, Any], line: int) -> PastLoad:
    zones = [zone.name for zone in scenario.operation.zones]
    holds = [hold.name for hold in scenario.aircraft.holds]
    return PastLoad(
        line=line,
        name=row.get("name") or f"line {line}",
        adults=tuple(row[f"zone {name} adults"] for name in zones),
        children=tuple(row.get(f"zone {name} children", 0) for name in zones),
        bags=tuple(row.get(f"hold {name} bags", 0) for name in holds),
        cargo_kg=tuple(row.get(f"hold {name} cargo", 0.0) for name in holds),
        fuel_kg=row["fuel"],
        zero_fuel_mass_kg=row.get("zero_fuel_mass"),
        take_off_mass_kg=row.get("take_off_mass"),
    )


@dataclass(frozen=True, slots=True)
class _Limits:
    """What a load must fit: seats by zone, seats in all, tanks, fuel burnt."""

    seats: tuple[int, ...]
    aboard: int
    most_fuel: float
    least_fuel: float

    @classmethod
    def of(cls, scenario: Scenario) -> _Limits:
        operation, aircraft = scenario.operation, scenario.aircraft
        seats = expand_seats(aircraft.cabin)
        blocked = set(select_seats(seats, operation.seating.blocked))
        usable = [seat for number, seat in enumerate(seats) if number not in blocked]
        # With people free to sit anywhere, only the load sheet's count has to fit the zone.
        places = seats if operation.seating.scope == "cabin" else usable
        rows = [set(parse_rows(zone.rows)) for zone in operation.zones]
        density = operation.fuel.density or aircraft.reference_density
        room = _MOST_KG
        if aircraft.tanks or aircraft.fuel_index:
            room = fuel_capacity_kg(
                aircraft.tanks,
                aircraft.fuel_index,
                density=density,
                reference_density=aircraft.reference_density,
            )
        burnt = sum(60.0 * phase.minutes * phase.fuel_flow for phase in operation.phases)
        return cls(
            tuple(sum(seat.row in these for seat in places) for these in rows),
            len(usable),
            room * (1.0 + 1e-9),
            burnt / (1.0 + 1e-9),
        )

    def faults(
        self, scenario: Scenario, load: PastLoad, file: str, system: UnitSystem
    ) -> Iterator[Fault]:
        def fault(key: str, expected: str, got: str, cure: str) -> Fault:
            return Fault(file, load.line, key, expected, got, cure)

        zones = scenario.operation.zones
        for zone, room, adults, children in zip(
            zones, self.seats, load.adults, load.children, strict=True
        ):
            if adults + children > room:
                yield fault(
                    f"zone {zone.name} adults",
                    f"at most {room} people, the usable seats of zone {shown(zone.name)}",
                    f"{adults} adults and {children} children",
                    "Correct the counts, or the scenario's zones and blocked seats.",
                )
        aboard = sum(load.adults) + sum(load.children)
        if scenario.operation.seating.scope == "cabin" and aboard > self.aboard:
            yield fault(
                "",
                f"at most {self.aboard} people, the usable seats of the cabin",
                f"{aboard} people",
                "Correct the counts, or the scenario's blocked seats.",
            )
        bag = scenario.operation.load_sheet.bag_mass
        for hold, bags, cargo in zip(
            scenario.aircraft.holds, load.bags, load.cargo_kg, strict=True
        ):
            if bags * bag + cargo > hold.max_load:
                yield fault(
                    f"hold {hold.name} bags",
                    f"at most the maximum load of {shown(hold.name)}, "
                    f"{in_units(hold.max_load, 'mass', system)}",
                    f"{in_units(bags * bag + cargo, 'mass', system)} with {bags} bags of "
                    f"{in_units(bag, 'mass', system)}",
                    "Correct the sheet, or the hold's maximum load in the aircraft file.",
                )
        fuel = load.fuel_kg
        if fuel > self.most_fuel:
            yield fault(
                "fuel",
                f"at most what the tanks hold, {in_units(self.most_fuel, 'mass', system)}",
                in_units(fuel, "mass", system),
                "Correct the fuel, or the scenario's tanks and density.",
            )
        if fuel < self.least_fuel:
            yield fault(
                "fuel",
                f"at least what the phases burn, {in_units(self.least_fuel, 'mass', system)}",
                in_units(fuel, "mass", system),
                "Score a flight of another length against a scenario with its phases.",
            )
