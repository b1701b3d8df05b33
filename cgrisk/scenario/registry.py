"""The assumption register: every value in use, where it comes from, and what is not used yet."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from pydantic import BaseModel

from cgrisk.scenario.fields import ASSUMPTION, DATA, FORMAT, source_of
from cgrisk.scenario.scenario import Scenario
from cgrisk.scenario.shapes import Shape, shape_of
from cgrisk.units import SI_UNITS

__all__ = [
    "HELD",
    "Assumption",
    "Leaf",
    "assumption_register",
    "is_unused",
    "sourced_leaves",
    "unused_fields",
]

STATED: Final = "stated in the file"
DEFAULT: Final = "default; the file states none"
NO_SOURCE: Final = "stated in the file without a source"

#: (dotted key, why): edit this list as the model grows.
_UNUSED = (("aircraft.holds.max_load", "checked on loading only"),)
#: Doubts of the operation as a whole: held at their stated value in a run, not sampled.
HELD = (("operation.mass.body.bias_sd_operation", "operation.mass.body.bias"),)


@dataclass(frozen=True, slots=True)
class Assumption:
    """One value of a scenario.

    Attributes
    ----------
    key : str
        Dotted key.
    value : object
        Value in SI (or in the unit its key names); points of a table as tuples.
    unit : str
        Its unit; empty where it has none.
    source : str
        Where it comes from.
    given : bool
        Whether it differs from the default, or has none. A value that a file states and that is
        the default counts as the default, so that a manifest and its files say the same; where a
        table left out holds another value than its key's default, both count.
    assumed : bool
        Whether nothing published or measured stands behind it.
    """

    key: str
    value: object
    unit: str
    source: str
    given: bool
    assumed: bool


def unused_fields() -> tuple[tuple[str, str], ...]:
    """Return (dotted key, why) of what is read and checked but moves no answer in this version."""
    held = tuple((key, f"not sampled: {of} is held at its stated value") for key, of in HELD)
    return _UNUSED + held


def is_unused(key: str) -> bool:
    """Return whether a dotted key (with or without list positions) is reported as unused."""
    plain = re.sub(r"\[\d*\]", "", key)
    return any(plain == name or plain.startswith(name + ".") for name, _ in unused_fields())


class Leaf(NamedTuple):
    """A value below a model, its field's source and default, and whether it is not the default.

    ``fills`` says that the value is its key's own default, in a table that states others and has
    another here where it is left out: the skewness of a mass whose mean is stated, say.
    """

    key: str
    value: object
    shape: Shape
    source: str
    given: bool
    default: object
    fills: bool = False


def _leaves(
    model: BaseModel, key: str, *, default: BaseModel | None = None, source: str = DATA
) -> Iterator[Leaf]:
    """Yield the values below a model.

    A table left out has the default of the field that holds it, and what is particular to that
    default has that field's source: the mean of the men's mass, say.
    """
    for name, field in type(model).model_fields.items():
        value, shape = getattr(model, name), shape_of(field)
        if default is None:
            own_default = None if field.is_required() else field.default
        else:
            own_default = getattr(default, name)
        particular = default is not None and (field.is_required() or own_default != field.default)
        own_source = source if particular and source_of(field) == DATA else source_of(field)
        below = f"{key}.{field.alias or name}"
        if isinstance(value, BaseModel):
            table = own_default if isinstance(own_default, type(value)) else None
            yield from _leaves(value, below, default=table, source=own_source)
        elif shape.entry is not None and shape.entry.model is not None:
            for number, entry in enumerate(value):
                yield from _leaves(entry, f"{below}[{number}]")
        else:
            required = field.is_required() and default is None
            given = required or value != own_default
            fills = given and not field.is_required() and value == field.default
            yield Leaf(below, value, shape, own_source, given, own_default, fills)


def _unit(shape: Shape) -> str:
    """Return the SI unit of a number, or of the numbers of a point."""
    inner = shape if shape.entry is None else shape.entry
    quantities = [each.quantity for each in (inner.entries or (inner,))]
    units = [q.unit or SI_UNITS[q.dimension] for q in quantities if q is not None]
    return ", ".join(unit for unit in units if unit)


def _stated_source(key: str, sources: Mapping[str, str]) -> str | None:
    """Return the source named for a key or for the nearest table above it."""
    above = [name for name in sources if key == name or key.startswith((f"{name}.", f"{name}["))]
    return sources[max(above, key=len)] if above else None


def _is_words(value: object) -> bool:
    """Return whether a value is a word, or words only."""
    words = value if isinstance(value, tuple) and value else (value,)
    return all(isinstance(word, str) for word in words)


def _source(leaf: Leaf, stated: str | None) -> tuple[str, bool]:
    """Return the source of a value, and whether it is assumed."""
    if leaf.given and stated is not None:
        # a name, or a list of them, is nobody's assumption, whatever is said of its table
        named = leaf.source == DATA and _is_words(leaf.value)
        return stated, ASSUMPTION in stated.lower() and not named
    if leaf.source == DATA:
        return (STATED, False) if leaf.given else (DEFAULT, False)
    if leaf.given and ASSUMPTION not in leaf.source.lower():
        return f"{NO_SOURCE} (the default's: {leaf.source})", True
    if leaf.given:
        return f"{NO_SOURCE}; {ASSUMPTION}", True
    return leaf.source, ASSUMPTION in leaf.source.lower()


def sourced_leaves(scenario: Scenario) -> Iterator[tuple[Leaf, str, bool]]:
    """Yield (value, source, whether it is assumed) of a scenario, in the order of the files."""
    for prefix, model in (("aircraft", scenario.aircraft), ("operation", scenario.operation)):
        for leaf in _leaves(model, prefix):
            if leaf.source != FORMAT:
                key = leaf.key.removeprefix(f"{prefix}.")
                stated = _stated_source(key, model.sources)
                own = leaf.fills and stated is None
                told = leaf._replace(source=ASSUMPTION, given=False) if own else leaf
                yield told, *_source(told, stated)


def assumption_register(scenario: Scenario) -> tuple[Assumption, ...]:
    """Return every value of a scenario with its source, in the order of the files.

    A value has the source that its file's ``sources`` table names for it, or for a table above
    it. Without one, a default has its own; a value in place of a default is assumed, whatever
    stands behind the default; and what only the operator's own papers can say is taken from them.
    """
    return tuple(
        Assumption(leaf.key, leaf.value, _unit(leaf.shape), source, leaf.given, assumed)
        for leaf, source, assumed in sourced_leaves(scenario)
    )
