"""What every key means: unit, range, default, source. The models are the one place it is said."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel
from pydantic.fields import FieldInfo as PydanticField

from cgrisk.errors import UsageError
from cgrisk.scenario.aircraft_file import AircraftFile
from cgrisk.scenario.fields import DATA, figure, source_of
from cgrisk.scenario.operation_file import OperationFile
from cgrisk.scenario.policies_file import PoliciesFile
from cgrisk.scenario.shapes import Shape, fields_of, shape_of
from cgrisk.units import to_si

__all__ = [
    "SCHEMA_FOLDER",
    "FieldInfo",
    "describe_fields",
    "find_fields",
    "json_schemas",
    "schema_text",
    "write_schemas",
]

#: Where the committed schemas are.
SCHEMA_FOLDER: Final = Path(__file__).resolve().parent / "schema"

#: Kind of file and its model.
_FILES: Final[tuple[tuple[str, type[BaseModel]], ...]] = (
    ("aircraft", AircraftFile),
    ("operation", OperationFile),
    ("policies", PoliciesFile),
)
#: Source of a default that stands in for what only the operator's own papers can say.
_OWN: Final = "cgrisk's own"


@dataclass(frozen=True, slots=True)
class FieldInfo:
    """One key of the scenario files.

    Attributes
    ----------
    key : str
        Dotted key, for instance ``aircraft.masses.max_taxi``; ``[]`` marks a list.
    unit : str
        Unit in kg/m files, and in lb/in files where it differs.
    accepts, default, source, meaning : str
        Range or choices, default ("required" where there is none; after it what holds where the
        table is left out, if that differs), source of the default, or of each where they are
        several, and what the value is. Numbers are as a kg/m file writes them.
    """

    key: str
    unit: str
    accepts: str
    default: str
    source: str
    meaning: str


def _unit(shape: Shape) -> str:
    """Return the unit of a number or of the numbers of a list, in both kinds of file."""
    shapes = [shape] if shape.entries is None else list(shape.entries)
    units = []
    for quantity in (each.quantity for each in shapes):
        if quantity is not None:
            metric, imperial = quantity.unit_in("kg/m"), quantity.unit_in("lb/in")
            units.append(metric if metric == imperial else f"{metric} or {imperial}")
    return ", ".join(unit for unit in units if unit)


def _default(field: PydanticField, shape: Shape) -> str:
    if field.is_required():
        return "required"
    if field.default is None:
        return "none"
    if isinstance(field.default, BaseModel):
        return "as its keys say"
    return json.dumps(_as_written(field.default, shape))


@dataclass(frozen=True, slots=True)
class _LeftOut:
    """What holds where a table is left out, and its source, if its keys do not say it."""

    table: BaseModel
    source: str


def _left_out(field: PydanticField) -> _LeftOut | None:
    """Return what a table left out holds, where that differs from the defaults of its keys."""
    table = field.default
    if not isinstance(table, BaseModel):
        return None
    differs = any(
        each.is_required() or getattr(table, name) != each.default
        for name, each in type(table).model_fields.items()
    )
    return _LeftOut(table, source_of(field)) if differs else None


def _held(left_out: _LeftOut | None, name: str, field: PydanticField) -> Any:
    """Return what a key has where its table is left out, None if that is the key's own default."""
    if left_out is None:
        return None
    held = getattr(left_out.table, name)
    return None if not field.is_required() and held == field.default else held


def _source(field: PydanticField, left_out: str | None = None) -> str:
    """Return the source of the default, or of each where default and value have others.

    ``left_out`` is the source of what holds where the table is left out.
    """
    source = source_of(field)
    if source != DATA:
        return source
    if isinstance(field.default, BaseModel):
        return "as its keys say"
    parts = [f"of a value stated: {source}"]
    if not field.is_required() and field.default not in (None, (), ""):
        parts.insert(0, f"of the default: {_OWN}")
    if left_out is not None:
        parts.append(f"where the table is left out: {left_out}")
    return "; ".join(parts) if len(parts) > 1 else source


def _as_written(default: Any, shape: Shape) -> Any:
    """Return a default, which the models hold in SI, as a kg/m file writes it."""
    quantity = shape.quantity
    if quantity is None or not isinstance(default, float):
        return default
    return float(figure(default / to_si(1.0, dimension=quantity.dimension, system="kg/m")))


