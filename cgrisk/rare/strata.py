"""Strata: what happens on few flights but changes them much is taken apart, not waited for.

A surge of the passengers, a closed lavatory, a transfer of fuel that does not take place and an
error on the load sheet each happen with a stated chance and independently of all other draws; a
transfer starts very late by draws of the fuel (:mod:`cgrisk.rare.lateness`), on a known share of
the flights. Splitting that waits for them collapses, so each combination is flown by itself, under
the condition that it happens, and its probability multiplies the answer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from cgrisk.flight import FlightModel, entry_error_text, with_entry_error
from cgrisk.rare.lateness import Band, LateStart, late_start
from cgrisk.rare.missed import missed

__all__ = ["Stratum", "discrete_strata", "errors_of", "strata_of"]

#: Shares of the latest transfers that are strata, falling.
_LATEST: Final = (1e-2, 1e-4)


@dataclass(frozen=True, slots=True)
class Stratum:
    """Flights on which a certain combination of rare causes happens.

    Attributes
    ----------
    name : str
        What happens, in words.
    probability : float
        Chance per flight; the strata's add up to 1.
    model : FlightModel
        Flies the flights of this stratum alone.
    causes : tuple of str
        The rare causes that happen, by name; none where nothing rare does.
    band : Band, optional
        Where a transfer of fuel starts: the flights of this stratum are those inside.
    """

    name: str
    probability: float
    model: FlightModel
    causes: tuple[str, ...] = ()
    band: Band | None = None


def _surge(model: FlightModel) -> list[tuple[str, float, FlightModel]]:
    crowd = model.program.crowd
    chance = crowd.surge_probability if crowd.cruise_s.sum() > 0.0 else 0.0
    found = []
    for name, probability, happens in (("", 1.0 - chance, 0.0), ("surge", chance, 1.0)):
        if probability > 0.0:
            program = model.program._replace(crowd=crowd._replace(surge_probability=happens))
            found.append((name, probability, replace(model, program=program)))
    return found


def _closed(model: FlightModel) -> list[tuple[str, float, FlightModel]]:
    places = model.program.places
    chance = places.closed_chance if places.lavatory_count.sum() > 0 else 0.0
    found = []
    for name, probability, happens in (
        ("", 1.0 - chance, 0.0),
        ("a lavatory closed", chance, 1.0),
    ):
        if probability > 0.0:
            program = model.program._replace(places=places._replace(closed_chance=happens))
            found.append((name, probability, replace(model, program=program)))
    return found


def _parted(model: FlightModel, side: str | None) -> tuple[int, ...]:
    """Return the transfers of fuel that are parted by whether they are stuck."""
    transfer = model.program.transfer
    if not np.isfinite(transfer.earliest_s):
        return ()
    every = range(transfer.stuck.size)
    return tuple(x for x in every if side is None or side in missed(model, x).stuck)


def _stuck(
    model: FlightModel, transfers: tuple[int, ...]
) -> list[tuple[tuple[str, ...], float, FlightModel]]:
    found: list[tuple[tuple[str, ...], float, FlightModel]] = [((), 1.0, model)]
    for x in transfers:
        spec = model.scenario.aircraft.fuel_transfers[x]
        before, found, chance = found, [], float(model.program.transfer.stuck[x])
        for names, p, of in before:
            for happens, probability in ((0.0, 1.0 - chance), (1.0, chance)):
                if probability <= 0.0:
                    continue
                stuck = of.program.transfer.stuck.copy()
                stuck[x] = happens
                program = of.program._replace(transfer=of.program.transfer._replace(stuck=stuck))
                told = (*names, f"{spec.name} stuck") if happens else names
                found.append((told, p * probability, replace(of, program=program)))
    return found


def _bands(start: LateStart | None, model: FlightModel) -> list[tuple[str, float, Band | None]]:
    """Return (name, share, band) of all flights but the late starts, and of those."""
    if start is None or model.program.transfer.stuck[start.transfer] == 1.0:
        return [("", 1.0, None)]
    told = ("", *(f"{start.name} late (latest 1 in {1.0 / share:,.0f})" for share in _LATEST))
    bands = start.bands(_LATEST)
    return [(name, band.share, band) for name, band in zip(told, bands, strict=True)]


def errors_of(model: FlightModel) -> list[tuple[str, float, FlightModel]]:
    """Return (name, probability, model) of no error on the load sheet and of each likely one."""
    likely = [e for e in model.scenario.operation.entry_errors if e.probability > 0.0]
    left = 1.0 - sum(error.probability for error in likely)
    found = [("", left, model)] if left > 0.0 else []
    for error in likely:
        name = f"{error.name}: {entry_error_text(error)}"
        found.append((name, error.probability, with_entry_error(model, error)))
    return found


def strata_of(
    model: FlightModel, *, bands_of: FlightModel | None = None, side: str | None = None
) -> tuple[Stratum, ...]:
    """Return the strata of a scenario that have a probability, the most probable first.

    Those of :func:`discrete_strata`, each parted where a transfer of fuel may start late: its
    latest hundredth and ten-thousandth are strata of their own.

    Parameters
    ----------
    model : FlightModel
    bands_of : FlightModel, optional
        Of the same tanks and transfers: by whose fuel to part; its own if not given.
        What is flown of one scenario's flights under another keeps the parts of the first: any
        are right, if they are the same.
    side : str, optional
        Forward or aft: without the strata of transfers that, late or stuck, lead the other way.
        These flights are among those of the strata that are left, as often as they happen.
    """
    first = model if bands_of is None else bands_of
    return _strata(model, late_start(first, side=side), _parted(first, side))


def discrete_strata(model: FlightModel, *, side: str | None = None) -> tuple[Stratum, ...]:
    """Return the strata by discrete causes alone.

    Rare discrete causes: a surge (``crowd.surge_probability``), a closed lavatory
    (``behaviour.lavatory_closed``), a transfer of fuel stuck (``fuel_transfers.stuck``) and the
    errors on the load sheet that have a probability; at most one such error a flight.
    Without any there is one stratum, the scenario as it stands. ``side`` is as in
    :func:`strata_of`.
    """
    return _strata(model, None, _parted(model, side))


def _strata(
    model: FlightModel, start: LateStart | None, transfers: tuple[int, ...]
) -> tuple[Stratum, ...]:
    strata = []
    for error, p_error, with_error in errors_of(model):
        for surge, p_surge, with_surge in _surge(with_error):
            for closed, p_closed, with_closed in _closed(with_surge):
                for stuck, p_stuck, whole in _stuck(with_closed, transfers):
                    for late, p_late, band in _bands(start, whole):
                        causes = tuple(n for n in (error, surge, closed, *stuck, late) if n)
                        chance = p_error * p_surge * p_closed * p_stuck * p_late
                        name = " and ".join(causes) or "none"
                        strata.append(Stratum(name, chance, whole, causes, band))
    return tuple(sorted(strata, key=lambda s: -s.probability))
