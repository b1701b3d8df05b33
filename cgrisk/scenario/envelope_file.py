"""An operator's own envelope: a CSV table of limits against mass, for each kind of mass."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from cgrisk.errors import Fault, InputError
from cgrisk.scenario.loads_file import number_cell, told_faults
from cgrisk.scenario.problems import in_units
from cgrisk.scenario.tables import TableForm, read_table
from cgrisk.units import UnitSystem, to_si, unit_name

__all__ = ["ENVELOPE_COLUMNS", "MASS_KINDS", "EnvelopeTable", "KindPoints", "read_envelope"]

#: Kinds of mass an operational envelope may have limits for, in the order of the flight.
MASS_KINDS: Final = ("zero_fuel", "take_off", "landing")
ENVELOPE_COLUMNS: Final = ("mass_kind", "mass", "forward", "aft")
_MOST_KG, _LOW_PCT, _HIGH_PCT = 1e6, -100.0, 200.0


@dataclass(frozen=True, slots=True)
class KindPoints:
    """Points of one kind of mass: masses not falling, two at one mass make a step."""

    mass_kg: tuple[float, ...]
    forward_pct: tuple[float, ...]
    aft_pct: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class EnvelopeTable:
    """An envelope as a file has it; None for kinds of mass without rows. ``file`` is its name."""

    file: str
    zero_fuel: KindPoints | None = None
    take_off: KindPoints | None = None
    landing: KindPoints | None = None


def _kind_cell(text: str) -> str:
    if text not in MASS_KINDS:
        raise ValueError(text)
    return text


def _form(system: UnitSystem) -> TableForm:
    factor, unit = to_si(1.0, dimension="mass", system=system), unit_name("mass", system=system)
    pct = number_cell(low=_LOW_PCT, high=_HIGH_PCT)
    says_pct = f"a limit in % MAC, from {_LOW_PCT:g} to {_HIGH_PCT:g}"
    mass = f"a mass in {unit}, at least 0 and at most {in_units(_MOST_KG, 'mass', system)}"
    return TableForm(
        columns={
            "mass_kind": _kind_cell,
            "mass": number_cell(low=0.0, high=_MOST_KG, factor=factor),
            "forward": pct,
            "aft": pct,
        },
        says={
            "mass_kind": f"one of {', '.join(MASS_KINDS)}",
            "mass": mass,
            "forward": says_pct,
            "aft": says_pct,
        },
        comments=True,
        kind="a CSV file of an envelope",
    )


def read_envelope(path: str | Path, *, system: UnitSystem) -> EnvelopeTable:
    """Read an operator's own envelope.

    Parameters
    ----------
    path : str or pathlib.Path
        CSV file in UTF-8 with the columns ``mass_kind`` (zero_fuel, take_off or landing), ``mass``,
        ``forward`` and ``aft`` (% MAC); at least two rows for each kind that it has, their masses
        not falling (two rows at one mass make a step). Lines above the header that begin with
        ``#`` are comments.
    system : str
        Unit system of the masses: that of the scenario's operation file.

    Raises
    ------
    InputError
        With all faults of the file.
    """
    file = str(path)
    try:
        rows, placed = read_table(Path(path), file=file, form=_form(system))
    except InputError as error:
        raise told_faults(error.faults, file=file) from None
    faults: list[Fault] = []
    points: dict[str, KindPoints] = {}
    for kind in MASS_KINDS:
        part = [
            (line, row)
            for line, row in zip(placed.lines, rows, strict=True)
            if row["mass_kind"] == kind
        ]
        if part:
            faults += _kind_faults(part, kind, file, system)
            points[kind] = KindPoints(
                *(tuple(row[name] for _, row in part) for name in ("mass", "forward", "aft"))
            )
    if faults:
        raise told_faults(sorted(faults, key=lambda fault: fault.line or 0), file=file)
    return EnvelopeTable(file, **points)


def _kind_faults(
    part: list[tuple[int, dict[str, Any]]], kind: str, file: str, system: UnitSystem
) -> Iterator[Fault]:
    masses = [row["mass"] for _, row in part]
    if len(part) < 2:
        expected = f"at least two rows of {kind}"
        yield Fault(file, part[0][0], "mass_kind", expected, "one", "Add the other points.")
    for (_, before), (line, row) in pairwise(part):
        if row["mass"] < before["mass"]:
            yield Fault(
                file,
                line,
                "mass",
                f"a mass of at least that of the row of {kind} before it, "
                f"{in_units(before['mass'], 'mass', system)}",
                in_units(row["mass"], "mass", system),
                "Sort the rows of each kind by mass.",
            )
    # Single masses without room are a finding of `cgrisk buffers`, which writes them.
    if all(row["forward"] >= row["aft"] for _, row in part):
        row = part[0][1]
        yield Fault(
            file,
            part[0][0],
            "forward",
            f"a forward limit forward of the aft limit in at least one row of {kind}",
            f"none; here forward {row['forward']:g} and aft {row['aft']:g} % MAC",
            "Swap the two columns if they were mixed up; such an envelope allows nothing.",
        )
    for place, (line, row) in enumerate(part):
        if masses[:place].count(row["mass"]) == 2:
            yield Fault(
                file,
                line,
                "mass",
                f"at most two rows of {kind} at one mass, which make a step",
                f"a third at {in_units(row['mass'], 'mass', system)}",
                "Keep the two ends of the step.",
            )
