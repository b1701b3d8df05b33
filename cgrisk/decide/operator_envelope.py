"""An operator's own envelope: limits against zero-fuel, take-off and landing mass."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cgrisk.aircraft import Limits, certified_limits, curtailed
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel
from cgrisk.scenario.envelope_file import ENVELOPE_COLUMNS, MASS_KINDS, read_envelope
from cgrisk.units import UnitSystem, to_si

__all__ = ["ON_THE_LIMIT", "OperatorEnvelope", "from_curtailments"]

Floats = NDArray[np.float64]

#: A planned CG so little outside (% MAC) stands on the limit, which is inside: sums of rounded
#: figures are not exact to the last bit.
ON_THE_LIMIT: Final = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class OperatorEnvelope:
    """Limits a load sheet must keep, by kind of mass; a kind without limits admits everything.

    Attributes
    ----------
    name : str
        What it is called in tables and charts.
    zero_fuel, take_off, landing : Limits or None
        % MAC against the mass of the kind (kg), straight between points, constant beyond them.
    """

    name: str
    zero_fuel: Limits | None = None
    take_off: Limits | None = None
    landing: Limits | None = None

    def limits(self, kind: str) -> Limits | None:
        """Return the limits of a kind of mass.

        Raises
        ------
        UsageError
            If there is no such kind.
        """
        if kind not in MASS_KINDS:
            raise UsageError(
                argument="kind",
                expected=f"one of {', '.join(MASS_KINDS)}",
                got=kind,
                cure="Name one of them.",
            )
        found: Limits | None = getattr(self, kind)
        return found

    def margin(self, kind: str, *, mass_kg: ArrayLike, cg_pct: ArrayLike, side: str) -> Floats:
        """Return the margin (% MAC), positive inside; infinity where the kind has no limits.

        Parameters
        ----------
        kind : str
            zero_fuel, take_off or landing.
        mass_kg, cg_pct : array_like
            Planned mass of that kind (kg) and CG (% MAC), which broadcast.
        side : str
            forward or aft.
        """
        limits = self.limits(kind)
        if limits is None:
            return np.full(np.broadcast(mass_kg, cg_pct).shape, np.inf)
        return limits.margin(mass_kg, cg_pct, side=side)

    def admits(self, kind: str, *, mass_kg: ArrayLike, cg_pct: ArrayLike) -> NDArray[np.bool_]:
        """Return whether planned points are inside; on a limit is inside (to 1e-9 % MAC).

        Parameters
        ----------
        kind, mass_kg, cg_pct
            As in :meth:`margin`.
        """
        margins = [
            self.margin(kind, mass_kg=mass_kg, cg_pct=cg_pct, side=side)
            for side in ("forward", "aft")
        ]
        return np.asarray(np.minimum(*margins) >= -ON_THE_LIMIT)

    def frame(self, *, system: UnitSystem = "kg/m") -> pd.DataFrame:
        """Return the envelope as :meth:`from_file` reads it: mass_kind, mass, forward, aft."""
        unit = to_si(1.0, dimension="mass", system=system)
        rows: list[tuple[str, float, float, float]] = []
        for kind in MASS_KINDS:
            limits = self.limits(kind)
            if limits is not None:
                rows += [(kind, mass / unit, fwd, aft) for mass, fwd, aft in _rows(limits)]
        return pd.DataFrame(rows, columns=list(ENVELOPE_COLUMNS))

    @classmethod
    def from_file(
        cls, path: str | Path, *, system: UnitSystem = "kg/m", name: str = "new envelope"
    ) -> OperatorEnvelope:
        """Read an envelope; see :func:`cgrisk.scenario.envelope_file.read_envelope`.

        Raises
        ------
        InputError
            With all faults of the file.
        """
        table = read_envelope(path, system=system)
        kinds: dict[str, Limits] = {}
        for kind in MASS_KINDS:
            points = getattr(table, kind)
            if points is not None:
                kinds[kind] = Limits(
                    forward_mass_kg=np.array(points.mass_kg),
                    forward_pct=np.array(points.forward_pct),
                    aft_mass_kg=np.array(points.mass_kg),
                    aft_pct=np.array(points.aft_pct),
                )
        return cls(name, **kinds)


def _rows(limits: Limits) -> list[tuple[float, float, float]]:
    """Return (mass, forward, aft) rows on the masses of both sides; a step of a side is two."""
    masses = np.unique(np.concatenate([limits.points(side)[0] for side in ("forward", "aft")]))
    if masses.size == 1:  # a file needs two rows of a kind
        masses = np.array([masses[0], masses[0] + 1.0])
    rows = []
    for mass in masses.tolist():
        ends = []
        for side in ("forward", "aft"):
            at, pct = limits.points(side)
            here = np.flatnonzero(at == mass)
            if here.size:
                ends.append((float(pct[here[0]]), float(pct[here[-1]])))
            else:
                between = float(limits.limit(mass, side=side))
                ends.append((between, between))
        (forward, after), (aft, beyond) = ends
        rows.append((mass, forward, aft))
        if (after, beyond) != (forward, aft):
            rows.append((mass, after, beyond))
    return rows


def from_curtailments(model: FlightModel, *, name: str = "old envelope") -> OperatorEnvelope:
    """Return the scenario's curtailments as an envelope for take-off and landing mass.

    The scenario's curtailments hold for the planned path, phase by phase. At take-off and landing
    the path is a point at a mass, and the curtailed limits of that phase are limits of this form;
    they say nothing of the zero-fuel point, at which nobody flies, so that kind has no limits. The
    phases between are judged by the path itself: ``model.operational_margins``.

    Parameters
    ----------
    model : FlightModel
        Scenario made ready to fly.
    name : str
        Of the envelope.
    """
    scenario = model.scenario
    certified = certified_limits(scenario.aircraft)
    operational = scenario.operation.operational_envelope
    flown = {phase.kind for phase in scenario.operation.phases}
    kinds: dict[str, Limits] = {}
    for kind in ("take_off", "landing"):
        if kind in flown and kind in certified:
            kinds[kind] = certified[kind]
            if operational is not None:
                group = operational.take_off_and_landing
                kinds[kind] = curtailed(
                    certified[kind], forward_pct=group.forward, aft_pct=group.aft
                )
    return OperatorEnvelope(name, **kinds)
