"""Where a planned load stands: its points, and what an envelope says of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from cgrisk.decide.load_state import LoadState
from cgrisk.decide.operator_envelope import ON_THE_LIMIT, OperatorEnvelope
from cgrisk.flight import FlightModel
from cgrisk.flight.loadsheet import make_load_sheet
from cgrisk.scenario.envelope_file import MASS_KINDS
from cgrisk.scenario.operation_file import HoldLoad

__all__ = ["Points", "SheetPoints", "Verdict", "by_envelope", "by_path", "planned_points"]

_SIDES: Final = ("forward", "aft")
#: kind of mass -> (mass in kg, CG in % MAC)
Points = dict[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What an envelope says of a planned load.

    Attributes
    ----------
    forward_pct, aft_pct : float
        Least margin to each side (% MAC), positive inside; infinity where there is no limit.
    forward_where, aft_where : str
        Kind of mass, or phase, in which it is met.
    forward_kgm, aft_kgm : float
        Least moment (kg m) that would put the load on that side's limit; negative: that is how
        much of it is outside.
    """

    forward_pct: float
    aft_pct: float
    forward_where: str
    aft_where: str
    forward_kgm: float
    aft_kgm: float

    @property
    def side(self) -> str:
        """Side on which the load is outside: forward, aft, both, or nothing where it is inside."""
        out = [self.forward_pct < -ON_THE_LIMIT, self.aft_pct < -ON_THE_LIMIT]
        return "both" if all(out) else "forward" if out[0] else "aft" if out[1] else ""

    @property
    def refused(self) -> bool:
        """Whether the load is outside."""
        return self.side != ""

    @property
    def where(self) -> str:
        """Kind of mass or phase in which the load is furthest outside; nothing where inside."""
        if not self.refused:
            return ""
        return self.forward_where if self.forward_pct < self.aft_pct else self.aft_where


def planned_points(model: FlightModel) -> Points:
    """Return mass (kg) and CG (% MAC) of the planned load by kind of mass, of those it flies.

    Take-off and landing mass are those at the start of these phases.
    """
    sheet = model.sheet
    points: Points = {"zero_fuel": (sheet.zero_fuel_mass_kg, sheet.zero_fuel_cg_pct_mac)}
    kinds = [phase.kind for phase in model.scenario.operation.phases]
    codes = model.planned["phase"].cat.codes.to_numpy()
    for kind in ("take_off", "landing"):
        if kind in kinds:
            row = model.planned.iloc[int(np.argmax(codes == kinds.index(kind)))]
            points[kind] = (float(row["mass_kg"]), float(row["cg_pct_mac"]))
    return points


class SheetPoints:
    """The planned points of a load whose hold loads are changed: a new load sheet, the same fuel.

    Parameters
    ----------
    model : FlightModel
        The load, made ready to fly. Its fuel's moment is the same whatever the holds carry.
    """

    def __init__(self, model: FlightModel) -> None:
        self._model = model
        self._fuel: dict[str, tuple[float, float]] = {}
        zero = model.sheet.zero_fuel_mass_kg, model.sheet.zero_fuel_moment_kgm
        for kind, (mass, cg) in planned_points(model).items():
            if kind != "zero_fuel":
                moment = mass * model.balance.pct_to_arm(cg)
                self._fuel[kind] = (mass - zero[0], moment - zero[1])

    def of(self, state: LoadState) -> Points:
        """Return the points of a state that differs from the model's in its holds alone."""
        scenario, balance = self._model.scenario, self._model.balance
        loads = tuple(
            HoldLoad(hold=hold.name, bags=bags, cargo=cargo)
            for hold, bags, cargo in zip(
                scenario.aircraft.holds, state.bags, state.cargo_kg, strict=True
            )
        )
        operation = scenario.operation.model_copy(update={"hold_loads": loads})
        sheet = make_load_sheet(replace(scenario, operation=operation), plan=self._model.plan)
        points: Points = {"zero_fuel": (sheet.zero_fuel_mass_kg, sheet.zero_fuel_cg_pct_mac)}
        for kind, (mass, moment) in self._fuel.items():
            total = sheet.zero_fuel_mass_kg + mass
            points[kind] = (
                total,
                balance.cg_pct_mac(total, sheet.zero_fuel_moment_kgm + moment),
            )
        return points


def by_envelope(envelope: OperatorEnvelope, *, points: Points, mac_m: float) -> Verdict:
    """Return what an envelope for zero-fuel, take-off and landing mass says of planned points.

    Parameters
    ----------
    envelope : OperatorEnvelope
    points : dict
        From :func:`planned_points`.
    mac_m : float
        Mean aerodynamic chord (m).
    """
    rows: list[tuple[str, str, float, float]] = []
    for kind in MASS_KINDS:
        if kind in points and envelope.limits(kind) is not None:
            mass, cg = points[kind]
            for side in _SIDES:
                margin = float(envelope.margin(kind, mass_kg=mass, cg_pct=cg, side=side))
                rows.append((side, kind, margin, margin * mass * mac_m / 100.0))
    return _verdict(rows)


def by_path(margins: pd.DataFrame) -> Verdict:
    """Return what limits that hold phase by phase say of the planned path.

    Parameters
    ----------
    margins : pandas.DataFrame
        ``planned_margins`` (certified limits) or ``operational_margins`` (with the scenario's
        curtailments) of a model.
    """
    columns = ("side", "phase", "margin_pct_mac", "moment_margin_kgm")
    return _verdict(list(zip(*(margins[name].tolist() for name in columns), strict=True)))


def _verdict(rows: list[tuple[str, str, float, float]]) -> Verdict:
    found: list[tuple[float, str, float]] = []
    for side in _SIDES:
        here = [row for row in rows if row[0] == side]
        if here:
            nearest = min(here, key=lambda row: row[2])
            found.append((nearest[2], nearest[1], min(row[3] for row in here)))
        else:
            found.append((np.inf, "", np.inf))
    (forward, forward_at, forward_kgm), (aft, aft_at, aft_kgm) = found
    return Verdict(forward, aft, forward_at, aft_at, forward_kgm, aft_kgm)