def _walk(
    model: type[BaseModel], prefix: str, left_out: _LeftOut | None = None
) -> Iterator[FieldInfo]:
    for name, field in fields_of(model).items():
        shape = shape_of(field)
        inner = shape if shape.entry is None else shape.entry
        key = f"{prefix}.{name}" + ("" if shape.entry is None else "[]")
        accepts = shape.expected("kg/m")
        if shape.model is not None:
            accepts = "a table"
        held, default = _held(left_out, name, field), _default(field, shape)
        if held is not None:
            default += f"; {json.dumps(_as_written(held, shape))} where the table is left out"
        yield FieldInfo(
            key=key,
            unit=_unit(inner),
            accepts=accepts,
            default=default,
            source=_source(field, left_out.source if left_out and held is not None else None),
            meaning=field.description or "",
        )
        if inner.model is not None:
            yield from _walk(inner.model, key, _left_out(field))


@lru_cache(maxsize=1)
def describe_fields() -> tuple[FieldInfo, ...]:
    """Return every key of the aircraft, the operation and the policies file, in their order."""
    return tuple(info for stem, model in _FILES for info in _walk(model, stem))


def find_fields(key: str) -> tuple[FieldInfo, ...]:
    """Return the keys at or below a dotted key, or that end in it; brackets may be left out.

    Raises
    ------
    UsageError
        If there is none; the message names the nearest.
    """
    wanted = re.sub(r"\[[0-9]*\]", "", key).strip(".")
    plain = {info.key.replace("[]", ""): info for info in describe_fields()}
    hits = tuple(
        info
        for name, info in plain.items()
        if name == wanted or name.startswith(wanted + ".") or name.endswith("." + wanted)
    )
    if hits:
        return hits
    last = {name.rsplit(".", 1)[-1]: name for name in plain}
    near = difflib.get_close_matches(wanted, [*plain, *last], n=3, cutoff=0.5)
    raise UsageError(
        argument="KEY",
        expected="a key of the scenario files",
        got=key,
        cure=("Nearest: " + ", ".join(last.get(n, n) for n in near) + ". " if near else "")
        + "`cgrisk fields` alone lists all.",
    )


def json_schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON Schemas (2020-12) of the files, by file stem.

    Defaults in units are those of a kg/m file. A table left out has the defaults of its keys,
    unless it has one of its own.
    """
    out = {}
    for stem, model in _FILES:
        schema = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
        schema |= model.model_json_schema(by_alias=True)
        definitions: dict[str, Any] = schema.get("$defs", {})  # type: ignore[assignment]
        for name, part in (("", schema), *definitions.items()):
            _write_defaults(part, _model_named(name, model))
        out[stem] = schema
    return out


def _model_named(name: str, top: type[BaseModel]) -> type[BaseModel]:
    """Return the model of a definition of a schema; the top one has no name."""
    if not name:
        return top
    inner = (shape_of(field) for field in top.model_fields.values())
    models = [m for m in ((s if s.entry is None else s.entry).model for s in inner) if m]
    for model in models:
        if model.__name__ == name:
            return model
        with suppress(LookupError):
            return _model_named(name, model)
    raise LookupError(name)


def _write_defaults(part: dict[str, Any], model: type[BaseModel]) -> None:
    for name, field in fields_of(model).items():
        prop = part["properties"][name]
        prop["source"] = _source(field)
        left_out = _left_out(field)
        if left_out is not None:
            table = left_out.table
            prop["default"] = {
                key: _as_written(getattr(table, key), shape_of(each))
                for key, each in fields_of(type(table)).items()
            }
        elif isinstance(prop.get("default"), dict):
            del prop["default"]  # its keys have theirs
        elif isinstance(prop.get("default"), float):
            prop["default"] = _as_written(prop["default"], shape_of(field))


def schema_text(schema: dict[str, Any]) -> str:
    """Return a schema as its file holds it."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def write_schemas() -> None:
    """Write the schema files anew, after a change of the models.

    ``python -c "from cgrisk.scenario.catalogue import write_schemas; write_schemas()"``
    """
    SCHEMA_FOLDER.mkdir(exist_ok=True)
    for stem, schema in json_schemas().items():
        path = SCHEMA_FOLDER / f"{stem}.schema.json"
        path.write_text(schema_text(schema), encoding="utf-8", newline="\n")
