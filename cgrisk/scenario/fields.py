"""Building blocks of the scenario models: quantities with units and ranges, sourced defaults.

A quantity is written in the file's declared units and held in SI. The conversion happens once,
while the file is validated with ``context={"system": ...}``; a model built without that context
(from a manifest, or from Python) is taken to be in SI already.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
)
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from cgrisk.units import Dimension, UnitSystem, to_si, unit_name

__all__ = [
    "ASSUMPTION",
    "DATA",
    "FORMAT",
    "LEFT_OUT",
    "Count",
    "Density",
    "Factor",
    "FileName",
    "Flow",
    "FormatVersion",
    "Length",
    "Mass",
    "Minutes",
    "Model",
    "Moment",
    "Name",
    "Number",
    "PctMac",
    "PersonMass",
    "PersonMassShift",
    "Quantity",
    "Rate",
    "Says",
    "SeatLetter",
    "SeatLetters",
    "Seconds",
    "Share",
    "SignedLength",
    "Volume",
    "figure",
    "item",
    "source_of",
]

#: Source of a value that only the aircraft's or operator's own papers can give.
DATA = "the aircraft's or operator's own approved data"
#: Source of a value nobody has published: the answer's dependence on it must be shown.
ASSUMPTION = "assumption"
#: Source of a default that leaves out what it is about: nothing is assumed by it.
LEFT_OUT = "the default leaves it out"
#: Source of what says how to read the file, and nothing about the world.
FORMAT = "format of this file"


class Model(BaseModel):
    """Base of every scenario model: frozen, strict, unknown keys refused."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, use_attribute_docstrings=True
    )


def figure(value: float) -> str:
    """Return a number for people: six figures, no exponent where it can be helped."""
    return f"{float(f'{value:.6g}'):.10g}"


@dataclass(frozen=True, slots=True)
class Says:
    """Annotation of a text: what it must look like, in words; the pattern stands beside it."""

    text: str


@dataclass(frozen=True, slots=True)
class Quantity:
    """Annotation of a float: its dimension, and its range in SI.

    ``low`` and ``high`` are inclusive; ``above`` is an exclusive lower bound. ``unit`` names the
    unit of a dimensionless or fixed-unit number (``"% MAC"``, ``"min"``, ``"kt"``), which is the
    same in every file.
    """

    dimension: Dimension = "none"
    low: float = -math.inf
    high: float = math.inf
    above: float | None = None
    unit: str = ""

    def unit_in(self, system: UnitSystem) -> str:
        """Return the unit a file of this system writes the number in."""
        return self.unit or unit_name(self.dimension, system=system)

    def range_text(self, system: UnitSystem) -> str:
        """Return the accepted range, in the file's units, for people."""
        factor = to_si(1.0, dimension=self.dimension, system=system)
        unit = self.unit_in(system)
        suffix = f" {unit}" if unit else ""
        low = None if self.low == -math.inf else figure(self.low / factor)
        high = None if self.high == math.inf else figure(self.high / factor)
        if self.above is not None:
            upper = "" if high is None else f" and at most {high}"
            return f"a number above {figure(self.above / factor)}{upper}{suffix}"
        if low is not None and high is not None:
            return f"a number from {low} to {high}{suffix}"
        if low is not None or high is not None:
            bound = f"at least {low}" if low is not None else f"at most {high}"
            return f"a number of {bound}{suffix}"
        return f"a finite number{suffix}"

    def check(self, value: float, system: UnitSystem | None) -> float:
        """Convert to SI and check the range; raise the error that becomes a fault."""
        factor = 1.0 if system is None else to_si(1.0, dimension=self.dimension, system=system)
        si = value * factor
        inside = math.isfinite(si) and self.low <= si <= self.high
        if self.above is not None:
            inside = inside and si > self.above
        if not inside:
            # Without a file system the number is SI already; say so in the kg/m names.
            text = self.range_text(system or "kg/m")
            raise PydanticCustomError("quantity_range", "{expected}", {"expected": text})
        return si

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        def convert(value: float, info: core_schema.ValidationInfo) -> float:
            context: Mapping[str, Any] = info.context or {}
            return self.check(float(value), context.get("system"))

        return core_schema.with_info_after_validator_function(convert, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        out = dict(handler(schema))
        metric, imperial = self.unit_in("kg/m"), self.unit_in("lb/in")
        if metric:
            out["unit"] = metric if metric == imperial else f"{metric} or {imperial}"
        out["range"] = self.range_text("kg/m")
        if self.dimension == "none":  # else the bounds depend on the units of the file
            bounds = {"minimum": self.low, "maximum": self.high, "exclusiveMinimum": self.above}
            out |= {key: x for key, x in bounds.items() if x is not None and math.isfinite(x)}
        return out


Mass = Annotated[float, Quantity("mass", low=0.0, high=1e6)]
#: Mass of a person or of what one person handles, and a difference of such masses.
PersonMass = Annotated[float, Quantity("mass", low=0.0, high=300.0)]
PersonMassShift = Annotated[float, Quantity("mass", low=-100.0, high=100.0)]
Length = Annotated[float, Quantity("length", low=0.0, high=200.0)]
SignedLength = Annotated[float, Quantity("length", low=-200.0, high=200.0)]
Moment = Annotated[float, Quantity("moment", low=-1e8, high=1e8)]
Volume = Annotated[float, Quantity("volume", low=0.0, high=500.0)]
Density = Annotated[float, Quantity("density", low=600.0, high=1000.0)]
Flow = Annotated[float, Quantity("flow", low=0.0, high=20.0)]
PctMac = Annotated[float, Quantity(low=-100.0, high=200.0, unit="% MAC")]
Share = Annotated[float, Quantity(low=0.0, high=1.0)]
Rate = Annotated[float, Quantity(low=0.0, high=60.0, unit="per hour")]
Number = Annotated[float, Quantity(low=-1e9, high=1e9)]
Count = Annotated[int, Field(ge=0, le=1000)]
Seconds = Annotated[float, Quantity(low=0.0, high=36_000.0, unit="s")]
Minutes = Annotated[float, Quantity(low=0.0, high=1_500.0, unit="min")]
Factor = Annotated[float, Quantity(low=0.0, high=100.0)]


def _printable(text: str) -> str:
    """Refuse what could steer a terminal, turn the reading direction or end a line of a table."""
    if not text.isprintable() or not text.strip():
        raise PydanticCustomError("unprintable", "one line of printable text")
    return text


#: Of a file beside this one; the loader says what is wrong with it.
FileName = Annotated[str, Field(min_length=1, max_length=120)]
Name = Annotated[
    str,
    Field(min_length=1, max_length=120),
    AfterValidator(_printable),
    Says("a text of 1 to 120 characters, all printable and on one line"),
]
SeatLetters = Annotated[
    str,
    Field(max_length=20, pattern=r"^[A-Z]+(-[A-Z]+)*$"),
    Says('seat letters A to Z, a hyphen where an aisle is, such as "ABC-DEF"'),
]
SeatLetter = Annotated[str, Field(pattern=r"^[A-Z]$"), Says("one letter A to Z")]
FormatVersion = Annotated[int, Field(ge=1, le=1)]


def item(default: Any = ..., *, source: str = DATA, **limits: Any) -> Any:
    """Declare a field with its source; a default without a published source is an assumption."""
    return Field(default, json_schema_extra={"source": source}, **limits)


def source_of(field: FieldInfo) -> str:
    """Return the source that :func:`item` declared a field with."""
    extra = field.json_schema_extra
    return str(extra.get("source", "")) if isinstance(extra, dict) else ""
