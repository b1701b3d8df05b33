"""What the models say about a value, for people: one walk over types for faults and catalogue."""

from __future__ import annotations

import re
import types
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from cgrisk.scenario.fields import Quantity, Says, figure
from cgrisk.units import UnitSystem

__all__ = ["Shape", "fields_of", "shape_at", "shape_named", "shape_of"]

_LIMITS = ("ge", "le", "min_length", "max_length")


@dataclass(frozen=True, slots=True)
class Shape:
    """A type without its wrappings, and the annotations that were wrapped around it."""

    annotation: Any
    metadata: tuple[Any, ...] = ()

    @property
    def model(self) -> type[BaseModel] | None:
        """The model, where the value is a table."""
        return self.annotation if _is_model(self.annotation) else None

    @property
    def quantity(self) -> Quantity | None:
        """Unit and range, where the value is a number."""
        return next((note for note in self.metadata if isinstance(note, Quantity)), None)

    @property
    def choices(self) -> tuple[Any, ...]:
        """The values allowed, where only some are."""
        return get_args(self.annotation) if get_origin(self.annotation) is Literal else ()

    @property
    def entries(self) -> tuple[Shape, ...] | None:
        """Shapes of the entries of a list of fixed length."""
        arguments = get_args(self.annotation)
        if get_origin(self.annotation) is not tuple or Ellipsis in arguments:
            return None
        return tuple(shape_of(argument) for argument in arguments)

    @property
    def entry(self) -> Shape | None:
        """Shape of every entry of a list of any length."""
        arguments = get_args(self.annotation)
        if get_origin(self.annotation) is not tuple or Ellipsis not in arguments:
            return None
        return shape_of(arguments[0])

    def limit(self, name: str) -> Any:
        """Return the limit ``ge``, ``le``, ``min_length`` or ``max_length``; None without one."""
        found = (getattr(note, name, None) for note in self.metadata)
        return next((value for value in found if value is not None), None)

    def member(self, key: str | int) -> Shape | None:
        """Return the shape of what stands under a key or a list position; None where unknown."""
        if isinstance(key, str):
            if self.model is not None:
                field = fields_of(self.model).get(key)
                return None if field is None else shape_of(field)
            held = get_args(self.annotation)
            return shape_of(held[1]) if get_origin(self.annotation) is dict else None
        if self.entry is not None:
            return self.entry
        entries = self.entries or ()
        return entries[key] if key < len(entries) else None

    def expected(self, system: UnitSystem) -> str:
        """Return what is accepted, in the units of a file of this system."""
        if self.quantity is not None:
            return self.quantity.range_text(system)
        if self.choices:
            return _one_of([f'"{choice}"' for choice in self.choices])
        if self.model is not None:
            return "a table with the keys " + ", ".join(fields_of(self.model))
        if self.entry is not None:
            kind = "tables" if self.entry.model else f"entries, each {self.entry.expected(system)}"
            return f"a list of {self._span('min_length', 'max_length')} {kind}".replace("  ", " ")
        if self.entries is not None:
            each = "; ".join(entry.expected(system) for entry in self.entries)
            return f"a list of {len(self.entries)} entries: {each}"
        if self.annotation is bool:
            return "true or false"
        if self.annotation is int:
            if self.limit("ge") is not None and self.limit("ge") == self.limit("le"):
                return f"the whole number {self.limit('ge')}"
            span = self._span("ge", "le")
            return f"a whole number {'from ' if ' to ' in span else ''}{span}".rstrip()
        if get_origin(self.annotation) is dict:
            texts = shape_of(get_args(self.annotation)[1]).annotation is str
            held = "texts" if texts else "lists of two numbers"
            return f"a table of {held}, the keys in quotes"
        return self._text()

    def _text(self) -> str:
        says = next((note.text for note in self.metadata if isinstance(note, Says)), None)
        if says is not None:
            return says
        shortest, longest = self.limit("min_length"), self.limit("max_length")
        if longest is None:
            return "a text"
        return f"a text of {'up to ' if not shortest else f'{shortest} to '}{longest} characters"

    def _span(self, low: str, high: str) -> str:
        least, most = self.limit(low), self.limit(high)
        if least is not None and most is not None:
            return f"{figure(least)} to {figure(most)}"
        return "" if most is None else f"at most {figure(most)}"


def shape_of(annotation: Any) -> Shape:
    """Return the shape of a type or of a field of a model."""
    metadata: list[Any] = []
    if isinstance(annotation, FieldInfo):
        metadata += annotation.metadata
        annotation = annotation.annotation
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation, *notes = get_args(annotation)
            for note in notes:
                metadata += note.metadata if isinstance(note, FieldInfo) else [note]
        elif origin in (Union, types.UnionType):
            annotation = next(x for x in get_args(annotation) if x is not types.NoneType)
        else:
            return Shape(annotation, tuple(metadata))


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the fields of a model by their names in the file."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def shape_at(model: type[BaseModel], path: tuple[str | int, ...]) -> Shape | None:
    """Return the shape at a path below a model; None where the model has nothing there."""
    shape: Shape | None = Shape(model)
    for key in path:
        if shape is None:
            return None
        shape = shape.member(key)
    return shape


def shape_named(model: type[BaseModel], key: str) -> Shape | None:
    """Return the shape of a dotted key, whose list positions may be left out; None if unknown."""
    shape: Shape | None = Shape(model)
    for part in re.sub(r"\[[0-9]+\]", "", key).split("."):
        while shape is not None and shape.entry is not None:
            shape = shape.entry
        if shape is None or shape.model is None:
            return None
        shape = shape.member(part)
    return shape


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _one_of(choices: list[str]) -> str:
    return " or ".join([", ".join(choices[:-1]), choices[-1]] if len(choices) > 1 else choices)
