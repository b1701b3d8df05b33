"""Flights leaned toward one side of the envelope: what leans how much, and the weights.

The law and its proof are in ``flight.kernel.tilt``.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, logsumexp, ndtri
from scipy.stats import poisson

from cgrisk.errors import ComputationError
from cgrisk.flight.kernel.data import CabinData, MassData, Program
from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.people import CHILD, MEN, SCORE_END, WOMEN
from cgrisk.flight.kernel.tilt import TiltData, draw_words, tilt
from cgrisk.flight.model import FlightModel, entity_counts
from cgrisk.randomness.keys import CAUSES, Cause, split_seed

__all__ = ["Source", "lean_block", "source_values", "sources", "tilt_data"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flights = NDArray[np.uint32]

#: Cells of a word, and how many times as likely an outcome may become: for what moves the aircraft
#: by itself, and for one person's mass.
_CELLS, _MASS_CELLS = 4096, 1024
_MOST, _MOST_OF_ONE_PERSON = 1024.0, 64.0
#: Words of the cause count: people on the load sheet who stay away, others who come.
_OFF, _ON = 0, 1


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


def _middles(cells: int) -> Floats:
    return (np.arange(cells) + 0.5) / cells


def sources(model: FlightModel) -> list[Source]:
    """Return the words of dry mass, counts, holds and fuel that vary in a scenario.

    Figures are normal scores, numbers of people, and for the aircraft of the fleet their moment
    (kg m) about the planned take-off CG.
    """
    program: Program = model.program
    dry, cabin, hold, fuel = program.dry, program.cabin, program.hold, program.fuel
    u = _middles(_CELLS)
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


def _mean(exponent: Floats) -> Floats:
    """Return the logarithm of the mean exponential over the cells, the last axis."""
    return np.asarray(logsumexp(exponent, axis=-1) - np.log(exponent.shape[-1]))


def _capped(exponent: Floats, most: float) -> Floats:
    """Return exponents none of which makes its cell much more than ``most`` times as likely."""
    return np.asarray(np.minimum(exponent, (_mean(exponent) + np.log(most))[..., None]))


class _Masses(NamedTuple):
    """Masses less their means: body (3, C), bag (C,); the means of an adult and a child (kg)."""

    body: Floats
    bag: Floats
    adult_kg: float
    child_kg: float


def _body(mass: MassData, population: int, z: Floats) -> Floats:
    shift, scale, shape = (v[population] for v in (mass.shift_kg, mass.scale_kg, mass.shape))
    if shape < 0.0:
        table = mass.quantile_kg[population]
        return np.asarray(np.interp(z, np.linspace(-SCORE_END, SCORE_END, table.size), table))
    body: Floats = shift + scale * (np.exp(shape * z) if shape > 0.0 else z)
    return body


def _masses(mass: MassData) -> _Masses:
    u = _middles(_MASS_CELLS)
    body = np.stack([_body(mass, population, ndtri(u)) for population in range(3)])
    mean = body.mean(axis=1)
    adult = mass.male_share * mean[0] + (1.0 - mass.male_share) * mean[1]
    body -= np.array([adult, adult, mean[2]])[:, None]
    rest = np.clip((u - mass.bag_none) / max(1.0 - mass.bag_none, 1e-9), 1e-9, 1.0 - 1e-9)
    full = mass.bag_scale_kg * np.exp(mass.bag_shape * ndtri(rest))
    bag = np.where(u >= mass.bag_none, full, 0.0)
    return _Masses(body, bag - bag.mean(), float(adult + bag.mean()), float(mean[2]))


def _share_of_words(share: float) -> float:
    """Return the share of the words whose middle lies below ``share``."""
    return float(np.clip(np.ceil(share * 2.0**32 - 0.5), 0.0, 2.0**32)) / 2.0**32


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
    """
    program, cabin = model.program, model.program.cabin
    arms, arm_class = np.unique(cabin.arm_m, return_inverse=True)
    masses, male = _masses(program.mass), _share_of_words(program.mass.male_share)
    lever = theta * (arms - reference_arm_m)
    body = _capped(lever[:, None, None] * masses.body, _MOST_OF_ONE_PERSON)
    bag = _capped(lever[:, None] * masses.bag, _MOST_OF_ONE_PERSON)
    sexes = [(MEN, male), (WOMEN, 1.0 - male)]
    drawn = [(sex, share) for sex, share in sexes if share > 0.0]
    adult_mean = _mean(bag) + logsumexp(
        [np.log(share) + _mean(body[:, sex]) for sex, share in drawn], axis=0
    )
    adult_most = bag.max(axis=1) + np.max([body[:, sex].max(axis=1) for sex, _ in drawn], axis=0)
    child_mean = _mean(body[:, CHILD])
    adult = (lever * masses.adult_kg + adult_mean)[arm_class]
    child = (lever * masses.child_kg + child_mean)[arm_class]
    young = np.zeros(arm_class.size, dtype=bool)
    for region in np.unique(cabin.zone_region[cabin.zone_children > 0]):
        young[cabin.region_seats[cabin.region_start[region] : cabin.region_start[region + 1]]] = (
            True
        )
    seat = np.where(young, child, adult)
    classes = _classes(cabin, seat)
    one_more = _per_person(cabin, classes, seat)
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
        rows.append(_capped(pull * source.values, _MOST))
    exponent = np.array(rows, dtype=np.float64).reshape(len(rows), _CELLS)
    mean, most = _mean(exponent), exponent.max(axis=1)
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
        body=body,
        bag=bag,
        adult_log_mean=adult_mean,
        adult_most=adult_most,
        child_log_mean=child_mean,
        child_most=body[:, CHILD].max(axis=1),
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
    keys = _keys(model, seed, flights)
    log_weight = np.empty(flights.size)
    seat = np.empty((flights.size, model.program.cabin.arm_m.size), dtype=np.int64)
    if tilt(model.program, keys, data, log_weight, seat) < flights.size:
        raise ComputationError(
            "Tilting: no words were found that do what was chosen. Use splitting or counting for "
            "this scenario."
        )
    return keys.versions, log_weight, seat
