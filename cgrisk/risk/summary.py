"""All that one sample says, as tables for files and as one answer for programs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from cgrisk.flight import SIDES, FlightModel
from cgrisk.risk.exceedance import OffsetForRisk, offset_for_risk
from cgrisk.risk.readings import (
    cause_shares,
    error_quantiles,
    excess_quantiles,
    fleet_risk,
    least_moment_margin,
    leave_envelope,
    offset_curve,
    operational_shift,
    outside,
    over_mass,
)
from cgrisk.sampling import Sample
from cgrisk.scenario import Scenario
from cgrisk.scenario.registry import HELD

__all__ = [
    "CAUTIONS",
    "RISKS",
    "Summary",
    "allowed_offsets",
    "held_at_stated_value",
    "plain",
    "planned_points",
    "room_to_limits",
    "summarise",
]

#: What every answer opens or closes with.
CAUTIONS = (
    "cgrisk is a study aid: its results are not approved data and are not for dispatch.",
    "The certified limits, the operator's approved manual, the authority's rules and qualified "
    "staff decide.",
    "No authority publishes a target risk for leaving a centre-of-gravity envelope; a buffer "
    "below the conventional one needs the authority's agreement.",
    "Intervals tell numerical error alone, not how far the scenario's assumptions are off.",
)
#: Risks for which the allowed offset is told. Orders of size to read between, not targets.
RISKS = (1e-2, 1e-3, 1e-4)

_ANSWER_INTERVAL = ["estimate", "low", "high", "confidence", "method"]


@dataclass(frozen=True, slots=True)
class Summary:
    """Every table of one sample.

    Attributes
    ----------
    scenario : str
        Name of the operation.
    flights, seed : int
        Of the sample.
    confidence : float
        Of each interval by itself.
    planned : pandas.DataFrame
        See :func:`planned_points`.
    room : pandas.DataFrame
        See :func:`room_to_limits`.
    leave_envelope, over_mass, excess_quantiles, error_quantiles, outside, cause_shares, \
fleet_risk : pandas.DataFrame
        See the functions of the same names in :mod:`cgrisk.risk.readings`.
    offset_curve : pandas.DataFrame
        Exceedance over the whole flight against the planned CG's offset, both sides.
    allowed_offsets : pandas.DataFrame
        See :func:`allowed_offsets`.
    held : tuple of dict
        Doubts of the operation that the run holds at their stated value.
    """

    scenario: str
    flights: int
    seed: int
    confidence: float
    planned: pd.DataFrame
    room: pd.DataFrame
    leave_envelope: pd.DataFrame
    over_mass: pd.DataFrame
    offset_curve: pd.DataFrame
    allowed_offsets: pd.DataFrame
    excess_quantiles: pd.DataFrame
    error_quantiles: pd.DataFrame
    outside: pd.DataFrame
    cause_shares: pd.DataFrame
    fleet_risk: pd.DataFrame
    held: tuple[dict[str, Any], ...]

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by file stem."""
        return {
            "planned": self.planned,
            "room_to_limits": self.room,
            "leave_envelope": self.leave_envelope,
            "over_mass": self.over_mass,
            "offset_curve": self.offset_curve,
            "allowed_offsets": self.allowed_offsets,
            "excess_quantiles": self.excess_quantiles,
            "error_quantiles": self.error_quantiles,
            "outside": self.outside,
            "cause_shares": self.cause_shares,
            "fleet_risk": self.fleet_risk,
        }

    def answer(self, *, flights_per_second: float) -> dict[str, Any]:
        """Return the answer as plain data for strict JSON.

        Parameters
        ----------
        flights_per_second : float
            Of the run, compilation apart.

        Returns
        -------
        dict
            scenario, flights, seed, flights_per_second, planned, leave_envelope, over_mass,
            error_pct_mac, excess_pct_mac, causes, fleet, outside, held_at_stated_value, cautions.
            A number that a sample cannot give is None.
        """
        envelope = self.leave_envelope[["side", "phase", "reading", *_ANSWER_INTERVAL]]
        answer = {
            "scenario": self.scenario,
            "flights": self.flights,
            "seed": self.seed,
            "flights_per_second": flights_per_second,
            "planned": {
                **{row.pop("point"): row for row in _records(self.planned)},
                "room_to_limits": _records(self.room),
                "allowed_offsets": _records(self.allowed_offsets),
            },
            "leave_envelope": _records(envelope),
            "over_mass": _records(self.over_mass),
            "error_pct_mac": _records(self.error_quantiles),
            "excess_pct_mac": _records(self.excess_quantiles),
            "causes": _records(self.cause_shares),
            "fleet": _records(self.fleet_risk),
            "outside": _records(self.outside),
            "held_at_stated_value": list(self.held),
            "cautions": list(CAUTIONS),
        }
        cleaned: dict[str, Any] = plain(answer)
        return cleaned


def plain(value: Any) -> Any:
    """Return plain data for strict JSON: numpy numbers as Python's, no NaN or infinity (None)."""
    if isinstance(value, dict):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict(orient="records")]


