"""Stabilizer demand over the flight between its stops, and the take-off setting with its bands."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from cgrisk.flight import FlightModel, path_record
from cgrisk.report.style import AFT, FORWARD, GREY, INK
from cgrisk.sampling import Sample

__all__ = [
    "setting_bands",
    "setting_counts",
    "stabilizer_demand",
    "stabilizer_fan",
    "stabilizer_reserve",
]

Floats = NDArray[np.float64]

_QUANTILES = (0.005, 0.05, 0.5, 0.95, 0.995)


def _demand(model: FlightModel, paths: Iterable[Floats], time_s: Floats) -> Floats:
    """Return the settings that trim paths at instants (deg), shape (paths, n)."""
    trim = model.program.trim
    base, by_mass, by_moment = (
        np.interp(time_s, trim.time_s, values)
        for values in (trim.base_rad, trim.by_mass, trim.by_moment)
    )
    found = [
        base + by_mass * np.interp(time_s, at, mass) + by_moment * np.interp(time_s, at, moment)
        for at, mass, moment in paths
    ]
    return np.asarray(np.rad2deg(found))


def stabilizer_fan(sample: Sample, *, flights: int = 400, points: int = 160) -> pd.DataFrame:
    """Return quantiles of the setting that trims over the time in the air, from replayed flights.

    Parameters
    ----------
    sample : Sample
        Flights; the first of them are replayed.
    flights, points : int
        How many flights, and at how many instants.

    Returns
    -------
    pandas.DataFrame
        time_min, planned_deg, and q0.5, q5, q50, q95, q99.5 (deg, leading edge up). Empty where
        trim is left out.
    """
    model = sample.model
    names = ["time_min", "planned_deg", *(f"q{100 * p:g}" for p in _QUANTILES)]
    if model.planned_trim.empty:
        return pd.DataFrame(columns=names)
    nodes = model.program.trim.time_s
    time = np.union1d(np.linspace(nodes[0], nodes[-1], points), nodes)
    flown = (
        path_record(model, seed=sample.seed, flight=flight)[:, :3].T
        for flight in range(min(flights, sample.flights))
    )
    quantiles = np.quantile(_demand(model, flown, time), _QUANTILES, axis=0)
    planned = model.planned[["time_s", "mass_kg", "moment_kgm"]].to_numpy().T
    frame = pd.DataFrame({"time_min": time / 60.0})
    frame["planned_deg"] = _demand(model, [planned], time)[0]
    for probability, values in zip(_QUANTILES, quantiles, strict=True):
        frame[f"q{100 * probability:g}"] = values
    return frame


def stabilizer_demand(fan: pd.DataFrame, *, model: FlightModel, ax: Axes) -> Axes:
    """Draw the stabilizer demand over the flight as a fan between its stops.

    Parameters
    ----------
    fan : pandas.DataFrame
        From :func:`stabilizer_fan`.
    model : FlightModel
        What was flown: stops and phases.
    ax : matplotlib.axes.Axes
        Where to draw: minutes across, stabilizer incidence up (nose-up trim is down).
    """
    stabilizer = model.scenario.aircraft.stabilizer
    assert stabilizer is not None
    x = fan["time_min"]
    ax.fill_between(x, fan["q0.5"], fan["q99.5"], color=FORWARD, alpha=0.2, lw=0)
    ax.fill_between(x, fan["q5"], fan["q95"], color=FORWARD, alpha=0.4, lw=0)
    ax.plot(x, fan["planned_deg"], color=INK, lw=1.6)
    last = fan.iloc[len(fan) // 2]
    ax.annotate(
        "planned; 90 % and 99 % of flights",
        (last["time_min"], last["q99.5"]),
        xytext=(0, 6),
        textcoords="offset points",
        ha="center",
        fontsize=8,
        color=INK,
    )
    for stop, text, below in (
        (stabilizer.nose_up_stop, "stop, nose-up trim", 3),
        (stabilizer.nose_down_stop, "stop, nose-down trim", -11),
    ):
        ax.axhline(stop, color=AFT, lw=1.4)
        ax.annotate(
            text,
            (0.99, stop),
            xycoords=("axes fraction", "data"),
            xytext=(0, below),
            textcoords="offset points",
            ha="right",
            fontsize=8,
            color=AFT,
        )
    ends = np.cumsum([phase.minutes for phase in model.scenario.operation.phases])
    flown = set(model.planned_trim["phase"])
    for name, end, minutes in zip(
        model.phases, ends, (p.minutes for p in model.scenario.operation.phases), strict=True
    ):
        if name in flown:
            ax.axvline(end - minutes, color=GREY, lw=0.6, ls=":")
            if minutes >= 0.06 * float(x.iloc[-1] - x.iloc[0]):
                ax.annotate(
                    name.replace("_", " "),
                    (end - 0.5 * minutes, 1.0),
                    xycoords=("data", "axes fraction"),
                    xytext=(0, 3),
                    textcoords="offset points",
                    ha="center",
                    fontsize=8,
                    color=INK,
                )
    ax.set_xlim(float(x.iloc[0]), float(x.iloc[-1]))
    ax.set_xlabel("minutes from start of taxi")
    ax.set_ylabel("stabilizer that trims,\ndegrees, leading edge up")
    return ax


def stabilizer_reserve(fan: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw the demand less the planned one over the flight: what must be held in reserve.

    Parameters
    ----------
    fan : pandas.DataFrame
        From :func:`stabilizer_fan`.
    ax : matplotlib.axes.Axes
        Where to draw: minutes across, degrees beyond the planned demand up.
    """
    x, planned = fan["time_min"], fan["planned_deg"]
    ax.fill_between(
        x, fan["q0.5"] - planned, fan["q99.5"] - planned, color=FORWARD, alpha=0.2, lw=0
    )
    ax.fill_between(x, fan["q5"] - planned, fan["q95"] - planned, color=FORWARD, alpha=0.4, lw=0)
    ax.axhline(0.0, color=INK, lw=1.2)
    ax.set_xlim(float(x.iloc[0]), float(x.iloc[-1]))
    ax.set_xlabel("minutes from start of taxi")
    ax.set_ylabel("less planned,\ndegrees")
    return ax


