"""Checks of sizes that figures alone do not show: flights without an end, speeds of nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from cgrisk.scenario.aircraft_file import Cabin
from cgrisk.scenario.fields import figure
from cgrisk.scenario.mass_file import PassengerMass
from cgrisk.scenario.operation_file import Behaviour, ClassBehaviour, Crowd, Phase, Service, Zone
from cgrisk.scenario.problems import Check, Problem, in_units
from cgrisk.units import UnitSystem

__all__ = ["LIGHTEST_BAG_KG", "LONGEST_MIN", "MOST_EVENTS", "SIZE_CHECKS", "SLOWEST_KT"]

#: Longest flight: as long as a single phase may be.
LONGEST_MIN: Final = 1_500.0
#: Least speed of a phase in which the aircraft flies: no airliner does at less.
SLOWEST_KT: Final = 20.0
#: Least mean mass of a cabin bag, where there are any.
LIGHTEST_BAG_KG: Final = 0.01
#: Most events in the cabin that a flight may bring: 600 people for 19 hours who try again every
#: three minutes bring fewer.
MOST_EVENTS: Final = 300_000.0


def _length(phases: Sequence[Phase], _system: UnitSystem) -> Iterator[Problem]:
    total = sum(phase.minutes for phase in phases)
    if total > LONGEST_MIN * (1.0 + 1e-9):
        yield Problem(
            ("phases",),
            f"phases of at most {figure(LONGEST_MIN)} min together",
            f"{figure(total)} min",
            "Correct the lengths; they are in minutes, and of one flight.",
        )


def _speeds(phases: Sequence[Phase], _system: UnitSystem) -> Iterator[Problem]:
    for number, phase in enumerate(phases):
        if 0.0 < phase.speed_kt < SLOWEST_KT:
            yield Problem(
                ("phases", number, "speed_kt"),
                f"0 for an aircraft that stands or taxies, or at least {figure(SLOWEST_KT)} kt",
                f"{figure(phase.speed_kt)} kt",
                "State the equivalent airspeed in knots.",
            )


def _bags(mass: PassengerMass, system: UnitSystem) -> Iterator[Problem]:
    if 0.0 < mass.bag.mean < LIGHTEST_BAG_KG:
        yield Problem(
            ("mass", "bag", "mean"),
            f"0 for no cabin bags, or at least {in_units(LIGHTEST_BAG_KG, 'mass', system)}",
            in_units(mass.bag.mean, "mass", system),
            "State the mean mass of those who bring a bag.",
        )


def _events(
    zones: Sequence[Zone],
    phases: Sequence[Phase],
    behaviour: Behaviour,
    classes: Sequence[ClassBehaviour],
    crowd: Crowd,
    service: Service,
    cabin: Cabin,
    _system: UnitSystem,
) -> Iterator[Problem]:
    """Bound what may happen: trips at the greatest rate, second tries, walks of the crew."""
    people = sum(zone.adults + zone.children for zone in zones)
    crew = sum(station.crew for station in cabin.crew_seats)
    minutes = sum(phase.minutes for phase in phases)
    rate = max(behaviour.trips_window, behaviour.trips_middle, behaviour.trips_aisle)
    rate *= max([1.0, *(each.getting_up for each in classes)])
    rate *= max(1.0, crowd.after_meal_factor) * max(1.0, crowd.before_landing_factor)
    trips = people * rate * sum(phase.minutes / 60.0 * phase.getting_up for phase in phases)
    tries = people * minutes / behaviour.retry_mean if trips > 0.0 else 0.0
    walks = crew * service.crew_walks * minutes / 60.0
    if trips + tries + walks > MOST_EVENTS:
        yield Problem(
            ("behaviour",),
            f"at most {figure(MOST_EVENTS)} events a flight in the cabin",
            f"up to {figure(trips)} trips, {figure(tries)} second tries and {figure(walks)} walks "
            "of the crew",
            "Lower the rates of getting up and their factors, or raise retry_mean.",
        )


#: Checks of an operation; names that start with ``aircraft.`` come from its aircraft file.
SIZE_CHECKS: Final = (
    Check(("phases",), _length),
    Check(("phases",), _speeds),
    Check(("mass",), _bags),
    Check(
        ("zones", "phases", "behaviour", "classes", "crowd", "service", "aircraft.cabin"), _events
    ),
)
