"""What the cabin's life was like: people up, queues, waits, and where people stood when."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import POSITIONS
from cgrisk.flight import CABIN_FIGURES, FlightModel, diary_record
from cgrisk.sampling import Sample
from cgrisk.sampling.histogram import Histogram

__all__ = ["PUBLISHED_NEVER_UP", "PUBLISHED_TIMES_UP", "cabin_figures", "occupancy", "times_up"]

Floats = NDArray[np.float64]

#: Share of passengers who never left the seat, by seat, on ten single-aisle flights of 3.5 to 5.2 h
#: (Hertzberg, Weiss et al., PNAS 115(14):3623, 2018). The rates of getting up are fitted to it.
PUBLISHED_NEVER_UP: Final = {"window": 0.57, "middle": 0.48, "aisle": 0.20}
#: Share of all passengers up never, once, more often on the same flights (the same, quoted
#: second-hand). Nothing is fitted to it.
PUBLISHED_TIMES_UP: Final = {"never": 0.40, "once": 0.40, "more": 0.20}
#: Length of those flights (h).
PUBLISHED_HOURS: Final = (3.5, 5.2)
TIMES: Final = ("never", "once", "more")

_TIME, _KIND, _NUMBER, _STATE, _ARM, _SPEED = range(6)  # columns of the diary
_SITS = 1  # state of the diary
_PASSENGER, _CART = 0, 1  # kinds of the diary
_QUANTILES = (0.05, 0.5, 0.95)


def cabin_figures(sample: Sample) -> pd.DataFrame:
    """Return how the figures of the cabin's life vary from flight to flight.

    Returns
    -------
    pandas.DataFrame
        figure, mean, standard_error (of the mean), q5, q50, q95, greatest; the last figure is the
        mean wait of all visits to a lavatory (``mean_wait_s`` is that of a flight's own visits).
    """
    layout, tally = sample.layout, sample.tally
    variance = tally.moments.variance()
    greatest = dict(zip(layout.extremes, tally.greatest.tolist(), strict=True))
    rows = []
    for name in CABIN_FIGURES:
        if "_up." in name:
            continue
        place = layout.mean_place(name)
        error = math.sqrt(float(variance[place]) / tally.flights)
        quantiles = (_quantile(tally.histograms[name], q, name) for q in _QUANTILES)
        mean = float(tally.moments.mean[place])
        rows.append((name, mean, error, *quantiles, greatest[name]))
    wait, error = _share(sample, ["total_wait_s"], ["lavatory_visits"])
    rows.append(("wait_per_visit_s", wait, error, math.nan, math.nan, math.nan, math.nan))
    names = ["figure", "mean", "standard_error", "q5", "q50", "q95", "greatest"]
    return pd.DataFrame(rows, columns=names)


def _quantile(histogram: Histogram, probability: float, name: str) -> float:
    """Return a quantile to the width of the bins; a count as it is."""
    rank = min(max(math.ceil(probability * histogram.total), 1), histogram.total)
    low, high = histogram.within(rank)
    whole = not name.endswith(("_kgm", "_kg", "_s", "mean_up"))
    return low if whole else 0.5 * (low + high)


def _share(sample: Sample, part: list[str], whole: list[str]) -> tuple[float, float]:
    """Return the ratio of two sums over flights and its standard error (nan for one flight)."""
    moments, place = sample.tally.moments, sample.layout.mean_place
    above, below = np.zeros(moments.mean.size), np.zeros(moments.mean.size)
    above[[place(name) for name in part]] = 1.0
    below[[place(name) for name in whole]] = 1.0
    flights = moments.flights
    total = flights * float(below @ moments.mean)
    if total == 0.0:
        return math.nan, math.nan
    share = flights * float(above @ moments.mean) / total
    if flights < 2:
        return share, math.nan
    residual = max(moments.squares_of(above - share * below), 0.0)
    return share, math.sqrt(flights * residual / (flights - 1)) / total


def times_up(sample: Sample) -> pd.DataFrame:
    """Return the shares of passengers who got up never, once and more often, by seat.

    Returns
    -------
    pandas.DataFrame
        seat (window, middle, aisle, all), times, share, standard_error, published (nan where
        there is none, or the flight is not as long as those observed), fitted (whether the
        default rates are fitted to it).
    """
    rows = []
    hours = float(sample.model.program.timeline.end_s[-1]) / 3600.0
    comparable = PUBLISHED_HOURS[0] <= hours <= PUBLISHED_HOURS[1]
    for seat in (*POSITIONS, "all"):
        seats = POSITIONS if seat == "all" else (seat,)
        whole = [f"{times}_up.{s}" for times in TIMES for s in seats]
        for times in TIMES:
            share, error = _share(sample, [f"{times}_up.{s}" for s in seats], whole)
            published = PUBLISHED_TIMES_UP[times] if seat == "all" else math.nan
            fitted = seat != "all" and times == "never"
            if fitted:
                published = PUBLISHED_NEVER_UP[seat]
            known = published if comparable else math.nan
            rows.append((seat, times, share, error, known, fitted))
    names = ["seat", "times", "share", "standard_error", "published", "fitted"]
    return pd.DataFrame(rows, columns=names)


def _bins(model: FlightModel) -> tuple[Floats, Floats, list[str]]:
    """Return (edges, centres, labels): the rows, and as many more before and behind as needed."""
    plan = model.plan
    arms, first = np.unique(plan.arm_m, return_index=True)
    labels = [str(int(plan.row[i])) for i in first]
    places = [*plan.lavatories.arm_m, *plan.galleys.arm_m, *plan.crew_seats.arm_m]
    edges = [0.5 * (a + b) for a, b in pairwise(arms)]
    half = 0.5 * float(np.diff(arms).mean()) if arms.size > 1 else 0.5
    low = min([*places, arms[0]]) - half
    high = max([*places, arms[-1]]) + half
    inner = [arms[0] - half, *edges, arms[-1] + half]
    before, behind = int(low < inner[0]), int(high > inner[-1])
    all_edges = [low] * before + inner + [high] * behind
    names = ["front"] * before + labels + ["rear"] * behind
    edge = np.array(all_edges)
    return edge, 0.5 * (edge[:-1] + edge[1:]), names


def _positions(diary: Floats, kind: int, times: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return (instant, arm) of everybody of a kind who is away from his place at each instant."""
    rows = diary[diary[:, _KIND] == kind]
    rows = rows[np.argsort(rows[:, _NUMBER], kind="stable")]  # in order of time as they were
    start, number, state, place_m, speed = rows[:, [_TIME, _NUMBER, _STATE, _ARM, _SPEED]].T
    end = np.append(start[1:], math.inf)
    end[np.append(number[1:] != number[:-1], True)] = math.inf
    at_home = state == (_SITS if kind == _PASSENGER else 0)
    first = np.searchsorted(times, start)
    last = np.where(at_home, first, np.searchsorted(times, end))
    repeat = np.maximum(last - first, 0)
    piece = np.repeat(np.arange(start.size), repeat)
    offset = np.arange(piece.size) - np.repeat(np.cumsum(repeat) - repeat, repeat)
    instant = first[piece] + offset
    arm = place_m[piece] + speed[piece] * (times[instant] - start[piece])
    return instant, arm


def occupancy(sample: Sample, *, flights: int = 300, step_s: float = 60.0) -> pd.DataFrame:
    """Return how many people are out of their seats on average, by row and time.

    Parameters
    ----------
    sample : Sample
        Flights; the first of them are replayed.
    flights : int
        How many to replay.
    step_s : float
        Time between the instants looked at, the middles of equal steps from the start of taxi.

    Returns
    -------
    pandas.DataFrame
        time_min, row (number of the nearest row; front and rear beyond the seats), arm_m (middle),
        mean_passengers, mean_carts.
    """
    model = sample.model
    end = float(model.program.timeline.end_s[-1])
    times = np.arange(0.5 * step_s, end, step_s)
    edges, centres, labels = _bins(model)
    count = np.zeros((2, times.size, centres.size))
    replayed = min(flights, sample.flights)
    for flight in range(replayed):
        diary = diary_record(model, seed=sample.seed, flight=flight)
        for kind in (_PASSENGER, _CART):
            instant, arm = _positions(diary, kind, times)
            place = np.clip(np.searchsorted(edges, arm) - 1, 0, centres.size - 1)
            np.add.at(count[kind], (instant, place), 1.0)
    count /= replayed
    return pd.DataFrame(
        {
            "time_min": np.repeat(times / 60.0, centres.size),
            "row": labels * times.size,
            "arm_m": np.tile(centres, times.size),
            "mean_passengers": count[_PASSENGER].ravel(),
            "mean_carts": count[_CART].ravel(),
        }
    )
