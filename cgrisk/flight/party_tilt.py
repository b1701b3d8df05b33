"""How seats that parties take one after another are leaned: values, vacancies, masses of kinds."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight.kernel.data import CabinData, Program
from cgrisk.flight.kernel.tilt_data import PartyTilt
from cgrisk.flight.mass_tilt import MassTilt
from cgrisk.flight.model import FlightModel

__all__ = [
    "Watched",
    "leaned_by_party",
    "party_tilt",
    "unwatched",
    "watched_seats",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: How many times as likely a party may become, as a logarithm.
_MOST = float(np.log(64.0))


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
    halfway = []
    for region in range(regions):
        seats = cabin.region_seats[cabin.region_start[region] : cabin.region_start[region + 1]]
        if seats.size == 0:
            continue
        empty = watched.vacancy[watched.seat_class[seats], int(min(people[region], seats.size))]
        # Those in doubt: whether they are taken varies most.
        doubt = empty * (1.0 - empty) + 1e-9
        centre[region] = float(doubt @ value[seats] / doubt.sum())
        about[seats] -= centre[region]
        mean[region], variance[region] = float(pull[seats].mean()), float(pull[seats].var())
        left = int(people[region]) // 2
        halfway.append((seats.size - people[region]) / max(seats.size - left, 1))
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
        drift_kg=masses.adult_kg * max(float(np.mean(halfway)), 0.0),
        most=_MOST,
        mass_class=masses.mass_class,
    )
    return tilt, centre
