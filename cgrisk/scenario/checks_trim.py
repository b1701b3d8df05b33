"""Checks of what the data of trim, take-off and entry errors mean."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from cgrisk.scenario.aerodynamics_file import Aerodynamics, GroundRun, Stabilizer, TrimTable
from cgrisk.scenario.aircraft_file import Flap, Hold, Masses
from cgrisk.scenario.document import shown
from cgrisk.scenario.entry_file import EntryError
from cgrisk.scenario.fields import figure
from cgrisk.scenario.operation_file import Zone
from cgrisk.scenario.problems import Check, Problem, repeated, unknown_names
from cgrisk.units import KT_TO_MPS, UnitSystem

__all__ = ["ENTRY_CHECKS", "TRIM_CHECKS"]

#: Standard air at sea level, and gravity (ISO 2533:1975).
_SEA_LEVEL_KGPM3: Final = 1.225
_GRAVITY: Final = 9.80665
#: Greatest lift coefficient of an aircraft without flaps, as the trim takes it.
_PLAIN_LIFT: Final = 1.4
#: The formulas of the trim hold below the speed of sound, and take-off goes up to twice the stall.
_FASTEST_STALL_KT: Final = 300.0


def _mach_ascends(aero: Aerodynamics | None, _system: UnitSystem) -> Iterator[Problem]:
    for name in () if aero is None else ("mach_centre", "mach_moment"):
        for number, ((before, _), (mach, _)) in enumerate(pairwise(getattr(aero, name)), start=1):
            if mach <= before:
                yield Problem(
                    ("aerodynamics", name, number),
                    f"a Mach number above {figure(before)}, that of the point before",
                    figure(mach),
                    "Put the points in ascending order.",
                )


def _stops(stabilizer: Stabilizer | None, _system: UnitSystem) -> Iterator[Problem]:
    if stabilizer is None:
        return
    if stabilizer.nose_up_stop >= stabilizer.nose_down_stop:
        yield Problem(
            ("stabilizer", "nose_up_stop"),
            f"less than the nose-down stop of {figure(stabilizer.nose_down_stop)} deg",
            f"{figure(stabilizer.nose_up_stop)} deg",
            "Nose-up trim has the leading edge down: a negative angle.",
        )
    band = stabilizer.take_off_band
    if band is not None and band[0] >= band[1]:
        yield Problem(
            ("stabilizer", "take_off_band"),
            "the least setting first, then the most",
            f"{figure(band[0])}, {figure(band[1])}",
            "More trim units are more nose-up: put the smaller number first.",
        )


def _stall(
    aero: Aerodynamics | None, flaps: Sequence[Flap], masses: Masses, _system: UnitSystem
) -> Iterator[Problem]:
    """Report a wing that carries the aircraft only near the speed of sound."""
    if aero is None:
        return
    for number, lift in enumerate([flap.greatest_lift for flap in flaps] or [_PLAIN_LIFT]):
        carried = 0.5 * _SEA_LEVEL_KGPM3 * aero.wing_area * lift
        speed_kt = math.sqrt(masses.max_take_off * _GRAVITY / carried) / KT_TO_MPS
        if speed_kt > _FASTEST_STALL_KT:
            yield Problem(
                ("aerodynamics", "wing_area"),
                f"a stall speed of at most {figure(_FASTEST_STALL_KT)} kt at the maximum take-off "
                "mass, at sea level",
                f"{figure(speed_kt)} kt"
                + (f" with flaps {shown(flaps[number].name)}" if flaps else ""),
                "Check wing_area, the greatest_lift of the flaps, and the units of the masses.",
            )
            return


def _ground_run(
    run: GroundRun | None, aero: Aerodynamics | None, _system: UnitSystem
) -> Iterator[Problem]:
    if run is None:
        return
    if aero is None:
        yield Problem(
            ("ground_run",),
            "[aerodynamics] beside it",
            "none",
            "Add the aerodynamics, or take the ground run away.",
        )
    if run.tail_lift_least >= run.tail_lift_greatest:
        yield Problem(
            ("ground_run", "tail_lift_least"),
            f"less than the greatest, {figure(run.tail_lift_greatest)}",
            figure(run.tail_lift_least),
            "A tail that pushes down has negative lift.",
        )


def _tables(
    tables: Sequence[TrimTable], flaps: Sequence[Flap], _system: UnitSystem
) -> Iterator[Problem]:
    names = [flap.name for flap in flaps]
    places = [(("trim_tables", i, "flaps"), table.flaps) for i, table in enumerate(tables)]
    yield from unknown_names(places, names, of="flap position")
    pairs = [f"{table.flaps}, {table.rating or 'all ratings'}" for table in tables]
    yield from repeated(pairs, ("trim_tables",), of="table's flaps and rating", key="flaps")
    for number, table in enumerate(tables):
        masses = {mass for mass, _, _ in table.points}
        cgs = {cg for _, cg, _ in table.points}
        counted = Counter((mass, cg) for mass, cg, _ in table.points)
        if len(counted) != len(table.points) or len(counted) != len(masses) * len(cgs):
            yield Problem(
                ("trim_tables", number, "points"),
                f"every mass with every CG once: {len(masses)} masses by {len(cgs)} CGs",
                f"{len(table.points)} points",
                "Complete the grid, or take the odd points away.",
            )


def _retracted_first(
    flaps: Sequence[Flap], aero: Aerodynamics | None, _system: UnitSystem
) -> Iterator[Problem]:
    if aero is not None and flaps and (flaps[0].lift, flaps[0].pitching_moment) != (0.0, 0.0):
        yield Problem(
            ("flaps", 0, "lift"),
            "0, as for flaps retracted",
            figure(flaps[0].lift),
            "List the flap positions from retracted on; a phase without flaps has the first.",
        )


#: Checks of the trim data of an aircraft file.
TRIM_CHECKS: Final = (
    Check(("aerodynamics", "flaps", "masses"), _stall),
    Check(("aerodynamics",), _mach_ascends),
    Check(("stabilizer",), _stops),
    Check(("ground_run", "aerodynamics"), _ground_run),
    Check(("trim_tables", "flaps"), _tables),
    Check(("flaps", "aerodynamics"), _retracted_first),
)


def _entry_errors(
    errors: Sequence[EntryError], zones: Sequence[Zone], holds: Sequence[Hold], _system: UnitSystem
) -> Iterator[Problem]:
    yield from repeated([error.name for error in errors], ("entry_errors",), of="entry error")
    total = math.fsum(error.probability for error in errors)
    if total > 1.0 + 1e-9:
        last = max(number for number, error in enumerate(errors) if error.probability > 0.0)
        yield Problem(
            ("entry_errors", last, "probability"),
            "chances of the entry errors that add up to at most 1, since no two come together",
            figure(total),
            "Lower them; most load sheets have no error.",
        )
    zone_names = list(dict.fromkeys(zone.name for zone in zones))
    hold_names = list(dict.fromkeys(hold.name for hold in holds))
    for number, error in enumerate(errors):
        path = ("entry_errors", number)
        if error.kind == "zone_count":
            for key in ("from_zone", "to_zone"):
                name = getattr(error, key)
                if name not in zone_names:
                    yield Problem(
                        (*path, key),
                        f"a zone out of {', '.join(zone_names)}",
                        "none" if name is None else shown(name),
                        "Name the zones in which people are counted and in which they sit.",
                    )
        if error.kind == "zone_count" and error.from_zone == error.to_zone is not None:
            yield Problem(
                (*path, "to_zone"),
                "another zone than the one in which they are counted",
                shown(error.to_zone),
                "Name the zone in which they really sit.",
            )
        if error.kind != "swapped_holds" and error.people == 0:
            yield Problem(
                (*path, "people"),
                "at least 1 person where people are counted wrongly",
                "0",
                "Say how many are counted wrongly.",
            )
        if error.kind == "swapped_holds":
            named = error.holds or ()
            wrong = [name for name in named if name not in hold_names]
            if len(set(named)) != 2 or wrong:
                yield Problem(
                    (*path, "holds"),
                    f"two different holds out of {', '.join(hold_names)}",
                    ", ".join(shown(name) for name in named) or "none",
                    "Name the two holds whose loads are swapped.",
                )


#: Checks of the entry errors of an operation.
ENTRY_CHECKS: Final = (Check(("entry_errors", "zones", "aircraft.holds"), _entry_errors),)
