"""What the flights above a level have in common: figures that differ from those of all flights."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.flight import CONTRIBUTIONS, FlightModel, group_phases, phase_column

__all__ = ["in_common", "phases_of_least"]

Floats = NDArray[np.float64]

#: Figures that are compared, with what they are in words.
_FIGURES: Final = {
    **{f"take_off_error_kgm.{name}": f"moment error of {name}, kg m" for name in CONTRIBUTIONS},
    "passengers": "passengers aboard",
    "zero_fuel_mass_kg": "zero-fuel mass, kg",
    "take_off_mass_kg": "take-off mass, kg",
    "trips": "trips from seats",
    "most_up": "most passengers up at once",
    "longest_queue": "longest queue",
    "surge": "a surge",
    "put_off": "tries put off",
    "stopped_behind_cart": "stopped behind a cart",
    "cabin_moment_max_kgm": "most aft moment of what moves in the cabin, kg m",
    "cabin_moment_min_kgm": "most forward moment of what moves in the cabin, kg m",
    "landing_mass_kg": "landing mass, kg",
}


def in_common(
    model: FlightModel, *, rows: Floats, scores: Floats, weights: Floats, level: float
) -> pd.DataFrame:
    """Return figures of the flights above a level beside those of all flights.

    Parameters
    ----------
    model : FlightModel
    rows : float64 array, shape (n, columns)
        Figures of weighted flights.
    scores, weights : float64 arrays, shape (n,)
    level : float
        Flights with a greater score are the ones in question.

    Returns
    -------
    pandas.DataFrame
        figure, meaning, mean_of_all, sd_of_all, mean_above, shift_in_sd; the greatest shift first.
        Figures that do not vary are left out. Empty where no flight is above the level.
    """
    counted = weights > 0.0
    rows, scores, weights = rows[counted], scores[counted], weights[counted]
    above = scores > level
    names = ["figure", "meaning", "mean_of_all", "sd_of_all", "mean_above", "shift_in_sd"]
    found = []
    for name, meaning in _FIGURES.items():
        if name not in model.columns or not above.any():
            continue
        column = rows[:, model.columns.index(name)]
        mean = float(np.average(column, weights=weights))
        spread = float(np.sqrt(np.average((column - mean) ** 2, weights=weights)))
        if spread <= 1e-9 * max(1.0, abs(mean)):
            continue
        there = float(np.average(column[above], weights=weights[above]))
        found.append((name, meaning, mean, spread, there, (there - mean) / spread))
    frame = pd.DataFrame(found, columns=names)
    order = frame["shift_in_sd"].abs().sort_values(ascending=False, kind="stable").index
    return frame.loc[order].reset_index(drop=True)


def phases_of_least(
    model: FlightModel,
    *,
    side: str,
    group: str,
    rows: Floats,
    scores: Floats,
    weights: Floats,
    level: float,
) -> pd.DataFrame:
    """Return in which phase the flights above a level come nearest to the limit, and all flights.

    Returns
    -------
    pandas.DataFrame
        phase, share_of_all, share_above (nan where no flight is above the level).
    """
    phases = group_phases(model)[group]
    columns = [
        model.columns.index(phase_column("moment_margin_kgm", phase=phase, side=side))
        for phase in phases
    ]
    counted = weights > 0.0
    where = rows[counted][:, columns].argmin(axis=1)
    scores, weights = scores[counted], weights[counted]
    above = scores > level
    frame = pd.DataFrame({"phase": phases, "share_of_all": 0.0, "share_above": np.nan})
    size = len(phases)
    frame["share_of_all"] = np.bincount(where, weights=weights, minlength=size) / weights.sum()
    if above.any():
        inside = np.bincount(where[above], weights=weights[above], minlength=size)
        frame["share_above"] = inside / weights[above].sum()
    return frame
