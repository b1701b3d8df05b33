"""What a sample of flights says about leaving the envelope, by side and phase.

Two readings are told apart. *As planned*: the load sheet's own load. *At the operational limit*:
the same flights with the planned CG moved, at constant mass, until the planned path touches the
operator's envelope on that side. Moving the load adds one moment to every instant of every flight,
so a flight is outside exactly when its least moment margin is below that moment.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.flight import (
    CONTRIBUTIONS,
    GROUPS,
    SIDES,
    fly_block,
    group_phases,
    phase_column,
)
from cgrisk.risk.exceedance import binned_exceedance
from cgrisk.risk.intervals import Interval, binomial_interval
from cgrisk.risk.quantiles import binned_quantile
from cgrisk.risk.sequential import any_time_intervals, any_time_method, hit_interval
from cgrisk.sampling import Sample
from cgrisk.sampling.layout import AS_PLANNED, AT_LIMIT, MAXIMA, outcome_name

__all__ = [
    "AS_PLANNED",
    "AT_LIMIT",
    "FEWEST_FOR_SHARES",
    "cause_shares",
    "error_quantiles",
    "excess",
    "excess_quantiles",
    "fleet_risk",
    "leave_envelope",
    "nearest_flights",
    "offset_curve",
    "outside",
    "over_mass",
    "share_interval",
]

#: Flights below which no share of a variance is stated.
FEWEST_FOR_SHARES = 100
QUANTILES = (0.001, 0.01, 0.05, 0.5, 0.95, 0.99, 0.999)

_INTERVAL_NAMES = ("estimate", "low", "high", "confidence", "method")

Floats = NDArray[np.float64]


def _figures(p: Interval) -> tuple[float, float, float, float, str]:
    return p.estimate, p.low, p.high, p.confidence, p.method


def share_interval(
    sample: Sample, hits: int, *, flights: int | None = None, confidence: float = 0.95
) -> Interval:
    """Return the interval of a probability, from the flights that had the event.

    Parameters
    ----------
    sample : Sample
        What was flown; if its own precision decided when to stop, the interval holds at any
        number of flights.
    hits : int
        Flights with the event.
    flights : int, optional
        Out of how many; all of the sample's if not given.
    confidence : float
        Of the interval by itself.
    """
    total = sample.flights if flights is None else flights
    if sample.precision is None:
        return binomial_interval(hits, flights=total, confidence=confidence)
    low, high = any_time_intervals([hits], flights=total, confidence=confidence)
    return Interval(hits / total, float(low[0]), float(high[0]), confidence, any_time_method(total))


def _headline(sample: Sample, side: str, hits: int, confidence: float) -> tuple[int, int, Interval]:
    """Return (hits, flights, interval) of the probability that a precision was asked of."""
    precision = sample.precision
    if precision is None or side not in precision.sides or confidence != precision.confidence:
        return hits, sample.flights, share_interval(sample, hits, confidence=confidence)
    flights = sample.reached.get(side)
    if flights is None:  # flown to the limit on flights: see hit_interval
        p = binomial_interval(hits, flights=sample.flights, confidence=confidence)
        return hits, sample.flights, p
    events = precision.hits
    return events, flights, hit_interval(events, flights=flights, confidence=confidence)


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
    counts = dict(zip(sample.layout.outcomes, sample.tally.hits.tolist(), strict=True))
    rows = []
    for side in SIDES:
        for place in sample.layout.places:
            for reading in (AS_PLANNED, AT_LIMIT):
                hits, flights = counts[outcome_name(side, place, reading)], sample.flights
                if (place, reading) == ("any", AT_LIMIT):
                    hits, flights, p = _headline(sample, side, hits, confidence)
                else:
                    p = share_interval(sample, hits, confidence=confidence)
                rows.append((side, place, reading, hits, flights, *_figures(p)))
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
    counts = dict(zip(sample.layout.outcomes, sample.tally.hits.tolist(), strict=True))
    least = dict(zip(sample.layout.extremes, sample.tally.least.tolist(), strict=True))
    rows = []
    kinds = {phase.kind for phase in sample.model.scenario.operation.phases}
    for maximum in MAXIMA:
        if maximum in ("take_off", "landing") and maximum not in kinds:
            continue  # another phase's mass stands in its column
        hits = counts[f"over_mass.{maximum}"]
        p = share_interval(sample, hits, confidence=confidence)
        greatest = max(0.0, -least[f"mass_margin_kg.{maximum}"])
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
        Greatest number of offsets.

    Returns
    -------
    pandas.DataFrame
        side, offset_pct_mac (of the zero-fuel CG), moment_kgm, planned_cg_pct_mac, hits, flights,
        estimate, low, high, method. Offsets are whole steps of the bins, at which counts are
        exact.
    """
    sheet, scale = sample.model.sheet, sample.layout.scale_kgm
    curve = binned_exceedance(
        sample.tally.histograms[f"margin.{side}.{group}"],
        points=points,
        confidence=confidence,
        any_time=sample.precision is not None,
    )
    curve = curve.rename(columns={"offset": "offset_pct_mac"})
    toward = 1.0 if side == "aft" else -1.0
    offset = curve["offset_pct_mac"]
    curve.insert(0, "side", side)
    curve.insert(2, "moment_kgm", offset * scale)
    curve.insert(3, "planned_cg_pct_mac", sheet.zero_fuel_cg_pct_mac + toward * offset)
    return curve


