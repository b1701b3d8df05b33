"""From pydantic's errors to faults with a line, what was expected, what was got, and a cure."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

from cgrisk.errors import Fault
from cgrisk.scenario.locate import Locator

__all__ = ["dotted", "faults_of", "shorten"]

_EXPECTED = {
    "missing": "a value",
    "extra_forbidden": "a key of this table",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table",
    "tuple_type": "a list",
    "finite_number": "a finite number",
}


def dotted(path: Sequence[str | int]) -> str:
    """Return a path as ``phases[2].minutes``."""
    out = ""
    for step in path:
        out += f"[{step}]" if isinstance(step, int) else f".{step}" if out else str(step)
    return out


def shorten(value: object) -> str:
    """Return a value's text, cut to what fits in a message, without control characters."""
    text = "".join(c if c.isprintable() else "?" for c in repr(value))
    return text if len(text) <= 80 else text[:77] + "..."


def _names_at(model: type[BaseModel], path: Sequence[str | int]) -> list[str]:
    """Return the keys allowed in the table that a path's last key stands in."""
    schema = model.model_json_schema()
    place: Any = schema
    for step in path[:-1]:
        place = _resolve(place, schema)
        if isinstance(step, int):
            place = place.get("items", {})
        else:
            place = place.get("properties", {}).get(step, {})
    return list(_resolve(place, schema).get("properties", {}))


def _resolve(place: Mapping[str, Any], schema: Mapping[str, Any]) -> Mapping[str, Any]:
    for option in place.get("anyOf", []):
        if "$ref" in option:
            place = option
    while "$ref" in place:
        place = schema["$defs"][place["$ref"].rsplit("/", 1)[-1]]
    return place


def _cure(kind: str, path: Sequence[str | int], model: type[BaseModel]) -> str:
    if kind == "extra_forbidden":
        names = _names_at(model, path)
        near = difflib.get_close_matches(str(path[-1]), names, n=1)
        if near:
            return f"Did you mean {near[0]!r}?"
        return "Remove it; the keys here are " + ", ".join(names[:12]) + "."
    if kind == "missing":
        return "Add it; `cgrisk fields` explains every key."
    return "Correct the value; `cgrisk fields` explains every key."


def faults_of(
    error: ValidationError, *, model: type[BaseModel], shown: str, locator: Locator
) -> list[Fault]:
    """Return the faults that a validation error of a file stands for."""
    faults = []
    for item in error.errors(include_url=False):
        # pydantic adds names of union members to the path; keep what stands in the file.
        path = tuple(step for step in item["loc"] if not str(step).startswith("function-"))
        kind, context = item["type"], item.get("ctx", {})
        message = str(item["msg"]).removeprefix("Input should be ").removeprefix("Value error, ")
        expected = str(context.get("expected") or _EXPECTED.get(kind) or message)
        got = "nothing" if kind == "missing" else shorten(item["input"])
        if kind == "extra_forbidden":
            got = f"the unknown key {str(path[-1])!r}"
        faults.append(
            Fault(shown, locator.line(path), dotted(path), expected, got, _cure(kind, path, model))
        )
    return faults
