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

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from cgrisk.units import Dimension, UnitSystem, to_si, unit_name

__all__ = [
    "ASSUMPTION",
    "DATA",
    "Count",
    "Density",
    "Factor",
    "Flow",
    "Length",
    "Mass",
    "Minutes",
    "Model",
    "Moment",
    "Name",
    "Number",
    "PctMac",
    "Quantity",
    "Rate",
    "Seconds",
    "Share",
    "SignedLength",
    "SignedMass",
    "Volume",
    "item",
]

#: Source of a value that only the aircraft's or operator's own papers can give.
DATA = "the aircraft's or operator's own approved data"
#: Source of a value nobody has published: the answer's dependence on it must be shown.
ASSUMPTION = "assumption"


class Model(BaseModel):
    """Base of every scenario model: frozen, strict, unknown keys refused."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, use_attribute_docstrings=True
    )


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
        lower = self.above if self.above is not None else self.low
        sign = "above" if self.above is not None else "at least"
        parts = []
        if math.isfinite(lower):
            parts.append(f"{sign} {lower / factor:.6g}")
        if math.isfinite(self.high):
            parts.append(f"at most {self.high / factor:.6g}")
        return "a finite number" + suffix + (", " + " and ".join(parts) if parts else "")

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
        return out


Mass = Annotated[float, Quantity("mass", low=0.0, high=1e6)]
SignedMass = Annotated[float, Quantity("mass", low=-1e5, high=1e5)]
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
Name = Annotated[str, Field(min_length=1, max_length=120)]


def item(default: Any = ..., *, source: str = DATA, **limits: Any) -> Any:
    """Declare a field with its source; a default without a published source is an assumption."""
    return Field(default, json_schema_extra={"source": source}, **limits)
