"""The load sheet: what the papers say, rounded as papers are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import CabinPlan, balance_of, dry_operating, zone_arms
from cgrisk.flight.paper_masses import zone_mass_on_sheet_kg
from cgrisk.scenario import Scenario
from cgrisk.units import round_to

__all__ = ["LoadSheet", "SheetLine", "make_load_sheet"]


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One line of the load sheet, rounded.

    Attributes
    ----------
    label : str
        What the line stands for.
    kind : {"dry", "zone", "hold"}
        Kind of line.
    mass_kg, arm_m : float
        Rounded mass and arm.
    index : float
        Rounded index of the line, without the index constant.
    """

    label: str
    kind: str
    mass_kg: float
    arm_m: float
    index: float


@dataclass(frozen=True, slots=True)
class LoadSheet:
    """Lines and answer of the load sheet.

    Attributes
    ----------
    lines : tuple of SheetLine
        Dry operating mass, zones, holds.
    zero_fuel_mass_kg : float
        Sum of the lines.
    zero_fuel_index : float
        Sum of the rounded indices, constant included.
    zero_fuel_cg_pct_mac : float
        CG from that index, rounded: the planned zero-fuel CG.
    zero_fuel_moment_kgm : float
        Moment that mass and rounded CG stand for.
    rounding_kg, rounding_kgm : float
        Mass and moment of the unrounded lines (with rounded arms) less those of the answer.
    """

    lines: tuple[SheetLine, ...]
    zero_fuel_mass_kg: float
    zero_fuel_index: float
    zero_fuel_cg_pct_mac: float
    zero_fuel_moment_kgm: float
    rounding_kg: float
    rounding_kgm: float

    def arms(self, kind: str) -> NDArray[np.float64]:
        """Return the arms of all lines of a kind, in order."""
        return np.array([line.arm_m for line in self.lines if line.kind == kind], dtype=np.float64)

    def frame(self) -> pd.DataFrame:
        """Return the lines as a frame: label, kind, mass_kg, arm_m, index."""
        rows = [(x.label, x.kind, x.mass_kg, x.arm_m, x.index) for x in self.lines]
        return pd.DataFrame(rows, columns=["label", "kind", "mass_kg", "arm_m", "index"])


def _unrounded_lines(scenario: Scenario, plan: CabinPlan) -> list[tuple[str, str, float, float]]:
    operation, rules = scenario.operation, scenario.operation.load_sheet
    dry_mass, dry_arm = dry_operating(scenario.aircraft)
    lines = [("dry operating mass", "dry", dry_mass, dry_arm)]
    for zone, arm in zip(operation.zones, zone_arms(scenario, plan), strict=True):
        mass = zone_mass_on_sheet_kg(operation, zone)
        lines.append((f"zone {zone.name}", "zone", mass, round_to(float(arm), rules.arm_step)))
    loads = {load.hold: load for load in operation.hold_loads}
    for hold in scenario.aircraft.holds:
        load = loads.get(hold.name)
        mass = 0.0 if load is None else load.bags * rules.bag_mass + load.cargo
        lines.append((hold.name, "hold", mass, round_to(hold.arm, rules.arm_step)))
    return lines


def make_load_sheet(scenario: Scenario, *, plan: CabinPlan) -> LoadSheet:
    """Fill in the load sheet of a scenario.

    Parameters
    ----------
    scenario : Scenario
        Checked scenario.
    plan : CabinPlan
        Its cabin.

    Returns
    -------
    LoadSheet
        Every line's mass, arm and index rounded to the operation's steps, then the sum, then the
        CG.
    """
    balance, rules = balance_of(scenario.aircraft), scenario.operation.load_sheet
    unrounded = _unrounded_lines(scenario, plan)
    lines = []
    for label, kind, mass, arm in unrounded:
        rounded_mass = round_to(mass, rules.mass_step)
        index = rounded_mass * (arm - balance.index_arm_m) / balance.index_scale_kgm
        lines.append(SheetLine(label, kind, rounded_mass, arm, round_to(index, rules.index_step)))
    mass_sum = sum(line.mass_kg for line in lines)
    index_sum = sum(line.index for line in lines)
    arm = balance.index_arm_m + index_sum * balance.index_scale_kgm / mass_sum
    cg_pct = round_to(float(balance.arm_to_pct(arm)), rules.cg_step)
    moment = mass_sum * float(balance.pct_to_arm(cg_pct))
    return LoadSheet(
        lines=tuple(lines),
        zero_fuel_mass_kg=mass_sum,
        zero_fuel_index=index_sum + balance.index_constant,
        zero_fuel_cg_pct_mac=cg_pct,
        zero_fuel_moment_kgm=moment,
        rounding_kg=sum(mass for _, _, mass, _ in unrounded) - mass_sum,
        rounding_kgm=sum(mass * arm for _, _, mass, arm in unrounded) - moment,
    )
