"""One flight flown again from its seed and number: exact path, moment by cause, who is where.

Causes that act over time are told apart by flying the flight again without them on the same
random numbers: without passengers' movement, without carts and crew too, with gear and flaps as
the limits take them, with empty holds. Each path is straight between its events, so that the
differences are exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.flight.aboard import passengers_aboard
from cgrisk.flight.draws import entity_words
from cgrisk.flight.kernel.data import Program
from cgrisk.flight.model import FlightModel, fly_block, load_block
from cgrisk.flight.one_flight import cabin_diary, trace
from cgrisk.randomness.keys import Cause
from cgrisk.randomness.variates import exponential, uniform, uniform53

__all__ = [
    "PARTS",
    "FlightReplay",
    "Stretches",
    "TransferPlayed",
    "replay_flight",
    "stretches_of",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint32]

#: Parts of the moment error: the contributions of a flight's figures, with ``movement`` told apart
#: into ``passengers`` (and the water they use) and ``service`` (carts and crew).
PARTS: Final = (
    "dry",
    "count",
    "seating",
    "mass",
    "cargo",
    "fuel",
    "passengers",
    "service",
    "configuration",
    "rounding",
)


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """A path: stretches of time over which mass and moment are linear, in order.

    Attributes
    ----------
    start_s, end_s : float64 array, shape (n,)
        Each longer than 0.
    phase : int64 array, shape (n,)
        Number of the phase.
    mass_kg, moment_kgm : float64 array, shape (n, 2)
        At start and end. The moment may jump from one stretch to the next.
    """

    start_s: Floats
    end_s: Floats
    phase: Ints
    mass_kg: Floats
    moment_kgm: Floats

    def at(self, time_s: Floats, *, inside_s: Floats) -> tuple[Floats, Floats]:
        """Return mass and moment at instants, on the stretches that hold other instants.

        Parameters
        ----------
        time_s : float64 array, shape (n, 2)
            When.
        inside_s : float64 array, shape (n,)
            An instant inside the stretch that each row of ``time_s`` belongs to.
        """
        i = np.searchsorted(self.start_s, inside_s, side="right") - 1
        start, end = self.start_s[i, None], self.end_s[i, None]
        share = (time_s - start) / (end - start)
        mass, moment = self.mass_kg[i], self.moment_kgm[i]
        return (
            mass[:, :1] + share * (mass[:, 1:] - mass[:, :1]),
            moment[:, :1] + share * (moment[:, 1:] - moment[:, :1]),
        )


@dataclass(frozen=True, slots=True)
class TransferPlayed:
    """A transfer of fuel on a flight.

    Attributes
    ----------
    name : str
        As in the aircraft file.
    due_s : float
        When it falls due; infinity where it never does.
    start_s : float
        When it starts; infinity where it is stuck, or too late for this flight.
    stuck : bool
    """

    name: str
    due_s: float
    start_s: float
    stuck: bool


@dataclass(frozen=True, slots=True, eq=False)
class FlightReplay:
    """One flight.

    Attributes
    ----------
    model : FlightModel
        What was flown.
    seed, flight : int
        Which.
    figures : dict of str to float
        Its figures, by the names of ``model.columns``.
    path : Stretches
        What the flight did.
    planned_mass_kg, planned_moment_kgm : float64 array, shape (n, 2)
        The planned path at the ends of the stretches.
    part_mass_kg, part_moment_kgm : float64 array, shape (len(PARTS), n, 2)
        By how much each part makes mass and moment differ from the planned ones, at the ends of
        the stretches. They add up to the whole difference.
    seat : int64 array, shape (persons,)
        Index of each person's seat; -1 where nobody has that number.
    mass_kg : float64 array, shape (persons,)
        Body and cabin bag.
    child : bool array, shape (persons,)
    diary : pandas.DataFrame
        From :func:`cgrisk.flight.cabin_diary`.
    transfers : tuple of TransferPlayed
        In the order of the aircraft file.
    """

    model: FlightModel
    seed: int
    flight: int
    figures: dict[str, float]
    path: Stretches
    planned_mass_kg: Floats
    planned_moment_kgm: Floats
    part_mass_kg: Floats
    part_moment_kgm: Floats
    seat: Ints
    mass_kg: Floats
    child: NDArray[np.bool_]
    diary: pd.DataFrame
    transfers: tuple[TransferPlayed, ...]

    @property
    def cg_pct_mac(self) -> Floats:
        """CG at start and end of each stretch (% MAC), shape (n, 2)."""
        return self.model.balance.cg_pct_mac(self.path.mass_kg, self.path.moment_kgm)

    @property
    def contributions_kgm(self) -> Floats:
        """Moment error of each part about the planned CG of the instant, shape (parts, n, 2).

        The sum over the parts, divided by the mass, is the error of the CG (an arm).
        """
        arm = self.planned_moment_kgm / self.planned_mass_kg
        return self.part_moment_kgm - arm * self.part_mass_kg


def stretches_of(path: pd.DataFrame, *, phases: tuple[str, ...]) -> Stretches:
    """Return the stretches of a path whose rows are their starts and ends in turn.

    Parameters
    ----------
    path : pandas.DataFrame
        From :func:`cgrisk.flight.trace`, or ``FlightModel.planned``.
    phases : tuple of str
        Names of the phases in order.
    """
    time = path["time_s"].to_numpy().reshape(-1, 2)
    codes = pd.Categorical(path["phase"], categories=list(phases)).codes.astype(np.int64)
    keep = time[:, 1] > time[:, 0]
    return Stretches(
        start_s=time[keep, 0],
        end_s=time[keep, 1],
        phase=codes[::2][keep],
        mass_kg=path["mass_kg"].to_numpy().reshape(-1, 2)[keep],
        moment_kgm=path["moment_kgm"].to_numpy().reshape(-1, 2)[keep],
    )


def _nobody_up(program: Program) -> Program:
    """Return a program in which no passenger ever gets up."""
    return program._replace(
        urge=program.urge._replace(seat_rate_per_s=0.0 * program.urge.seat_rate_per_s),
        crowd=program.crowd._replace(sign_off_share=0.0, surge_probability=0.0),
    )


def _no_service(program: Program) -> Program:
    """Return a program without carts, whose crew stays seated."""
    return program._replace(
        service=program.service._replace(
            number=np.empty(0, np.int64),
            walk_rate_per_s=0.0,
            rest_start=np.zeros_like(program.service.rest_start),
        )
    )


def _gear_and_flaps_kept(program: Program) -> Program:
    still = program.configuration
    return program._replace(configuration=still._replace(moment_kgm=0.0 * still.moment_kgm))


def _empty_holds(program: Program) -> Program:
    hold = program.hold
    return program._replace(hold=hold._replace(bags=0 * hold.bags, cargo_kg=0.0 * hold.cargo_kg))


def replay_flight(model: FlightModel, *, seed: int, flight: int) -> FlightReplay:
    """Fly one flight again, with all that can be told of it.

    Parameters
    ----------
    model : FlightModel
        From :func:`cgrisk.flight.prepare`.
    seed, flight : int
        As in :func:`cgrisk.flight.fly_block`.

    Raises
    ------
    UsageError
        If the flight number is out of range.
    """
    path = _path(model, model.program, seed, flight)
    number = np.array([flight], dtype=np.uint32)
    row = fly_block(model, seed=seed, flights=number)[0]
    figures = dict(zip(model.columns, row.tolist(), strict=True))
    seat, mass, child = (a[0] for a in passengers_aboard(model, seed=seed, flights=number))
    time = np.stack([path.start_s, path.end_s], axis=1)
    middle = time.mean(axis=1)
    planned = stretches_of(model.planned, phases=model.phases).at(time, inside_s=middle)
    masses, moments = _loaded(model, seed, number, figures)
    zero_fuel = load_block(model, seed=seed, flights=number)[0]

    # Flown again without one cause after the other.
    program = _nobody_up(model.program)
    with_service = _path(model, program, seed, flight).at(time, inside_s=middle)[1]
    program = _no_service(program)
    still = _path(model, program, seed, flight).at(time, inside_s=middle)[1]
    program = _gear_and_flaps_kept(program)
    loaded = _path(model, program, seed, flight).at(time, inside_s=middle)

    sheet, n = model.sheet, path.start_s.size
    part_mass, part_moment = np.zeros((2, len(PARTS), n, 2))
    for name, value in masses.items():
        part_mass[PARTS.index(name)] = value
    for name, value in moments.items():
        part_moment[PARTS.index(name)] = value
    planned_fuel = planned[0] - sheet.zero_fuel_mass_kg, planned[1] - sheet.zero_fuel_moment_kgm
    part_mass[PARTS.index("fuel")] = loaded[0] - zero_fuel[0] - planned_fuel[0]
    part_moment[PARTS.index("fuel")] = loaded[1] - zero_fuel[1] - planned_fuel[1]
    part_moment[PARTS.index("configuration")] = still - loaded[1]
    part_moment[PARTS.index("service")] = with_service - still
    part_moment[PARTS.index("passengers")] = path.moment_kgm - with_service
    return FlightReplay(
        model=model,
        seed=seed,
        flight=flight,
        figures=figures,
        path=path,
        planned_mass_kg=planned[0],
        planned_moment_kgm=planned[1],
        part_mass_kg=part_mass,
        part_moment_kgm=part_moment,
        seat=seat,
        mass_kg=mass,
        child=child,
        diary=cabin_diary(model, seed=seed, flight=flight),
        transfers=_transfers(model, path, float(zero_fuel[0]), seed=seed, flight=number),
    )


def _transfers(
    model: FlightModel, path: Stretches, zero_fuel_kg: float, *, seed: int, flight: Words
) -> tuple[TransferPlayed, ...]:
    """Return when transfers fall due and start, by the words that the kernel draws them from."""
    program, out = model.program.transfer, []
    tanks = len(model.scenario.aircraft.tanks)
    for x, transfer in enumerate(model.scenario.aircraft.fuel_transfers):
        words = entity_words(Cause.FUEL, 1 + tanks + x, seed=seed, flights=flight)
        w0, w1, w2, _ = words[:, 0]
        late = float(program.late_s[x] * exponential(uniform(w2)))
        stuck = bool(uniform53(w0, w1) < program.stuck[x])
        due = _first_time(path, zero_fuel_kg + float(program.at_kg[x]), program.earliest_s)
        start = math.inf if stuck or due + late > path.end_s[-1] else due + late
        out.append(TransferPlayed(transfer.name, due, start, stuck))
    return tuple(out)


def _first_time(path: Stretches, mass_kg: float, earliest_s: float) -> float:
    """Return when the mass is first at or below a value, not before an instant."""
    for i in np.flatnonzero((path.end_s > earliest_s) & (path.mass_kg[:, 1] <= mass_kg)):
        start, end = float(path.start_s[i]), float(path.end_s[i])
        first, last = path.mass_kg[i].tolist()
        at = (
            start
            if first <= mass_kg
            else start + (end - start) * (first - mass_kg) / (first - last)
        )
        return max(at, earliest_s)
    return math.inf


def _path(model: FlightModel, program: Program, seed: int, flight: int) -> Stretches:
    flown = trace(replace(model, program=program), seed=seed, flight=flight)
    return stretches_of(flown, phases=model.phases)


def _loaded(
    model: FlightModel, seed: int, number: NDArray[np.uint32], figures: dict[str, float]
) -> tuple[dict[str, float], dict[str, float]]:
    """Return (mass, moment) less planned of the parts that stay as they were loaded.

    The flight's figures tell each part's moment about the planned take-off CG; with its mass that
    is the part's moment about any arm. Who sits where changes no mass.
    """
    program, sheet = model.program, model.sheet
    cabin, x = program.cabin, program.sheet.take_off_arm_m
    bare = replace(model, program=_empty_holds(program))
    no_holds = float(load_block(bare, seed=seed, flights=number)[0, 0])
    everything = float(load_block(model, seed=seed, flights=number)[0, 0])
    people = float(passengers_aboard(model, seed=seed, flights=number)[1].sum())
    planned = int((cabin.zone_adults + cabin.zone_children).sum())
    masses = {
        "dry": no_holds - people - program.dry.papers_mass_kg,
        "count": program.mass.adult_standard_kg * (figures["passengers"] - planned),
        "seating": 0.0,
        "cargo": everything - no_holds - float(program.hold.planned_mass_kg.sum()),
        "rounding": sheet.rounding_kg,
    }
    # What is left of the whole difference is that people are not of standard mass.
    masses["mass"] = everything - sheet.zero_fuel_mass_kg - sum(masses.values())
    moments = {
        name: figures[f"take_off_error_kgm.{name}"] + x * mass for name, mass in masses.items()
    }
    return masses, moments
