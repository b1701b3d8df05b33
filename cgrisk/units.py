"""Unit conversion at the edges; SI inside.

Exact factors: the international pound and inch (1959) and the US gallon of 231 cubic inches.
"""

from __future__ import annotations

import math
from typing import Final, Literal

__all__ = [
    "DIMENSIONS",
    "FT_TO_M",
    "IN_TO_M",
    "KT_TO_MPS",
    "LB_TO_KG",
    "SI_UNITS",
    "US_GALLON_TO_M3",
    "Dimension",
    "UnitSystem",
    "mass_text",
    "round_to",
    "to_si",
    "unit_name",
]

LB_TO_KG: Final = 0.45359237
IN_TO_M: Final = 0.0254
FT_TO_M: Final = 0.3048
KT_TO_MPS: Final = 1852.0 / 3600.0
US_GALLON_TO_M3: Final = 231.0 * IN_TO_M**3

UnitSystem = Literal["kg/m", "lb/in"]
Dimension = Literal["mass", "length", "moment", "volume", "density", "flow", "none"]

#: dimension -> {unit system: (name of the unit in files, factor to SI)}
DIMENSIONS: Final[dict[str, dict[str, tuple[str, float]]]] = {
    "mass": {"kg/m": ("kg", 1.0), "lb/in": ("lb", LB_TO_KG)},
    "length": {"kg/m": ("m", 1.0), "lb/in": ("in", IN_TO_M)},
    "moment": {"kg/m": ("kg m", 1.0), "lb/in": ("lb in", LB_TO_KG * IN_TO_M)},
    "volume": {"kg/m": ("l", 1e-3), "lb/in": ("US gal", US_GALLON_TO_M3)},
    "density": {"kg/m": ("kg/l", 1e3), "lb/in": ("lb/US gal", LB_TO_KG / US_GALLON_TO_M3)},
    "flow": {"kg/m": ("kg/h", 1.0 / 3600.0), "lb/in": ("lb/h", LB_TO_KG / 3600.0)},
    "none": {"kg/m": ("", 1.0), "lb/in": ("", 1.0)},
}

#: dimension -> name of its SI unit
SI_UNITS: Final[dict[str, str]] = {
    "mass": "kg",
    "length": "m",
    "moment": "kg m",
    "volume": "m3",
    "density": "kg/m3",
    "flow": "kg/s",
    "none": "",
}


def to_si(value: float, *, dimension: str, system: UnitSystem) -> float:
    """Convert a value from a file's unit system to SI.

    Parameters
    ----------
    value : float
        Value as written in the file.
    dimension : str
        A key of :data:`DIMENSIONS`.
    system : {"kg/m", "lb/in"}
        The file's declared unit system.
    """
    return value * DIMENSIONS[dimension][system][1]


def unit_name(dimension: str, *, system: UnitSystem) -> str:
    """Return the name of the unit a file of this system uses for a dimension."""
    return DIMENSIONS[dimension][system][0]


def mass_text(mass_kg: float, *, system: UnitSystem, signed: bool = False) -> str:
    """Return a mass in words, in the unit of a file: ``1,234 kg``."""
    value = mass_kg / to_si(1.0, dimension="mass", system=system)
    return f"{value:{'+' if signed else ''},.0f} {unit_name('mass', system=system)}"


def round_to(value: float, step: float) -> float:
    """Round half away from zero to a multiple of ``step``, as forms do; 0 means no rounding.

    Nor does a step finer than the number itself.
    """
    if step == 0.0 or abs(value) / step >= 2.0**52:
        return value
    return math.copysign(math.floor(abs(value) / step + 0.5 + 1e-9) * step, value)
