"""A tally: what many flights did, in counts, bins, extremes and means that add up.

Tallies of blocks are merged in one fixed order, so that their sums have the same bits however the
flights were spread over workers and cuts. Counts of outcomes are exact; distributions are known to
the width of their bins.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight import SIDES, phase_column
from cgrisk.sampling.histogram import Histogram
from cgrisk.sampling.layout import MAXIMA, NEAREST, ON_LIMIT_KGM, ON_MAXIMUM_KG, Layout
from cgrisk.sampling.moments import Moments

__all__ = [
    "Tally",
    "figures_of",
    "merge_tallies",
    "outcomes_of",
    "pack_outcomes",
    "tally_rows",
    "unpack_outcomes",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bits = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Tally:
    """What flights of one scenario did; orders are those of its :class:`Layout`.

    Attributes
    ----------
    flights : int
        How many.
    hits : int64 array, shape (outcomes,)
        Flights with each outcome.
    aircraft : int64 array, shape (fleet, 3)
        Flights of each aircraft; of them, those outside at the operational limit, by side.
    outside : float64 array, shape (sides, phases, 2)
        Over the flights that left as planned: sums of depth (% MAC) and of time outside (s).
    least, greatest : float64 array, shape (extremes,)
        Extremes of figures.
    least_flight, greatest_flight : int64 array, shape (extremes,)
        The first flights with them.
    nearest_flight : int64 array, shape (sides, groups, up to 16)
        Flights that came nearest to the limit, nearest first.
    nearest_kgm : float64 array, same shape
        Their least moment margins.
    moments : Moments
        Means and covariances.
    histograms : dict of str to Histogram
        Counts by bin.
    """

    flights: int
    hits: Ints
    aircraft: Ints
    outside: Floats
    least: Floats
    greatest: Floats
    least_flight: Ints
    greatest_flight: Ints
    nearest_flight: Ints
    nearest_kgm: Floats
    moments: Moments
    histograms: dict[str, Histogram]

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Return the tally as arrays by name, for a file."""
        parts = list(self.histograms.values())
        return {
            "flights": np.array([self.flights]),
            "hits": self.hits,
            "aircraft": self.aircraft,
            "outside": self.outside,
            "least": self.least,
            "greatest": self.greatest,
            "least_flight": self.least_flight,
            "greatest_flight": self.greatest_flight,
            "nearest_flight": self.nearest_flight,
            "nearest_kgm": self.nearest_kgm,
            "mean": self.moments.mean,
            "products": self.moments.products,
            "histogram_sizes": np.array([part.bins.size for part in parts]),
            "histogram_bins": np.concatenate([part.bins for part in parts]),
            "histogram_counts": np.concatenate([part.counts for part in parts]),
        }

    @classmethod
    def from_arrays(cls, arrays: dict[str, NDArray[Any]], *, layout: Layout) -> Tally:
        """Make a tally of the arrays that :meth:`arrays` gave."""
        ends = np.cumsum(arrays["histogram_sizes"])
        bins = np.split(arrays["histogram_bins"], ends[:-1])
        counts = np.split(arrays["histogram_counts"], ends[:-1])
        flights = int(arrays["flights"][0])
        names = [
            "hits",
            "aircraft",
            "outside",
            "least",
            "greatest",
            "least_flight",
            "greatest_flight",
            "nearest_flight",
            "nearest_kgm",
        ]
        return cls(
            flights=flights,
            **{name: arrays[name] for name in names},
            moments=Moments(flights, arrays["mean"], arrays["products"]),
            histograms={
                name: Histogram(width, b, c)
                for (name, width), b, c in zip(layout.steps.items(), bins, counts, strict=True)
            },
        )


