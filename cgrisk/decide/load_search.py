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

from cgrisk.aircraft import dry_operating
from cgrisk.decide.load_state import LoadState, scenario_with, state_of, zone_seat_counts
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, fly_block, load_block, prepare, zero_fuel_scale
from cgrisk.rare import Meter, envelope_score
from cgrisk.rare.score import reference_arm
from cgrisk.scenario import Scenario

__all__ = ["LoadRange", "WorstLoad", "load_range", "state_at", "states_at", "worst_load"]

Floats = NDArray[np.float64]

#: Loads of each candidate, and whole flights of those that are left.
_LOADS, _FLIGHTS = 1500, 3000
#: Passenger counts that are tried at a mass, and candidates flown whole.
COUNTS, _KEPT = 9, 6
#: Share of the greatest values whose mean ranks candidates.
_TOP: Final = 0.01


@dataclass(frozen=True, slots=True)
class LoadRange:
    """What may be aboard at a zero-fuel mass.

    Attributes
    ----------
    mass_kg : float
        Zero-fuel mass.
    payload_kg : float
        Passengers and hold loads.
    fewest, most : int
        Passengers: what the holds cannot take must be passengers, and there are only so many
        seats.
    """

    mass_kg: float
    payload_kg: float
    fewest: int
    most: int


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
        Flights flown, loads counted as a sixth.
    by_count : tuple of (int, float)
        Greatest measure of the load alone by passenger count.
    """

    state: LoadState
    how: str
    measure_kgm: float
    tried: int
    flights: int
    by_count: tuple[tuple[int, float], ...]


def _passenger_kg(scenario: Scenario) -> float:
    """Return the load sheet's mean mass of a passenger, children in the scenario's share."""
    rules, state = scenario.operation.load_sheet, state_of(scenario)
    if state.passengers == 0:
        return rules.adult_mass
    children = sum(state.children) / state.passengers
    return (1.0 - children) * rules.adult_mass + children * rules.child_mass


def load_range(scenario: Scenario, *, mass_kg: float) -> LoadRange:
    """Return what may be aboard at a zero-fuel mass.

    Parameters
    ----------
    scenario : Scenario
    mass_kg : float

    Raises
    ------
    UsageError
        If the aircraft can not have that zero-fuel mass.
    """
    dry, _ = dry_operating(scenario.aircraft)
    seats = int(zone_seat_counts(scenario).sum())
    room = sum(hold.max_load for hold in scenario.aircraft.holds)
    each = _passenger_kg(scenario)
    highest = min(scenario.aircraft.masses.max_zero_fuel, dry + room + seats * each)
    payload = mass_kg - dry
    if not -0.5 <= payload <= highest - dry + 0.5:
        raise UsageError(
            argument="masses",
            expected=f"zero-fuel masses from {dry:,.0f} to {highest:,.0f} kg",
            got=mass_kg,
            cure="That is from empty to full; take masses in between.",
        )
    payload = max(payload, 0.0)
    fewest = min(max(math.ceil((payload - room) / each - 1e-9), 0), seats)
    most = min(math.floor(payload / each + 1e-9), seats)
    return LoadRange(mass_kg, payload, min(fewest, most), most)


def _split_evenly(count: int, seats: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return a count split over zones in proportion to their seats, by largest remainders."""
    exact = count * seats / max(int(seats.sum()), 1)
    out = np.floor(exact).astype(np.int64)
    order = np.argsort(-(exact - out), kind="stable")
    out[order[: count - int(out.sum())]] += 1
    return out


def _filled(count: int, seats: NDArray[np.int64], order: Sequence[int]) -> NDArray[np.int64]:
    out = np.zeros(seats.size, dtype=np.int64)
    for zone in order:
        out[zone] = min(count, int(seats[zone]))
        count -= int(out[zone])
    return out


def _zone_splits(count: int, seats: NDArray[np.int64]) -> dict[str, NDArray[np.int64]]:
    zones = list(range(seats.size))
    middle = sorted(zones, key=lambda z: (abs(z - (len(zones) - 1) / 2.0), z))
    found = {
        "in proportion to seats": _split_evenly(count, seats),
        "front zones first": _filled(count, seats, zones),
        "rear zones first": _filled(count, seats, zones[::-1]),
        "middle zones first": _filled(count, seats, middle),
        "end zones first": _filled(count, seats, middle[::-1]),
    }
    unique: dict[tuple[int, ...], str] = {}
    for name, split in found.items():
        unique.setdefault(tuple(split.tolist()), name)
    return {name: np.array(split, dtype=np.int64) for split, name in unique.items()}


