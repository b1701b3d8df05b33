"""How seats that parties take one after another are leaned: values, vacancies, masses of kinds."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight.kernel.data import CabinData, Program
from cgrisk.flight.kernel.tilt_data import CANDIDATES, PartyTilt
from cgrisk.flight.mass_tilt import MassTilt
from cgrisk.flight.model import FlightModel

__all__ = [
    "Watched",
    "leaned_by_party",
    "party_tilt",
    "unwatched",
    "value_when_boarding",
    "watched_seats",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: How many times as likely a party may become, as a logarithm; what a companion counts, as a part
#: of what he would if seats halfway were filled at random; variance that a choice of one among few
#: may leave.
_MOST, _DRIFT, _SPARE = float(np.log(300.0)), 0.7, 0.01
#: Power of a kind's mean figure: a large party that is chosen leaves fewer people for others, which
#: the figure does not know (0.7 to 1 serve about as well on the shipped case).
_TAMED = 0.85
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


def _gauss(nodes: int) -> tuple[Floats, Floats]:
    """Return nodes and weights of the mean over a standard normal law."""
    z, weight = np.polynomial.hermite_e.hermegauss(nodes)
    return z, weight / weight.sum()


def _figures(
    program: Program,
    masses: MassTilt,
    *,
    mean: float,
    variance: float,
    drift_kg: float,
    most: float,
) -> tuple[Floats, Floats]:
    """Return a region's mean figures of a party of each kind, and their spread over that mean.

    The figure of a party whose members weigh ``w`` more than usual together, ``n`` of them:
    ``exp(w mean + variance ((w + n drift)^2 - n drift^2) / 2)``, about the mean of
    ``exp(exponent)`` over the region's seats.

    Returns
    -------
    two float64 arrays, shapes (2, K + 1, S + 1) and (2, K + 1)
        Without and with children to come, by kind (and by people to come).
    """
    party, seats = program.party, program.cabin.arm_m.size
    kinds = party.adults_low.size
    figure, spread = np.ones((2, kinds, seats + 1)), np.zeros((2, kinds))
    z, weight = _gauss(9)
    left = np.arange(seats + 1)[:, None, None, None, None]
    male = float(program.mass.male_share)
    for family, kind in itertools.product(range(2), range(kinds)):
        adults = np.arange(party.adults_low[kind], party.adults_high[kind] + 1)
        young = np.zeros(1, dtype=np.int64)
        if family:
            least = max(int(party.children_low[kind]), 1)
            young = np.arange(least, max(int(party.children_high[kind]), least) + 1)
        one_sex = float(party.same_sex[kind])
        sexes = np.array([one_sex * male, one_sex * (1.0 - male), 1.0 - one_sex])
        small = np.minimum(young[None, None, :, None, None], left)
        size = np.minimum(adults[None, :, None, None, None], left - small)
        each = masses.kind_kg[kind][:, None] + masses.common_kg[kind][:, None] * z
        more = size * each + small * (masses.child_kg - masses.adult_kg)
        people = size + small
        height = more * mean
        height += 0.5 * variance * ((more + people * drift_kg) ** 2 - people * drift_kg**2)
        value = np.exp(np.minimum(height, most))
        chance = sexes[:, None] * weight / (adults.size * young.size)
        first = (value * chance).sum(axis=(1, 2, 3, 4))
        second = (value[-1] ** 2 * chance).sum()
        figure[family, kind] = first**_TAMED
        spread[family, kind] = second / first[-1] ** 2 - 1.0
    return figure, spread


def party_tilt(
    program: Program,
    masses: MassTilt,
    watched: Watched,
    *,
    by_party: bool,
    value: Floats,
    pull: Floats,
) -> tuple[PartyTilt, Floats]:
    """Return how parties are leaned, and what one more person adds in each region (R,).

    Parameters
    ----------
    program : Program
    masses : MassTilt
    watched : Watched
    by_party : bool
    value : float64 array, shape (S,)
        Log mean of what an adult on a seat adds to the exponent.
    pull : float64 array, shape (S,)
        What one kg more on a seat adds to it.
    """
    cabin = program.cabin
    regions = cabin.region_start.size - 1
    about, centre, mean, variance = value.copy(), *np.zeros((3, regions))
    people = np.bincount(
        cabin.zone_region, cabin.zone_adults + cabin.zone_children, minlength=regions
    )
    halfway = (watched.vacancy.shape[1] - 1 - people.sum()) / max(
        watched.vacancy.shape[1] - 1 - people.sum() / 2, 1.0
    )
    drift_kg = masses.adult_kg * _DRIFT * max(float(halfway), 0.0)
    figures, candidates = [], []
    for region in range(regions):
        seats = cabin.region_seats[cabin.region_start[region] : cabin.region_start[region + 1]]
        if seats.size > 0:
            at_last = int(min(people[region], seats.size))
            empty = watched.vacancy[watched.seat_class[seats], at_last]
            # Those in doubt: whether they are taken varies most.
            doubt = empty * (1.0 - empty) + 1e-9
            centre[region] = float(doubt @ value[seats] / doubt.sum())
            about[seats] -= centre[region]
            mean[region], variance[region] = float(pull[seats].mean()), float(pull[seats].var())
        figure, spread = _figures(
            program,
            masses,
            mean=float(mean[region]),
            variance=float(variance[region]),
            drift_kg=drift_kg,
            most=_MOST,
        )
        figures.append(figure)
        candidates.append(np.clip(np.ceil(spread / _SPARE), 1, CANDIDATES).astype(np.int64))
    tilt = PartyTilt(
        by_party=by_party,
        value=about,
        pull=pull,
        seat_class=watched.seat_class,
        vacancy=watched.vacancy,
        adult_kg=masses.kind_kg,
        common_kg=masses.common_kg,
        child_kg=masses.child_kg - masses.adult_kg,
        mean_pull=mean,
        variance_pull=variance,
        figure=np.stack(figures),
        candidates=np.stack(candidates),
        drift_kg=drift_kg,
        most=_MOST,
        mass_class=masses.mass_class,
    )
    return tilt, centre
