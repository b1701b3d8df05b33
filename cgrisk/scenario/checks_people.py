"""Checks of how passengers are counted and weighed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from cgrisk.scenario.document import shown
from cgrisk.scenario.mass_file import LoadSheet, PassengerMass
from cgrisk.scenario.operation_file import Zone
from cgrisk.scenario.problems import Check, Problem, in_units
from cgrisk.units import UnitSystem

__all__ = ["PEOPLE_CHECKS"]

#: No adult, and no child of two years, weighs less, nobody more, hand baggage and all (kg): a mass
#: beyond is another unit, or one person's.
_LEAST_KG, _MOST_KG = (30.0, 8.0), 250.0
#: Fewer people weighed say next to nothing about the spread of their masses.
_FEWEST_SURVEYED: Final = 20


def _zone_people(zones: Sequence[Zone], sheet: LoadSheet, system: UnitSystem) -> Iterator[Problem]:
    for number, zone in enumerate(zones):
        for key, count in (("men", zone.men), ("infants", zone.infants)):
            if count is not None and count > zone.adults:
                yield Problem(
                    ("zones", number, key),
                    f"at most {zone.adults} {key}, the adults of zone {shown(zone.name)}",
                    str(count),
                    "Correct the counts; men are counted among the adults, an infant has a lap.",
                )
        kilograms = None if zone.weighed is None else in_units(zone.weighed, "mass", system)
        for key, value, basis in (
            ("men", zone.men, "by_sex"),
            ("weighed", kilograms, "weighed"),
        ):
            if value is not None and sheet.basis != basis:
                yield Problem(
                    ("zones", number, key),
                    f"no {key}, since load_sheet.basis is {shown(sheet.basis)}",
                    str(value),
                    f'Take it away, or set load_sheet.basis = "{basis}".',
                )
        people = zone.adults + zone.children
        if zone.weighed is not None and (zone.weighed > 0.0) != (people > 0):
            yield Problem(
                ("zones", number, "weighed"),
                "a mass above 0 where people are counted, and none where there are none",
                f"{kilograms} with {people} people",
                "Correct the mass or the counts.",
            )
        elif zone.weighed is not None and people > 0 and sheet.basis == "weighed":
            least = _LEAST_KG[0] * zone.adults + _LEAST_KG[1] * zone.children
            most = _MOST_KG * people
            if not least <= zone.weighed <= most:
                yield Problem(
                    ("zones", number, "weighed"),
                    f"what {people} people weigh together, {in_units(least, 'mass', system)} to "
                    f"{in_units(most, 'mass', system)}",
                    str(kilograms),
                    "Give the sum of the zone, not one person's mass, in the units of the file.",
                )


def _survey(mass: PassengerMass, _system: UnitSystem) -> Iterator[Problem]:
    for sex in ("male", "female", "child"):
        count = sum(one == sex for one, _ in mass.survey_table)
        if 0 < count < _FEWEST_SURVEYED:
            yield Problem(
                ("mass", "survey_table"),
                f"at least {_FEWEST_SURVEYED} people of each sex that stands in the survey",
                f"{count} of {shown(sex)}",
                "Weigh more people, or take these away: then the law of mass.body holds for them.",
            )


PEOPLE_CHECKS: Final = (
    Check(("zones", "load_sheet"), _zone_people),
    Check(("mass",), _survey),
)
