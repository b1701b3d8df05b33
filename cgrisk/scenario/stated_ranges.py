"""The table ``ranges`` of both files: between which ends the user takes a value to lie.

A key names a value of its own file. List positions may be left out, or written ``[]``: the value of
all entries of the list then, moved together; ``[0]`` is that of one entry.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from cgrisk.scenario.fields import Quantity
from cgrisk.scenario.shapes import Shape, shape_named
from cgrisk.units import UnitSystem, to_si

__all__ = [
    "InUnitsOf",
    "StatedRange",
    "group_key",
    "is_named",
    "is_share",
    "leading",
    "number_named",
    "unit_of",
]

StatedRange = Annotated[
    tuple[Annotated[float, Quantity()], Annotated[float, Quantity()]], Field(strict=False)
]
#: Keys that say how a file is to be read.
_FORMAT = frozenset({"schema", "units", "with_entry_errors"})


@dataclass(frozen=True, slots=True)
class InUnitsOf:
    """Annotation of a table of ranges: each is in the units of the value that its key names."""

    model: Callable[[], type[BaseModel]]

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        def convert(
            table: dict[str, tuple[float, float]], info: core_schema.ValidationInfo
        ) -> dict[str, tuple[float, float]]:
            system = (info.context or {}).get("system")
            if system is None:
                return table
            out = {}
            for key, (low, high) in table.items():
                shape = number_named(self.model(), key)
                one = 1.0 if shape is None else unit_of(shape, system)
                out[key] = (low * one, high * one)
            return out

        return core_schema.with_info_after_validator_function(convert, handler(source))


def number_named(model: type[BaseModel], key: str) -> Shape | None:
    """Return the shape of the number that a key names; None where it names none."""
    shape = shape_named(model, re.sub(r"\[\]", "", key))
    if shape is None or key in _FORMAT:
        return None
    return shape if shape.quantity is not None or shape.annotation is int else None


def unit_of(shape: Shape, system: UnitSystem) -> float:
    """Return one unit of a number in a file of a system, in SI."""
    quantity = shape.quantity
    return 1.0 if quantity is None else to_si(1.0, dimension=quantity.dimension, system=system)


def group_key(key: str, stated: str | None = None) -> str:
    """Return a key with ``[]`` for its list positions, but those that ``stated`` names.

    Parameters
    ----------
    key : str
        Key of one value, such as ``parties[0].share``.
    stated : str, optional
        The same key as somebody wrote it, such as ``parties.share``.
    """
    parts, wanted = key.split("."), (stated or re.sub(r"\d+\]", "]", key)).split(".")
    return ".".join(
        part if re.search(r"\[\d+\]$", want) else re.sub(r"\[\d+\]$", "[]", part)
        for part, want in zip(parts, wanted, strict=True)
    )


def is_named(key: str, stated: str) -> bool:
    """Return whether a stated key means the value of a key, alone or among others."""
    parts, wanted = key.split("."), stated.split(".")
    return len(parts) == len(wanted) and all(
        want in (part, re.sub(r"\[\d+\]$", "", part), re.sub(r"\[\d+\]$", "[]", part))
        for part, want in zip(parts, wanted, strict=True)
    )


def is_share(key: str, shape: Shape) -> bool:
    """Return whether a number is a share or a chance, whose odds are what doubts move."""
    quantity, words = shape.quantity, re.split(r"[._]", key)
    return (
        quantity is not None
        and (quantity.low == 0.0 or quantity.above == 0.0)
        and quantity.high == 1.0
        and not {"sd", "cv", "gauging", "drag", "effect"} & set(words)
    )


def leading(values: list[float], *, share: bool) -> float:
    """Return the value that stands for several that are moved together: the largest.

    Of shares, the largest below 1, since a share of 1 does not move with others.
    """
    movable = [value for value in values if not (share and value == 1.0)]
    return max(movable or values, key=abs)
