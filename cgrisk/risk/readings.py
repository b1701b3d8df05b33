"""What a sample of flights says about leaving the envelope, by side and phase.

Two readings are told apart. *As planned*: the load sheet's own load. *At the operational limit*:
the same flights with the planned CG moved, at constant mass, until the planned path touches the
operator's envelope on that side. Moving the load adds one moment to every instant of every flight,
so a flight is outside exactly when its least moment margin is below that moment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.flight import CONTRIBUTIONS, IN_FLIGHT, SIDES, FlightModel, phase_column
from cgrisk.risk.exceedance import default_offsets, exceedance_curve
from cgrisk.risk.intervals import Interval, binomial_interval
from cgrisk.risk.quantiles import quantile_interval
from cgrisk.sampling import Sample

__all__ = [
    "AS_PLANNED",
    "AT_LIMIT",
    "FEWEST_FOR_SHARES",
    "GROUPS",
    "OperationalShift",
    "cause_shares",
    "error_quantiles",
    "excess",
    "excess_quantiles",
    "fleet_risk",
    "group_phases",
    "least_moment_margin",
    "leave_envelope",
    "offset_curve",
    "operational_shift",
    "outside",
    "over_mass",
]

AS_PLANNED = "as planned"
AT_LIMIT = "at the operational limit"
#: Groups of phases, and the whole flight.
GROUPS = ("take_off_and_landing", "in_flight", "any")
#: Arithmetic noise of a margin: a CG on the limit is inside (kg m on moments of millions).
ON_LIMIT_KGM = 1e-6
#: Arithmetic noise of a mass margin: a mass on its maximum is within it.
ON_MAXIMUM_KG = 1e-6
#: Flights below which no share of a variance is stated.
FEWEST_FOR_SHARES = 100
QUANTILES = (0.001, 0.01, 0.05, 0.5, 0.95, 0.99, 0.999)

_INTERVAL_NAMES = ("estimate", "low", "high", "confidence", "method")

Floats = NDArray[np.float64]


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


def _figures(p: Interval) -> tuple[float, float, float, float, str]:
    return p.estimate, p.low, p.high, p.confidence, p.method


def _least(sample: Sample, figure: str, side: str, phases: tuple[str, ...]) -> Floats:
    columns = [phase_column(figure, phase=phase, side=side) for phase in phases]
    return np.asarray(sample.frame[columns].to_numpy().min(axis=1), dtype=np.float64)


def least_moment_margin(sample: Sample, *, side: str, phases: tuple[str, ...]) -> Floats:
    """Return each flight's least moment margin to the certified limit over phases (kg m)."""
    return _least(sample, "moment_margin_kgm", side, phases)


def operational_shift(model: FlightModel, *, side: str) -> OperationalShift:
    """Return how far the planned load stands from the operator's envelope on a side."""
    margins = model.operational_margins
    part = margins[margins["side"] == side]
    place = int(part["moment_margin_kgm"].to_numpy().argmin())
    moment = float(part["moment_margin_kgm"].iloc[place])
    scale = model.sheet.zero_fuel_mass_kg * model.balance.mac_m / 100.0
    return OperationalShift(side, moment, moment / scale, str(part["phase"].iloc[place]))


