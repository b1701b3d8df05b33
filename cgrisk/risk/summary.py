"""All tables of one sample, and the one answer made of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from cgrisk.flight import GROUPS, SIDES, OperationalShift, operational_shift
from cgrisk.risk.cabin import cabin_figures, occupancy, times_up
from cgrisk.risk.chance_text import chance_text
from cgrisk.risk.entry import entry_consequences
from cgrisk.risk.freezing import frozen_shares
from cgrisk.risk.readings import (
    AS_PLANNED,
    AT_LIMIT,
    FEWEST_FOR_SHARES,
    cause_shares,
    error_quantiles,
    excess_quantiles,
    fleet_risk,
    leave_envelope,
    nearest_flights,
    offset_curve,
    outside,
    over_mass,
)
from cgrisk.risk.trim_tables import TrimTables, trim_lines, trim_tables
from cgrisk.sampling import Sample
from cgrisk.scenario.registry import HELD

__all__ = ["CAUTIONS", "Summary", "figures_text", "plain", "probability_text", "summarise"]

#: Stands on every output.
CAUTIONS = (
    "cgrisk is a study aid, not approved data and not for dispatch. The certified limits, the "
    "operator's approved manual, the authority's rules and qualified staff decide. No authority "
    "publishes an acceptable probability of leaving a CG envelope: limits hold in every phase."
)


@dataclass(frozen=True, slots=True)
class Summary:
    """What one sample says; every attribute but ``sample`` and ``shifts`` is a table."""

    sample: Sample
    confidence: float
    shifts: tuple[OperationalShift, ...]
    leave: pd.DataFrame
    mass: pd.DataFrame
    offsets: pd.DataFrame
    excess: pd.DataFrame
    error: pd.DataFrame
    outside: pd.DataFrame
    causes: pd.DataFrame
    fleet: pd.DataFrame
    cabin: pd.DataFrame
    times_up: pd.DataFrame
    occupancy: pd.DataFrame
    frozen: pd.DataFrame
    nearest: pd.DataFrame
    trim: TrimTables
    entry: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by the name of their file."""
        return {
            "leave_envelope": self.leave,
            "over_mass": self.mass,
            "exceedance_by_offset": self.offsets,
            "excess_quantiles": self.excess,
            "error_quantiles": self.error,
            "outside": self.outside,
            "causes": self.causes,
            "fleet": self.fleet,
            "causes_frozen": self.frozen,
            "cabin": self.cabin,
            "times_up": self.times_up,
            "occupancy": self.occupancy,
            "nearest_flights": self.nearest,
            **self.trim.tables(),
            **({} if self.entry.empty else {"entry_errors": self.entry}),
            "load_sheet": self.sample.model.sheet.frame(),
            "planned_margins": self.sample.model.planned_margins,
        }

    def planned(self) -> dict[str, Any]:
        """Return the planned load in figures."""
        model, path = self.sample.model, self.sample.model.planned
        masses = {}
        for name, phase in (("take_off", "take_off"), ("landing", "landing")):
            kinds = [p.kind for p in model.scenario.operation.phases]
            if phase in kinds:
                row = path[path["phase"] == model.phases[kinds.index(phase)]].iloc[0]
                masses[f"{name}_mass_kg"] = float(row["mass_kg"])
                masses[f"{name}_cg_pct_mac"] = float(row["cg_pct_mac"])
        return {
            "zero_fuel_mass_kg": model.sheet.zero_fuel_mass_kg,
            "zero_fuel_cg_pct_mac": model.sheet.zero_fuel_cg_pct_mac,
            "zero_fuel_index": model.sheet.zero_fuel_index,
            **masses,
            "zero_fuel_cg_to_operational_limit_pct_mac": {
                s.side: s.offset_pct_mac for s in self.shifts
            },
            "margins": model.planned_margins.to_dict("records"),
        }

    def answer(self, *, flights_per_second: float) -> dict[str, Any]:
        """Return the whole answer as plain data for JSON: no NaN, no infinity."""
        keep = ["side", "phase", "reading", "estimate", "low", "high", "confidence", "method"]
        data = {
            "scenario": self.sample.model.scenario.name,
            "scenario_sha256": self.sample.model.scenario.digest(),
            "flights": self.sample.flights,
            "seed": self.sample.seed,
            "flights_per_second": flights_per_second,
            "planned": self.planned(),
            "leave_envelope": self.leave[keep].to_dict("records"),
            "over_mass": self.mass.to_dict("records"),
            "error_pct_mac": self.error.to_dict("records"),
            "excess_pct_mac": self.excess.to_dict("records"),
            "causes": self.causes.to_dict("records"),
            "outside": self.outside.to_dict("records"),
            "fleet": self.fleet.to_dict("records"),
            "causes_frozen": self.frozen.to_dict("records"),
            "cabin": self.cabin.to_dict("records"),
            "times_up": self.times_up.to_dict("records"),
            "nearest_flights": self.nearest.to_dict("records"),
            "precision": self.precision(),
            "trim": self.trim.in_flight(),
            "take_off": self.trim.at_take_off(),
            "entry_errors": self.entry.to_dict("records"),
            "held_at_stated_value": [of for _, of in HELD],
            "cautions": CAUTIONS,
        }
        return {key: plain(value) for key, value in data.items()}

    def precision(self) -> dict[str, Any] | None:
        """Return what precision was asked for and what became of it, if one was."""
        wanted = self.sample.precision
        if wanted is None:
            return None
        sides = {}
        for side in wanted.sides:
            row = self.leave[
                (self.leave["side"] == side)
                & (self.leave["phase"] == "any")
                & (self.leave["reading"] == AT_LIMIT)
            ].iloc[0]
            estimate = float(row["estimate"])
            half = 0.5 * float(row["high"] - row["low"])
            sides[side] = {
                "reached": side in self.sample.reached,
                "relative_half_width": half / estimate if estimate > 0.0 else None,
                "hits": int(row["hits"]),
                "flights": int(row["flights"]),
            }
        return {
            "relative_half_width": wanted.relative_half_width,
            "hits_wanted": wanted.hits,
            "sides": sides,
        }

    def precision_text(self) -> str:
        """Return whether the precision asked for was reached; empty if none was asked for."""
        found = self.precision()
        if found is None:
            return ""
        wanted = f"{100 * found['relative_half_width']:g} %"
        parts = []
        for side, got in found["sides"].items():
            if got["reached"]:
                parts.append(
                    f"{side}: {100 * got['relative_half_width']:.3g} % (asked {wanted}), with hit "
                    f"{got['hits']} in flight {got['flights']:,}."
                )
            else:
                parts.append(
                    f"{side}: NOT reached: {got['hits']} of {found['hits_wanted']} hits in "
                    f"{got['flights']:,} flights (asked {wanted}). Begin another run with more "
                    "--flights or a wider --precision."
                )
        return (
            "Relative half-width at the operational limit, any phase: " + " ".join(parts) + " "
            "That row counts flights up to this hit; all other rows count all flights, with wider "
            "intervals that hold whenever a run stops."
        )

    def decision(self) -> str:
        """Return the sentences that the operator acts on."""
        parts = []
        bare = self.sample.model.scenario.operation.operational_envelope is None
        limit = "certified limit (no operational one is given)" if bare else "operational limit"
        for shift in sorted(self.shifts, key=lambda s: s.offset_pct_mac)[:1]:
            side, offset = shift.side, shift.offset_pct_mac
            if shift.moment_kgm < 0.0:
                parts.append(
                    f"The planned zero-fuel CG is {-offset:.2g} % MAC too far {side}: the planned "
                    f"path is beyond the {limit} (in {shift.phase})."
                )
            else:
                parts.append(
                    f"The planned zero-fuel CG may move {offset:.2g} % MAC {side} before the "
                    f"planned path meets the {limit} (in {shift.phase})."
                )
            rows = self.leave[
                (self.leave["phase"] == "any") & (self.leave["reading"] == AT_LIMIT)
            ].sort_values(["estimate", "high"], ascending=False, kind="stable")
            told = [f"{row['side']} on {probability_text(row)}" for _, row in rows.iterrows()]
            how = {
                row["side"]: f"{row['flights']} flights, {row['method']}"
                for _, row in rows.iterrows()
            }
            if len(set(how.values())) == 1:
                found_by = next(iter(how.values()))
            else:
                found_by = "; ".join(f"{name}: {text}" for name, text in how.items())
            parts.append(
                "A load planned on that limit of a side leaves the certified envelope "
                f"{' and '.join(told)} of flights ({found_by}; "
                f"{100 * self.confidence:.0f} %)."
            )
            parts.append(
                "Compare the upper end with your own target: there is no published one. If it is "
                "too high, plan further from the limit (summaries/exceedance_by_offset.csv says "
                "how far), or work on the largest cause above."
            )
        return " ".join(parts)


