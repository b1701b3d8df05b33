"""Flights leaned toward one side of the envelope: what leans how much, and the weights.

The law and its proof are in ``flight.kernel.tilt``.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtri
from scipy.stats import poisson

from cgrisk.errors import ComputationError
from cgrisk.flight.kernel.data import CabinData, Program
from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.tilt import TiltData, draw_words, tilt
from cgrisk.flight.mass_tilt import capped, log_mean, mass_tilt, middles
from cgrisk.flight.model import FlightModel, entity_counts
from cgrisk.flight.party_tilt import (
    Watched,
    leaned_by_party,
    party_tilt,
    unwatched,
    value_when_boarding,
    watched_seats,
)
from cgrisk.randomness.keys import CAUSES, Cause, split_seed

__all__ = [
    "Source",
    "Watched",
    "lean_block",
    "source_values",
    "sources",
    "tilt_data",
    "watch_seats",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flights = NDArray[np.uint32]

#: Cells of a word that moves the aircraft by itself, and how many times as likely an outcome may
#: become.
_CELLS, _MOST = 4096, 1024.0
#: Words of the cause count: people on the load sheet who stay away, others who come.
_OFF, _ON = 0, 1
#: Flights whose boarding is watched.
_WATCHED = 500


class Source(NamedTuple):
    """One word that by itself moves the aircraft's moment: a figure that rises with the word.

    Attributes
    ----------
    cause, entity, word : int
        Whose word.
    values : float64 array, shape (4096,)
        The figure in each cell of the word, mean 0.
    """

    cause: int
    entity: int
    word: int
    values: Floats


def sources(model: FlightModel) -> list[Source]:
    """Return the words of dry mass, counts, holds and fuel that vary in a scenario.

    Figures are normal scores, numbers of people, and for the aircraft of the fleet their moment
    (kg m) about the planned take-off CG.
    """
    program: Program = model.program
    dry, cabin, hold, fuel = program.dry, program.cabin, program.hold, program.fuel
    u = middles(_CELLS)
    z = ndtri(u)
    x = program.sheet.take_off_arm_m
    fleet = dry.fleet_mass_kg * (dry.arm_m - x) + dry.mass_kg * dry.fleet_arm_m
    gauges = fuel.gauging_of_reading > 0.0 or fuel.gauging_of_capacity > 0.0
    bags = hold.bags > 0
    off, on = cabin.last_minute_off, cabin.last_minute_on
    found = [
        (bool(np.ptp(fleet)), Cause.DRY, 0, 0, fleet[(u * fleet.size).astype(np.int64)]),
        (dry.mass_sd_kg > 0.0, Cause.DRY, 1, 0, z),
        (dry.arm_sd_m > 0.0, Cause.DRY, 1, 2, z),
        (bool(bags.any()) and hold.bag_sd_flight_kg > 0.0, Cause.CARGO, 0, 0, z),
        (fuel.density_sd > 0.0, Cause.FUEL, 0, 0, z),
        (fuel.burn_sd > 0.0, Cause.FUEL, 0, 2, z),
    ]
    for zone in range(cabin.zone_region.size):
        may = off > 0.0 and bool(cabin.zone_adults[zone] > 0)
        found.append((may, Cause.COUNT, zone, _OFF, poisson.ppf(u, off)))
        found.append((on > 0.0, Cause.COUNT, zone, _ON, poisson.ppf(u, on)))
    for h in range(hold.arm_m.size):
        loaded = bool(bags[h]) or hold.cargo_kg[h] > 0.0
        found.append((bool(bags[h]) and hold.bag_sd_kg > 0.0, Cause.CARGO, 1 + h, 0, z))
        found.append((hold.cargo_kg[h] * hold.cargo_sd > 0.0, Cause.CARGO, 1 + h, 1, z))
        found.append((loaded and hold.position_sd > 0.0, Cause.CARGO, 1 + h, 2, z))
    for t in range(fuel.capacity_m3.size):
        found.append((gauges, Cause.FUEL, 1 + t, 0, z))
    return [
        Source(int(cause), entity, word, values - values.mean())
        for varies, cause, entity, word, values in found
        if varies
    ]


def _keys(model: FlightModel, seed: int, flights: Flights) -> Keys:
    k0, k1 = split_seed(seed)
    counts = entity_counts(model)
    first = np.concatenate([[0], np.cumsum([0, *counts.values()])]).astype(np.int64)
    assert tuple(counts) == CAUSES
    versions = np.zeros((flights.size, int(first[-1])), dtype=np.uint32)
    return Keys(k0, k1, np.ascontiguousarray(flights).reshape(-1, 1), versions, first)


def source_values(
    model: FlightModel, found: list[Source], *, seed: int, flights: Flights
) -> Floats:
    """Return the figures of sources on ordinary flights, shape (n, sources)."""
    keys = _keys(model, seed, flights)
    out = np.empty((flights.size, len(found)))
    words = np.empty((4, flights.size), dtype=np.uint32)
    for i, source in enumerate(found):
        draw_words(keys, source.cause, source.entity, words)
        out[:, i] = source.values[words[source.word] >> np.uint32(20)]
    return out


def _ways(exponent: Floats) -> Floats:
    """Return (N + 1, N + 1) log sums over all sets of k (columns) of the seats from i (rows) on."""
    seats = exponent.size
    out = np.full((seats + 1, seats + 1), -np.inf)
    out[:, 0] = 0.0
    for i in range(seats - 1, -1, -1):
        out[i, 1:] = np.logaddexp(out[i + 1, 1:], exponent[i] + out[i + 1, :-1])
    return out


class _Classes(NamedTuple):
    """The classes of seats of all regions, in the order in which they fill."""

    region_class: Ints
    seats: list[Ints]
    ways: list[Floats]


def _classes(cabin: CabinData, exponent: Floats) -> _Classes:
    region_class, seats = [0], []
    for first, last in itertools.pairwise(cabin.region_start):
        here = cabin.region_seats[first:last]
        base = cabin.score_base[here]
        seats += [here[base == turn] for turn in np.unique(base)]
        region_class.append(len(seats))
    ways = [_ways(exponent[group]) for group in seats]
    return _Classes(np.array(region_class, dtype=np.int64), seats, ways)


def _log_means(classes: _Classes, exponent: Floats, region: int) -> Floats:
    """Return (N + 1,) log mean of what 0 to N people of a region add to the exponent."""
    out, full = [0.0], 0.0
    for group in range(classes.region_class[region], classes.region_class[region + 1]):
        size = classes.seats[group].size
        k = np.arange(1, size + 1)
        sets = gammaln(size + 1) - gammaln(k + 1) - gammaln(size - k + 1)
        out += (full + classes.ways[group][0, 1:] - sets).tolist()
        full += float(exponent[classes.seats[group]].sum())
    return np.array(out)


def _per_person(cabin: CabinData, classes: _Classes, exponent: Floats) -> Floats:
    """Return (Z,) how much one more person in a zone adds to the log mean, about the load sheet."""
    out = np.empty(cabin.zone_region.size)
    people = cabin.zone_adults + cabin.zone_children
    for zone, region in enumerate(cabin.zone_region):
        mean = _log_means(classes, exponent, int(region))
        aboard = int(people[cabin.zone_region == region].sum())
        low, high = max(aboard - 1, 0), min(aboard + 1, mean.size - 1)
        out[zone] = (mean[high] - mean[low]) / max(high - low, 1)
    return out


def tilt_data(
    model: FlightModel,
    *,
    theta: float,
    reference_arm_m: float,
    found: list[Source],
    moment_kgm: Floats,
    choice_seed: int,
    seats: Watched | None = None,
    boardings: int = 1,
) -> TiltData:
    """Return how flights are leaned.

    A seat's exponent is the log mean of ``exp(theta mass (arm - reference))``, and the mass there
    is leaned by the rest of it: together they have nearly the law ``p exp(theta moment) / Z``.

    Parameters
    ----------
    model : FlightModel
        A scenario made ready to fly, of those that :func:`cgrisk.rare.why_not_tilted` admits.
    theta : float
        Strength per kg m of moment toward the tail; negative to lean flights forward.
    reference_arm_m : float
        Arm about which an error of mass counts.
    found : list of Source
        From :func:`sources`.
    moment_kgm : float64 array, shape (sources,)
        Moment toward the tail per unit of each source; numbers of people have their own.
    choice_seed : int
        Seed of the choices, other than the flights' own.
    seats : Watched, optional
        What is known of how seats fill, from :func:`watch_seats`.
    boardings : int
        How many boardings go on side by side, of which one is kept: the more, the less weights
        scatter, and the longer it takes (:mod:`cgrisk.flight.kernel.tilt_boardings`).
    """
    program, cabin = model.program, model.program.cabin
    arms, arm_class = np.unique(cabin.arm_m, return_inverse=True)
    masses = mass_tilt(program.mass, program.party, lever=theta * (arms - reference_arm_m))
    adult, child = masses.adult[arm_class], masses.child[arm_class]
    young = np.zeros(arm_class.size, dtype=bool)
    for region in np.unique(cabin.zone_region[cabin.zone_children > 0]):
        young[cabin.region_seats[cabin.region_start[region] : cabin.region_start[region + 1]]] = (
            True
        )
    watched = seats if seats is not None else unwatched(cabin)
    boarding = value_when_boarding(cabin, watched, adult)
    seat = np.where(young, child, adult) + boarding - adult
    by_party = leaned_by_party(model)
    classes = _classes(cabin, seat)
    party, centre = party_tilt(
        program,
        masses,
        watched,
        by_party=by_party,
        boardings=boardings,
        value=boarding,
        at_last=adult,
        arm_class=arm_class.astype(np.int64),
    )
    one_more = centre[cabin.zone_region] if by_party else _per_person(cabin, classes, seat)
    rows: list[Floats] = []
    entities: dict[tuple[int, int], list[int]] = {}
    for source, moment in zip(found, moment_kgm, strict=True):
        pull = theta * moment
        if source.cause == Cause.COUNT:
            pull = one_more[source.entity] * (1.0 if source.word == _ON else -1.0)
        if pull == 0.0:
            continue
        place = entities.setdefault((source.cause, source.entity), [-1] * 4)
        place[source.word] = len(rows)
        rows.append(capped(pull * source.values, _MOST))
    exponent = np.array(rows, dtype=np.float64).reshape(len(rows), _CELLS)
    mean, most = log_mean(exponent), exponent.max(axis=1)
    table = np.array(list(entities.values()), dtype=np.int64).reshape(len(entities), 4)
    used = [[i for i in row if i >= 0] for row in table]
    sizes = np.array([group.size for group in classes.seats], dtype=np.int64)
    k0, k1 = split_seed(choice_seed)
    return TiltData(
        k0=k0,
        k1=k1,
        cause=np.array([c for c, _ in entities], dtype=np.int64),
        entity=np.array([e for _, e in entities], dtype=np.int64),
        table=table,
        exponent=exponent,
        log_mean=np.array([mean[i].sum() for i in used], dtype=np.float64),
        log_most=np.array([most[i].sum() for i in used], dtype=np.float64),
        region_class=classes.region_class,
        class_start=np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
        class_seats=np.concatenate(classes.seats).astype(np.int64),
        seat=seat,
        ways_start=np.concatenate([[0], np.cumsum((sizes + 1) ** 2)[:-1]]).astype(np.int64),
        ways=np.concatenate([ways.ravel() for ways in classes.ways]),
        arm_class=arm_class.astype(np.int64),
        party=party,
        body=masses.body,
        bag=masses.bag,
        log_mean_mass=masses.log_mean,
        most_mass=masses.most,
        seat_odds=np.exp(np.stack([adult, child])),
    )


def lean_block(
    model: FlightModel, data: TiltData, *, seed: int, flights: Flights
) -> tuple[NDArray[np.uint32], Floats, NDArray[np.int64]]:
    """Choose the versions that lean flights, with what undoes it.

    Parameters
    ----------
    model : FlightModel
        A scenario made ready to fly.
    data : TiltData
        From :func:`tilt_data`.
    seed : int
        Resolved seed of the flights.
    flights : uint32 array, shape (n,)
        Flight numbers; each row depends on its own alone.

    Returns
    -------
    versions : uint32 array, shape (n, entities)
        For :func:`cgrisk.flight.fly_block`.
    log_weight : float64 array, shape (n,)
        Logarithm of the weight: the mean of ``exp(log_weight) * f`` is that of ``f`` over
        ordinary flights, for every figure ``f``.
    seat : int64 array, shape (n, persons)
        Seat of each person; -1 where there is none.

    Raises
    ------
    ComputationError
        If no words are found that do what was chosen.
    """
    versions, log_weight, seat, _ = _lean(model, data, seed, flights)
    return versions, log_weight, seat


def _lean(
    model: FlightModel, data: TiltData, seed: int, flights: Flights
) -> tuple[NDArray[np.uint32], Floats, Ints, Ints]:
    keys = _keys(model, seed, flights)
    log_weight = np.empty(flights.size)
    shape = (flights.size, model.program.cabin.arm_m.size)
    seat, taken_at = np.empty(shape, dtype=np.int64), np.empty(shape, dtype=np.int64)
    if tilt(model.program, keys, data, log_weight, seat, taken_at) < flights.size:
        raise ComputationError(
            "Tilting: no words were found that do what was chosen. Use splitting or counting for "
            "this scenario."
        )
    return keys.versions, log_weight, seat, taken_at


def watch_seats(model: FlightModel, *, seed: int) -> Watched | None:
    """Board some flights without leaning them; return how their seats fill, if party by party."""
    if not leaned_by_party(model):
        return None
    data = tilt_data(
        model,
        theta=0.0,
        reference_arm_m=0.0,
        found=[],
        moment_kgm=np.empty(0),
        choice_seed=seed,
    )
    flights = np.arange(_WATCHED, dtype=np.uint32)
    _, _, _, taken_at = _lean(model, data, seed, flights)
    return watched_seats(model.program.cabin, taken_at)
