"""CG paths over fuel burn inside the certified envelope."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from cgrisk.aircraft import Limits, certified_limits, curtailed, polygon
from cgrisk.flight import IN_FLIGHT, FlightModel, fly_block, path_record
from cgrisk.report.style import AFT, FORWARD, GREY, INK
from cgrisk.sampling import Sample

__all__ = ["envelope_paths", "path_fan"]

#: Flights drawn as points.
_SHOWN = 2000
_QUANTILES = (0.005, 0.05, 0.5, 0.95, 0.995)


def path_fan(sample: Sample, *, flights: int = 400, points: int = 60) -> pd.DataFrame:
    """Return quantiles of the CG over the flight, from replayed flights.

    Parameters
    ----------
    sample : Sample
        Flights; the first of them are replayed.
    flights, points : int
        How many flights, and at how many instants evenly spaced in time.

    Returns
    -------
    pandas.DataFrame
        time_s, planned_mass_kg, planned_cg_pct_mac, and q0.5, q5, q50, q95, q99.5 (% MAC).
    """
    model = sample.model
    planned = model.planned
    # Inside the phases, not on their borders, where flaps and limits change at once.
    time = np.linspace(0.0, float(planned["time_s"].iloc[-1]), points)
    paths = []
    for flight in range(min(flights, sample.flights)):
        at, mass, moment, _ = path_record(model, seed=sample.seed, flight=flight).T
        paths.append(np.interp(time, at, model.balance.cg_pct_mac(mass, moment)))
    quantiles = np.quantile(np.array(paths), _QUANTILES, axis=0)
    frame = pd.DataFrame({"time_s": time})
    frame["planned_mass_kg"] = np.interp(time, planned["time_s"], planned["mass_kg"])
    frame["planned_cg_pct_mac"] = np.interp(time, planned["time_s"], planned["cg_pct_mac"])
    for probability, values in zip(_QUANTILES, quantiles, strict=True):
        frame[f"q{100 * probability:g}"] = values
    return frame


def _groups(model: FlightModel) -> list[tuple[str, Limits, Limits, str]]:
    """Return (label, certified, operational, line style) of the two groups of phases."""
    certified = certified_limits(model.scenario.aircraft)
    operational = model.scenario.operation.operational_envelope
    out = []
    for label, flying, style in (("take-off, landing", False, "-"), ("in flight", True, "--")):
        kinds = [p.kind for p in model.scenario.operation.phases if (p.kind in IN_FLIGHT) == flying]
        if not kinds:
            continue
        limits = certified["take_off" if "take_off" in kinds else kinds[0]]
        inner = limits
        if operational is not None:
            group = operational.in_flight if flying else operational.take_off_and_landing
            inner = curtailed(limits, forward_pct=group.forward, aft_pct=group.aft)
        out.append((label, limits, inner, style))
    return out


def _first_flights(sample: Sample) -> pd.DataFrame:
    """Return the figures of the first flights, flown again."""
    numbers = np.arange(min(_SHOWN, sample.flights), dtype=np.uint32)
    rows = fly_block(sample.model, seed=sample.seed, flights=numbers)
    return pd.DataFrame(rows, columns=list(sample.model.columns))


def envelope_paths(sample: Sample, *, ax: Axes, fan: pd.DataFrame | None = None) -> Axes:
    """Draw certified and operational envelopes, sampled flights and the fan of CG paths.

    Parameters
    ----------
    sample : Sample
        Flights.
    ax : matplotlib.axes.Axes
        Where to draw: CG in % MAC across, mass in tonnes up.
    fan : pandas.DataFrame, optional
        From :func:`path_fan`; computed if not given.
    """
    model = sample.model
    fan = path_fan(sample) if fan is None else fan
    masses = model.scenario.aircraft.masses
    lightest = sample.tally.least[sample.layout.extremes.index("zero_fuel_mass_kg")]
    low = min(masses.dry_operating, float(lightest))
    handles: list[tuple[Any, str]] = []
    for label, limits, inner, style in _groups(model):
        cg, mass = polygon(limits, mass_range_kg=(low, masses.max_taxi))
        (line,) = ax.plot(cg, mass / 1e3, color=INK, lw=1.4, ls=style)
        handles.append((line, f"certified limits, {label}"))
        if inner is not limits:
            cg, mass = polygon(inner, mass_range_kg=(low, masses.max_taxi))
            ax.plot(cg, mass / 1e3, color=GREY, lw=1.0, ls=style)
    few = _first_flights(sample)
    for prefix, marker, text in (
        ("zero_fuel", "s", "zero fuel"),
        ("take_off", "o", "take-off"),
        ("landing", "^", "landing"),
    ):
        ax.plot(
            few[f"{prefix}_cg_pct_mac"],
            few[f"{prefix}_mass_kg"] / 1e3,
            marker,
            ms=1.6,
            mew=0,
            color=AFT,
            alpha=0.25,
            rasterized=True,
        )
        ax.annotate(
            text,
            (few[f"{prefix}_cg_pct_mac"].min(), few[f"{prefix}_mass_kg"].mean() / 1e3),
            xytext=(-4, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=7,
            color=AFT,
        )
    burnt = fan["planned_mass_kg"] / 1e3
    ax.fill_betweenx(burnt, fan["q0.5"], fan["q99.5"], color=FORWARD, alpha=0.18, lw=0)
    ax.fill_betweenx(burnt, fan["q5"], fan["q95"], color=FORWARD, alpha=0.35, lw=0)
    ax.plot(fan["planned_cg_pct_mac"], burnt, color=INK, lw=2.0)
    ax.set_xlabel("centre of gravity, % MAC")
    ax.set_ylabel("mass, t")
    handles += [
        (ax.plot([], [], color=INK, lw=2.0)[0], "planned path"),
        (ax.fill_between([], [], color=FORWARD, alpha=0.5, lw=0), "90 % of flights"),
        (ax.fill_between([], [], color=FORWARD, alpha=0.2, lw=0), "99 % of flights"),
        (ax.plot([], [], color=GREY, lw=1.0)[0], "operational limits"),
    ]
    ax.legend(
        [handle for handle, _ in handles],
        [name for _, name in handles],
        loc="upper center",
        bbox_to_anchor=(0.5, -0.11),
        ncols=3,
        frameon=False,
        fontsize=7.5,
    )
    return ax