def _spread_over(load_kg: float, room: Floats, weights: Floats) -> Floats:
    """Return a load shared out over holds by weights; what one cannot take goes to the others."""
    out, left = np.zeros(room.size), load_kg
    while left > 1e-6 and (out < room - 1e-9).any():
        open_holds = np.where(out < room - 1e-9, weights + 1e-9, 0.0)
        add = np.minimum(left * open_holds / open_holds.sum(), room - out)
        out += add
        left -= float(add.sum())
    return out


def _hold_splits(scenario: Scenario, load_kg: float) -> dict[str, Floats]:
    room = np.array([hold.max_load for hold in scenario.aircraft.holds], dtype=np.float64)
    if room.size == 0 or load_kg <= 0.0:
        return {"holds empty": np.zeros(room.size)}
    arms = np.array([hold.arm for hold in scenario.aircraft.holds])
    found = {"holds in proportion": load_kg * room / room.sum()}
    for name, order in (
        ("forward hold first", np.argsort(arms)),
        ("aft hold first", np.argsort(-arms)),
    ):
        out, left = np.zeros(room.size), load_kg
        for hold in order:
            out[hold] = min(left, room[hold])
            left -= out[hold]
        found[name] = out
    return found


def _state(
    scenario: Scenario, people: NDArray[np.int64], holds_kg: Floats, fuel_kg: float
) -> LoadState:
    now, bag = state_of(scenario), scenario.operation.load_sheet.bag_mass
    share = sum(now.children) / now.passengers if now.passengers else 0.0
    children = np.floor(share * people + 0.5).astype(np.int64)
    per_head = sum(now.bags) / now.passengers if now.passengers else 0.0
    wanted = per_head * float(people.sum())
    whole = float(holds_kg.sum())
    bags = [
        int(min(wanted * float(kg) / whole, float(kg) / bag)) if whole > 0.0 and bag > 0.0 else 0
        for kg in holds_kg
    ]
    return LoadState(
        adults=tuple((people - children).tolist()),
        children=tuple(children.tolist()),
        bags=tuple(bags),
        cargo_kg=tuple(max(float(kg) - n * bag, 0.0) for kg, n in zip(holds_kg, bags, strict=True)),
        fuel_kg=fuel_kg,
    )


def state_at(
    scenario: Scenario,
    *,
    mass_kg: float,
    people: NDArray[np.int64],
    hold_weights: Floats,
    fuel_kg: float,
) -> LoadState:
    """Return the load state of a zero-fuel mass with people by zone and weights of the holds.

    Parameters
    ----------
    scenario : Scenario
        Its children's share and bags per passenger are kept.
    mass_kg : float
        Zero-fuel mass.
    people : int64 array, shape (zones,)
    hold_weights : float64 array, shape (holds,)
        What is not people is shared out over the holds in this proportion, as far as it fits.
    fuel_kg : float
        Block fuel.

    Raises
    ------
    UsageError
        If the aircraft can not have that zero-fuel mass.
    """
    span = load_range(scenario, mass_kg=mass_kg)
    left = max(span.payload_kg - float(people.sum()) * _passenger_kg(scenario), 0.0)
    room = np.array([hold.max_load for hold in scenario.aircraft.holds], dtype=np.float64)
    return _state(scenario, people, _spread_over(left, room, hold_weights), fuel_kg)


def _fuel_kg(scenario: Scenario, mass_kg: float) -> float:
    """Return the scenario's block fuel, or what the maximum taxi mass leaves room for."""
    return min(scenario.operation.fuel.block, scenario.aircraft.masses.max_taxi - mass_kg)


def states_at(
    scenario: Scenario, *, mass_kg: float, counts: int | Sequence[int] = COUNTS
) -> list[tuple[LoadState, str]]:
    """Return the candidates at a zero-fuel mass, each with its description.

    Parameters
    ----------
    scenario : Scenario
        Its children's share, bags per passenger and rules are kept.
    mass_kg : float
        Zero-fuel mass.
    counts : int or sequence of int
        Passenger counts; a number asks for so many from the fewest to the most possible.
    """
    span = load_range(scenario, mass_kg=mass_kg)
    seats, each = zone_seat_counts(scenario), _passenger_kg(scenario)
    wanted: Sequence[int]
    if isinstance(counts, int):
        spread = np.linspace(span.fewest, span.most, counts).round()
        wanted = np.unique(spread).astype(int).tolist()
    else:
        wanted = counts
    fuel, found = _fuel_kg(scenario, mass_kg), []
    for count in wanted:
        left = max(span.payload_kg - count * each, 0.0)
        for people, split in _zone_splits(int(count), seats).items():
            for loads, held in _hold_splits(scenario, left).items():
                state = _state(scenario, split, held, fuel)
                found.append((state, f"{count} passengers, {people}; {loads}"))
    return found


