"""How seats that parties take one after another are leaned: values, vacancies, masses of kinds."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import logsumexp, ndtri

from cgrisk.flight.kernel.data import CabinData, PartyData, Program
from cgrisk.flight.kernel.people import CHILD, DRAWN, MEN, WOMEN
from cgrisk.flight.kernel.tilt_data import REACH, PartyTilt
from cgrisk.flight.kernel.told_words import CELLS, DRAWS, cell_bounds
from cgrisk.flight.mass_tilt import MassTilt
from cgrisk.flight.model import FlightModel

__all__ = [
    "Watched",
    "leaned_by_party",
    "parties_told_apart",
    "party_tilt",
    "unwatched",
    "value_when_boarding",
    "watched_seats",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: How many times as likely a party may become, as a logarithm; what a companion counts, as a part
#: of what he would if seats halfway were filled at random.
_MOST, _DRIFT = float(np.log(3e4)), 0.7
#: Points of a cell of the score that a party shares at which masses are taken.
_NODES = 4
#: Least chance of a party whose score is told: 20 are expected among the draws under a cell.
_RAREST = 20.0 / DRAWS
#: Outcomes that are laid down, at most, and the least chance of a party that is found for sure.
_MOST_OUTCOMES, _RAREST_FOUND = 20_000, 1e-8
#: People still to come up to which each number has figures of its own, and how many share some.
_FEW, _COARSE = 24, 6
#: Turns in which the free seats and what they add settle; the greatest exponent in them.
_TURNS, _FAR = 4, 20.0


class Watched(NamedTuple):
    """How seats fill, seen on flights that were not leaned.

    Attributes
    ----------
    seat_class : int64 array, shape (S,)
        Seats of one region, turn and preference are alike.
    vacancy : float64 array, shape (V, S + 1)
        Share of the free seats of a class that stay empty, by people still to come.
    """

    seat_class: Ints
    vacancy: Floats


def leaned_by_party(model: FlightModel) -> bool:
    """Return whether seats are leaned party by party; else as whole sets of equal chances."""
    cabin, party = model.program.cabin, model.program.party
    alone = party.adults_low.size - 1
    shares = np.diff(party.adult_cumulative, prepend=0.0)
    groups = bool((shares[:alone] > 0.0).any()) and bool(cabin.zone_adults.any())
    adults = np.bincount(cabin.zone_region, cabin.zone_adults)
    children = np.bincount(cabin.zone_region, cabin.zone_children)
    families = np.diff(party.family_cumulative, prepend=0.0)[:alone]
    beside = (children > 0) & (
        (adults > 0) | (cabin.last_minute_on > 0.0) | bool((families > 0.0).any())
    )
    return groups or bool(cabin.exponential_score) or bool(beside.any())


def _classes(cabin: CabinData) -> Ints:
    seat_class = np.zeros(cabin.arm_m.size, dtype=np.int64)
    count = 0
    for first, last in itertools.pairwise(cabin.region_start):
        seats = cabin.region_seats[first:last]
        alike = np.stack([cabin.score_base[seats], cabin.score_scale[seats]])
        kinds, places = np.unique(alike, axis=1, return_inverse=True)
        seat_class[seats] = count + places.reshape(-1)
        count += kinds.shape[1]
    return seat_class


def unwatched(cabin: CabinData) -> Watched:
    """Return what is assumed before anything was seen: nothing depends on it without a tilt."""
    seat_class = _classes(cabin)
    return Watched(seat_class, np.ones((int(seat_class.max()) + 1, cabin.arm_m.size + 1)))


def watched_seats(cabin: CabinData, taken_at: Ints) -> Watched:
    """Return how seats fill.

    Parameters
    ----------
    cabin : CabinData
    taken_at : int64 array, shape (flights, S)
        People still to come in the region when each seat was taken; 0 where none was.
    """
    seat_class, seats = _classes(cabin), cabin.arm_m.size
    vacancy = np.empty((int(seat_class.max()) + 1, seats + 1))
    for number in range(vacancy.shape[0]):
        here = taken_at[:, seat_class == number].reshape(-1)
        free = np.cumsum(np.bincount(here, minlength=seats + 1))[: seats + 1]
        # As if one more seat had been seen, as often empty as they are on the whole.
        vacancy[number] = (free[0] + free[0] / max(here.size, 1)) / (free + 1.0)
    return Watched(seat_class, vacancy)


def _empty_at_last(cabin: CabinData, watched: Watched) -> Floats:
    """Return the chance that a seat stays empty, (S,): as watched, else the same in a region."""
    empty = np.zeros(cabin.arm_m.size)
    people = cabin.zone_adults + cabin.zone_children
    for region, (first, last) in enumerate(itertools.pairwise(cabin.region_start)):
        seats = cabin.region_seats[first:last]
        aboard = min(int(people[cabin.zone_region == region].sum()), seats.size)
        empty[seats] = watched.vacancy[watched.seat_class[seats], aboard]
        wanted = float(seats.size - aboard)
        if empty[seats].sum() > 0.0:
            empty[seats] *= wanted / empty[seats].sum()
    return np.clip(empty, 0.0, 1.0)


def value_when_boarding(cabin: CabinData, watched: Watched, value: Floats) -> Floats:
    """Return what a seat adds if taken at boarding, where some people change seats later (S,).

    A seat left empty may yet be taken by one of them, the likelier the more it adds, and one taken
    may be left again: ``log(1 - m + m G exp(-v)) - log(1 + n m A exp(v) / f)`` on top of the value
    ``v``, with ``n`` people of whom a share ``m`` change to ``f`` free seats, the mean ``G`` of
    ``exp(v)`` over the free seats and the mean ``A`` of ``exp(-v)`` over the others. First-order,
    which is enough for what only decides how much weights vary.
    """
    share = cabin.movers_share * (1.0 - cabin.reseating_share)
    usable = np.zeros(value.size, dtype=bool)
    usable[cabin.region_seats] = True
    empty = _empty_at_last(cabin, watched)
    free = float(empty.sum())
    people = float(usable.sum()) - free
    if share == 0.0 or free < 0.5 or people < 0.5:
        return value
    v, out = value - value[usable].mean(), value
    for _ in range(_TURNS):
        lean = np.clip(out - out[usable].mean(), -_FAR, _FAR)
        here = empty * np.exp(-lean)
        here = np.where(usable, here / (here + 1.0 - empty), 0.0)
        here *= free / here.sum()
        taken = np.where(usable, np.clip(1.0 - here, 0.0, 1.0), 0.0)
        rise = float(here @ np.exp(v)) / free
        fall = float(taken @ np.exp(-v)) / people
        out = value + np.log(1.0 - share + share * rise * np.exp(-v))
        out = out - np.log1p(people * share * fall * np.exp(v) / free)
    return out


class _Outcomes(NamedTuple):
    """What a party may be, ``O`` outcomes, first those without children; see ``PartyTilt``.

    ``more_kg`` (O, 2) is what an adult and a child weigh more than usual, the child against an
    adult; ``chance`` is an outcome's.
    """

    start: Ints
    kind: Ints
    adults: Ints
    young: Ints
    column: Ints
    cell: Ints
    adult: Ints
    child: Ints
    chance: Floats
    more_kg: Floats


def _cells(correlation: float, chance: float) -> list[tuple[int, int, int]]:
    """Return the cells of the score that a party of a chance shares: number, first word, past it.

    One of all words, of number -1, where nothing is shared or the party is too rare to be found
    among the versions that tell a cell.
    """
    if correlation == 0.0 or chance < _RAREST:
        return [(-1, 0, 1 << 32)]
    return [(cell, *cell_bounds(cell)) for cell in range(CELLS)]


def _draws(
    party: PartyData, family: int, kind: int, male: float
) -> tuple[range, range, tuple[tuple[int, float], ...]]:
    """Return the sizes, numbers of children and sexes, with their chances, of a kind of party."""
    adults = range(int(party.adults_low[kind]), int(party.adults_high[kind]) + 1)
    least = max(int(party.children_low[kind]), 1) if family else 0
    young = range(least, max(int(party.children_high[kind]), least) * family + 1)
    same = _halves(float(party.same_sex[kind]))
    sexes = ((MEN, same * male), (WOMEN, same * (1.0 - male)), (DRAWN, 1.0 - same))
    return adults, young, tuple((column, sex) for column, sex in sexes if sex > 0.0)


def parties_told_apart(model: FlightModel) -> bool:
    """Return whether what a party may be is little enough to lay down, and common enough to find.

    It is if seats are not leaned party by party.
    """
    program = model.program
    party, male = program.party, _halves(float(program.mass.male_share))
    outcomes, rarest = 0, 1.0
    for family, cumulative in enumerate((party.adult_cumulative, party.family_cumulative)):
        shares = np.diff(cumulative, prepend=0.0) / cumulative[-1]
        for kind in np.flatnonzero(shares > 0.0).tolist():
            adults, young, sexes = _draws(party, family, kind, male)
            cells = CELLS if party.correlation[kind] > 0.0 else 1
            outcomes += len(adults) * len(young) * len(sexes) * cells
            chance = min(sex for _, sex in sexes) / (len(adults) * len(young))
            rarest = min(rarest, float(shares[kind]) * chance)
    few = outcomes <= _MOST_OUTCOMES and rarest >= _RAREST_FOUND
    return few or not leaned_by_party(model)


def _halves(share: float) -> float:
    """Return the share of the halves of a word whose middle lies below ``share``."""
    return float(np.clip(np.ceil(share * 2.0**16 - 0.5), 0.0, 2.0**16)) / 2.0**16


def _outcomes(program: Program, masses: MassTilt) -> tuple[_Outcomes, Floats]:
    """Return the outcomes of a party, and what one of each profile adds on each arm (P, A)."""
    party, lever = program.party, masses.lever
    grid = np.linspace(-REACH, REACH, masses.more_kg.shape[2])
    alone = masses.log_mean[masses.first[-1]]
    heavier = masses.child_kg - masses.adult_kg
    profiles = [np.zeros(lever.size), alone[:, CHILD] - alone[:, DRAWN] + lever * heavier]
    known: dict[tuple[int, int, int, int], tuple[int, float]] = {}

    def profile(kind: int, low: int, high: int, column: int) -> tuple[int, float]:
        """Return a profile's number, and how much more than usual one of it weighs."""
        key = (kind, low, high, column)
        if key not in known:
            u = (low + (np.arange(_NODES) + 0.5) / _NODES * (high - low)) / 2.0**32
            kg = np.interp(ndtri(u), grid, masses.more_kg[masses.degree[kind], column]).mean()
            middle = (ndtri(u).mean() + REACH) / (2.0 * REACH) * masses.bins[kind]
            table = masses.first[kind] + int(np.clip(middle, 0, masses.bins[kind] - 1))
            kg += heavier if column == CHILD else party.shift_kg[kind]
            off = kg - masses.centre_kg[table, column]
            known[key] = (len(profiles), float(kg))
            profiles.append(masses.log_mean[table, :, column] - alone[:, DRAWN] + lever * off)
        return known[key]

    male = _halves(float(program.mass.male_share))
    rows: list[tuple[float, ...]] = []
    start = [0]
    for family, cumulative in enumerate((party.adult_cumulative, party.family_cumulative)):
        shares = np.diff(cumulative, prepend=0.0) / cumulative[-1]
        for kind in np.flatnonzero(shares > 0.0).tolist():
            adults, young, sexes = _draws(party, family, kind, male)
            for size, small, (column, sex) in itertools.product(adults, young, sexes):
                chance = float(shares[kind]) * sex / (len(adults) * len(young))
                for cell, low, high in _cells(float(party.correlation[kind]), chance):
                    who, kg = profile(kind, low, high, column)
                    child, child_kg = profile(kind, low, high, CHILD) if family else (1, 0.0)
                    part = chance * (high - low) / 2.0**32
                    rows.append((kind, size, small, column, cell, who, child, part, kg, child_kg))
        start.append(len(rows))
    table = np.array(rows).reshape(-1, 10)
    kinds, adults_drawn, young_drawn, columns, cells, adult, child_of = (
        table[:, i].astype(np.int64) for i in range(7)
    )
    found = _Outcomes(
        start=np.array(start),
        kind=kinds,
        adults=adults_drawn,
        young=young_drawn,
        column=columns,
        cell=cells,
        adult=adult,
        child=child_of,
        chance=table[:, 7],
        more_kg=table[:, 8:],
    )
    return found, np.stack(profiles)


