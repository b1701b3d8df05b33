"""What the planned load says before any flight is sampled: groups of phases, room to the limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from cgrisk.flight.contract import IN_FLIGHT
from cgrisk.flight.model import FlightModel

__all__ = [
    "GROUPS",
    "OperationalShift",
    "group_phases",
    "operational_shift",
    "zero_fuel_scale",
]

#: Groups of phases, and the whole flight.
GROUPS: Final = ("take_off_and_landing", "in_flight", "any")


@dataclass(frozen=True, slots=True)
class OperationalShift:
    """How far the planned CG may move at constant mass before it meets the operator's envelope.

    Attributes
    ----------
    side : str
        Forward or aft.
    moment_kgm : float
        Moment toward the side; negative where the planned load is outside already.
    offset_pct_mac : float
        The same as a shift of the planned zero-fuel CG.
    phase : str
        Phase in which the planned path meets the envelope first.
    """

    side: str
    moment_kgm: float
    offset_pct_mac: float
    phase: str


def group_phases(model: FlightModel) -> dict[str, tuple[str, ...]]:
    """Return the names of the phases of each group of :data:`GROUPS`."""
    kinds = [phase.kind for phase in model.scenario.operation.phases]
    inside = tuple(n for n, k in zip(model.phases, kinds, strict=True) if k in IN_FLIGHT)
    other = tuple(n for n, k in zip(model.phases, kinds, strict=True) if k not in IN_FLIGHT)
    return {"take_off_and_landing": other, "in_flight": inside, "any": model.phases}


def zero_fuel_scale(model: FlightModel) -> float:
    """Return the moment that shifts the planned zero-fuel CG by one % MAC (kg m)."""
    return model.sheet.zero_fuel_mass_kg * model.balance.mac_m / 100.0


def operational_shift(model: FlightModel, *, side: str) -> OperationalShift:
    """Return how far the planned load stands from the operator's envelope on a side."""
    margins = model.operational_margins
    part = margins[margins["side"] == side]
    place = int(part["moment_margin_kgm"].to_numpy().argmin())
    moment = float(part["moment_margin_kgm"].iloc[place])
    return OperationalShift(
        side, moment, moment / zero_fuel_scale(model), str(part["phase"].iloc[place])
    )
