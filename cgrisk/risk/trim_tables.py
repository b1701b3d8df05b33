"""The tables of trim and take-off of one sample, and the lines of text made of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from cgrisk.risk.chance_text import chance_text
from cgrisk.risk.trim import (
    SETTING_NOTE,
    crew_table,
    margins,
    required_authority,
    take_off_figures,
    take_off_risk,
    trim_demand,
    trim_left_out,
    trim_rate,
    trim_risk,
)
from cgrisk.sampling import Sample

__all__ = ["TrimTables", "trim_lines", "trim_tables"]

#: Half the last digit of what is printed (trim units).
_HALF_DIGIT = 0.05

_OUT = {
    "nose_up_stop": "demand beyond the nose-up stop",
    "nose_down_stop": "demand beyond the nose-down stop",
    "rate": "elevator share used up while trim lags",
}
_EVENTS = {
    "uncommanded_rotation": "nose lifts by itself up to VR (tail-strike risk)",
    "no_rotation": "does not rotate at VR with the stated pull",
    "nose_lifts_at_release": "nose lifts at brake release",
}


@dataclass(frozen=True, slots=True)
class TrimTables:
    """What one sample says of trim; tables are empty where what they need is not given."""

    left_out: tuple[str, ...]
    demand: pd.DataFrame
    authority: pd.DataFrame
    risk: pd.DataFrame
    rate: pd.DataFrame
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
            "trim_rate": self.rate,
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
            "rate": self.rate.to_dict("records"),
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
        rate=trim_rate(sample),
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
    events = tables.take_off[tables.take_off["event"] != "needed_outside_band"]
    if not events.empty:
        lines.append("  CG error needed (% MAC, aft positive), and probability per flight")
    for _, row in events.iterrows():
        need = row["cg_error_needed_pct_mac"]
        text = "     none" if math.isnan(need) else f"{need:+9.1f}"
        lines.append(f"  {text}  {_EVENTS[row['event']]:<50}{_chance(row)}")
    return [*lines, *_band_lines(tables), *_crew_lines(tables)]


def _chance(row: pd.Series) -> str:
    return chance_text(row["estimate"], low=row["low"], high=row["high"])


def _band_lines(tables: TrimTables) -> list[str]:
    """Return the two bands, each by itself, and whether the one reaches beyond the other."""
    figures, lines = tables.figures, []
    least, most = figures.get("usable_band_least_units"), figures.get("usable_band_most_units")
    if least is not None and most is not None:
        lines.append(
            f"  usable band (computed) {least:.1f} to {most:.1f} units; its margin below VR is "
            "borrowed from AMC 25.107(e)(4)"
        )
    low, high = figures["trim_band_least_units"], figures["trim_band_most_units"]
    if low is None or high is None:
        return lines
    made = "inside" if figures["setting_made_is_in_trim_band"] else "OUTSIDE"
    row = tables.take_off[tables.take_off["event"] == "needed_outside_band"].iloc[0]
    lines.append(
        f"  take-off trim band (given) {low:.1f} to {high:.1f} units: the setting made is {made}, "
        f"the one needed outside on {_chance(row)}"
    )
    if least is None or most is None:
        return lines
    if low < least - _HALF_DIGIT or high > most + _HALF_DIGIT:
        lines.append("  the given band reaches beyond the usable one: no warning, yet not usable")
    return lines


def _crew_lines(tables: TrimTables) -> list[str]:
    crew = tables.crew
    lines: list[str] = []
    if crew.empty:
        return lines
    first = crew["from_zone"].iloc[0]
    for phase in [p for p in ("take_off", "cruise") if p in set(crew["phase"])]:
        part = crew[(crew["phase"] == phase) & (crew["from_zone"] == first)]
        row = part[part["to_zone"] == part["to_zone"].iloc[-1]].iloc[0]
        held = row["elevator_deg"]
        felt = "" if math.isnan(held) else f", held by {abs(held):.1f} deg of elevator"
        way = "" if math.isnan(held) else " (push)" if held > 0.0 else " (pull)"
        lines.append(
            f"  {row['people']} people from zone {first} to {row['to_zone']}, {phase}: "
            f"{row['trim_units']:+.2f} units of nose-up trim{felt}{way}"
        )
    return lines


def _flight_lines(tables: TrimTables) -> list[str]:
    authority = tables.authority
    if authority.empty:
        return []
    lines = [
        "",
        "Required trim authority beyond the planned demand, at risk 0.01, cgrisk's own default: no "
        "authority publishes one (left to the stop)",
    ]
    part = authority[authority["risk"] == 0.01]
    for phase in part["phase"].unique():
        cells = []
        for _, row in part[part["phase"] == phase].iterrows():
            way = str(row["direction"]).replace("_", " ")
            text = f"{row['reserve_deg']:.2f} deg ({row['left_deg']:.1f})"
            cells.append(
                f"{way} {text if math.isfinite(row['reserve_deg']) else 'too few flights'}"
            )
        lines.append(f"  {phase:<14}{', '.join(cells)}")
    out = tables.risk[(tables.risk["phase"] == "any")]
    for _, row in out.iterrows():
        lines.append(f"  {_OUT[row['event']]}: {_chance(row)}")
    return [*lines, f"  {SETTING_NOTE}"]
