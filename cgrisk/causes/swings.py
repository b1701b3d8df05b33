"""One-at-a-time swings: each input without a source at both ends of its range."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from cgrisk.flight import FlightModel, prepare
from cgrisk.rare import (
    Cloud,
    Meter,
    Pilot,
    Question,
    Stratum,
    cloud_error,
    fly_cloud,
    is_redealing,
    score_named,
    split_at,
    strata_of,
    thinned,
    threshold_at,
    weighted_exceedance,
)
from cgrisk.rare.redealing import END_REPLICATES
from cgrisk.scenario.ranges import assumption_ranges, with_values

__all__ = ["swings"]

Floats = NDArray[np.float64]

_FEWEST_EFFECTIVE: Final = 5.0
#: Share of the target down to which the splittings go.
_DEPTH: Final = 0.1
#: Flights of the cloud, about, that are flown at both ends of every range.
_FLIGHTS: Final = 4000


def swings(
    question: Question,
    *,
    side: str,
    group: str,
    cloud: Cloud,
    thresholds: Floats,
    level: float,
    pilot: Pilot | None = None,
    meter: Meter | None = None,
) -> pd.DataFrame:
    """Return how far the answer moves with each input that has no source, one at a time.

    Parameters
    ----------
    question : Question
        Scenario as it stands, score, target, seed, threads.
    side, group : str
        Of the score, where it is an envelope's.
    cloud : Cloud
        Weighted flights; some thousands of them are flown again with the same random words.
    thresholds : float64 array, shape (n,)
        Rising: those of the curve.
    level : float
        Threshold at which probabilities are told.
    pilot : Pilot, optional
        Of the question: its levels serve the splittings here.
    meter : Meter, optional
        Told of the flights; its shelf keeps them.

    Returns
    -------
    pandas.DataFrame
        key, value, low, high, unit, law, why, given, risk_at_low, risk_at_high, ratio_at_low,
        ratio_at_high (of the risk as the scenario stands), threshold_at_low, threshold_at_high
        (of the target), effective_flights (flights of equal weight that would tell the risk as
        well, the least of both ends and, for a splitting, of the scenario as it stands),
        method (common random numbers, or a splitting of its own for an input whose change deals
        all people anew), swing (the larger of the two ratios' logarithms to base 10; nan below 5
        effective flights; of splittings only the ends that differ from the scenario as it stands
        at 95 % together count, nan where none does), widest first.
    """
    model, score, jobs = question.model, question.score, question.jobs
    ranges = assumption_ranges(model.scenario)
    meter = Meter() if meter is None else meter
    thin = thinned(cloud, flights=_FLIGHTS)
    meter.begin("swings", expected=(2 * len(ranges) + 1) * len(thin) + len(cloud))
    grid = np.unique(np.append(thresholds, level))
    place = int(np.searchsorted(grid, level))

    stamps = {id(each): each.stamp() for each in (thin, cloud)}

    def parted(of: FlightModel) -> tuple[Stratum, ...]:
        return strata_of(of, bands_of=model, side=score.side)

    def scored(of: FlightModel, flown: Cloud) -> Floats:
        own = score_named(of, name=score.name, side=side, group=group)
        piece = f"swings/{stamps[id(flown)]}"
        strata = parted(of)
        return fly_cloud(flown, strata=strata, score=own, jobs=jobs, meter=meter, piece=piece)

    def curve(of: FlightModel) -> tuple[Floats, float]:
        scores, weights = scored(of, thin), thin.weights(parted(of))
        found = weighted_exceedance(scores, weights=weights, thresholds=grid)
        squares = weighted_exceedance(scores, weights=weights**2, thresholds=grid)[place]
        return found, float(found[place] ** 2 / squares) if squares > 0.0 else 0.0

    # On the same flights as the ends; a splitting of its own is held against all of them.
    base, _ = curve(model)
    whole, known = base, math.nan
    if any(is_redealing(entry.key) for entry in ranges):
        whole, error, _ = cloud_error(
            cloud, strata=parted(model), scores=scored(model, cloud), thresholds=grid
        )
        known = _effective(float(whole[place]), float(error[place]))
    # Nothing is told far beyond the target.
    shallow = question.no_deeper(_DEPTH)
    rows = []
    for entry in ranges:
        ends: list[float] = []
        redealing = is_redealing(entry.key)
        effective = [known] if redealing else []
        for value in (entry.low, entry.high):
            scenario = with_values(model.scenario, {entry.key: value})
            if redealing:
                moved, error, _ = split_at(
                    shallow,
                    scenario=scenario,
                    side=side,
                    group=group,
                    thresholds=grid,
                    pilot=pilot,
                    meter=meter,
                )
                risk = float(moved[place])
                here = _effective(risk, risk * float(np.nan_to_num(error[place])))
                meter.begin("swings", expected=2 * len(ranges) * len(thin))
            else:
                moved, here = curve(prepare(scenario))
            effective.append(here)
            ends += [
                float(moved[place]),
                _ratio(float(moved[place]), float((whole if redealing else base)[place])),
                threshold_at(question.target, thresholds=grid, curve=moved),
            ]
        row = {name: getattr(entry, name) for name in ("key", "value", "low", "high", "unit")}
        row |= {name: getattr(entry, name) for name in ("law", "why", "given")}
        for name, at_low, at_high in zip(
            ("risk", "ratio", "threshold"), ends[:3], ends[3:], strict=True
        ):
            row |= {f"{name}_at_low": at_low, f"{name}_at_high": at_high}
        row["effective_flights"] = min(effective)
        row["method"] = "splitting" if redealing else "common random numbers"
        ratios = (ends[1], ends[4])
        told = _told(ratios, effective) if redealing else ratios
        row["swing"] = max(map(_decades, told), default=math.nan)
        if min(effective) < _FEWEST_EFFECTIVE:
            row["swing"] = math.nan
        rows.append(row)
    frame = pd.DataFrame(rows)
    if frame.empty:
        return frame
    return frame.sort_values(
        "swing", ascending=False, kind="stable", ignore_index=True, na_position="last"
    )


def _ratio(moved: float, base: float) -> float:
    return moved / base if base > 0.0 else math.nan


def _effective(risk: float, error: float) -> float:
    """Return how many flights of equal weight would tell a risk as well as its standard error."""
    if risk <= 0.0:
        return 0.0
    return (risk / error) ** 2 if error > 0.0 else math.inf


def _told(ratios: tuple[float, float], effective: list[float]) -> list[float]:
    """Return those of two splittings' ratios that differ from 1, at 95 % together (Bonferroni)."""
    known, *own = (1.0 / flights if flights > 0.0 else math.inf for flights in effective)
    t = float(stats.t.ppf(1.0 - 0.05 / 4.0, END_REPLICATES - 1))
    return [
        ratio
        for ratio, here in zip(ratios, own, strict=True)
        if _decades(ratio) * math.log(10.0) > t * math.sqrt(known + here)
    ]


def _decades(ratio: float) -> float:
    if ratio > 0.0:
        return abs(math.log10(ratio))
    return math.inf if ratio == 0.0 else 0.0