def _levels(seats: int) -> tuple[Ints, Ints]:
    """Return the level of so many people still to come (S + 1,), and how many each stands for."""
    people = np.arange(seats + 1)
    step = np.where(people < _FEW, people, _FEW + (people - _FEW) // _COARSE)
    levels = np.bincount(step, people) / np.bincount(step)
    return step.astype(np.int64), np.round(levels).astype(np.int64)


def _gain(chance: Floats, height: Floats, people: Floats) -> float:
    """Return what each of those still to come adds to the logarithm of the mean of all figures.

    A party of ``n`` that is chosen leaves ``n`` fewer people for others. With ``exp(gain)`` for
    each of those, parties one after another have the same mean if that of ``exp(height - n gain)``
    is 1.
    """

    def off(gain: float) -> float:
        return float(logsumexp(height - gain * people, b=chance))

    low, high = float((height / people).min()), float((height / people).max())
    return float(brentq(off, low - 1e-9, high + 1e-9)) if high > low else low


def _figures(
    found: _Outcomes,
    levels: Ints,
    *,
    mean: float,
    variance: float,
    spare: float,
    drift_kg: float,
) -> tuple[Floats, Floats]:
    """Return running sums of chance and figure of the outcomes, and the log figures, (L, O).

    The figure of a party whose members weigh ``w`` more than usual together, ``n`` of them:
    ``exp(w mean + variance ((w + n drift)^2 - n drift^2) / 2)``, about the mean of
    ``exp(exponent)`` over the region's seats.
    """
    left = levels[:, None]
    small = np.minimum(found.young, left)
    size = np.minimum(found.adults, left - small)
    more = size * found.more_kg[:, 0] + small * found.more_kg[:, 1]
    people = size + small
    height = more * mean
    # A party that takes many of the free seats has less choice of where.
    room = np.clip(1.0 - people / np.maximum(left + spare, 1.0), 0.0, 1.0) ** 2
    height += 0.5 * variance * room * ((more + people * drift_kg) ** 2 - people * drift_kg**2)
    height = np.clip(height, -_MOST, _MOST)
    alone = slice(int(found.start[0]), int(found.start[1]))
    gain = _gain(found.chance[alone], height[-1, alone], people[-1, alone])
    height -= gain * people
    running = np.empty(height.shape)
    for first, last in itertools.pairwise(found.start):
        part = slice(int(first), int(last))
        running[:, part] = np.cumsum(found.chance[part] * np.exp(height[:, part]), axis=1)
    return running, height


def party_tilt(
    program: Program,
    masses: MassTilt,
    watched: Watched,
    *,
    by_party: bool,
    boardings: int,
    value: Floats,
    at_last: Floats,
    arm_class: Ints,
) -> tuple[PartyTilt, Floats]:
    """Return how parties are leaned, and what one more person adds in each region (R,).

    Parameters
    ----------
    program : Program
    masses : MassTilt
    watched : Watched
    by_party : bool
    boardings : int
        How many go on side by side.
    value : float64 array, shape (S,)
        Log mean of what an adult on a seat adds to the exponent, at boarding.
    at_last : float64 array, shape (S,)
        The same once seats are changed no more.
    arm_class : int64 array, shape (S,)
        Number of a seat's arm.
    """
    cabin, pull = program.cabin, masses.lever[arm_class]
    regions = cabin.region_start.size - 1
    about, last = value.copy(), at_last.copy()
    centre, mean, variance = np.zeros((3, regions))
    people = np.bincount(
        cabin.zone_region, cabin.zone_adults + cabin.zone_children, minlength=regions
    )
    halfway = (watched.vacancy.shape[1] - 1 - people.sum()) / max(
        watched.vacancy.shape[1] - 1 - people.sum() / 2, 1.0
    )
    drift_kg = masses.adult_kg * _DRIFT * max(float(halfway), 0.0)
    found, more = _outcomes(program, masses)
    running, log_figure = [], []
    level, levels = _levels(value.size)
    for region in range(regions):
        seats = cabin.region_seats[cabin.region_start[region] : cabin.region_start[region + 1]]
        if seats.size > 0:
            aboard = int(min(people[region], seats.size))
            empty = watched.vacancy[watched.seat_class[seats], aboard]
            # Those in doubt: whether they are taken varies most.
            doubt = empty * (1.0 - empty) + 1e-9
            centre[region] = float(doubt @ value[seats] / doubt.sum())
            about[seats] -= centre[region]
            last[seats] -= centre[region]
            mean[region], variance[region] = float(pull[seats].mean()), float(pull[seats].var())
        sums, figures = _figures(
            found,
            levels,
            mean=float(mean[region]),
            variance=float(variance[region]),
            spare=max(float(seats.size - people[region]), 0.0),
            drift_kg=drift_kg,
        )
        running.append(sums)
        log_figure.append(figures)
    tilt = PartyTilt(
        by_party=by_party,
        value=about,
        at_last=last,
        seat_class=watched.seat_class,
        vacancy=watched.vacancy,
        first=masses.first,
        bins=masses.bins,
        outcomes=found.start,
        kind=found.kind,
        adults=found.adults,
        young=found.young,
        column=found.column,
        cell=found.cell,
        adult=found.adult,
        child=found.child,
        level=level,
        running=np.stack(running),
        log_figure=np.stack(log_figure),
        more=more,
        boardings=boardings,
    )
    return tilt, centre
