"""Folders with the shipped scenario in them, edited, in other units, or with CSV tables."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from cgrisk.scenario.aircraft_file import AircraftFile
from cgrisk.scenario.operation_file import OperationFile
from cgrisk.scenario.shapes import Shape, shape_of

SHIPPED = Path(__file__).resolve().parents[1] / "scenarios" / "single_aisle"
MODELS: dict[str, type[BaseModel]] = {"aircraft": AircraftFile, "operation": OperationFile}

#: Exact factors from kg, m, l, kg/l, kg/h to lb, in, US gal, lb/US gal, lb/h, written out here on
#: their own: pound 0.45359237 kg, inch 0.0254 m (1959); US gallon 231 cubic inches = 3.785411784 l.
TO_IMPERIAL = {
    "mass": 1 / 0.45359237,
    "length": 1 / 0.0254,
    "moment": 1 / (0.45359237 * 0.0254),
    "volume": 1 / 3.785411784,
    "density": 3.785411784 / 0.45359237,
    "flow": 1 / 0.45359237,
    "none": 1.0,
}


def shipped_text(name: str) -> str:
    """Text of the shipped aircraft or operation file."""
    return (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")


def write_scenario(folder: Path, **texts: str) -> Path:
    """Write the shipped files into a folder, with other texts where given, and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in MODELS:
        text = texts.get(name, shipped_text(name))
        (folder / f"{name}.toml").write_text(text, encoding="utf-8", newline="")
    return folder


def edit(text: str, pattern: str, replacement: str) -> tuple[str, int]:
    """Replace the first match of a pattern; return the text and the line where it was."""
    match = re.search(pattern, text, re.MULTILINE)
    assert match is not None, f"the shipped file has no {pattern!r} any more"
    edited = text[: match.start()] + replacement + text[match.end() :]
    return edited, text.count("\n", 0, match.start()) + 1


def line_of(text: str, pattern: str) -> int:
    """Line of the first match of a pattern."""
    match = re.search(pattern, text, re.MULTILINE)
    assert match is not None, pattern
    return text.count("\n", 0, match.start()) + 1


def to_imperial(data: Any, shape: Shape) -> Any:
    """The raw data of a kg/m file in lb/in."""
    if isinstance(data, dict):
        if shape.model is None:
            return data
        return {key: to_imperial(value, _member(shape, key)) for key, value in data.items()}
    if isinstance(data, list):
        return [to_imperial(value, _member(shape, place)) for place, value in enumerate(data)]
    if shape.quantity is not None:
        return data * TO_IMPERIAL[shape.quantity.dimension]
    return "lb/in" if data == "kg/m" else data


def _member(shape: Shape, key: str | int) -> Shape:
    member = shape.member(key)
    assert member is not None
    return member


def imperial_file(name: str, data: dict[str, Any]) -> dict[str, Any]:
    """The raw data of a whole kg/m file in lb/in."""
    converted = to_imperial(data, shape_of(MODELS[name]))
    assert isinstance(converted, dict)
    return converted


def toml_text(data: dict[str, Any]) -> str:
    """Raw data as TOML: one key a line, tables inline."""
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in data.items())


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key)


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(entry) for entry in value) + "]"
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=True)
    return repr(value)


def relative_differences(a: Any, b: Any, path: str = "") -> dict[str, float]:
    """Relative difference of every number of two structures, which otherwise must be equal."""
    if isinstance(a, dict):
        assert a.keys() == b.keys(), path
        pairs = [(f"{path}.{key}", a[key], b[key]) for key in a]
    elif isinstance(a, list):
        assert len(a) == len(b), path
        pairs = [(f"{path}[{i}]", x, y) for i, (x, y) in enumerate(zip(a, b, strict=True))]
    elif isinstance(a, float):
        return {path: abs(a - b) / max(abs(a), abs(b), 1e-300)}
    else:
        assert a == b or path.endswith(".units"), path
        return {}
    out: dict[str, float] = {}
    for name, x, y in pairs:
        out |= relative_differences(x, y, name)
    return out