def figures_text(summary: Summary) -> str:
    """Return the main figures as a short table for a terminal."""
    level = f"{100.0 * summary.confidence:g} % intervals"
    lines = [f"P(leave the certified envelope) per flight, with {level}, each by itself", ""]
    bare = summary.sample.model.scenario.operation.operational_envelope is None
    where = "on the certified limit (no operational one)" if bare else AT_LIMIT
    lines.append(f"{'side':<9}{'phases':<23}{AS_PLANNED:<34}{where}")
    for side in ("aft", "forward"):
        for group in GROUPS:
            texts = []
            for reading in (AS_PLANNED, AT_LIMIT):
                leave = summary.leave
                here = (leave["side"] == side) & (leave["phase"] == group)
                rows = leave[here & (leave["reading"] == reading)]
                texts += [probability_text(row) for _, row in rows.iterrows()]
            if texts:
                name = group.replace("_", " ")
                lines.append(f"{side:<9}{name:<23}{texts[0]:<34}{texts[1]}")
    lines += _cause_lines(summary.causes)
    lines += _in_flight_lines(summary.frozen)
    lines += _cabin_lines(summary.cabin)
    lines += trim_lines(summary.trim)
    lines += _entry_lines(summary.entry)
    operation = summary.sample.model.scenario.operation
    if operation.with_entry_errors and not operation.entry_errors:
        lines += ["", "Entry errors were asked for; the operation states none ([[entry_errors]])."]
    for _, row in summary.mass.iterrows():
        if row["hits"] > 0:
            name = str(row["maximum"]).replace("_", "-")
            lines.append(f"  above the maximum {name} mass: {probability_text(row)}")
    return "\n".join(lines)


