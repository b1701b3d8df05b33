"""Entry points of the compiled kernel: load a set of flights without flying them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import entry_point, source_fingerprint
from cgrisk.flight.kernel.data import Program
from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.load import draw_dry, draw_holds
from cgrisk.flight.kernel.people import CHILD, board, change_seats, new_people, weigh

__all__ = ["load_up", "seat_up"]


def _make_load_up(fingerprint: int) -> Callable[[Program, Keys, NDArray[np.float64]], int]:
    def load_up(program: Program, keys: Keys, out: NDArray[np.float64]) -> int:
        """Write zero-fuel mass (kg) and moment (kg m) of each flight, (n, 2); return 0."""
        if fingerprint < 0:  # never; puts the fingerprint of the sources into the cache key
            return -1
        cabin, hold = program.cabin, program.hold
        persons = cabin.arm_m.size
        people = new_people(cabin.arm_m.size, cabin.region_start.size - 1, cabin.zone_region.size)
        bags = np.empty(hold.arm_m.size, np.int64)
        for row in range(out.shape[0]):
            _aircraft, mass, arm = draw_dry(program.dry, keys, row)
            moment = mass * arm
            board(cabin, program.party, keys, row, people)
            change_seats(cabin, keys, row, people)
            weigh(program.party, program.mass, keys, row, people, persons)
            for p in range(persons):
                if people.seat[p] >= 0:
                    real = people.body_kg[p] + people.bag_kg[p]
                    mass += real
                    moment += real * cabin.arm_m[people.seat[p]]
            hold_mass, hold_moment = draw_holds(hold, keys, row, bags)
            out[row, 0] = mass + hold_mass
            out[row, 1] = moment + hold_moment
        return 0

    return entry_point(load_up)


load_up = _make_load_up(source_fingerprint())


def _make_seat_up(
    fingerprint: int,
) -> Callable[[Program, Keys, NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_]], int]:
    def seat_up(
        program: Program,
        keys: Keys,
        seat: NDArray[np.int64],
        mass_kg: NDArray[np.float64],
        child: NDArray[np.bool_],
    ) -> int:
        """Write everybody's seat (-1: nobody), mass with bag, and whether a child; return 0."""
        if fingerprint < 0:  # never; puts the fingerprint of the sources into the cache key
            return -1
        cabin = program.cabin
        persons = cabin.arm_m.size
        people = new_people(cabin.arm_m.size, cabin.region_start.size - 1, cabin.zone_region.size)
        for row in range(seat.shape[0]):
            board(cabin, program.party, keys, row, people)
            change_seats(cabin, keys, row, people)
            weigh(program.party, program.mass, keys, row, people, persons)
            for p in range(persons):
                seat[row, p] = people.seat[p]
                mass_kg[row, p] = people.body_kg[p] + people.bag_kg[p]
                child[row, p] = people.seat[p] >= 0 and people.population[p] == CHILD
        return 0

    return entry_point(seat_up)


seat_up = _make_seat_up(source_fingerprint())
