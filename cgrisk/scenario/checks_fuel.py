"""Checks of what an aircraft file says about its fuel: tanks, their order, or an index table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from cgrisk.scenario.aircraft_file import BurnStep, FuelTransfer, RefuelStep, Tank
from cgrisk.scenario.document import shown
from cgrisk.scenario.fields import figure
from cgrisk.scenario.problems import Check, Problem, in_units, listed, repeated, unknown_names
from cgrisk.units import UnitSystem

__all__ = ["FUEL_CHECKS", "fuel_capacity_kg"]

#: How far layers or points may miss the capacity, as a share of it: they are printed figures.
_CAPACITY_SLACK: Final = 1e-3


def fuel_capacity_kg(
    tanks: Sequence[Tank],
    fuel_index: Sequence[tuple[float, float]],
    *,
    density: float,
    reference_density: float,
) -> float:
    """Return the fuel (kg) that the tanks hold at a density (kg/m3).

    A fuel index table states the masses that the tanks hold at the reference density.
    """
    if fuel_index:
        return fuel_index[-1][0] * density / reference_density
    return sum(tank.capacity for tank in tanks) * density


def _one_form(
    tanks: Sequence[Tank],
    fuel_index: Sequence[tuple[float, float]],
    refuel_order: Sequence[RefuelStep],
    burn_schedule: Sequence[BurnStep],
    fuel_index_table: str | None,
    _system: UnitSystem,
) -> Iterator[Problem]:
    index_key = "fuel_index_table" if fuel_index_table is not None else "fuel_index"
    has_index = fuel_index_table is not None or bool(fuel_index)
    if has_index == bool(tanks):
        yield Problem(
            (index_key,) if tanks else ("tanks",),
            "either tanks or a fuel index table",
            f"tanks and {index_key}" if tanks else "neither",
            "Keep the one that the operator's papers state."
            if tanks
            else "Give tanks with their layers, or name a fuel_index_table.",
        )
    elif has_index:
        for key, steps in (("refuel_order", refuel_order), ("burn_schedule", burn_schedule)):
            if steps:
                yield Problem(
                    (key,),
                    f"no {key} beside a fuel index table, which includes it",
                    f"{key} and {index_key}",
                    f"Take {key} away.",
                )


def _tanks(tanks: Sequence[Tank], system: UnitSystem) -> Iterator[Problem]:
    yield from repeated([tank.name for tank in tanks], ("tanks",), of="tank")
    for number, tank in enumerate(tanks):
        if bool(tank.layers) == bool(tank.arm_by_quantity):
            yield Problem(
                ("tanks", number, "arm_by_quantity") if tank.layers else ("tanks", number),
                "exactly one of layers, arm_by_quantity",
                "both" if tank.layers else "neither",
                "Keep one of them."
                if tank.layers
                else "Say where the fuel is: layers [volume, arm] in the order they fill.",
            )
        elif tank.layers:
            yield from _layers(tank, number, system)
        else:
            yield from _points(tank, number, system)


def _layers(tank: Tank, number: int, system: UnitSystem) -> Iterator[Problem]:
    volumes = [volume for volume, _ in tank.layers]
    for place, volume in enumerate(volumes):
        if volume <= 0.0:
            yield Problem(
                ("tanks", number, "layers", place),
                "a layer with some volume",
                in_units(volume, "volume", system),
                "Take the layer away, or give it its volume.",
            )
    # The last layer takes the difference, so it must be thicker than that.
    slack = min(_CAPACITY_SLACK * tank.capacity, 0.5 * max(volumes[-1], 0.0))
    if abs(sum(volumes) - tank.capacity) > slack and all(volume > 0.0 for volume in volumes):
        yield Problem(
            ("tanks", number, "layers"),
            f"volumes that add up to the capacity of {in_units(tank.capacity, 'volume', system)}",
            in_units(sum(volumes), "volume", system),
            "Correct the layers or the capacity.",
        )


def _points(tank: Tank, number: int, system: UnitSystem) -> Iterator[Problem]:
    volumes = [volume for volume, _ in tank.arm_by_quantity]
    path = ("tanks", number, "arm_by_quantity")
    for place, (before, after) in enumerate(pairwise(volumes), start=1):
        if after <= before:
            yield Problem(
                (*path, place),
                f"a volume above {in_units(before, 'volume', system)}, that of the point before",
                in_units(after, "volume", system),
                "Give the points from the smallest volume up.",
            )
            return
    before_last = volumes[-2] if len(volumes) > 1 else 0.0
    off = abs(volumes[-1] - tank.capacity)
    if off > _CAPACITY_SLACK * tank.capacity or before_last >= tank.capacity:
        yield Problem(
            (*path, len(volumes) - 1),
            f"a last point at the capacity of {in_units(tank.capacity, 'volume', system)}",
            in_units(volumes[-1], "volume", system),
            "Correct the last point or the capacity.",
        )


def _refuel_order(
    tanks: Sequence[Tank], refuel_order: Sequence[RefuelStep], _system: UnitSystem
) -> Iterator[Problem]:
    if not tanks:
        return
    names = [tank.name for tank in tanks]
    places = [
        (("refuel_order", number, "tanks", place), name)
        for number, step in enumerate(refuel_order)
        for place, name in enumerate(step.tanks)
    ]
    yield from unknown_names(places, names, of="tank")
    seen: set[str] = set()
    for path, name in places:
        if name in seen:
            yield Problem(
                path,
                "each tank filled in one step",
                f"{shown(name)} once more",
                "Take the tank out of one of the steps.",
            )
        seen.add(name)
    never = [name for name in names if name not in seen]
    if never:
        yield Problem(
            ("refuel_order",),
            "every tank in the refuelling order",
            f"nothing that fills {listed(never)}",
            "Add a step [[refuel_order]] that names it.",
        )


def _burn_schedule(
    tanks: Sequence[Tank], burn_schedule: Sequence[BurnStep], system: UnitSystem
) -> Iterator[Problem]:
    if not tanks:
        return
    capacity = {tank.name: tank.capacity for tank in tanks}
    left = dict(capacity)
    for number, step in enumerate(burn_schedule):
        path = ("burn_schedule", number)
        places = [((*path, "tanks", place), name) for place, name in enumerate(step.tanks)]
        yield from unknown_names(places, list(capacity), of="tank")
        yield from repeated(step.tanks, (*path, "tanks"), of="tank of a step", key=None)
        for name in dict.fromkeys(step.tanks):
            if name not in left:
                continue
            if step.down_to > capacity[name]:
                yield Problem(
                    (*path, "down_to"),
                    f"at most the capacity of {shown(name)}, "
                    f"{in_units(capacity[name], 'volume', system)}",
                    in_units(step.down_to, "volume", system),
                    "Correct the level at which the step ends.",
                )
            left[name] = min(left[name], step.down_to)
    stuck = {name: rest for name, rest in left.items() if rest > 0.0}
    if stuck:
        name, rest = next(iter(stuck.items()))
        yield Problem(
            ("burn_schedule",),
            "every tank burnt to empty by the end of the schedule",
            f"{in_units(rest, 'volume', system)} that stay in {shown(name)}"
            + (f" (also: {listed(list(stuck)[1:])})" if len(stuck) > 1 else ""),
            "Add a step [[burn_schedule]] that names the tank, without down_to.",
        )


def _transfers(
    tanks: Sequence[Tank], fuel_transfers: Sequence[FuelTransfer], _system: UnitSystem
) -> Iterator[Problem]:
    if not tanks:
        for number, transfer in enumerate(fuel_transfers):
            yield Problem(
                ("fuel_transfers", number),
                "tanks that the fuel is moved between",
                f"{shown(transfer.name)} beside a fuel index table",
                "Describe the tanks, or take the transfer away.",
            )
        return
    names = [tank.name for tank in tanks]
    yield from repeated([t.name for t in fuel_transfers], ("fuel_transfers",), of="transfer")
    for number, transfer in enumerate(fuel_transfers):
        for key in ("from_tanks", "to_tanks"):
            path = ("fuel_transfers", number, key)
            of_key: tuple[str, ...] = getattr(transfer, key)
            yield from unknown_names(
                [((*path, place), name) for place, name in enumerate(of_key)], names, of="tank"
            )
            yield from repeated(of_key, path, of="tank of a transfer", key=None)
        for place, name in enumerate(transfer.to_tanks):
            if name in transfer.from_tanks:
                yield Problem(
                    ("fuel_transfers", number, "to_tanks", place),
                    "a tank that the transfer does not take from",
                    f"{shown(name)} on both sides",
                    "Take the tank out of one of the lists.",
                )


def _fuel_index(fuel_index: Sequence[tuple[float, float]], system: UnitSystem) -> Iterator[Problem]:
    if not fuel_index:
        return
    masses = [mass for mass, _ in fuel_index]
    for place, (before, after) in enumerate(pairwise(masses), start=1):
        if after <= before:
            yield Problem(
                ("fuel_index", place, 0),
                f"fuel above {in_units(before, 'mass', system)}, that of the row before",
                in_units(after, "mass", system),
                "Give the rows from the least fuel up.",
            )
            return
    if masses[0] == 0.0 and fuel_index[0][1] != 0.0:
        yield Problem(
            ("fuel_index", 0, 1),
            "index 0 without fuel",
            figure(fuel_index[0][1]),
            "State the index units of the fuel alone, without the formula's constant.",
        )
    if masses[-1] <= 0.0:
        yield Problem(
            ("fuel_index", len(masses) - 1, 0),
            "a last row with full tanks",
            in_units(masses[-1], "mass", system),
            "Add the rows of the operator's table.",
        )


#: Checks of the fuel system by itself.
FUEL_CHECKS: Final = (
    Check(("tanks", "fuel_index", "refuel_order", "burn_schedule", "fuel_index_table"), _one_form),
    Check(("tanks",), _tanks),
    Check(("tanks", "refuel_order"), _refuel_order),
    Check(("tanks", "burn_schedule"), _burn_schedule),
    Check(("tanks", "fuel_transfers"), _transfers),
    Check(("fuel_index",), _fuel_index),
)
