"""Checks of the ranges that a file states for its values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from cgrisk.scenario.document import shown
from cgrisk.scenario.fields import figure
from cgrisk.scenario.problems import Problem
from cgrisk.scenario.registry import is_unused
from cgrisk.scenario.shapes import Shape
from cgrisk.scenario.stated_ranges import is_named, is_share, leading, number_named, unit_of
from cgrisk.units import UnitSystem

__all__ = ["range_problems"]


def _numbers(value: Any, key: str) -> Iterator[tuple[str, float]]:
    """Yield (key, value) of the numbers below a value."""
    if isinstance(value, BaseModel):
        for name, field in type(value).model_fields.items():
            yield from _numbers(getattr(value, name), f"{key}.{field.alias or name}")
    elif isinstance(value, tuple):
        for number, entry in enumerate(value):
            yield from _numbers(entry, f"{key}[{number}]")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield key, value


def _written(value: float, shape: Shape, system: UnitSystem) -> str:
    unit = "" if shape.quantity is None else shape.quantity.unit_in(system)
    return f"{figure(value / unit_of(shape, system))} {unit}".rstrip()


def _inside(value: float, shape: Shape) -> bool:
    quantity = shape.quantity
    if quantity is None:
        least, most = shape.limit("ge"), shape.limit("le")
        return (least is None or value >= least) and (most is None or value <= most)
    return quantity.low <= value <= quantity.high and (
        quantity.above is None or value > quantity.above
    )


def _one_range(
    key: str,
    ends: tuple[float, float],
    values: Mapping[str, Any],
    shape: Shape,
    system: UnitSystem,
) -> Iterator[Problem]:
    """Report what is wrong with a range of a number of the file."""
    path = ("ranges", key)
    low, high = ends
    for place, end in enumerate(ends):
        if not _inside(end, shape):
            yield Problem(
                (*path, place),
                shape.expected(system),
                _written(end, shape, system),
                "A range stays within what the key accepts.",
            )
            return
    if not low < high:
        yield Problem(
            path,
            "the lower end first, then a higher one",
            f"{_written(low, shape, system)} to {_written(high, shape, system)}",
            "Put the ends in order, or take the range away.",
        )
        return
    top = re.split(r"[.\[]", key, maxsplit=1)[0]
    if top not in values:
        return  # faulty itself, and told
    # An entry with a range of its own is not moved with the others.
    own = [other for other in values["ranges"] if re.search(r"\d\]", other) and other != key]
    here = [
        value
        for name, value in _numbers(values[top], top)
        if is_named(name, key) and not any(is_named(name, other) for other in own)
    ]
    if not here:
        yield Problem(
            path,
            "the key of a number that this scenario has",
            f"{shown(key)}, where there is none",
            "Correct the key, or take the range away.",
        )
        return
    value = leading(here, share=is_share(key, shape))
    if not low <= value <= high:
        yield Problem(
            path,
            f"a range that holds the value in use, {_written(value, shape, system)}",
            f"{_written(low, shape, system)} to {_written(high, shape, system)}",
            "Widen the range, or correct the value.",
        )


def range_problems(
    values: Mapping[str, Any], *, model: type[BaseModel], file_kind: str, system: UnitSystem
) -> Iterator[Problem]:
    """Report ranges of keys that the file cannot have, wrong ends, and ends beside the value.

    Parameters
    ----------
    values : mapping
        Sound top-level values of the file, in SI.
    model : type
        Model of the file.
    file_kind : str
        ``"aircraft"`` or ``"operation"``.
    system : str
        Units of the file.
    """
    told: dict[str, str] = {}
    for key, ends in values.get("ranges", {}).items():
        shape = number_named(model, key)
        if shape is None or is_unused(f"{file_kind}.{key}"):
            yield Problem(
                ("ranges", key),
                "the dotted key of a number of this file that the model uses",
                shown(key),
                'Name one, for instance "behaviour.sign_factor" or "parties[].share".',
            )
            continue
        same = re.sub(r"\[\]", "", key)
        if same in told:
            yield Problem(
                ("ranges", key),
                "one range of each value",
                f"{shown(key)} beside {shown(told[same])}",
                "Keep one of them.",
            )
            continue
        told[same] = key
        yield from _one_range(key, ends, values, shape, system)
