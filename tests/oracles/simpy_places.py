"""What passengers walk to, and what for: places of the slow second version of the cabin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

from tests.oracles.simpy_boarding import Person


class Group:
    """A group of lavatories and its queue."""

    def __init__(self, spec: Any, spacing: float) -> None:
        self.arm, self.usable, self.classes = spec.arm, spec.count, spec.classes
        self.step = -spacing if spec.queue_toward == "fore" else spacing
        self.inside: list[Person] = []
        self.queue: list[Person] = []

    def place(self, number: int) -> float:
        """Return the arm of a place in the queue, the first being 1."""
        return float(self.arm + number * self.step)

    def has_room(self, limit: int) -> bool:
        """Say whether people still set out for this group."""
        return self.usable > 0 and len(self.queue) < limit

    @property
    def open(self) -> bool:
        """Say whether one who comes now may go in."""
        return len(self.inside) < self.usable and not self.queue

    @property
    def tail(self) -> float:
        """Return where one who comes now would stand."""
        return float(self.arm) if self.open else self.place(len(self.queue) + 1)


class Galley:
    """A galley, and who stands in it or is on his way to it."""

    def __init__(self, spec: Any) -> None:
        self.arm, self.standing, self.classes = spec.arm, spec.standing, spec.classes
        self.people: list[Person] = []

    @property
    def room(self) -> bool:
        """Say whether one more may come."""
        return len(self.people) < self.standing


def admits(place: Any, person: Person) -> bool:
    """Say whether a lavatory group or galley is for this passenger."""
    return not place.classes or person.travels in place.classes


@dataclass
class CrowdPlace:
    """A place in a surge, and until when one stays."""

    arm: float
    until: float


class Want(NamedTuple):
    """What one gets up for, and for how long (s)."""

    purpose: str
    seconds: float


class Trip(NamedTuple):
    """Where one goes, by which place of change if any, and what for (None: a surge)."""

    place: Any
    change: float | None
    want: Want | None