def planned_points(model: FlightModel) -> pd.DataFrame:
    """Return the planned masses and CGs.

    Returns
    -------
    pandas.DataFrame
        point (zero_fuel, take_off, landing), mass_kg, cg_pct_mac; landing as it begins.
    """
    sheet, timeline = model.sheet, model.program.timeline
    rows = [("zero_fuel", sheet.zero_fuel_mass_kg, sheet.zero_fuel_cg_pct_mac)]
    for point, phase in (("take_off", timeline.take_off), ("landing", timeline.landing)):
        first = model.planned[model.planned["phase"] == model.phases[phase]].iloc[0]
        rows.append((point, float(first["mass_kg"]), float(first["cg_pct_mac"])))
    return pd.DataFrame(rows, columns=["point", "mass_kg", "cg_pct_mac"])


def _scale_kgm(model: FlightModel) -> float:
    """Return the moment that moves the planned zero-fuel CG by 1 % MAC."""
    return model.sheet.zero_fuel_mass_kg * model.balance.mac_m / 100.0


def room_to_limits(model: FlightModel) -> pd.DataFrame:
    """Return how far the planned CG may move at constant mass before its path meets each limit.

    Returns
    -------
    pandas.DataFrame
        side, limit (operational, certified), room_pct_mac (of the zero-fuel CG, negative beyond
        the limit), moment_kgm, phase that meets it first. Without an operator's envelope both
        limits are the certified one.
    """
    rows = []
    for side in SIDES:
        shift = operational_shift(model, side=side)
        rows.append((side, "operational", shift.offset_pct_mac, shift.moment_kgm, shift.phase))
        part = model.planned_margins[model.planned_margins["side"] == side]
        least = part.loc[part["moment_margin_kgm"].idxmin()]
        moment = float(least["moment_margin_kgm"])
        rows.append((side, "certified", moment / _scale_kgm(model), moment, str(least["phase"])))
    return pd.DataFrame(rows, columns=["side", "limit", "room_pct_mac", "moment_kgm", "phase"])


def allowed_offsets(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return how far the planned CG may move toward each limit for risks of :data:`RISKS`.

    Parameters
    ----------
    sample : Sample
        Flights.
    confidence : float
        One-sided, that the risk at the offset is at most the one named.

    Returns
    -------
    pandas.DataFrame
        side, risk, offset_pct_mac (of the planned zero-fuel CG, negative away from the limit; NaN
        where the flights are too few to show the risk), planned_cg_pct_mac, hits, flights, high,
        confidence, needed_flights, method.
    """
    model = sample.model
    rows = []
    for side in SIDES:
        margin = least_moment_margin(sample, side=side, phases=model.phases) / _scale_kgm(model)
        toward = 1.0 if side == "aft" else -1.0
        for risk in RISKS:
            found: OffsetForRisk = offset_for_risk(margin, risk=risk, confidence=confidence)
            offset = math.nan if found.offset is None else found.offset
            planned = model.sheet.zero_fuel_cg_pct_mac + toward * offset
            counts = found.hits, found.flights, found.high, found.confidence
            rows.append((side, risk, offset, planned, *counts, found.needed_flights, found.method))
    names = ["side", "risk", "offset_pct_mac", "planned_cg_pct_mac"]
    names += ["hits", "flights", "high", "confidence", "needed_flights", "method"]
    return pd.DataFrame(rows, columns=names)


def held_at_stated_value(scenario: Scenario) -> tuple[dict[str, Any], ...]:
    """Return the doubts of the operation as a whole that a run does not sample.

    Returns
    -------
    tuple of dict
        key (the doubt), value (its size), holds (what is held), stated_value.
    """

    def value_at(key: str) -> Any:
        place: Any = scenario
        for name in key.split("."):
            place = getattr(place, name)
        return place

    return tuple(
        {"key": doubt, "value": value_at(doubt), "holds": of, "stated_value": value_at(of)}
        for doubt, of in HELD
    )


def summarise(sample: Sample, *, confidence: float = 0.95) -> Summary:
    """Return every table of a sample.

    Parameters
    ----------
    sample : Sample
        Flights.
    confidence : float
        Of each interval by itself, strictly between 0 and 1.

    Raises
    ------
    UsageError
        If the confidence is out of range.
    """
    curves = [offset_curve(sample, side=side, confidence=confidence) for side in SIDES]
    return Summary(
        scenario=sample.model.scenario.name,
        flights=sample.flights,
        seed=sample.seed,
        confidence=confidence,
        planned=planned_points(sample.model),
        room=room_to_limits(sample.model),
        leave_envelope=leave_envelope(sample, confidence=confidence),
        over_mass=over_mass(sample, confidence=confidence),
        offset_curve=pd.concat(curves, ignore_index=True),
        allowed_offsets=allowed_offsets(sample, confidence=confidence),
        excess_quantiles=excess_quantiles(sample, confidence=confidence),
        error_quantiles=error_quantiles(sample, confidence=confidence),
        outside=outside(sample),
        cause_shares=cause_shares(sample),
        fleet_risk=fleet_risk(sample, confidence=confidence),
        held=held_at_stated_value(sample.model.scenario),
    )
