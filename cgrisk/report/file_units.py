"""Masses, lengths and moments as the scenario's own files tell them, for people to read."""

from __future__ import annotations

from dataclasses import dataclass

from cgrisk.scenario import Scenario
from cgrisk.units import Dimension, UnitSystem, to_si, unit_name

__all__ = ["FileUnits"]


@dataclass(frozen=True, slots=True)
class FileUnits:
    """Units of the operation file; everything inside is in SI.

    Attributes
    ----------
    system : {"kg/m", "lb/in"}
        As the file declares it.
    """

    system: UnitSystem

    @classmethod
    def of(cls, scenario: Scenario) -> FileUnits:
        """Return the units of a scenario's operation file."""
        return cls(scenario.operation.units)

    def name(self, dimension: Dimension) -> str:
        """Return what a unit is called."""
        return unit_name(dimension, system=self.system)

    def scale(self, dimension: Dimension) -> float:
        """Return what a value in SI is multiplied by."""
        return 1.0 / to_si(1.0, dimension=dimension, system=self.system)

    def mass(self, value_kg: float) -> str:
        """Return a mass with its unit: ``1,234 kg``."""
        return f"{value_kg * self.scale('mass'):,.0f} {self.name('mass')}"

    def moment(self, value_kgm: float, form: str = ",.0f") -> str:
        """Return a moment without its unit."""
        return f"{value_kgm * self.scale('moment'):{form}}"