def _moment_margins(rows: Floats, layout: Layout) -> Floats:
    """Return the least moment margins, shape (sides, phases, flights)."""
    place = {name: i for i, name in enumerate(layout.columns)}
    return np.array(
        [
            [
                rows[:, place[phase_column("moment_margin_kgm", phase=phase, side=side)]]
                for phase in layout.phases
            ]
            for side in SIDES
        ]
    )


def outcomes_of(rows: Floats, *, layout: Layout) -> NDArray[np.bool_]:
    """Return which flights had which outcome.

    Parameters
    ----------
    rows : float64 array, shape (flights, columns)
        Figures of flights.
    layout : Layout
        Outcomes, in order.

    Returns
    -------
    bool array, shape (outcomes, flights)
    """
    margins = _moment_margins(rows, layout)
    found = []
    for side, shift in enumerate(layout.shift_kgm):
        planned = margins[side] < -ON_LIMIT_KGM
        at_limit = margins[side] < shift - ON_LIMIT_KGM
        for numbers in layout.places.values():
            found += [planned[list(numbers)].any(axis=0), at_limit[list(numbers)].any(axis=0)]
    place = {name: i for i, name in enumerate(layout.columns)}
    found += [rows[:, place[f"mass_margin_kg.{name}"]] < -ON_MAXIMUM_KG for name in MAXIMA]
    for limit in layout.limits:
        figures = rows[:, [place[name] for name in limit.columns]]
        found.append(((figures < limit.low) | (figures > limit.high)).any(axis=1))
    return np.array(found)


def pack_outcomes(outcomes: NDArray[np.bool_]) -> Bits:
    """Return outcomes as bits, eight flights a byte, shape (outcomes, ceil(flights / 8))."""
    return np.packbits(outcomes, axis=1)


def unpack_outcomes(bits: Bits, *, flights: int) -> NDArray[np.bool_]:
    """Return what :func:`pack_outcomes` packed."""
    return np.unpackbits(bits, axis=1, count=flights).astype(np.bool_)


def _nearest(values: Floats, flights: Ints) -> tuple[Ints, Floats]:
    order = np.lexsort((flights, values))[:NEAREST]
    return flights[order], values[order]


def figures_of(rows: Floats, *, layout: Layout) -> dict[str, Floats]:
    """Return the figures that are counted in bins or averaged, by name, shape (flights,) each."""
    margins = _moment_margins(rows, layout)
    place = {name: i for i, name in enumerate(layout.columns)}
    wanted = {*layout.steps, *layout.means} & set(layout.columns)
    found = {name: rows[:, place[name]] for name in wanted}
    found["total_wait_s"] = found["mean_wait_s"] * found["lavatory_visits"]
    for number, side in enumerate(SIDES):
        for group in layout.groups:
            inside = list(layout.places[group])
            least = margins[number][inside].min(axis=0)
            found[f"margin.{side}.{group}"] = least / layout.scale_kgm
            columns = [
                place[phase_column("margin_pct_mac", phase=layout.phases[i], side=side)]
                for i in inside
            ]
            nearest = rows[:, columns].min(axis=1)
            found[f"excess.{side}.{group}"] = layout.planned_pct[side, group] - nearest
    return found


def _outside(rows: Floats, margins: Floats, layout: Layout) -> Floats:
    place = {name: i for i, name in enumerate(layout.columns)}
    sums = np.zeros((*margins.shape[:2], 2))
    for i, side in enumerate(SIDES):
        for j, phase in enumerate(layout.phases):
            left = margins[i, j] < -ON_LIMIT_KGM
            if left.any():
                depth = place[phase_column("margin_pct_mac", phase=phase, side=side)]
                time = place[phase_column("outside_s", phase=phase, side=side)]
                sums[i, j] = -rows[left, depth].sum(), rows[left, time].sum()
    return sums