def _cause_lines(causes: pd.DataFrame) -> list[str]:
    if not causes["share_of_variance"].notna().all():
        return ["", f"Causes are told apart from {FEWEST_FOR_SHARES} flights on."]
    largest = causes.sort_values("sd_pct_mac", ascending=False).head(4)
    columns = (largest[name].tolist() for name in ("cause", "sd_pct_mac", "share_of_variance"))
    return [
        "",
        "Largest causes of the CG error at take-off (standard deviation, % MAC)",
        *(
            f"  {name:<14}{sd:6.2f}   {100 * share:z4.0f} % of variance"
            for name, sd, share in zip(*columns, strict=True)
        ),
    ]


def _in_flight_lines(frozen: pd.DataFrame) -> list[str]:
    answer = frozen[frozen["answer"] == "most_aft_error_in_flight"]
    if not answer["share"].notna().all():
        return []
    named = answer[answer["cause"] != "together"].sort_values("share", ascending=False).head(4)
    parts = [f"{row['cause']} {100 * row['share']:.0f} %" for _, row in named.iterrows()]
    error = 100 * float(named["standard_error"].max())
    return [
        "",
        "Most aft CG error in flight: variance that goes when a cause is frozen",
        f"  {', '.join(parts)} (standard error up to {error:.0f} %)",
    ]


def _cabin_lines(cabin: pd.DataFrame) -> list[str]:
    by_name = cabin.set_index("figure")
    up, most = by_name.loc["mean_up"], by_name.loc["most_up"]
    queue, wait = by_name.loc["longest_queue"], by_name.loc["wait_per_visit_s"]
    waits = bool(wait.notna()["mean"])
    told = f"mean wait {wait['mean'] / 60.0:.1f} min" if waits else "nobody goes to a lavatory"
    return [
        "",
        f"Cabin: {up['mean']:.1f} passengers up on average, at most {most['q50']:.0f} at once on "
        f"half the flights, {most['q95']:.0f} or more on 5 %;",
        f"  longest queue {queue['q50']:.0f} on half the flights, {queue['q95']:.0f} or more on "
        f"5 %; {told}",
    ]


def _entry_lines(entry: pd.DataFrame) -> list[str]:
    if entry.empty:
        return []
    lines = ["", "Given an error on the load sheet (apart from the figures above)"]
    for name in entry["error"].unique():
        part = entry[entry["error"] == name]
        row = part.iloc[0]
        if row["flights"] == 0:
            lines.append(f"  {row['meaning']}")
            continue
        units = row["setting_shift_units"]
        trim = "" if math.isnan(units) else f", setting needed {units:+.2f} units"
        lines.append(
            f"  {row['meaning']}: CG {row['cg_shift_pct_mac']:+.2f} % MAC, "
            f"{row['mass_shift_kg']:+,.0f} kg{trim}"
        )
        for _, event in part.iterrows():
            text = str(event["event"]).replace("_", " ").replace(".", ", ")
            if event["hits"] > 0 or "rotation" in text:
                lines.append(f"    {text}: {probability_text(event)}")
    return lines


def probability_text(row: pd.Series) -> str:
    """Return a probability with its interval for people; no event is a bound, never 0."""
    return chance_text(row["estimate"], low=row["low"], high=row["high"])


def plain(value: Any) -> Any:
    """Return a value as plain data for JSON: no numpy types, no NaN or infinity (None instead)."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def summarise(sample: Sample, *, confidence: float = 0.95) -> Summary:
    """Compute all tables of a sample.

    Parameters
    ----------
    sample : Sample
        Flights.
    confidence : float
        Of each interval by itself.
    """
    return Summary(
        sample=sample,
        confidence=confidence,
        shifts=tuple(operational_shift(sample.model, side=side) for side in SIDES),
        leave=leave_envelope(sample, confidence=confidence),
        mass=over_mass(sample, confidence=confidence),
        offsets=pd.concat(
            [offset_curve(sample, side=side, confidence=confidence) for side in SIDES],
            ignore_index=True,
        ),
        excess=excess_quantiles(sample, confidence=confidence),
        error=error_quantiles(sample, confidence=confidence),
        outside=outside(sample),
        causes=cause_shares(sample),
        fleet=fleet_risk(sample, confidence=confidence),
        cabin=cabin_figures(sample),
        times_up=times_up(sample),
        occupancy=occupancy(sample),
        frozen=frozen_shares(sample),
        nearest=nearest_flights(sample),
        trim=trim_tables(sample, confidence=confidence),
        entry=entry_consequences(sample),
    )
