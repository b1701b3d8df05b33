"""Checks of what the files say about classes of travel and the crew's rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from cgrisk.scenario.aircraft_file import Cabin, Seat
from cgrisk.scenario.operation_file import ClassBehaviour, Phase
from cgrisk.scenario.problems import Check, Problem, listed, repeated, unknown_names
from cgrisk.units import UnitSystem

__all__ = ["CLASS_CABIN_CHECKS", "CLASS_CHECKS"]


def _classes_of_places(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    """Classes that lavatories and galleys are kept for against those of the seats."""
    rows = [group.cabin_class for group in cabin.rows]
    classes = list(dict.fromkeys(rows + [seat.cabin_class for seat in cabin.seat_table]))
    if not classes:
        return
    for key in ("lavatories", "galleys"):
        for number, place in enumerate(getattr(cabin, key)):
            path = ("cabin", key, number, "classes")
            named = [((*path, at), name) for at, name in enumerate(place.classes)]
            yield from unknown_names(named, classes, of="class of travel")
            yield from repeated(place.classes, path, of="class", key=None)


def _classes_served(cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    """Where some have somewhere to go, every class has: else its people stay in their seats."""
    rows = [group.cabin_class for group in cabin.rows]
    classes = list(dict.fromkeys(rows + [seat.cabin_class for seat in cabin.seat_table]))
    named = [place.classes for place in cabin.lavatories]
    named += [place.classes for place in cabin.galleys if place.standing > 0]
    open_to = [set(each or classes) for each in named]
    left = [name for name in classes if not any(name in served for served in open_to)]
    if any(served & set(classes) for served in open_to) and left:
        yield Problem(
            ("cabin", "lavatories" if cabin.lavatories else "galleys"),
            "a lavatory, or a galley to stand about in, for every class of travel",
            f"none for {listed(left)}",
            "Name the class at a lavatory, or leave classes out where all may go.",
        )


def _classes(
    classes: Sequence[ClassBehaviour], seats: Sequence[Seat], _system: UnitSystem
) -> Iterator[Problem]:
    named = [(("classes", at, "name"), each.name) for at, each in enumerate(classes)]
    known = list(dict.fromkeys(seat.cabin_class for seat in seats))
    yield from unknown_names(named, known, of="class of travel")
    yield from repeated([each.name for each in classes], ("classes",), of="class")


def _crew_rest(phases: Sequence[Phase], cabin: Cabin, _system: UnitSystem) -> Iterator[Problem]:
    members = sum(station.crew for station in cabin.crew_seats)
    for number, phase in enumerate(phases):
        if phase.crew_resting == 0:
            continue
        path = ("phases", number, "crew_resting")
        if phase.kind != "cruise":
            yield Problem(
                path,
                "0 in a phase that is not of kind cruise",
                str(phase.crew_resting),
                "Let the crew rest in cruise.",
            )
        elif cabin.crew_rest is None:
            yield Problem(
                path,
                "0 in an aircraft without a crew rest",
                str(phase.crew_resting),
                "Add cabin.crew_rest to the aircraft file, or take the rest away.",
            )
        elif phase.crew_resting > min(members, cabin.crew_rest.bunks):
            yield Problem(
                path,
                f"at most the {members} crew members and the {cabin.crew_rest.bunks} bunks",
                str(phase.crew_resting),
                "Let fewer rest at a time.",
            )


#: Checks of the cabin by itself.
CLASS_CABIN_CHECKS: Final = (
    Check(("cabin",), _classes_of_places),
    Check(("cabin",), _classes_served),
)
#: Checks of an operation; names that start with ``aircraft.`` come from its aircraft file.
CLASS_CHECKS: Final = (
    Check(("classes", "aircraft.seats"), _classes),
    Check(("phases", "aircraft.cabin"), _crew_rest),
)
