"""How late a transfer of fuel may start, told from the fuel's own draws without flying.

Fuel that is still in the wrong tank at the landing is a mode of its own, and the CG of a flight
whose transfer was merely late does not lead there: a splitting of few flights finds it by luck. A
transfer starts late by chance, and falls due late when there is more fuel aboard than the gauges
show, or less is burnt. To first order the three add up, and as a law they are known: a normal time
plus an exponential one. Its quantiles part the flights into bands, each of a known probability.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from cgrisk.aircraft import fill_plan
from cgrisk.flight import FlightModel, entity_words
from cgrisk.randomness import Cause
from cgrisk.rare.missed import due_s, missed, planned_burn

__all__ = ["SEARCHED", "Band", "LateStart", "late_start"]

Floats = NDArray[np.float64]
Words = NDArray[np.uint32]

#: A transfer that starts too late more rarely than this has no bands.
_LEAST: Final = 1e-12
#: Versions from here on are tried for fuel that falls into a band; moves count up from 1.
SEARCHED: Final = 2**31
#: Standard deviations of the fuel that are far.
_FAR: Final = 6.0
#: Candidates looked at together.
_TOGETHER: Final = 20_000


@dataclass(frozen=True, slots=True)
class LateStart:
    """By how much a transfer starts later than planned, to first order in the fuel's draws.

    Attributes
    ----------
    transfer : int
        Number of the transfer.
    name : str
    gauge_s : tuple of float
        What one standard deviation of each tank's gauge adds (s).
    burn_s : float
        What one standard deviation of the burn adds (s): negative.
    late_s : float
        Mean of the exponential time (s).
    """

    transfer: int
    name: str
    gauge_s: tuple[float, ...]
    burn_s: float
    late_s: float

    @property
    def law(self) -> Any:
        """Law of the sum (s), frozen: exponentially modified normal, or normal."""
        sd = math.hypot(*self.gauge_s, self.burn_s)
        if self.late_s == 0.0:
            return stats.norm(scale=sd)
        if sd == 0.0:
            return stats.expon(scale=self.late_s)
        return stats.exponnorm(self.late_s / sd, scale=sd)

    def of(self, *, seed: int, flights: Words, versions: Words | None = None) -> Floats:
        """Return the sum on flights (s), shape (n,).

        Parameters
        ----------
        seed : int
            Resolved seed.
        flights : uint32 array, shape (n,)
        versions : uint32 array, shape (n, entities of the fuel), optional
            0 where not given.
        """

        def words(entity: int) -> Words:
            own = None if versions is None else versions[:, entity]
            return entity_words(Cause.FUEL, entity, seed=seed, flights=flights, versions=own)

        found: Floats = np.zeros(flights.size)
        if self.burn_s != 0.0:
            found += self.burn_s * _normal(words(0)[2:])
        for tank, one_s in enumerate(self.gauge_s):
            if one_s != 0.0:
                found += one_s * _normal(words(1 + tank)[:2])
        if self.late_s > 0.0:
            uniform = (words(1 + len(self.gauge_s) + self.transfer)[2] + 0.5) / 2.0**32
            found -= self.late_s * np.log1p(-uniform)
        return found

    def bands(self, latest: tuple[float, ...]) -> tuple[Band, ...]:
        """Return all other flights, and those with the latest starts, by falling shares.

        A share counts all that start later still: (0.01, 0.0001) makes bands of 0.99, 0.0099 and
        0.0001.
        """
        later = (1.0, *latest, 0.0)
        # Upper quantiles by what lies beyond them, for accuracy.
        bounds = (-math.inf, *(float(self.law.isf(share)) for share in latest), math.inf)
        return tuple(
            Band(self, more - less, after, until)
            for more, less, after, until in zip(
                later[:-1], later[1:], bounds[:-1], bounds[1:], strict=True
            )
        )


def _normal(words: Words) -> Floats:
    """Return the standard normal numbers of two words each, shape (2, n)."""
    high, low = words.astype(np.uint64) >> np.uint64(6)
    found: Floats = special.ndtri(((high << np.uint64(26) | low) + 0.5) * 2.0**-52)
    return found


@dataclass(frozen=True, slots=True)
class Band:
    """Flights on which a transfer starts late by between two times.

    Attributes
    ----------
    start : LateStart
    share : float
        Of all flights.
    after_s, until_s : float
        The first is outside, the second inside.
    """

    start: LateStart
    share: float
    after_s: float
    until_s: float

    def holds(self, late_s: Floats) -> NDArray[np.bool_]:
        """Return whether flights so late belong to it."""
        inside: NDArray[np.bool_] = (late_s > self.after_s) & (late_s <= self.until_s)
        return inside

    def admits(
        self, *, seed: int, flights: Words, versions: Words | None = None
    ) -> NDArray[np.bool_]:
        """Return whether flights belong to it, shape (n,); arguments as for the sum."""
        return self.holds(self.start.of(seed=seed, flights=flights, versions=versions))

    def first_versions(self, *, seed: int, flights: Words, entities: int) -> Words:
        """Return versions of the fuel with which flights belong to the band, one each, shape (n,).

        All of the fuel's entities have it. It is the first of those tried that serves: independent
        draws, kept when inside.

        Parameters
        ----------
        seed : int
            Resolved seed.
        flights : uint32 array, shape (n,)
        entities : int
            Of the fuel.
        """
        found = np.zeros(flights.size, dtype=np.uint32)
        left, version = np.arange(flights.size), SEARCHED
        while left.size:
            each = max(_TOGETHER // left.size, 1)
            tried = np.arange(version, version + each, dtype=np.uint32)
            versions = np.broadcast_to(
                np.tile(tried, left.size)[:, None], (left.size * each, entities)
            )
            late = self.start.of(
                seed=seed, flights=np.repeat(flights[left], each), versions=versions
            ).reshape(left.size, each)
            inside = self.holds(late)
            served = inside.any(axis=1)
            found[left[served]] = tried[inside[served].argmax(axis=1)]
            left, version = left[~served], version + each
        return found


def late_start(model: FlightModel, *, side: str | None = None) -> LateStart | None:
    """Return the law of the planned transfer that is likeliest to start so late that it matters.

    Until after the planned landing; or, for the CG to go where it leads itself, until a transfer
    that follows it is due. None where there is none that may.

    Parameters
    ----------
    model : FlightModel
    side : str, optional
        Forward or aft: only of transfers that, late, leave the CG on that side.
    """
    transfer = model.program.transfer
    if not np.isfinite(transfer.earliest_s):
        return None
    found, likeliest = None, _LEAST
    for x in range(transfer.at_kg.size):
        late_s = missed(model, x).late_s
        enough_s = min((s for name, s in late_s.items() if side in (None, name)), default=math.inf)
        if transfer.stuck[x] == 1.0 or not math.isfinite(enough_s):
            continue
        start = _start_of(model, x)
        chance = 0.0 if start is None else float(start.law.sf(enough_s))
        if chance > likeliest:
            found, likeliest = start, chance
    return found


def _start_of(model: FlightModel, x: int) -> LateStart | None:
    """Return by how much a transfer starts late; None where it always starts as planned."""
    fuel, timeline = model.program.fuel, model.program.timeline
    times, burnt = planned_burn(model)
    due = due_s(model, x)
    due_kg = max(fuel.block_kg - float(model.program.transfer.at_kg[x]), 0.0)
    volumes = fill_plan(model.scenario.aircraft, fuel.block_kg / fuel.planned_density)
    reading = fuel.gauging_of_reading * volumes * fuel.planned_density
    span = fuel.gauging_of_capacity * fuel.capacity_m3 * fuel.reference_density
    gauge = np.where(volumes > 0.0, np.hypot(reading, span), 0.0)
    burn = fuel.burn_sd * due_kg
    # Where transfers may not begin before far more has been burnt, none waits for its fuel.
    past_kg = float(np.interp(due, times, burnt)) - due_kg
    burning = (timeline.end_s > due) & (timeline.flow_kgps > 0.0)
    waits = past_kg < _FAR * math.hypot(*gauge, burn) and burning.any()
    flow = float(timeline.flow_kgps[burning.argmax()]) if waits else math.inf
    start = LateStart(
        transfer=x,
        name=model.scenario.aircraft.fuel_transfers[x].name,
        gauge_s=tuple((gauge / flow).tolist()),
        burn_s=-burn / flow,
        late_s=float(model.program.transfer.late_s[x]),
    )
    return start if math.hypot(*start.gauge_s, start.burn_s, start.late_s) > 0.0 else None