def _top(excess_kgm: Floats) -> float:
    count = max(int(_TOP * excess_kgm.size), 1)
    return float(np.partition(excess_kgm, excess_kgm.size - count)[-count:].mean())


def _load_excess(model: FlightModel, *, side: str, group: str, seed: int, flights: int) -> Floats:
    """Return the load's moment error toward a side (kg m), mass counted about the limit's arm."""
    arm = reference_arm(model, score=envelope_score(model, side=side, group=group))
    numbers = np.arange(flights, dtype=np.uint32)
    loaded, sheet = load_block(model, seed=seed, flights=numbers), model.program.sheet
    error = loaded[:, 1] - arm * loaded[:, 0]
    error -= sheet.zero_fuel_moment_kgm - arm * sheet.zero_fuel_mass_kg
    return error if side == "aft" else -error


def _flight_excess(model: FlightModel, *, side: str, group: str, seed: int, flights: int) -> Floats:
    numbers = np.arange(flights, dtype=np.uint32)
    score = envelope_score(model, side=side, group=group)
    rows = fly_block(model, seed=seed, flights=numbers)
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
    jobs: int = -1,
    meter: Meter | None = None,
) -> WorstLoad:
    """Return the load state at a zero-fuel mass whose CG strays furthest toward a side.

    Candidates are ranked by the mean of the highest hundredth of the load's moment error; the best
    six, no two of them with the same passengers by zone, by that of the excess of whole flights;
    then people are moved between zones by halves of what may be moved as long as that helps.

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
    meter.begin("worst load", expected=len(candidates) * _LOADS // 6 + _KEPT * _FLIGHTS)

    def loaded(state: LoadState) -> float:
        model = prepare(scenario_with(scenario, state))
        found = _top(_load_excess(model, side=side, group=group, seed=seed, flights=_LOADS))
        meter.add(_LOADS // 6)
        return found

    def flown(state: LoadState) -> float:
        model = prepare(scenario_with(scenario, state))
        found = _top(_flight_excess(model, side=side, group=group, seed=seed, flights=_FLIGHTS))
        meter.add(_FLIGHTS)
        return found

    threads = Parallel(n_jobs=jobs, backend="threading")
    piece = f"worst load/{side}/{group}/{mass_kg!r}/{seed}/{counts!r}"

    def all_loaded() -> dict[str, NDArray[np.generic]]:
        return {"rough": np.array(threads(delayed(loaded)(state) for state, _ in candidates))}

    rough = meter.kept(piece, all_loaded)["rough"].astype(np.float64).tolist()
    by_count: dict[int, float] = {}
    for (state, _), value in zip(candidates, rough, strict=True):
        by_count[state.passengers] = max(value, by_count.get(state.passengers, -math.inf))
    chosen: dict[tuple[int, ...], int] = {}
    for place in np.argsort(-np.array(rough), kind="stable"):
        people = tuple(np.add(candidates[place][0].adults, candidates[place][0].children).tolist())
        chosen.setdefault(people, int(place))
        if len(chosen) == _KEPT:
            break
    places = list(chosen.values())

    def all_flown() -> dict[str, NDArray[np.generic]]:
        found = threads(delayed(flown)(candidates[place][0]) for place in places)
        return {"measures": np.array(found)}

    measures = meter.kept(f"{piece}/flown", all_flown)["measures"].astype(np.float64).tolist()
    best = places[int(np.argmax(measures))]
    state, how = candidates[best]
    state, moved, tried = _improved(state, loaded, seats=zone_seat_counts(scenario))
    measure = max(measures)
    if moved:
        refined = flown(state)
        if refined > measure:
            measure, how = refined, how.split(",")[0] + ", zones as found by moving people"
        else:
            state = candidates[best][0]
    return WorstLoad(
        state=state,
        how=how,
        measure_kgm=measure,
        tried=len(candidates) + tried,
        flights=(len(candidates) + tried) * _LOADS // 6 + (len(places) + moved) * _FLIGHTS,
        by_count=tuple(sorted(by_count.items())),
    )


def _improved(
    state: LoadState, evaluate: Callable[[LoadState], float], *, seats: NDArray[np.int64]
) -> tuple[LoadState, bool, int]:
    """Move adults between zones as long as the load's measure rises; return what was tried."""
    value, tried, moved = evaluate(state), 1, False
    step = max(int(seats.max()) // 4, 1)
    while step >= 4:
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