def tally_rows(
    rows: Floats, *, layout: Layout, first_flight: int
) -> tuple[Tally, NDArray[np.bool_]]:
    """Tally consecutive flights.

    Parameters
    ----------
    rows : float64 array, shape (flights, columns)
        Figures, from flight ``first_flight`` on.
    layout : Layout
        What is kept.
    first_flight : int
        Number of the first.

    Returns
    -------
    tally : Tally
        Of these flights.
    outcomes : bool array, shape (outcomes, flights)
        Which flight had which.
    """
    place = {name: i for i, name in enumerate(layout.columns)}
    numbers = first_flight + np.arange(rows.shape[0], dtype=np.int64)
    margins = _moment_margins(rows, layout)
    outcomes = outcomes_of(rows, layout=layout)
    figures = figures_of(rows, layout=layout)
    chosen = rows[:, [place[name] for name in layout.extremes]]
    low, high = chosen.argmin(axis=0), chosen.argmax(axis=0)
    across = np.arange(chosen.shape[1])
    nearest = [
        [
            _nearest(margins[side][list(layout.places[group])].min(axis=0), numbers)
            for group in layout.groups
        ]
        for side in range(len(SIDES))
    ]
    aircraft = rows[:, place["aircraft"]].astype(np.int64)
    at_limit = [outcomes[_at_limit_any(layout, side)] for side in range(len(SIDES))]
    by_aircraft = np.array(
        [
            np.bincount(aircraft[mask], minlength=layout.fleet)
            for mask in (np.ones(aircraft.size, dtype=np.bool_), *at_limit)
        ]
    ).T.astype(np.int64)
    tally = Tally(
        flights=rows.shape[0],
        hits=outcomes.sum(axis=1).astype(np.int64),
        aircraft=by_aircraft,
        outside=_outside(rows, margins, layout),
        least=chosen[low, across],
        greatest=chosen[high, across],
        least_flight=numbers[low],
        greatest_flight=numbers[high],
        nearest_flight=np.array([[found[0] for found in side] for side in nearest]),
        nearest_kgm=np.array([[found[1] for found in side] for side in nearest]),
        moments=Moments.of(np.stack([figures[name] for name in layout.means], axis=1)),
        histograms={
            name: Histogram.of(figures[name], width=width) for name, width in layout.steps.items()
        },
    )
    return tally, outcomes


def _at_limit_any(layout: Layout, side: int) -> int:
    """Return the number of the outcome: outside on a side in any phase, at the limit."""
    places = list(layout.places)
    return 2 * (side * len(places) + places.index("any")) + 1


def _merge_nearest(a: Tally, b: Tally) -> tuple[Ints, Floats]:
    flights = np.concatenate([a.nearest_flight, b.nearest_flight], axis=2)
    margins = np.concatenate([a.nearest_kgm, b.nearest_kgm], axis=2)
    found = [
        [_nearest(margins[s, g], flights[s, g]) for g in range(flights.shape[1])]
        for s in range(flights.shape[0])
    ]
    return (
        np.array([[pair[0] for pair in side] for side in found]),
        np.array([[pair[1] for pair in side] for side in found]),
    )


def merge_tallies(first: Tally, second: Tally) -> Tally:
    """Return the tally of the flights of both; those of ``second`` come after."""
    lower, higher = second.least < first.least, second.greatest > first.greatest
    nearest_flight, nearest_kgm = _merge_nearest(first, second)
    return Tally(
        flights=first.flights + second.flights,
        hits=first.hits + second.hits,
        aircraft=first.aircraft + second.aircraft,
        outside=first.outside + second.outside,
        least=np.where(lower, second.least, first.least),
        greatest=np.where(higher, second.greatest, first.greatest),
        least_flight=np.where(lower, second.least_flight, first.least_flight),
        greatest_flight=np.where(higher, second.greatest_flight, first.greatest_flight),
        nearest_flight=nearest_flight,
        nearest_kgm=nearest_kgm,
        moments=first.moments.merged(second.moments),
        histograms={
            name: part.merged(second.histograms[name]) for name, part in first.histograms.items()
        },
    )
