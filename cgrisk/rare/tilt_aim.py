"""What tilting needs to know before it starts: whether it may, what moves the score, how strongly.

Pilot flights have keys of their own, so that what they decide has no say in the estimate.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, entity_counts, fly_block, zero_fuel_scale
from cgrisk.flight.call_tilt import CallTilt, call_tilt, lean_movement
from cgrisk.flight.kernel.tilt import TiltData
from cgrisk.flight.leaning import (
    Source,
    Watched,
    lean_block,
    source_values,
    sources,
    tilt_data,
    watch_seats,
)
from cgrisk.flight.party_tilt import leaned_by_party, parties_told_apart
from cgrisk.randomness import Cause
from cgrisk.rare.question import Meter
from cgrisk.rare.score import ENVELOPE, Score, reference_arm
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.tilt_walks import Walks, people_walk

__all__ = ["Aim", "Leaned", "Leaner", "aim_at", "leans_all", "why_not_tilted"]

Floats = NDArray[np.float64]

#: Ordinary flights that tell what moves the score, without and with sources other than people.
_FIRST_PILOT, _FIRST_PILOT_WITH_SOURCES = 512, 2048
#: Flights per task: a kernel call cannot be interrupted.
_TASK = 400
#: Boardings side by side, and the strength beyond which there are several.
_BOARDINGS, _STRONG = 8, 1.5
#: Misplaced bags a flight below which few flights of a tilt have one, if any, and how far it has to
#: move the CG for a tail to hang on it, in standard deviations of where people sit: flights that
#: are ``x`` of them out are ``exp(0.5 x)`` times as likely with such a bag, 20 times at six.
_SELDOM, _FAR_BAG = 0.01, 0.5
#: Causes of it.
_MOVEMENT = (Cause.MOVEMENT.name.lower(), Cause.CROWD.name.lower())
#: t value below which a source's effect is taken for noise.
_NOISE = 4.0


def why_not_tilted(model: FlightModel, score: Score | None = None) -> str:
    """Return why a scenario (or a score of it) is not one for tilting; '' if it is.

    Movement is leaned only as far as people take others along: where it makes much of the score
    otherwise, a tilt of the load helps little, which the pilot finds out.

    Parameters
    ----------
    model : FlightModel
        Scenario made ready to fly.
    score : Score, optional
        What would be estimated.
    """
    people = model.program.cabin.zone_adults.sum() + model.program.cabin.zone_children.sum()
    reasons = (
        (people == 0, "leans the people aboard; here nobody is"),
        (
            not parties_told_apart(model),
            "tells parties apart by their sizes and sexes; here are too many sorts of them, or too "
            "rare ones",
        ),
        (
            _seldom_far_bag(model),
            "does not lean bags in the wrong hold; here one seldom is and may move the CG far, so "
            "that a tail may hang on flights which its own miss",
        ),
        (
            score is not None and score.name != ENVELOPE,
            "leans flights toward a side of the envelope, not toward "
            f"{'' if score is None else score.name}",
        ),
    )
    return " ".join(f"Tilting {text}: use splitting or counting." for true, text in reasons if true)


def _seldom_far_bag(model: FlightModel) -> bool:
    """Return whether a bag is seldom in the wrong hold but may move the CG far when it is.

    Far beside where people sit when each takes any free seat: a simple random sample of the seats,
    all as light as the lighter of adults and children. By other seating rules people spread less,
    so that any bag may be far.
    """
    hold, cabin, mass = model.program.hold, model.program.cabin, model.program.mass
    if not 0.0 < hold.misplaced < _SELDOM or hold.arm_m.size < 2 or not hold.bags.any():
        return False
    if model.scenario.operation.seating.rule != "random":
        return True
    aboard = cabin.zone_adults + cabin.zone_children
    variance = 0.0
    for region, (first, last) in enumerate(itertools.pairwise(cabin.region_start)):
        seats = cabin.arm_m[cabin.region_seats[first:last]]
        if seats.size > 1:
            taken = float(aboard[cabin.zone_region == region].sum())
            variance += taken * (1.0 - taken / seats.size) * float(seats.var(ddof=1))
    bag_kg = hold.bag_mean_kg + 2.0 * math.hypot(hold.bag_sd_kg, hold.bag_sd_flight_kg)
    moved = bag_kg * float(np.ptp(hold.arm_m))
    person_kg = mass.adult_standard_kg
    if cabin.zone_children.any():
        person_kg = min(person_kg, mass.child_standard_kg)
    return moved > _FAR_BAG * person_kg * math.sqrt(max(variance, 0.0))


def leans_all(model: FlightModel) -> bool:
    """Return whether tilting leans all that varies: nobody moves, everybody travels alone.

    But for bags in the wrong hold, of which flights have many, or which move the CG little: a
    scenario with others is not tilted.
    """
    program = model.program
    moving = (
        people_walk(model),
        program.service.mass_kg.size > 0,
        program.service.walk_rate_per_s > 0.0,
        program.cabin.movers_share > 0.0,
    )
    return not any(moving) and not leaned_by_party(model)


def boardings_at(strength: float) -> int:
    """Return how many boardings a flight of a strength is worth.

    Measured on the shipped single aisle: at two standard deviations the logarithms of the weights
    of like loads scatter by 0.63 with one and 0.34 with eight, at four by 1.4 and 0.9; leaning a
    load takes three times as long.
    """
    return _BOARDINGS if strength > _STRONG else 1


@dataclass(frozen=True, slots=True)
class Aim:
    """What moves the score, and by how much.

    Attributes
    ----------
    model, score
        What is flown and estimated.
    sign : float
        +1 toward the tail, -1 forward.
    found, moment_kgm
        Sources of error other than people, and the moment toward the side per unit of each.
    reference_arm_m : float
        Arm about which an error of mass counts.
    spread_kgm : float
        Standard deviation of the score, as a moment.
    flights : int
        Ordinary flights flown to find out.
    seats : Watched or None
        How seats fill, where parties take them.
    calls : CallTilt or None
        How movement is leaned, where people take others along.
    """

    model: FlightModel
    score: Score
    sign: float
    found: list[Source]
    moment_kgm: Floats
    reference_arm_m: float
    spread_kgm: float
    flights: int
    seats: Watched | None
    calls: CallTilt | None

    def loads(self, rows: Floats) -> Floats:
        """Return the moment error of the zero-fuel load on flights, in % MAC toward the side."""
        balance, sheet = self.model.balance, self.model.program.sheet
        mass, cg = (
            rows[:, self.model.columns.index(name)]
            for name in ("zero_fuel_mass_kg", "zero_fuel_cg_pct_mac")
        )
        lever = balance.pct_to_arm(cg) - self.reference_arm_m
        error = mass * lever - sheet.zero_fuel_moment_kgm
        error += self.reference_arm_m * sheet.zero_fuel_mass_kg
        return self.sign * error / zero_fuel_scale(self.model)

    def data(self, strength: float, seed: int) -> TiltData | None:
        """Return the tilt that shifts the score by about so many standard deviations.

        None for a strength of 0, which leaves flights as they are.
        """
        if strength == 0.0:
            return None
        return tilt_data(
            self.model,
            theta=self.sign * strength / self.spread_kgm,
            reference_arm_m=self.reference_arm_m,
            found=self.found,
            moment_kgm=self.sign * self.moment_kgm,
            choice_seed=derived_seed(seed, "choices"),
            seats=self.seats,
            boardings=boardings_at(strength),
        )

    def versions(
        self, data: TiltData | None, *, seed: int, flights: NDArray[np.uint32]
    ) -> tuple[NDArray[np.uint32], Floats]:
        """Return the versions (n, entities) that lean flights (n,), and the log weights (n,)."""
        if data is None:
            entities = sum(entity_counts(self.model).values())
            return np.zeros((flights.size, entities), dtype=np.uint32), np.zeros(flights.size)
        versions, log_weights, _ = lean_block(self.model, data, seed=seed, flights=flights)
        return versions, log_weights

    def walking(
        self,
        versions: NDArray[np.uint32],
        which: NDArray[np.int64],
        walk: NDArray[np.uint32],
        *,
        seed: int,
        flights: NDArray[np.uint32],
    ) -> tuple[NDArray[np.uint32], Floats]:
        """Return those rows (n,) of versions with the movement of walks (n,), and log weights.

        Rows of one load follow one another; ``flights`` (n,) are their numbers.
        """
        counts = entity_counts(self.model)
        ends = np.cumsum(list(counts.values()))
        anew = versions[which]
        for (name, count), end in zip(counts.items(), ends.tolist(), strict=True):
            if name in _MOVEMENT:
                anew[:, end - count : end] = walk[:, None]
        if self.calls is None:
            return anew, np.zeros(which.size)
        log_weights = lean_movement(
            self.model,
            self.calls,
            seed=seed,
            choice_seed=derived_seed(seed, "calls"),
            flights=flights,
            versions=anew,
            load=which,
            walk=walk.astype(np.int64),
        )
        return anew, log_weights


def _reference_arm(model: FlightModel, score: Score) -> float:
    """Return the arm about which mass counts, within the cabin."""
    arms = model.program.cabin.arm_m
    return float(np.clip(reference_arm(model, score=score), arms.min(), arms.max()))


def aim_at(model: FlightModel, score: Score, *, seed: int, jobs: int) -> Aim:
    """Fly ordinary flights and fit the moment of each source by least squares.

    Raises
    ------
    UsageError
        If the score is the same on all flights.
    """
    found = sources(model)
    count = _FIRST_PILOT_WITH_SOURCES if found else _FIRST_PILOT
    flights = np.arange(count, dtype=np.uint32)
    fly = delayed(fly_block)
    rows = np.concatenate(
        Parallel(n_jobs=jobs, backend="threading")(
            fly(model, seed=seed, flights=part, needed=score.columns)
            for part in np.array_split(flights, count // 256)
        )
    )
    side = model.columns[score.columns[0]].rsplit(".", 1)[-1]
    moment = zero_fuel_scale(model) * score.of(rows)
    spread = float(moment.std())
    if not spread > 1e-9 * zero_fuel_scale(model):
        raise UsageError(
            argument="scenario",
            expected="something that varies",
            got="a score that is the same on all flights",
            cure="Switch some source of error on; the planned load tells this score exactly.",
        )
    sign = 1.0 if side == "aft" else -1.0
    people = [model.columns.index(f"take_off_error_kgm.{cause}") for cause in ("seating", "mass")]
    effects = np.zeros(len(found))
    if found:
        figures = source_values(model, found, seed=seed, flights=flights)
        rest = moment - sign * rows[:, people].sum(axis=1)
        design = np.column_stack([np.ones(count), figures])
        fitted = np.linalg.lstsq(design, rest, rcond=None)[0]
        noise = float((rest - design @ fitted).std())
        error = noise * np.sqrt(np.diag(np.linalg.pinv(design.T @ design)))
        effects = np.where(np.abs(fitted) > _NOISE * error, fitted, 0.0)[1:]
    reference = _reference_arm(model, score)
    seats = watch_seats(model, seed=derived_seed(seed, "boarding"))
    calls = call_tilt(model, toward=sign)
    return Aim(model, score, sign, found, effects, reference, spread, count, seats, calls)


class Leaned(NamedTuple):
    """Leaned loads of one strength, in the order of their flights' numbers.

    Attributes
    ----------
    scores : float64 array, shape (n, most)
        Of the flights with each load; of those flown less often, several times.
    loads, log_weights : float64 arrays, shape (n,)
        The moment error of the zero-fuel load, as a shift of the planned CG toward the side; the
        logarithm of the weight that undoes the leaning.
    times : float64 array, shape (n,)
        How often each load was flown.
    walk_weights : float64 array, shape (n, most)
        What undoes the leaning of its flights' movement, like ``scores``.
    """

    scores: Floats
    loads: Floats
    log_weights: Floats
    times: Floats
    walk_weights: Floats

    @classmethod
    def joined(cls, parts: Sequence[Leaned]) -> Leaned:
        """Return several, one after another."""
        return cls(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _fly(
    aim: Aim, data: TiltData | None, seed: int, first: int, count: int, walks: Walks
) -> Leaned:
    flights = np.arange(first, first + count, dtype=np.uint32)
    versions, log_weights = aim.versions(data, seed=seed, flights=flights)

    scores, weights = np.empty((2, count, walks.most))

    def fly(loaded: NDArray[np.int64], start: int, end: int) -> Floats:
        walk = np.tile(np.arange(start, end, dtype=np.uint32), loaded.size)
        which = np.repeat(loaded, end - start)
        walking, undone = aim.walking(versions, which, walk, seed=seed, flights=flights[which])
        rows = fly_block(
            aim.model,
            seed=seed,
            flights=flights[which],
            versions=walking,
            needed=aim.score.columns,
        )
        scores[loaded, start:end] = aim.score.of(rows).reshape(loaded.size, -1)
        weights[loaded, start:end] = np.exp(undone).reshape(loaded.size, -1)
        return rows

    few = min(walks.times)
    loads = aim.loads(fly(np.arange(count), 0, few)[::few])
    times = walks.of(loads)
    for done, wanted in itertools.pairwise(sorted(set(walks.times))):
        more = np.flatnonzero(times > done)
        if more.size:
            fly(more, done, wanted)
    return Leaned(
        walks.spread(scores, times),
        loads,
        log_weights,
        times.astype(np.float64),
        walks.spread(weights, times),
    )


@dataclass(frozen=True, slots=True)
class Leaner:
    """Flies leaned loads; results come in the order of their flights' numbers.

    Attributes
    ----------
    aim : Aim
    jobs : int
        Threads; changes no result.
    meter : Meter
        Told of the flights; its shelf keeps them.
    """

    aim: Aim
    jobs: int
    meter: Meter

    def fly(self, strength: float, seed: int, first: int, count: int, walks: Walks) -> Leaned:
        """Return loads ``first`` to ``first + count - 1`` of a strength, flown so often each."""

        def make() -> dict[str, NDArray[np.generic]]:
            return dict(self._flown(strength, seed, first, count, walks)._asdict())

        kind = "ordinary" if strength == 0.0 else "tilted"
        name = f"{kind}/{seed}/{strength!r}/{first}/{count}/{walks.stamp()}"
        found = self.meter.kept(name, make)
        return Leaned(*(found[name].astype(np.float64) for name in Leaned._fields))

    def _flown(self, strength: float, seed: int, first: int, count: int, walks: Walks) -> Leaned:
        data = self.aim.data(strength, seed)
        step, size = delayed(_fly), max(_TASK // walks.most, 1)
        done = Parallel(n_jobs=self.jobs, backend="threading", return_as="generator")(
            step(self.aim, data, seed, start, min(size, first + count - start), walks)
            for start in range(first, first + count, size)
        )
        parts = []
        for part in done:
            parts.append(part)
            self.meter.add(int(part.times.sum()))
        return Leaned.joined(parts)
