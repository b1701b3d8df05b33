"""Checks of form: every key known, present, of its type and in its range, table by table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from functools import cache
from typing import Any, get_args

from pydantic import BaseModel, ValidationError, create_model

from cgrisk.errors import Fault
from cgrisk.scenario.document import Document, key_text, shown
from cgrisk.scenario.fields import Model
from cgrisk.scenario.locate import KeyPath
from cgrisk.scenario.shapes import Shape, fields_of, shape_at
from cgrisk.units import UnitSystem

__all__ = ["file_units", "sound_values"]


def file_units(data: Mapping[str, Any]) -> UnitSystem | None:
    """Return the units that a file declares; None where it declares none or others."""
    units: list[UnitSystem] = [u for u in get_args(UnitSystem) if u == data.get("units")]
    return units[0] if units else None


def sound_values(
    document: Document, *, model: type[BaseModel], file_kind: str
) -> tuple[dict[str, Any], list[Fault]]:
    """Return the top-level values of a file that are sound by themselves, and all its faults.

    Parameters
    ----------
    document : Document
        File, its CSV tables read into it.
    model : type
        Model of the whole file.
    file_kind : str
        ``"aircraft"`` or ``"operation"``, which heads the key in ``cgrisk fields``.

    Returns
    -------
    values : dict
        Checked values in SI by key; what the file leaves out stands at
        its default, and what is faulty is not there.
    faults : list of Fault
        Faults of form. In a file without valid units nothing is said about ranges in units.
    """
    declared = file_units(document.data)
    system = declared or "kg/m"
    values: dict[str, Any] = {}
    faults: list[Fault] = []
    known = fields_of(model)
    for key in document.data:
        if key not in known:
            faults.append(_unknown(document, (key,), model, model))
    for key in known:
        single = _single(model, key)
        given = {key: document.data[key]} if key in document.data else {}
        try:
            checked = single.model_validate(given, context={"system": system})
        except ValidationError as error:
            faults += _faults(error, document, model, file_kind, declared)
        else:
            values[key] = next(iter(dict(checked).values()))
    return values, faults


@cache
def _single(model: type[BaseModel], key: str) -> type[BaseModel]:
    """Return a model of one key of a file, so that each is checked whatever the others are."""
    field = fields_of(model)[key]
    name = next(name for name, other in model.model_fields.items() if other is field)
    definition: Any = {name: (field.annotation, field)}
    return create_model(f"{model.__name__}_{name}", __base__=Model, **definition)


def _faults(
    error: ValidationError,
    document: Document,
    model: type[BaseModel],
    file_kind: str,
    declared: UnitSystem | None,
) -> Iterator[Fault]:
    told: set[KeyPath] = set()
    for detail in error.errors(include_url=False, include_context=False):
        kind, path = detail["type"], detail["loc"]
        if kind == "missing" and isinstance(path[-1], int):
            # An entry of a list of fixed length: it is the list that is wrong.
            kind, path = "too_short", path[:-1]
        given, shape = _at(document.data, path), shape_at(model, path)
        # A list is called too short also when its entries are faulty, which is told already.
        spurious = kind == "too_short" and not _short(shape, given)
        unjudged = kind == "quantity_range" and _needs_units(shape) and declared is None
        if path in told or spurious or unjudged:
            continue
        told.add(path)
        if kind == "extra_forbidden":
            holder = shape_at(model, path[:-1])
            yield _unknown(document, path, (holder.model if holder else None) or model, model)
            continue
        yield document.fault(
            path,
            expected="another value" if shape is None else shape.expected(declared or "kg/m"),
            got="nothing" if kind == "missing" else shown(given),
            cure=_cure(kind, path, given, file_kind),
        )


def _needs_units(shape: Shape | None) -> bool:
    return shape is not None and shape.quantity is not None and shape.quantity.dimension != "none"


def _short(shape: Shape | None, given: object) -> bool:
    least = None if shape is None else shape.limit("min_length")
    if shape is not None and shape.entries is not None:
        least = len(shape.entries)
    return isinstance(given, Sequence) and len(given) < (least or 0)


def _cure(kind: str, path: KeyPath, given: object, file_kind: str) -> str:
    names = [key for key in path if isinstance(key, str)]
    if names[0] == "sources":
        return 'Write the key in quotes, for instance "masses.max_taxi" = "flight manual".'
    if names[0] == "ranges":
        return 'Write the key in quotes, for instance "behaviour.sign_factor" = [0.05, 0.3].'
    about = f"`cgrisk fields {file_kind}.{key_text(tuple(names))}` explains it."
    if kind == "missing":
        return f"Add it. {about}"
    if isinstance(given, str) and kind in ("float_type", "int_type"):
        return f"Write the number without quotes. {about}"
    return f"Write what is expected. {about}"


def _unknown(
    document: Document, path: KeyPath, holder: type[BaseModel], top: type[BaseModel]
) -> Fault:
    key = str(path[-1])
    known = list(fields_of(holder))
    close = get_close_matches(key[:80], known, n=1, cutoff=0.6)
    if close:
        cure = f"Did you mean {close[0]}?"
    elif holder is not top and key in fields_of(top):
        cure = "It belongs at the top of the file, before the first [table]."
    else:
        cure = "Take it away, or correct its name."
    return document.fault(
        path, expected=f"one of the keys {', '.join(known)}", got=shown(key), cure=cure
    )


def _at(data: Any, path: KeyPath) -> Any:
    """Return what stands at a path of the raw data; None where nothing does."""
    for key in path:
        try:
            data = data[key]
        except (KeyError, IndexError, TypeError):
            return None
    return data
