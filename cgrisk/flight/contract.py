"""Sizes and orders that the compiled kernel and the column names agree on. Loads no compiler."""

from __future__ import annotations

from typing import Final

__all__ = ["CABIN_FIGURES", "CONTRIBUTIONS", "HEADER", "IN_FLIGHT", "PER_AIR", "PER_SIDE"]

#: Kinds of phase that count as in flight; all others as take-off and landing.
IN_FLIGHT: Final = frozenset({"climb", "cruise", "descent"})
#: Parts of the moment error at take-off, in the order of the columns.
CONTRIBUTIONS: Final = (
    "dry",
    "count",
    "seating",
    "mass",
    "cargo",
    "fuel",
    "movement",
    "configuration",
    "rounding",
)
#: Figures of the cabin's life, in the order of the columns: the moment of everything that moves in
#: the cabin (people, carts, crew, water); trips; passengers up at once and on average; queues;
#: people without a way or room, turned back by a cart, stopped behind one; whether a surge took
#: place; stops that carts left out; passengers by the times they got up and by their seat.
CABIN_FIGURES: Final = (
    "cabin_moment_min_kgm",
    "cabin_moment_max_kgm",
    "trips",
    "most_up",
    "mean_up",
    "longest_queue",
    "lavatory_visits",
    "mean_wait_s",
    "longest_wait_s",
    "put_off",
    "turned_back",
    "stopped_behind_cart",
    "surge",
    "rows_not_served",
    "water_used_kg",
    *(
        f"{times}_up.{position}"
        for position in ("window", "middle", "aisle")
        for times in ("never", "once", "more")
    ),
)
#: Figures per flight before those by phase and side.
HEADER: Final = 25 + len(CABIN_FIGURES)
#: Figures per phase and side.
PER_SIDE: Final = 5
#: Figures per phase in the air whose trim is followed.
PER_AIR: Final = 4