def excess(sample: Sample, *, side: str, group: str) -> Floats:
    """Return the excess D of each flight (% MAC), from margins alone; the rows must be kept.

    D is how much nearer to (or further beyond) the limit the flight came than the planned path:
    least planned margin less least actual margin over the group of phases. It carries the error
    of the mass against a sloping limit, which a difference of two CGs does not.
    """
    phases = group_phases(sample.model)[group]
    columns = [phase_column("margin_pct_mac", phase=phase, side=side) for phase in phases]
    least = sample.rows[columns].to_numpy().min(axis=1)
    return np.asarray(sample.layout.planned_pct[side, group] - least)


def _quantile_rows(
    sample: Sample, figure: str, labels: tuple[str, ...], confidence: float
) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for probability in QUANTILES:
        q = binned_quantile(
            sample.tally.histograms[figure],
            probability,
            confidence=confidence,
            any_time=sample.precision is not None,
        )
        rows.append((*labels, probability, q.estimate, q.low, q.high, confidence, q.method))
    return rows


def excess_quantiles(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return quantiles of the excess D by side and group of phases (% MAC), with intervals."""
    rows = [
        row
        for side in SIDES
        for group in sample.layout.groups
        for row in _quantile_rows(sample, f"excess.{side}.{group}", (side, group), confidence)
    ]
    names = ["side", "phase", "probability", "estimate", "low", "high", "confidence", "method"]
    return pd.DataFrame(rows, columns=names)


def error_quantiles(sample: Sample, *, confidence: float = 0.95) -> pd.DataFrame:
    """Return quantiles of the CG error's extremes over each group of phases (% MAC).

    The most forward and most aft difference between actual and planned CG during the group.
    """
    rows = [
        row
        for extreme, name in (
            ("most_forward", "error_min_pct_mac"),
            ("most_aft", "error_max_pct_mac"),
        )
        for group in GROUPS[:2]
        if group in sample.layout.groups
        for row in _quantile_rows(sample, f"{name}.{group}", (extreme, group), confidence)
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
    layout, tally = sample.layout, sample.tally
    rows: list[tuple[object, ...]] = []
    for i, side in enumerate(SIDES):
        for j, phase in enumerate(layout.phases):
            hits = int(tally.hits[layout.outcomes.index(outcome_name(side, phase, AS_PLANNED))])
            if hits == 0:
                rows.append((side, phase, 0, 0.0, 0.0, 0.0, 0.0, -1))
                continue
            margin = layout.extremes.index(phase_column("margin_pct_mac", phase=phase, side=side))
            seconds = layout.extremes.index(phase_column("outside_s", phase=phase, side=side))
            depth, time = (float(total) / hits for total in tally.outside[i, j])
            depths = depth, -float(tally.least[margin])
            times = time / 60.0, float(tally.greatest[seconds]) / 60.0
            rows.append((side, phase, hits, *depths, *times, int(tally.least_flight[margin])))
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
    moments, program = sample.tally.moments, sample.model.program
    first = sample.layout.mean_place(f"take_off_error_kgm.{CONTRIBUTIONS[0]}")
    own = slice(first, first + len(CONTRIBUTIONS))
    mass = program.sheet.zero_fuel_mass_kg + program.sheet.take_off_fuel_kg
    scale = 100.0 / (mass * sample.model.balance.mac_m)
    mean, products = moments.mean[own] * scale, moments.products[own, own] * scale * scale
    variance = float(products.sum())
    # Below this the sum is rounding of parts that do not vary.
    noise = 1e-18 * float(np.trace(products) + moments.flights * (mean @ mean))
    share = products.sum(axis=1) / variance if variance > noise else np.zeros(len(CONTRIBUTIONS))
    if moments.flights < FEWEST_FOR_SHARES:
        share = np.full(len(CONTRIBUTIONS), np.nan)
    spread = np.zeros(share.size)
    if moments.flights > 1:
        spread = np.sqrt(np.diag(products) / (moments.flights - 1))
    return pd.DataFrame(
        {
            "cause": list(CONTRIBUTIONS),
            "mean_pct_mac": mean,
            "sd_pct_mac": spread,
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
    table = sample.tally.aircraft
    fleet = sample.layout.fleet
    each = 1.0 - (1.0 - confidence) / (len(SIDES) * fleet)
    rows = []
    for i, side in enumerate(SIDES):
        for number in range(fleet):
            flown, left = int(table[number, 0]), int(table[number, 1 + i])
            if flown == 0:
                continue
            p = share_interval(sample, left, flights=flown, confidence=each)
            estimate, low, high, _, method = _figures(p)
            method = f"{method}; together for {fleet} aircraft and both sides (Bonferroni)"
            rows.append((side, number, left, flown, estimate, low, high, confidence, method))
    names = ["side", "aircraft", "hits", "flights", *_INTERVAL_NAMES]
    frame = pd.DataFrame(rows, columns=names)
    return frame.sort_values(["side", "estimate", "aircraft"], ascending=[True, False, True])


def nearest_flights(sample: Sample) -> pd.DataFrame:
    """Return the flights that came nearest to each certified limit, for replay.

    Ranked by the moment that was left, which is what moving the load takes from every flight
    alike. Where each came nearest is told of the flight flown again, so that its % MAC is that of
    the mass at the instant, as in :func:`outside` and in a replay.

    Returns
    -------
    pandas.DataFrame
        side, phase (group of phases), rank, flight, margin_kgm (the least), margin_pct_mac (the
        least, of the mass at the instant), in_phase, time_s, mass_kg (where and when that was);
        negative margins are outside.
    """
    tally, layout, model = sample.tally, sample.layout, sample.model
    again = np.unique(tally.nearest_flight[tally.nearest_flight >= 0]).astype(np.uint32)
    flown = fly_block(model, seed=sample.seed, flights=again)
    rows: list[tuple[object, ...]] = []
    for i, side in enumerate(SIDES):
        for j, group in enumerate(layout.groups):
            phases = [layout.phases[number] for number in layout.places[group]]
            margin, time, mass = (
                flown[:, [model.columns.index(phase_column(f, phase=p, side=side)) for p in phases]]
                for f in ("margin_pct_mac", "time_of_least_s", "mass_at_least_kg")
            )
            near = zip(tally.nearest_flight[i, j], tally.nearest_kgm[i, j], strict=True)
            for rank, (flight, moment) in enumerate(near, start=1):
                if flight < 0:  # fewer flights than places
                    continue
                row = int(np.searchsorted(again, flight))
                at = int(margin[row].argmin())
                there = margin[row, at], time[row, at], mass[row, at]
                pct, when, kg = (float(value) for value in there)
                rows.append(
                    (side, group, rank, int(flight), float(moment), pct, phases[at], when, kg)
                )
    names = ["side", "phase", "rank", "flight", "margin_kgm", "margin_pct_mac"]
    return pd.DataFrame(rows, columns=[*names, "in_phase", "time_s", "mass_kg"])
