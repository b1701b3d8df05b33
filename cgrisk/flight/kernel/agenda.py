"""What everybody does next: a binary heap of people by the time of their next event."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import kernel, maker

__all__ = ["Agenda", "clear", "drop", "new_agenda", "next_time", "schedule"]


class Agenda(NamedTuple):
    """At most one event a person; by person number unless said.

    ``heap[:size[0]]`` are person numbers, the soonest first; of events at one time the lower
    person number comes first, so that the order is a function of the events alone.
    """

    time_s: NDArray[np.float64]
    where: NDArray[np.int64]
    """Place in the heap, -1 if the person has no event."""
    heap: NDArray[np.int64]
    size: NDArray[np.int64]


@maker
def new_agenda(persons: int) -> Agenda:
    """Return an empty agenda."""
    return Agenda(
        np.empty(persons, np.float64),
        np.full(persons, -1, np.int64),
        np.empty(persons, np.int64),
        np.zeros(1, np.int64),
    )


@kernel
def clear(agenda: Agenda) -> None:
    """Drop every event."""
    agenda.where[:] = -1
    agenda.size[0] = 0


@kernel
def next_time(agenda: Agenda) -> float:
    """Return the time of the soonest event, infinity if there is none."""
    if agenda.size[0] == 0:
        return math.inf
    time: float = agenda.time_s[agenda.heap[0]]
    return time


@kernel
def _sooner(agenda: Agenda, a: int, b: int) -> bool:
    time_a, time_b = agenda.time_s[a], agenda.time_s[b]
    sooner: bool = time_a < time_b or (time_a == time_b and a < b)
    return sooner


@kernel
def _settle(agenda: Agenda, person: int, place: int) -> None:
    """Put a person into the heap near an empty place, keeping the order."""
    heap, where, size = agenda.heap, agenda.where, agenda.size[0]
    while place > 0:
        parent = (place - 1) // 2
        if not _sooner(agenda, person, heap[parent]):
            break
        heap[place] = heap[parent]
        where[heap[place]] = place
        place = parent
    while True:
        child = 2 * place + 1
        if child >= size:
            break
        if child + 1 < size and _sooner(agenda, heap[child + 1], heap[child]):
            child += 1
        if not _sooner(agenda, heap[child], person):
            break
        heap[place] = heap[child]
        where[heap[place]] = place
        place = child
    heap[place] = person
    where[person] = place


@kernel
def schedule(agenda: Agenda, person: int, time_s: float) -> None:
    """Set a person's next event, in place of the one he had; infinity drops it."""
    if time_s == math.inf:
        drop(agenda, person)
        return
    place = agenda.where[person]
    if place < 0:
        place = agenda.size[0]
        agenda.size[0] += 1
    agenda.time_s[person] = time_s
    _settle(agenda, person, place)


@kernel
def drop(agenda: Agenda, person: int) -> None:
    """Take a person's event off, if he has one."""
    place = agenda.where[person]
    if place < 0:
        return
    agenda.where[person] = -1
    agenda.size[0] -= 1
    last = agenda.heap[agenda.size[0]]
    if last != person:
        _settle(agenda, last, place)