def leave_envelope(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return the probability of leaving the certified envelope by side, phase and reading.

    Parameters
    ----------
    sample : Sample
        Flights.
    confidence : float
        Of each interval by itself.

    Returns
    -------
    pandas.DataFrame
        side, phase (each phase, each group of phases, any), reading, hits, flights, estimate, low,
        high, confidence, method. Per flight, averaged over the fleet.
    """
    model = sample.model
    places = {phase: (phase,) for phase in model.phases} | group_phases(model)
    rows = []
    for side in SIDES:
        shifts = {AS_PLANNED: 0.0, AT_LIMIT: operational_shift(model, side=side).moment_kgm}
        for place, phases in places.items():
            if not phases:
                continue
            margin = least_moment_margin(sample, side=side, phases=phases)
            for reading, moment in shifts.items():
                hits = int(np.count_nonzero(margin < moment - ON_LIMIT_KGM))
                p = binomial_interval(hits, flights=sample.flights, confidence=confidence)
                rows.append((side, place, reading, hits, sample.flights, *_figures(p)))
    names = ["side", "phase", "reading", "hits", "flights", *_INTERVAL_NAMES]
    return pd.DataFrame(rows, columns=names)


def over_mass(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return the probability of exceeding each certified maximum mass.

    Returns
    -------
    pandas.DataFrame
        maximum (taxi, take_off, landing, zero_fuel), hits, flights, estimate, low, high,
        confidence, method, greatest_kg (largest exceedance seen, 0 if none).
    """
    rows = []
    kinds = {phase.kind for phase in sample.model.scenario.operation.phases}
    for maximum in ("taxi", "take_off", "landing", "zero_fuel"):
        if maximum in ("take_off", "landing") and maximum not in kinds:
            continue  # another phase's mass stands in its column
        margin = sample.frame[f"mass_margin_kg.{maximum}"].to_numpy()
        hits = int(np.count_nonzero(margin < -ON_MAXIMUM_KG))
        p = binomial_interval(hits, flights=sample.flights, confidence=confidence)
        greatest = max(0.0, -float(margin.min()))
        rows.append((maximum, hits, sample.flights, *_figures(p), greatest))
    names = ["maximum", "hits", "flights", *_INTERVAL_NAMES, "greatest_kg"]
    return pd.DataFrame(rows, columns=names)


def offset_curve(
    sample: Sample, *, side: str, group: str = "any", confidence: float = 0.95, points: int = 60
) -> pd.DataFrame:
    """Return the exceedance against an offset of the planned CG at constant mass.

    Parameters
    ----------
    sample : Sample
        Flights.
    side : str
        Forward or aft; positive offsets move the planned CG toward this limit.
    group : str
        Phases that count: one of :data:`GROUPS`.
    confidence : float
        Of each interval by itself.
    points : int
        Number of offsets.

    Returns
    -------
    pandas.DataFrame
        side, offset_pct_mac (of the zero-fuel CG), moment_kgm, planned_cg_pct_mac, hits, flights,
        estimate, low, high, method.
    """
    model = sample.model
    margin = least_moment_margin(sample, side=side, phases=group_phases(model)[group])
    scale = model.sheet.zero_fuel_mass_kg * model.balance.mac_m / 100.0
    curve = exceedance_curve(
        margin / scale,
        offsets=default_offsets(margin / scale, points),
        confidence=confidence,
    )
    curve = curve.rename(columns={"offset": "offset_pct_mac"})
    toward = 1.0 if side == "aft" else -1.0
    offset = curve["offset_pct_mac"]
    curve.insert(0, "side", side)
    curve.insert(2, "moment_kgm", offset * scale)
    curve.insert(3, "planned_cg_pct_mac", model.sheet.zero_fuel_cg_pct_mac + toward * offset)
    return curve


def excess(sample: Sample, *, side: str, group: str) -> Floats:
    """Return the excess D of each flight (% MAC), from margins alone.

    D is how much nearer to (or further beyond) the limit the flight came than the planned path:
    least planned margin less least actual margin over the group of phases. It carries the error
    of the mass against a sloping limit, which a difference of two CGs does not.
    """
    phases = group_phases(sample.model)[group]
    planned = sample.model.planned_margins
    rows = planned[(planned["side"] == side) & planned["phase"].isin(phases)]
    least_planned = float(rows["margin_pct_mac"].min())
    return np.asarray(least_planned - _least(sample, "margin_pct_mac", side, phases))


def _quantile_rows(
    values: Floats, labels: tuple[str, ...], confidence: float
) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for probability in QUANTILES:
        q = quantile_interval(values, probability, confidence=confidence)
        rows.append((*labels, probability, q.estimate, q.low, q.high, confidence, q.method))
    return rows


def excess_quantiles(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return quantiles of the excess D by side and group of phases (% MAC), with intervals."""
    groups = group_phases(sample.model)
    rows = [
        row
        for side in SIDES
        for group in GROUPS
        if groups[group]
        for row in _quantile_rows(excess(sample, side=side, group=group), (side, group), confidence)
    ]
    names = ["side", "phase", "probability", "estimate", "low", "high", "confidence", "method"]
    return pd.DataFrame(rows, columns=names)


def error_quantiles(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return quantiles of the CG error's extremes over each group of phases (% MAC).

    The most forward and most aft difference between actual and planned CG during the group.
    """
    groups = group_phases(sample.model)
    rows = [
        row
        for extreme, name in (
            ("most_forward", "error_min_pct_mac"),
            ("most_aft", "error_max_pct_mac"),
        )
        for group in GROUPS[:2]
        if groups[group]
        for row in _quantile_rows(
            sample.frame[f"{name}.{group}"].to_numpy(), (extreme, group), confidence
        )
    ]
    names = ["extreme", "phase", "probability", "estimate", "low", "high", "confidence", "method"]
    return pd.DataFrame(rows, columns=names)


def outside(sample: Sample) -> pd.DataFrame:
    """Return, for flights that leave the certified envelope as planned, how far and how long.

    Returns
    -------
    pandas.DataFrame
        side, phase, flights_outside, mean_depth_pct_mac, greatest_depth_pct_mac, mean_minutes,
        greatest_minutes, worst_flight (-1 and zeros where no flight left).
    """
    rows = []
    for side in SIDES:
        for phase in sample.model.phases:
            need = sample.frame[phase_column("moment_margin_kgm", phase=phase, side=side)]
            left = need.to_numpy() < -ON_LIMIT_KGM
            hits = int(np.count_nonzero(left))
            if hits == 0:
                rows.append((side, phase, 0, 0.0, 0.0, 0.0, 0.0, -1))
                continue
            margin = sample.frame[phase_column("margin_pct_mac", phase=phase, side=side)]
            depth = -margin.to_numpy()[left]
            seconds = sample.frame[phase_column("outside_s", phase=phase, side=side)]
            minutes = seconds.to_numpy()[left] / 60.0
            worst = int(np.flatnonzero(left)[depth.argmax()])
            depths = float(depth.mean()), float(depth.max())
            times = float(minutes.mean()), float(minutes.max())
            rows.append((side, phase, hits, *depths, *times, worst))
    names = [
        "side",
        "phase",
        "flights_outside",
        "mean_depth_pct_mac",
        "greatest_depth_pct_mac",
        "mean_minutes",
        "greatest_minutes",
        "worst_flight",
    ]
    return pd.DataFrame(rows, columns=names)


def cause_shares(sample: Sample) -> pd.DataFrame:
    """Return each cause's part of the CG error at take-off.

    The moment error about the planned take-off CG is the sum of the causes' parts. The share is
    the covariance of a part with the sum over the sum's variance: shares add up to 1, and a cause
    that works against the others has a negative one.

    Returns
    -------
    pandas.DataFrame
        cause, mean_pct_mac, sd_pct_mac (at the planned take-off mass), share_of_variance (nan
        below 100 flights).
    """
    parts = sample.frame[[f"take_off_error_kgm.{name}" for name in CONTRIBUTIONS]].to_numpy()
    program, mac = sample.model.program, sample.model.balance.mac_m
    mass = program.sheet.zero_fuel_mass_kg + program.sheet.take_off_fuel_kg
    parts = parts * 100.0 / (mass * mac)
    centred = parts - parts.mean(axis=0)
    total = centred.sum(axis=1)
    variance = float(total @ total)
    # Below this the sum is rounding of parts that do not vary.
    noise = 1e-18 * len(parts) * float((parts**2).sum(axis=1).max())
    share = centred.T @ total / variance if variance > noise else np.zeros(len(CONTRIBUTIONS))
    if len(parts) < FEWEST_FOR_SHARES:
        share = np.full(len(CONTRIBUTIONS), np.nan)
    return pd.DataFrame(
        {
            "cause": list(CONTRIBUTIONS),
            "mean_pct_mac": parts.mean(axis=0),
            "sd_pct_mac": parts.std(axis=0, ddof=1) if len(parts) > 1 else np.zeros(share.size),
            "share_of_variance": share,
        }
    )


def fleet_risk(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return the risk of each individual aircraft, worst first, at the operational limit.

    Intervals hold together for the fleet (Bonferroni), so that the worst of many is judged fairly.

    Returns
    -------
    pandas.DataFrame
        side, aircraft, hits, flights, estimate, low, high, confidence, method.
    """
    aircraft = sample.frame["aircraft"].to_numpy().astype(int)
    fleet = sample.model.scenario.operation.fleet
    each = 1.0 - (1.0 - confidence) / (len(SIDES) * fleet)
    rows = []
    for side in SIDES:
        shift = operational_shift(sample.model, side=side).moment_kgm
        margin = least_moment_margin(sample, side=side, phases=sample.model.phases)
        left = margin < shift - ON_LIMIT_KGM
        for number in range(fleet):
            flown = aircraft == number
            if not flown.any():
                continue
            p = binomial_interval(
                int(np.count_nonzero(left & flown)),
                flights=int(np.count_nonzero(flown)),
                confidence=each,
            )
            estimate, low, high, _, method = _figures(p)
            method = f"{method}; together for {fleet} aircraft and both sides (Bonferroni)"
            counts = int((left & flown).sum()), int(flown.sum())
            rows.append((side, number, *counts, estimate, low, high, confidence, method))
    names = ["side", "aircraft", "hits", "flights", *_INTERVAL_NAMES]
    frame = pd.DataFrame(rows, columns=names)
    return frame.sort_values(["side", "estimate", "aircraft"], ascending=[True, False, True])
