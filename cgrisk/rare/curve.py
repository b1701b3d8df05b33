"""A curve read between its thresholds and asked about beyond them."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["between", "further"]

Floats = NDArray[np.float64]

#: How much further than the curve the assumption range is looked at, in lengths of the curve.
_FURTHER, _FURTHER_STEPS = 0.8, 16


def further(thresholds: Floats) -> Floats:
    """Return thresholds (n,) with more in gaps and beyond, rising.

    Under worse assumptions a curve goes on.
    """
    length = thresholds[-1] - thresholds[0]
    step = length * _FURTHER / _FURTHER_STEPS
    parts = [thresholds, thresholds[-1] + step * np.arange(1, _FURTHER_STEPS + 1)]
    parts += [
        np.linspace(a, b, math.ceil((b - a) / step), endpoint=False)
        for a, b in pairwise(thresholds)
        if b - a > 1.5 * step
    ]
    return np.unique(np.concatenate(parts))


def between(curve: pd.DataFrame, column: str, places: Floats, *, beyond: float) -> Floats:
    """Return a column of a curve at places, straight on its logarithm, shape (n,).

    Parameters
    ----------
    curve : pandas.DataFrame
        threshold, and the column.
    column : str
    places : float64 array, shape (n,)
    beyond : float
        Value beyond the curve's end, and before a threshold where the column is 0.
    """
    thresholds, values = curve["threshold"].to_numpy(), curve[column].to_numpy()
    after = np.minimum(np.searchsorted(thresholds, places), thresholds.size - 1)
    logs = np.log(np.maximum(values, 1e-300))
    found = np.exp(np.interp(places, thresholds, logs))
    known = (places <= thresholds[-1]) & (values[after] > 0.0)
    return np.where(known, found, beyond)
