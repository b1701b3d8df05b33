"""Flights leaned toward one side of the envelope: what leans how much, and the weights.

The law and its proof are in ``flight.kernel.tilt``.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtri
from scipy.stats import poisson

from cgrisk.errors import ComputationError
from cgrisk.flight.kernel.data import MassData, Program
from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.tilt import TiltData, draw_words, tilt
from cgrisk.flight.model import FlightModel, entity_counts
from cgrisk.randomness.keys import CAUSES, Cause, split_seed

__all__ = ["Source", "lean_block", "source_values", "sources", "tilt_data"]

Floats = NDArray[np.float64]
Flights = NDArray[np.uint32]

#: Cells of a word: for what moves the aircraft by itself, and for one person's mass.
_CELLS, _MASS_CELLS, _COMMON_CELLS = 4096, 256, 64
#: How many times as likely an outcome may become.
_MOST, _MOST_OF_ONE_PERSON = 1024.0, 64.0
#: The same for a kind of party, as a logarithm.
_MOST_OF_A_KIND = 2.0


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
        found.append((off > 0.0, Cause.COUNT, zone, 0, poisson.ppf(u, off)))
        found.append((on > 0.0, Cause.COUNT, zone, 1, poisson.ppf(u, on)))
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
    mean: Floats = logsumexp(exponent, axis=-1) - np.log(exponent.shape[-1])
    return mean


def _capped(exponent: Floats, most: float) -> Floats:
    """Return exponents none of which makes its cell much more than ``most`` times as likely."""
    capped: Floats = np.minimum(exponent, (_mean(exponent) + np.log(most))[..., None])
    return capped


class _Masses(NamedTuple):
    """Masses less their means: body (Q, 3, C), bag (C), and what a party shares (Q, 2, D)."""

    body: Floats
    bag: Floats
    common: Floats
    adult_kg: float
    child_kg: float
    sex_kg: tuple[float, float]


def _body(mass: MassData, population: int, scores: Floats, spread: Floats) -> Floats:
    """Return the mean mass of those whose normal score is ``scores`` plus a part of ``spread``."""
    shift, scale, shape = (v[population] for v in (mass.shift_kg, mass.scale_kg, mass.shape))
    score = np.exp(shape * scores + 0.5 * (shape * spread) ** 2) if shape > 0.0 else scores
    body: Floats = shift + scale * score
    return body


def _masses(model: FlightModel) -> _Masses:
    mass, rho = model.program.mass, model.program.party.correlation[:, None]
    male = mass.male_share
    z, score = ndtri(_middles(_MASS_CELLS)), ndtri(_middles(_COMMON_CELLS))
    own, shared = np.sqrt(1.0 - rho), np.sqrt(rho)
    body = np.stack([_body(mass, i, own * z, shared) for i in range(3)], axis=1)
    common = np.stack([_body(mass, i, shared * score, own) for i in range(3)], axis=1)
    mean = body[-1].mean(axis=1)
    adult, child = male * mean[0] + (1.0 - male) * mean[1], mean[2]
    body -= np.array([adult, adult, child])[:, None]
    common -= mean[:, None]
    u = _middles(_MASS_CELLS)
    rest = np.clip((u - mass.bag_none) / max(1.0 - mass.bag_none, 1e-9), 1e-9, 1.0 - 1e-9)
    full = mass.bag_scale_kg * np.exp(mass.bag_shape * ndtri(rest))
    bag = np.where(u >= mass.bag_none, full, 0.0)
    adults = male * common[:, 0] + (1.0 - male) * common[:, 1]
    return _Masses(
        body=body,
        bag=bag - bag.mean(),
        common=np.stack([adults, common[:, 2]], axis=1),
        adult_kg=float(adult + bag.mean()),
        child_kg=float(child),
        sex_kg=(float(mean[0] - adult), float(mean[1] - adult)),
    )


def _ahead(model: FlightModel, masses: _Masses, lever: Floats, own_mean: Floats) -> Floats:
    """Return (Q, N, A) log mean of what the masses of a party of N adults at an arm will add.

    ``lever`` (A,) is theta times the arm about the reference; ``own_mean`` (A, Q) the log mean of
    an adult's own part.
    """
    party = model.program.party
    sizes = np.arange(int(party.adults_high.max()) + 1)
    pull = sizes[:, None] * lever  # (N, A)
    out = np.empty((party.correlation.size, *pull.shape))
    men = model.program.mass.male_share
    for kind, one_sex in enumerate(party.same_sex):
        common = _mean(pull[..., None] * masses.common[kind, 0])
        sexes = men * np.exp(pull * masses.sex_kg[0]) + (1.0 - men) * np.exp(
            pull * masses.sex_kg[1]
        )
        together = common + np.log(1.0 - one_sex + one_sex * sexes)
        out[kind] = pull * party.shift_kg[kind] + sizes[:, None] * own_mean[:, kind]
        out[kind, 2:] += np.minimum(together, 5.0)[2:]
    return out


def _kinds(model: FlightModel, masses: _Masses, theta: float, ahead: Floats) -> Floats:
    """Return (R, Q, N) exponents of the kinds of party: what they will add beyond single people."""
    cabin, party = model.program.cabin, model.program.party
    arms, arm_class = np.unique(cabin.arm_m, return_inverse=True)
    sizes = np.arange(ahead.shape[1])
    regions = cabin.region_start.size - 1
    out = np.zeros((regions, party.correlation.size, sizes.size))
    for r in range(regions):
        seats = cabin.region_seats[cabin.region_start[r] : cabin.region_start[r + 1]]
        people = (cabin.zone_adults + cabin.zone_children)[cabin.zone_region == r].sum()
        if people == 0 or people >= seats.size:
            continue
        staying = 1.0 - people / seats.size
        pull = theta * masses.adult_kg * staying * (arms - cabin.arm_m[seats].mean())
        others = (1.0 - staying) * ahead[-1, 1]
        for kind in range(out.shape[1]):
            lean = sizes[:, None] * (pull - others) + ahead[kind]
            out[r, kind] = _mean(lean[:, arm_class[seats]])
        out[r] -= sizes * out[r, -1, 1]
    return np.clip(out, -_MOST_OF_A_KIND, _MOST_OF_A_KIND)


def _share_of_words(share: float, words: int) -> float:
    """Return the share of the words whose middle lies below ``share``."""
    return float(np.clip(np.ceil(share * words - 0.5), 0.0, words)) / words


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

    Parameters
    ----------
    model : FlightModel
        A scenario made ready to fly.
    theta : float
        Strength per kg m of moment toward the tail; negative to lean flights forward.
    reference_arm_m : float
        Arm about which an error of mass counts.
    found : list of Source
        From :func:`sources`.
    moment_kgm : float64 array, shape (sources,)
        Moment toward the tail per unit of each source.
    choice_seed : int
        Seed of the choices, other than the flights' own.
    """
    program = model.program
    rows: list[Floats] = []
    entities: dict[tuple[int, int], list[int]] = {}
    for source, moment in zip(found, moment_kgm, strict=True):
        if moment == 0.0:
            continue
        place = entities.setdefault((source.cause, source.entity), [-1] * 4)
        place[source.word] = len(rows)
        rows.append(_capped(theta * moment * source.values, _MOST))
    exponent = np.array(rows, dtype=np.float64).reshape(len(rows), _CELLS)
    mean, most = _mean(exponent), exponent.max(axis=1)
    table = np.array(list(entities.values()), dtype=np.int64).reshape(len(entities), 4)
    used = [[i for i in row if i >= 0] for row in table]
    arms, arm_class = np.unique(program.cabin.arm_m, return_inverse=True)
    masses, share = _masses(model), program.mass.male_share
    lever = theta * (arms - reference_arm_m)
    body = _capped(lever[:, None, None, None] * masses.body, _MOST_OF_ONE_PERSON)
    bag = _capped(lever[:, None] * masses.bag, _MOST_OF_ONE_PERSON)
    body_mean = _mean(body)
    male = _share_of_words(share, 2**32)
    adult_mean = np.log(male * np.exp(body_mean[..., 0]) + (1.0 - male) * np.exp(body_mean[..., 1]))
    bag_mean = _mean(bag)
    ahead = _ahead(model, masses, lever, adult_mean + bag_mean[:, None])
    k0, k1 = split_seed(choice_seed)
    return TiltData(
        theta=float(theta),
        adult_kg=masses.adult_kg,
        child_kg=masses.child_kg,
        k0=k0,
        k1=k1,
        cause=np.array([c for c, _ in entities], dtype=np.int64),
        entity=np.array([e for _, e in entities], dtype=np.int64),
        table=table,
        exponent=exponent,
        log_mean=np.array([mean[i].sum() for i in used], dtype=np.float64),
        log_most=np.array([most[i].sum() for i in used], dtype=np.float64),
        arm_class=arm_class.astype(np.int64),
        body=body,
        body_log_mean=body_mean,
        body_most=body.max(axis=-1),
        adult_log_mean=adult_mean,
        bag=bag,
        bag_log_mean=bag_mean,
        bag_most=bag.max(axis=-1),
        reference_arm_m=float(reference_arm_m),
        common=masses.common,
        male_kg=masses.sex_kg[0],
        female_kg=masses.sex_kg[1],
        one_sex=np.array([_share_of_words(x, 2**16) for x in program.party.same_sex]),
        mass_ahead=ahead,
        party_lean=_kinds(model, masses, theta, ahead),
        male_share=share,
        male_of_one_sex=_share_of_words(share, 2**16),
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
        Seat of each person once all have changed seats; -1 where there is none.

    Raises
    ------
    ComputationError
        If no words are found that do what was chosen.
    """
    keys = _keys(model, seed, flights)
    log_weight = np.empty(flights.size)
    seat = np.empty((flights.size, model.program.cabin.region_seats.size), dtype=np.int64)
    tilt(model.program, keys, data, log_weight, seat)
    if np.isnan(log_weight).any():
        raise ComputationError(
            "Tilting: no words were found that seat people as chosen; one kind of seat is taken "
            "far too rarely beside the others. Use splitting or counting for this scenario."
        )
    return keys.versions, log_weight, seat
