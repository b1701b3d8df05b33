"""The worst load state at a mass: found by flying candidates, not assumed.

How far a real CG may stray depends on what is aboard. At a zero-fuel mass there are many ways to
load: few passengers and much cargo or the other way round, some zones full and others empty, one
hold full or all of them half. Candidates are ranked by the load alone, which is cheap, then the
best of them by whole flights; all on the same random words.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.decide.load_candidates import COUNTS, fuel_range, states_at
from cgrisk.decide.load_state import LoadState, scenario_with, zone_seat_counts
from cgrisk.flight import FlightModel, fly_block, load_block, prepare, zero_fuel_scale
from cgrisk.rare import Meter, envelope_score
from cgrisk.rare.score import group_arm
from cgrisk.scenario import Scenario

__all__ = ["WorstLoad", "load_measures", "loads_as_flights", "worst_load"]

Floats = NDArray[np.float64]

#: Loads of each candidate, and whole flights of those that are left.
_LOADS, _FLIGHTS = 1500, 2000
#: Loads that cost as much as a flight.
_LOADS_A_FLIGHT: Final = 6
#: Candidates flown whole.
_KEPT: Final = 6
#: Fuel loads that are tried with the worst of them.
_FUELS: Final = 4
#: Zones with fewer seats have people moved one by one, others by four at least.
_SMALL_ZONE: Final = 32
#: Share of the greatest values whose mean ranks candidates.
_TOP: Final = 0.01


@dataclass(frozen=True, slots=True)
class WorstLoad:
    """The worst load state that was found.

    Attributes
    ----------
    state : LoadState
    how : str
        How people and loads are distributed, in words.
    measure_kgm : float
        Mean excess of the worst hundredth of its flights (kg m).
    tried : int
        Candidates.
    flights : int
        Flights flown for it, loads counted as a sixth; without the measures it was given.
    by_count : tuple of (int, float)
        Greatest measure of the load alone by passenger count.
    """

    state: LoadState
    how: str
    measure_kgm: float
    tried: int
    flights: int
    by_count: tuple[tuple[int, float], ...]


def loads_as_flights(candidates: int) -> int:
    """Return how many flights cost as much as the loads of so many candidates."""
    return candidates * _LOADS // _LOADS_A_FLIGHT


def _top(excess_kgm: Floats) -> float:
    count = max(int(_TOP * excess_kgm.size), 1)
    return float(np.partition(excess_kgm, excess_kgm.size - count)[-count:].mean())


def _toward(model: FlightModel, loaded: Floats, *, side: str, group: str) -> Floats:
    """Return the load's moment error toward a side (kg m), mass counted about the limit's arm."""
    arm = group_arm(model, side=side, group=group)
    sheet = model.program.sheet
    error = loaded[:, 1] - arm * loaded[:, 0]
    error -= sheet.zero_fuel_moment_kgm - arm * sheet.zero_fuel_mass_kg
    return error if side == "aft" else -error


def _load_excess(model: FlightModel, *, side: str, group: str, seed: int, flights: int) -> Floats:
    numbers = np.arange(flights, dtype=np.uint32)
    loaded = load_block(model, seed=seed, flights=numbers)
    return _toward(model, loaded, side=side, group=group)


def load_measures(
    scenario: Scenario,
    *,
    mass_kg: float,
    places: Sequence[tuple[str, str]],
    seed: int,
    counts: int | Sequence[int] = COUNTS,
    jobs: int = -1,
    meter: Meter | None = None,
) -> dict[tuple[str, str], Floats]:
    """Return how far the load alone strays at a mass, for each candidate (kg m).

    That is what :func:`worst_load` ranks its candidates by at first. One flown load tells it for
    all sides and groups, and it is cheap enough to ask at many masses whether there is a worse one
    between two.

    Parameters
    ----------
    scenario, mass_kg, seed, counts, jobs, meter
        As in :func:`worst_load`.
    places : sequence of (str, str)
        Sides and groups.

    Returns
    -------
    dict
        The measures of each place, shape (candidates,).
    """
    meter = Meter() if meter is None else meter
    candidates = states_at(scenario, mass_kg=mass_kg, counts=counts)
    meter.begin("loads", expected=loads_as_flights(len(candidates)))
    numbers = np.arange(_LOADS, dtype=np.uint32)

    def measured(state: LoadState) -> list[float]:
        model = prepare(scenario_with(scenario, state))
        loaded = load_block(model, seed=seed, flights=numbers)
        meter.add(loads_as_flights(1))
        return [_top(_toward(model, loaded, side=side, group=group)) for side, group in places]

    def all_measured() -> dict[str, NDArray[np.generic]]:
        threads = Parallel(n_jobs=jobs, backend="threading")
        return {"measures": np.array(threads(delayed(measured)(state) for state, _ in candidates))}

    piece = f"loads/{mass_kg!r}/{seed}/{counts!r}/{tuple(places)!r}"
    found = meter.kept(piece, all_measured)["measures"].astype(np.float64)
    return dict(zip(places, found.T, strict=True))


def _flight_excess(model: FlightModel, *, side: str, group: str, seed: int, flights: int) -> Floats:
    numbers = np.arange(flights, dtype=np.uint32)
    score = envelope_score(model, side=side, group=group)
    rows = fly_block(model, seed=seed, flights=numbers, needed=score.columns)
    excess: Floats = score.of(rows) * zero_fuel_scale(model)
    return excess


def worst_load(
    scenario: Scenario,
    *,
    mass_kg: float,
    side: str,
    group: str,
    seed: int,
    counts: int | Sequence[int] = COUNTS,
    measures: Floats | None = None,
    jobs: int = -1,
    meter: Meter | None = None,
) -> WorstLoad:
    """Return the load state at a zero-fuel mass whose CG strays furthest toward a side.

    Candidates are ranked by the mean of the highest hundredth of the load's moment error; the best
    six, no two of them with the same passengers by zone, by that of the excess of whole flights;
    then people are moved between zones by halves of what may be moved as long as that helps, and
    other fuel loads are tried, from the least to the most possible.

    Parameters
    ----------
    scenario : Scenario
    mass_kg : float
    side, group : str
        Of the excess.
    seed : int
        All candidates fly on the same words.
    counts : int or sequence of int
        Passenger counts to choose from, or how many.
    measures : float64 array, shape (candidates,), optional
        Of the place, from :func:`load_measures` with the same seed and counts; flown if not given.
    jobs : int
        Threads; changes no result.
    meter : Meter, optional
        Told of the flights.

    Raises
    ------
    UsageError
        If the aircraft can not have that zero-fuel mass.
    """
    meter = Meter() if meter is None else meter
    candidates = states_at(scenario, mass_kg=mass_kg, counts=counts)
    meter.begin("worst load", expected=_KEPT * _FLIGHTS)

    def loaded(state: LoadState) -> float:
        model = prepare(scenario_with(scenario, state))
        found = _top(_load_excess(model, side=side, group=group, seed=seed, flights=_LOADS))
        meter.add(loads_as_flights(1))
        return found

    def flown(state: LoadState) -> float:
        model = prepare(scenario_with(scenario, state))
        found = _top(_flight_excess(model, side=side, group=group, seed=seed, flights=_FLIGHTS))
        meter.add(_FLIGHTS)
        return found

    threads = Parallel(n_jobs=jobs, backend="threading")
    piece = f"worst load/{side}/{group}/{mass_kg!r}/{seed}/{counts!r}"

    flights = 0
    if measures is None:
        flights = loads_as_flights(len(candidates))
        place = (side, group)
        measures = load_measures(
            scenario,
            mass_kg=mass_kg,
            places=[place],
            seed=seed,
            counts=counts,
            jobs=jobs,
            meter=meter,
        )[place]
    rough = measures.tolist()
    by_count: dict[int, float] = {}
    for (state, _), value in zip(candidates, rough, strict=True):
        by_count[state.passengers] = max(value, by_count.get(state.passengers, -math.inf))
    chosen: dict[tuple[int, ...], int] = {}
    for number in np.argsort(-measures, kind="stable").tolist():
        state = candidates[number][0]
        people = tuple(np.add(state.adults, state.children).tolist())
        chosen.setdefault(people, number)
        if len(chosen) == _KEPT:
            break
    kept = list(chosen.values())

    def all_flown() -> dict[str, NDArray[np.generic]]:
        found = threads(delayed(flown)(candidates[number][0]) for number in kept)
        return {"measures": np.array(found)}

    whole = meter.kept(f"{piece}/flown", all_flown)["measures"].astype(np.float64).tolist()
    best = kept[int(np.argmax(whole))]
    state, how = candidates[best]
    state, moved, tried = _improved(state, loaded, seats=zone_seat_counts(scenario))
    measure = max(whole)
    if moved:
        refined = flown(state)
        if refined > measure:
            measure, how = refined, how.split(",")[0] + ", zones as found by moving people"
        else:
            state = candidates[best][0]
    least, most = fuel_range(scenario, mass_kg=mass_kg)
    for block in np.linspace(least, most, _FUELS).tolist():
        other = replace(state, fuel_kg=block)
        found = flown(other)
        if found > measure:
            measure, state = found, other
    return WorstLoad(
        state=state,
        how=f"{how}; fuel {state.fuel_kg:,.0f} kg",
        measure_kgm=measure,
        tried=len(candidates) + tried,
        flights=flights + loads_as_flights(tried) + (len(kept) + moved + _FUELS) * _FLIGHTS,
        by_count=tuple(sorted(by_count.items())),
    )


def _improved(
    state: LoadState, evaluate: Callable[[LoadState], float], *, seats: NDArray[np.int64]
) -> tuple[LoadState, bool, int]:
    """Move adults between zones as long as the load's measure rises; return what was tried."""
    value, tried, moved = evaluate(state), 1, False
    step = max(int(seats.max()) // 4, 1)
    least = 1 if int(seats.max()) < _SMALL_ZONE else 4
    while step >= least:
        better = None
        for a in range(seats.size):
            for b in range(seats.size):
                count = min(
                    step, state.adults[a], int(seats[b]) - state.adults[b] - state.children[b]
                )
                if a == b or count <= 0:
                    continue
                adults = list(state.adults)
                adults[a] -= count
                adults[b] += count
                other = replace(state, adults=tuple(adults))
                found, tried = evaluate(other), tried + 1
                if found > value:
                    value, better = found, other
        if better is None:
            step //= 2
        else:
            state, moved = better, True
    return state, moved, tried
