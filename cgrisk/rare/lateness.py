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

__all__ = ["Band", "LateStart", "late_start"]

Floats = NDArray[np.float64]
Words = NDArray[np.uint32]

#: A transfer that starts after the planned landing more rarely than this has no bands.
_LEAST: Final = 1e-12
#: Versions from here on are tried for fuel that falls into a band; moves count up from 1.
_SEARCHED: Final = 2**31
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


def _normal(words: Words) -> Floats:
    """Return the standard normal numbers of two words each, shape (2, n)."""
    high, low = words.astype(np.uint64) >> np.uint64(6)
    found: Floats = special.ndtri(((high << np.uint64(26) | low) + 0.5) * 2.0**-52)
    return found


@dataclass(frozen=True, slots=True)
class Band:
    """Flights on which a transfer starts late by between two quantiles.

    Attributes
    ----------
    start : LateStart
    low, high : float
        Shares of the law, 0 to 1, that bound it.
    """

    start: LateStart
    low: float
    high: float

    @property
    def bounds_s(self) -> tuple[float, float]:
        """Bounds of the band (s); the first is outside, the second inside."""
        # By what lies beyond them, for accuracy.
        low, high = self.start.law.isf([1.0 - self.low, 1.0 - self.high])
        return float(low), float(high)

    def admits(
        self, *, seed: int, flights: Words, versions: Words | None = None
    ) -> NDArray[np.bool_]:
        """Return whether flights belong to it, shape (n,); arguments as for the sum."""
        low, high = self.bounds_s
        late = self.start.of(seed=seed, flights=flights, versions=versions)
        inside: NDArray[np.bool_] = (late > low) & (late <= high)
        return inside

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
        low, high = self.bounds_s
        found = np.zeros(flights.size, dtype=np.uint32)
        left, version = np.arange(flights.size), _SEARCHED
        while left.size:
            each = max(_TOGETHER // left.size, 1)
            tried = np.arange(version, version + each, dtype=np.uint32)
            versions = np.broadcast_to(
                np.tile(tried, left.size)[:, None], (left.size * each, entities)
            )
            late = self.start.of(
                seed=seed, flights=np.repeat(flights[left], each), versions=versions
            ).reshape(left.size, each)
            inside = (late > low) & (late <= high)
            served = inside.any(axis=1)
            found[left[served]] = tried[inside[served].argmax(axis=1)]
            left, version = left[~served], version + each
        return found


def late_start(model: FlightModel) -> LateStart | None:
    """Return the law of the last planned transfer that may start after the planned landing.

    None where there is no such transfer.
    """
    transfer, timeline = model.program.transfer, model.program.timeline
    if not np.isfinite(transfer.earliest_s):
        return None
    times = np.append(0.0, timeline.end_s)
    burnt = np.append(0.0, np.cumsum(timeline.flow_kgps * np.diff(times)))
    landing = float(timeline.end_s[timeline.landing])
    # The last to fall due first.
    for x in np.argsort(transfer.at_kg, kind="stable").tolist():
        due_kg = model.program.fuel.block_kg - float(transfer.at_kg[x])
        due = max(float(np.interp(due_kg, burnt, times)), transfer.earliest_s)
        if due_kg >= burnt[-1] or due >= landing:
            continue
        start = _start_of(model, x, due_kg, due)
        if start is not None and start.law.sf(landing - due) > _LEAST:
            return start
    return None


def _start_of(model: FlightModel, x: int, due_kg: float, due_s: float) -> LateStart | None:
    """Return by how much a transfer starts late, given the fuel burnt when it falls due, and when.

    None where it always starts as planned.
    """
    fuel, timeline = model.program.fuel, model.program.timeline
    flow = float(timeline.flow_kgps[np.searchsorted(timeline.end_s, due_s)])
    volumes = fill_plan(model.scenario.aircraft, fuel.block_kg / fuel.planned_density)
    reading = fuel.gauging_of_reading * volumes * fuel.planned_density
    span = fuel.gauging_of_capacity * fuel.capacity_m3 * fuel.reference_density
    gauge, burn = np.where(volumes > 0.0, np.hypot(reading, span), 0.0), fuel.burn_sd * due_kg
    # One that is due before transfers may begin does not wait for its fuel.
    waits = due_s > model.program.transfer.earliest_s and flow > 0.0
    gauge_s, burn_s = (gauge / flow, -burn / flow) if waits else (0.0 * gauge, 0.0)
    start = LateStart(
        transfer=x,
        name=model.scenario.aircraft.fuel_transfers[x].name,
        gauge_s=tuple(gauge_s.tolist()),
        burn_s=float(burn_s),
        late_s=float(model.program.transfer.late_s[x]),
    )
    return start if math.hypot(*start.gauge_s, start.burn_s, start.late_s) > 0.0 else None
