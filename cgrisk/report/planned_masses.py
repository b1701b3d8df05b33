"""The planned masses of a flight beside their certified maxima."""

from __future__ import annotations

from dataclasses import dataclass

from cgrisk.flight import FlightModel

__all__ = ["PlannedMass", "planned_masses"]


@dataclass(frozen=True, slots=True)
class PlannedMass:
    """A planned mass.

    Attributes
    ----------
    label : str
        Of what.
    mass_kg : float
    most_kg : float or None
        The certified maximum, where there is one.
    """

    label: str
    mass_kg: float
    most_kg: float | None

    @property
    def is_over(self) -> bool:
        """Whether it is above its maximum."""
        return self.most_kg is not None and self.mass_kg > self.most_kg


def planned_masses(model: FlightModel) -> tuple[PlannedMass, ...]:
    """Return the planned masses from the lightest state to landing; what is not flown is left out.

    Parameters
    ----------
    model : FlightModel
        From :func:`cgrisk.flight.prepare`.
    """
    masses, path = model.scenario.aircraft.masses, model.planned
    kinds = [phase.kind for phase in model.scenario.operation.phases]
    found = [
        PlannedMass("dry operating", masses.dry_operating, None),
        PlannedMass("zero fuel", model.sheet.zero_fuel_mass_kg, masses.max_zero_fuel),
        PlannedMass("start of taxi", float(path["mass_kg"].iloc[0]), masses.max_taxi),
    ]
    for label, kind, most in (
        ("take-off", "take_off", masses.max_take_off),
        ("landing", "landing", masses.max_landing),
    ):
        if kind in kinds:
            first = path[path["phase"] == model.phases[kinds.index(kind)]].iloc[0]
            found.append(PlannedMass(label, float(first["mass_kg"]), most))
    return tuple(found)
