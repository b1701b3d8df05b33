"""A scenario with other curtains: the same people and loads, counted in other zones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from string import ascii_uppercase
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cgrisk.aircraft import CabinPlan, cabin_plan
from cgrisk.decide.zone_division import CabinRows, Division
from cgrisk.errors import UsageError
from cgrisk.flight.paper_masses import men_on_sheet
from cgrisk.scenario import Scenario
from cgrisk.scenario.document import key_text
from cgrisk.scenario.loading import meaning_problems

__all__ = [
    "cabin_rows",
    "existing_boundaries",
    "rows_text",
    "spread",
    "zone_rows",
    "zoned_scenario",
]

Ints = NDArray[np.int64]

#: Greatest mean number of last-minute changes that a scenario may have per zone.
_MOST_CHANGES = 20.0
_STEPS = ("arm_step", "mass_step", "index_step", "cg_step")


def cabin_rows(plan: CabinPlan) -> CabinRows:
    """Return the rows of a cabin from the front, by their mean arm."""
    members = {int(row): np.flatnonzero(plan.row == row) for row in np.unique(plan.row)}
    order = sorted(members, key=lambda row: (float(plan.arm_m[members[row]].mean()), row))
    return CabinRows(
        number=tuple(order),
        arm_m=tuple(plan.arm_m[members[row]] for row in order),
        position=tuple(plan.position[members[row]] for row in order),
        open_seat=tuple(~plan.blocked[members[row]] for row in order),
        class_index=tuple(int(plan.class_index[members[row][0]]) for row in order),
    )


def zone_rows(rows: CabinRows, division: Division) -> tuple[tuple[int, ...], ...]:
    """Return the row numbers of each zone."""
    ends = [rows.number.index(last) + 1 for last in division.last]
    return tuple(rows.number[first:end] for first, end in pairwise([0, *ends]))


def rows_text(numbers: Iterable[int], *, cabin: Iterable[int]) -> str:
    """Return rows as a scenario writes them, such as ``"1-9,12"``.

    Parameters
    ----------
    numbers : iterable of int
        Rows of the zone.
    cabin : iterable of int
        All rows of the cabin: a range may run across numbers that the cabin skips.
    """
    place = {row: at for at, row in enumerate(sorted(set(cabin)))}
    runs: list[list[int]] = []
    for row in sorted(numbers):
        if runs and place[row] == place[runs[-1][-1]] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    return ",".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


def existing_boundaries(scenario: Scenario) -> tuple[int, ...] | None:
    """Return the rows after which the scenario's zones change; None if a zone is not one block."""
    plan = cabin_plan(scenario)
    zone = {int(row): int(z) for row, z in zip(plan.row, plan.zone, strict=True)}
    order = cabin_rows(plan).number
    cuts = tuple(here for here, behind in pairwise(order) if zone[here] != zone[behind])
    return cuts if len(cuts) + 1 == len(set(zone.values())) else None


def spread(people: int, room: Sequence[int]) -> tuple[int, ...]:
    """Return people shared out in proportion to room, none beyond it, the total kept.

    Largest remainders get the people that whole numbers leave over; equal ones from the front.

    Raises
    ------
    UsageError
        If there are more people than room.
    """
    total = sum(room)
    if people > total:
        raise UsageError(
            argument="people",
            expected=f"no more than the {total} places",
            got=people,
            cure="Take passengers off, or open seats.",
        )
    if people == 0:
        return (0,) * len(room)
    given = [people * here // total for here in room]
    rest = [people * here % total for here in room]
    order = sorted(range(len(room)), key=lambda k: (-rest[k], k))
    for k in order[: people - sum(given)]:
        given[k] += 1
    return tuple(given)


def zoned_scenario(
    scenario: Scenario,
    zones: Sequence[Sequence[int]],
    *,
    arms_m: Sequence[float | None] | None = None,
    exact_sheet: bool = False,
) -> Scenario:
    """Return the scenario with other zones, checked like a file.

    Adults and children keep their totals and are counted in the zones in proportion to open seats.
    Last-minute changes keep their mean number over the whole cabin. Errors on the load sheet,
    which name zones, are left out.

    Parameters
    ----------
    scenario : Scenario
    zones : sequence of sequence of int
        Row numbers of each zone, from the front.
    arms_m : sequence of float or None, optional
        Arm of each zone on the load sheet; None takes the centroid of its seats.
    exact_sheet : bool
        Without the rounding of the load sheet, which shifts every load by an accident of its own.

    Raises
    ------
    UsageError
        If that is no scenario.
    """
    plan = cabin_plan(scenario)
    old = scenario.operation
    seats = [int(np.sum(np.isin(plan.row, list(rows)) & ~plan.blocked)) for rows in zones]
    adults, children = (
        sum(zone.adults for zone in old.zones),
        sum(zone.children for zone in old.zones),
    )
    people = spread(adults + children, seats)
    young = spread(children, people)
    adults_in = [all_of - few for all_of, few in zip(people, young, strict=True)]
    infants = spread(sum(zone.infants for zone in old.zones), adults_in)
    men: Sequence[int | None] = [None] * len(zones)
    if old.load_sheet.basis == "by_sex":
        men = spread(sum(men_on_sheet(old, zone) for zone in old.zones), adults_in)
    arms = [None] * len(zones) if arms_m is None else list(arms_m)
    data = scenario.resolved()
    operation: dict[str, Any] = data["operation"]
    operation["zones"] = [
        {
            "name": ascii_uppercase[k] if len(zones) <= len(ascii_uppercase) else f"Z{k + 1}",
            "rows": rows_text(rows, cabin=plan.row.tolist()),
            "adults": adults_in[k],
            "children": young[k],
            "men": men[k],
            "infants": infants[k],
            "arm": arms[k],
        }
        for k, rows in enumerate(zones)
    ]
    operation["entry_errors"] = []
    if exact_sheet:
        operation["load_sheet"] |= dict.fromkeys(_STEPS, 0.0)
    for name in ("last_minute_off", "last_minute_on"):
        mean = operation["passengers"][name] * len(old.zones) / len(zones)
        operation["passengers"][name] = min(mean, _MOST_CHANGES)
    there = Scenario.from_resolved(data, origin=scenario.origin)
    known = set(meaning_problems(scenario))
    for problem in meaning_problems(there):
        if problem not in known:
            raise UsageError(
                argument=f"zones, {key_text(problem.path)}",
                expected=problem.expected,
                got=problem.got,
                cure="Choose other zones.",
            )
    return there
