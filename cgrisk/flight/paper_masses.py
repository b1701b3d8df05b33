"""What passengers weigh on paper: standard masses, by sex or not, or what the scale said."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cgrisk.scenario import OperationFile
from cgrisk.scenario.mass_file import PassengerMass, PopulationMass
from cgrisk.scenario.operation_file import Zone

__all__ = [
    "POPULATIONS",
    "adult_standard_kg",
    "bag_mean_kg",
    "child_standard_kg",
    "men_on_sheet",
    "population_moments",
    "recount",
    "season_kg",
    "standard_masses_kg",
    "surveyed_kg",
    "zone_mass_on_sheet_kg",
]

#: Populations in the order of their numbers, as a survey names them.
POPULATIONS = ("male", "female", "child")
_SEASON = {"all_year": 0.0, "summer": -0.5, "winter": 0.5}


def season_kg(mass: PassengerMass) -> tuple[float, float]:
    """Return what the season adds to an adult's body with clothes and to a cabin bag (kg)."""
    half = _SEASON[mass.season]
    return half * mass.season_clothing, half * mass.season_bag


def surveyed_kg(mass: PassengerMass, population: int) -> NDArray[np.float64]:
    """Return the masses of a population in the survey (kg), sorted; empty where it has none."""
    name = POPULATIONS[population]
    return np.sort(np.array([kg for sex, kg in mass.survey_table if sex == name], dtype=np.float64))


def population_moments(mass: PassengerMass, population: int) -> tuple[float, float]:
    """Return mean and standard deviation of a population's bodies, bias and season included."""
    body = mass.body
    law: PopulationMass = (body.men, body.women, body.children)[population]
    weighed = surveyed_kg(mass, population)
    mean, sd = law.mean, law.sd
    if weighed.size:
        mean, sd = float(weighed.mean()), float(weighed.std(ddof=1))
    if population == POPULATIONS.index("child"):
        return mean, sd
    return mean + (body.bias + season_kg(mass)[0]), sd


def bag_mean_kg(mass: PassengerMass) -> float:
    """Return the mean cabin bag of those who bring one (kg), season included."""
    return max(mass.bag.mean + season_kg(mass)[1], 0.0)


def men_on_sheet(operation: OperationFile, zone: Zone) -> int:
    """Return the men that the load sheet counts in a zone under the basis by_sex."""
    if zone.men is not None:
        return min(zone.men, zone.adults)
    return _whole(operation.passengers.male_share * zone.adults)


def _real_means_kg(operation: OperationFile) -> tuple[float, float, float]:
    mass = operation.mass
    bag = (1.0 - mass.bag.none_share) * bag_mean_kg(mass)
    men, women, children = (population_moments(mass, i)[0] for i in range(3))
    return men + bag, women + bag, children


def standard_masses_kg(operation: OperationFile) -> tuple[float, float, float]:
    """Return what a man, a woman and a child count on the load sheet (kg).

    Where everybody is weighed, the means of their laws: what a zone weighed is told apart.
    """
    rules = operation.load_sheet
    if rules.basis == "by_sex":
        return rules.male_mass, rules.female_mass, rules.child_mass
    if rules.basis == "all_adult":
        return rules.adult_mass, rules.adult_mass, rules.child_mass
    men, women, children = _real_means_kg(operation)
    share = operation.passengers.male_share
    adult = share * men + (1.0 - share) * women
    return adult, adult, children


def adult_standard_kg(operation: OperationFile) -> float:
    """Return the load sheet's mean mass of an adult (kg)."""
    man, woman, _ = standard_masses_kg(operation)
    if man == woman:
        return man
    adults = sum(zone.adults for zone in operation.zones)
    men = sum(men_on_sheet(operation, zone) for zone in operation.zones)
    share = men / adults if adults else operation.passengers.male_share
    return share * man + (1.0 - share) * woman


def child_standard_kg(operation: OperationFile) -> float:
    """Return the load sheet's mass of a child (kg)."""
    return standard_masses_kg(operation)[2]


def zone_mass_on_sheet_kg(operation: OperationFile, zone: Zone) -> float:
    """Return the mass of a zone's people on the load sheet, before rounding (kg)."""
    rules = operation.load_sheet
    man, woman, child = standard_masses_kg(operation)
    if rules.basis == "by_sex":
        men = men_on_sheet(operation, zone)
        mass = men * man + (zone.adults - men) * woman + zone.children * child
    elif rules.basis == "weighed":
        if zone.weighed is not None:
            return zone.weighed
        mass = zone.adults * man + zone.children * child
        return mass + zone.infants * operation.mass.body.infants.mean
    else:
        mass = zone.adults * man + zone.children * child
    return mass + zone.infants * rules.infant_mass


def recount(zone: dict[str, Any], *, adults: int, children: int) -> None:
    """Give a zone of a resolved scenario other counts.

    Its share of men stays, to whole people; in a zone that had no adults male_share holds. What
    other people weigh by a scale is not known: their means. Infants stay as far as there are laps.
    """
    before = zone["adults"]
    if (before, zone["children"]) != (adults, children):
        zone["weighed"] = None
        zone["infants"] = min(zone["infants"], adults)
        if zone["men"] is not None:
            zone["men"] = _whole(zone["men"] * adults / before) if before else None
    zone["adults"], zone["children"] = adults, children


def _whole(people: float) -> int:
    """Return a number of people to the nearest whole one, halves upward."""
    return math.floor(people + 0.5)