def setting_counts(sample: Sample) -> pd.DataFrame:
    """Return how often each take-off setting was needed: setting_units (middle of bin), share."""
    histogram = sample.tally.histograms.get("take_off_setting_needed_units")
    if histogram is None:
        return pd.DataFrame(columns=["setting_units", "share"])
    step = 0.05
    units = (histogram.bins + 0.5) * histogram.width
    place = np.floor(units / step).astype(np.int64)
    counts = np.bincount(place - place.min(), weights=histogram.counts)
    middle = (place.min() + np.arange(counts.size) + 0.5) * step
    return pd.DataFrame({"setting_units": middle, "share": counts / histogram.total})


def setting_bands(sample: Sample, *, ax: Axes, counts: pd.DataFrame | None = None) -> Axes:
    """Draw the take-off settings that flights need beside the one made, with both bands.

    Parameters
    ----------
    sample : Sample
        Flights; their model has a take-off plan.
    ax : matplotlib.axes.Axes
        Where to draw: trim units across, share of flights up.
    counts : pandas.DataFrame, optional
        From :func:`setting_counts`; computed if not given.
    """
    plan = sample.model.take_off
    assert plan is not None
    counts = setting_counts(sample) if counts is None else counts
    ax.bar(counts["setting_units"], counts["share"], width=0.05, color=FORWARD, alpha=0.6, lw=0)
    top = float(counts["share"].max()) or 1.0
    bands = [("take-off trim band (given)", plan.settings.band, 1.42, GREY)]
    if plan.run is not None:
        bands.append(("usable band (computed)", plan.usable_band(), 1.22, AFT))
    for text, band, level, colour in bands:
        if band is None or np.isnan(band[0]):
            continue
        ax.plot(band, [level * top] * 2, color=colour, lw=2.0, marker="|", ms=9)
        ax.annotate(
            text,
            (band[1], level * top),
            xytext=(-4, 4),
            textcoords="offset points",
            ha="right",
            fontsize=8,
            color=INK,
        )
    ax.axvline(plan.set_units, color=INK, lw=1.6)
    ax.annotate(
        f"made: {plan.set_units:.1f}",
        (plan.set_units, 1.05 * top),
        xytext=(5, 0),
        textcoords="offset points",
        fontsize=8.5,
        color=INK,
    )
    ax.set_ylim(0.0, 1.6 * top)
    ax.set_xlabel("take-off setting needed, trim units (more is more nose-up)")
    ax.set_ylabel("share of flights, by 0.05 units")
    return ax
