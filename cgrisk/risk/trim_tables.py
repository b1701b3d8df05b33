"""The tables of trim and take-off of one sample, and the lines of text made of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from cgrisk.risk.trim import (
    SETTING_NOTE,
    crew_table,
    margins,
    required_authority,
    take_off_figures,
    take_off_risk,
    trim_demand,
    trim_left_out,
    trim_risk,
)
from cgrisk.sampling import Sample

__all__ = ["TrimTables", "trim_lines", "trim_tables"]

_EVENTS = {
    "uncommanded_rotation": "nose lifts before VR by itself (tail strike)",
    "no_rotation": "does not rotate at VR with the stated pull",
    "nose_lifts_at_release": "nose lifts at brake release",
    "needed_outside_band": "setting needed is outside the take-off trim band",
}


@dataclass(frozen=True, slots=True)
class TrimTables:
    """What one sample says of trim; tables are empty where what they need is not given."""

    left_out: tuple[str, ...]
    demand: pd.DataFrame
    authority: pd.DataFrame
    risk: pd.DataFrame
    margins: pd.DataFrame
    figures: dict[str, float | None]
    take_off: pd.DataFrame
    crew: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by the name of their file, empty ones left out."""
        figures = pd.DataFrame(list(self.figures.items()), columns=["figure", "value"])
        found = {
            "trim_demand": self.demand,
            "trim_authority": self.authority,
            "trim_risk": self.risk,
            "trim_margins": self.margins,
            "take_off_setting": figures,
            "take_off_risk": self.take_off,
            "crew": self.crew,
        }
        return {name: table for name, table in found.items() if not table.empty}

    def in_flight(self) -> dict[str, Any]:
        """Return trim in flight as plain tables."""
        return {
            "left_out": list(self.left_out),
            "note": SETTING_NOTE,
            "demand": self.demand.to_dict("records"),
            "required_authority": self.authority.to_dict("records"),
            "risk": self.risk.to_dict("records"),
            "margins": self.margins.to_dict("records"),
        }

    def at_take_off(self) -> dict[str, Any]:
        """Return the take-off as plain tables."""
        return {
            "setting": self.figures,
            "risk": self.take_off.to_dict("records"),
            "crew": self.crew.to_dict("records"),
        }


def trim_tables(sample: Sample, *, confidence: float = 0.95) -> TrimTables:
    """Return all tables of trim and take-off of a sample."""
    return TrimTables(
        left_out=tuple(trim_left_out(sample.model)),
        demand=trim_demand(sample, confidence=confidence),
        authority=required_authority(sample, confidence=confidence),
        risk=trim_risk(sample, confidence=confidence),
        margins=margins(sample),
        figures=take_off_figures(sample),
        take_off=take_off_risk(sample, confidence=confidence),
        crew=crew_table(sample.model),
    )


def trim_lines(tables: TrimTables) -> list[str]:
    """Return take-off and trim in short, for a terminal."""
    return [*_take_off_lines(tables), *_flight_lines(tables), *_left_out(tables)]


def _left_out(tables: TrimTables) -> list[str]:
    return ["", *tables.left_out] if tables.left_out else []


def _take_off_lines(tables: TrimTables) -> list[str]:
    figures = tables.figures
    if not figures:
        return []
    low, high = figures["mis_trim_5_pct_units"], figures["mis_trim_95_pct_units"]
    lines = [
        "",
        f"Take-off: setting made {figures['setting_made_units']:.1f} units; made less needed "
        f"{low:+.2f} to {high:+.2f} units on 90 % of flights",
    ]
    least, most = figures.get("usable_band_least_units"), figures.get("usable_band_most_units")
    if least is not None and most is not None:
        lines.append(f"  usable band (computed) {least:.1f} to {most:.1f} units")
    least, most = figures["trim_band_least_units"], figures["trim_band_most_units"]
    if least is not None and most is not None:
        lines.append(f"  take-off trim band (given) {least:.1f} to {most:.1f} units")
    if not tables.take_off.empty:
        lines.append("  CG error needed, % MAC, and probability per flight")
    for _, row in tables.take_off.iterrows():
        need = row["cg_error_needed_pct_mac"]
        text = "          " if math.isnan(need) else f"{need:+9.1f} "
        chance = f"at most {row['high']:.2g}"
        if row["hits"]:
            chance = f"{row['estimate']:.2g} ({row['low']:.2g} to {row['high']:.2g})"
        lines.append(f"  {text} {_EVENTS[row['event']]:<52}{chance}")
    if not tables.crew.empty:
        row = tables.crew.iloc[len(tables.crew) // 2]
        held = row["elevator_deg"]
        felt = "" if math.isnan(held) else f", felt as {held:+.1f} deg of elevator"
        lines.append(
            f"  {row['people']} people from zone {row['from_zone']} to zone {row['to_zone']}: "
            f"{row['trim_units']:+.2f} trim units{felt}"
        )
    return lines


def _flight_lines(tables: TrimTables) -> list[str]:
    authority = tables.authority
    if authority.empty:
        return []
    lines = [
        "",
        "Required trim authority beyond the planned demand, at risk 0.01 (left to the stop)",
    ]
    part = authority[authority["risk"] == 0.01]
    for phase in part["phase"].unique():
        cells = []
        for _, row in part[part["phase"] == phase].iterrows():
            way = str(row["direction"]).replace("_", " ")
            reserve = f"{row['reserve_deg']:.2f} deg" if math.isfinite(row["reserve_deg"]) else "?"
            cells.append(f"{way} {reserve} ({row['left_deg']:.1f})")
        lines.append(f"  {phase:<14}{', '.join(cells)}")
    out = tables.risk[(tables.risk["phase"] == "any")]
    for _, row in out.iterrows():
        if row["hits"]:
            name = str(row["event"]).replace("_", " ")
            lines.append(
                f"  {name} runs out: {row['estimate']:.2g} ({row['low']:.2g} to {row['high']:.2g})"
            )
    return lines
