"""One-at-a-time swings: each input without a source at both ends of its range."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.flight import FlightModel, prepare
from cgrisk.rare import (
    Cloud,
    Meter,
    Score,
    fly_cloud,
    score_named,
    strata_of,
    threshold_at,
    weighted_exceedance,
)
from cgrisk.scenario.ranges import assumption_ranges, with_values

__all__ = ["swings"]

Floats = NDArray[np.float64]


def swings(
    model: FlightModel,
    *,
    score: Score,
    side: str,
    group: str,
    cloud: Cloud,
    thresholds: Floats,
    level: float,
    target: float,
    jobs: int = -1,
    meter: Meter | None = None,
) -> pd.DataFrame:
    """Return how far the answer moves with each input that has no source, one at a time.

    Parameters
    ----------
    model : FlightModel
        The scenario as it stands.
    score : Score
        Whose tail it is, with the side and group of phases of an envelope's score.
    cloud : Cloud
        Weighted flights; flown again with the same random words.
    thresholds : float64 array, shape (n,)
        Rising: those of the curve.
    level : float
        Threshold at which probabilities are told.
    target : float
        Probability whose threshold is told.
    jobs, meter
        As elsewhere.

    Returns
    -------
    pandas.DataFrame
        key, value, low, high, unit, law, why, given, risk_at_low, risk_at_high, ratio_at_low,
        ratio_at_high (of the risk as the scenario stands), threshold_at_low, threshold_at_high
        (of the target), swing (the larger of the two ratios' logarithms to base 10), widest first.
    """
    ranges = assumption_ranges(model.scenario)
    meter = Meter() if meter is None else meter
    meter.begin("swings", expected=(2 * len(ranges) + 1) * len(cloud))
    grid = np.unique(np.append(thresholds, level))
    place = int(np.searchsorted(grid, level))

    def curve(of: FlightModel) -> Floats:
        strata = strata_of(of)
        own = score_named(of, name=score.name, side=side, group=group)
        scores = fly_cloud(cloud, strata=strata, score=own, jobs=jobs, meter=meter)
        weights = cloud.weights(strata)
        return weighted_exceedance(scores, weights=weights, thresholds=grid)

    base = curve(model)
    rows = []
    for entry in ranges:
        ends: list[float] = []
        for value in (entry.low, entry.high):
            moved = curve(prepare(with_values(model.scenario, {entry.key: value})))
            ends += [
                float(moved[place]),
                _ratio(float(moved[place]), float(base[place])),
                threshold_at(target, thresholds=grid, curve=moved),
            ]
        row = {name: getattr(entry, name) for name in ("key", "value", "low", "high", "unit")}
        row |= {name: getattr(entry, name) for name in ("law", "why", "given")}
        for name, at_low, at_high in zip(
            ("risk", "ratio", "threshold"), ends[:3], ends[3:], strict=True
        ):
            row |= {f"{name}_at_low": at_low, f"{name}_at_high": at_high}
        row["swing"] = max(_decades(ends[1]), _decades(ends[4]))
        rows.append(row)
    frame = pd.DataFrame(rows)
    if frame.empty:
        return frame
    return frame.sort_values("swing", ascending=False, kind="stable", ignore_index=True)


def _ratio(moved: float, base: float) -> float:
    return moved / base if base > 0.0 else math.nan


_decades: Callable[[float], float] = lambda ratio: (  # noqa: E731
    abs(math.log10(ratio)) if ratio > 0.0 else (math.inf if ratio == 0.0 else 0.0)
)
