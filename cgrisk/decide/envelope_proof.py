"""Proof of an envelope: loads planned on its very edge, flown on fresh seeds.

Half of the loads are random legal ones, half the worst that a search on fresh seeds finds at random
masses between those the buffers were asked for, with the fuel that brings its planned path nearest
to the limit. Each is flown once and judged at two edges: that of
the envelope, and that edge with the distance of the assumptions given back, which is all that the
flights, whose assumptions are as the scenario has them, can put to the test.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.decide.buffers import BufferAsk, Buffers
from cgrisk.decide.load_candidates import fuel_range, load_range, state_at
from cgrisk.decide.load_search import worst_load
from cgrisk.decide.load_state import LoadState, scenario_with, zone_seat_counts
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.flight import SIDES, FlightModel, prepare, zero_fuel_scale
from cgrisk.rare import Meter, Question, envelope_score, flights_to_count, fly_pilot, split_tail
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.risk import binomial_interval
from cgrisk.sampling.workers import shared_jobs

__all__ = ["EDGES", "PROOF_CONFIDENCE", "prove_envelope", "random_load"]

Floats = NDArray[np.float64]

#: Above this risk flights are counted, so many that the risk itself gives this many hits.
_COUNTED, _HITS = 3e-4, 60
_REPLICATES, _PARTICLES = 10, 300
#: Fuel loads out of which a worst load takes the one that makes the edge tightest.
_BLOCKS: Final = 8
#: Probabilities, in accepted risks, at which the curve is read before an edge.
_BEFORE: Final = (100.0, 10.0, 3.0, 1.0, 0.3)
#: What an edge is judged at; see the module.
EDGES: Final = ("envelope", "without assumptions")
#: Of all intervals at one edge together, unless told.
PROOF_CONFIDENCE: Final = 0.95


def random_load(ask: BufferAsk, *, rng: np.random.Generator) -> LoadState:
    """Return a random legal load: mass, passengers, zones, holds and fuel, each over its range.

    Parameters
    ----------
    ask : BufferAsk
    rng : numpy.random.Generator
    """
    scenario, masses = ask.scenario, ask.masses_kg
    mass = float(rng.uniform(masses[0], masses[-1])) if len(masses) > 1 else masses[0]
    span = load_range(scenario, mass_kg=mass)
    count = int(rng.integers(span.fewest, span.most + 1))
    seats = zone_seat_counts(scenario)
    # Weights from even to very uneven; then seats by lot within what a zone has.
    weights = rng.dirichlet(np.full(seats.size, float(rng.choice([0.5, 2.0, 50.0]))))
    people = np.zeros(seats.size, dtype=np.int64)
    for _ in range(count):
        room = people < seats
        chance = np.where(room, weights + 1e-9, 0.0)
        people[rng.choice(seats.size, p=chance / chance.sum())] += 1
    least, most = fuel_range(scenario, mass_kg=mass)
    hold_room = np.array([hold.max_load for hold in scenario.aircraft.holds], dtype=np.float64)
    return state_at(
        scenario,
        mass_kg=mass,
        people=people,
        hold_weights=rng.dirichlet(np.ones(hold_room.size)) * hold_room.sum()
        if hold_room.size
        else hold_room,
        fuel_kg=float(rng.uniform(least, most)),
    )


def _edge_threshold(
    model: FlightModel, envelope: OperatorEnvelope, *, side: str, group: str
) -> float:
    """Return the excess (% MAC) at which a load planned on the zero-fuel edge leaves the limits.

    The planned point is moved to the edge at constant mass; then it stands this far from the
    certified limits, by the phases of the group, with the fuel of this very load.
    """
    sheet, balance = model.sheet, model.balance
    limits = envelope.zero_fuel
    if limits is None:
        raise ValueError("an envelope for zero-fuel mass is proved")
    toward = 1.0 if side == "aft" else -1.0
    edge = float(limits.limit(sheet.zero_fuel_mass_kg, side=side))
    moved = (
        toward
        * sheet.zero_fuel_mass_kg
        * float(balance.pct_to_arm(edge) - balance.pct_to_arm(sheet.zero_fuel_cg_pct_mac))
    )
    score = envelope_score(model, side=side, group=group)
    return score.as_planned - moved / zero_fuel_scale(model)


def _risks(
    ask: BufferAsk,
    model: FlightModel,
    *,
    side: str,
    group: str,
    thresholds: tuple[float, float],
    seed: int,
    confidence: float,
    meter: Meter,
) -> tuple[list[tuple[float, float, float]], str, int]:
    """Return (estimate, low, high) of the risk at each threshold, the method, and the flights."""
    score = envelope_score(model, side=side, group=group)
    if ask.each_risk >= _COUNTED:
        count = int(_HITS * flights_to_count(ask.each_risk, relative_error=1.0))
        meter.begin("proof", expected=count)
        scores = fly_scores(
            model, score=score, seed=seed, first=0, count=count, jobs=ask.jobs, meter=meter
        )
        found = [
            binomial_interval(int((scores > x).sum()), flights=count, confidence=confidence)
            for x in thresholds
        ]
        return [(f.estimate, f.low, f.high) for f in found], "counting", count
    question = Question(
        model=model,
        score=score,
        target=ask.each_risk,
        seed=seed,
        deepest=max(0.1 * ask.each_risk, 1e-12),
        relative_error=0.3,
        confidence=min(confidence, 0.9999),
        jobs=ask.jobs,
    )
    pilot = fly_pilot(question, meter=meter)
    tail = split_tail(
        question, pilot=pilot, replicates=_REPLICATES, particles=_PARTICLES, meter=meter
    )
    rows = []
    for threshold in thresholds:
        # Beyond what was seen the bound is that of the last threshold that was: some before it.
        before = [pilot.threshold(min(k * ask.each_risk, 0.4)) for k in _BEFORE]
        places = np.unique([x for x in before if x < threshold] + [threshold])
        told = tail.estimate(places)
        high = float(np.minimum.accumulate(told.high)[-1])
        rows.append((float(told.estimate[-1]), float(told.low[-1]), high))
    return rows, "splitting", tail.flights


class _Load(NamedTuple):
    """A load to be flown: a random one, or the worst one at a mass, still to be found."""

    number: int
    side: str
    group: str
    random: LoadState | None
    mass_kg: float

    @property
    def kind(self) -> str:
        return "worst" if self.random is None else "random"


def _loads(ask: BufferAsk, loads: int, side: str, group: str) -> list[_Load]:
    """Return the loads for a side and group: random ones, then worst ones at random masses."""
    rng = generator(ask.seed, "proof loads", side, group)
    found = [
        _Load(number, side, group, random_load(ask, rng=rng), math.nan) for number in range(loads)
    ]
    # In turn between each two of the masses asked for, begun anywhere: few loads, many places.
    gaps = rng.permutation(len(ask.masses_kg) - 1)
    for number in range(loads if gaps.size else 0):
        place = int(gaps[number % gaps.size])
        mass = float(rng.uniform(ask.masses_kg[place], ask.masses_kg[place + 1]))
        found.append(_Load(loads + number, side, group, None, mass))
    return found


def _state(
    ask: BufferAsk, load: _Load, *, loads: int, envelope: OperatorEnvelope, meter: Meter
) -> LoadState:
    if load.random is not None:
        return load.random
    worst = worst_load(
        ask.scenario,
        mass_kg=load.mass_kg,
        side=load.side,
        group=load.group,
        seed=derived_seed(ask.seed, "proof", "worst load", str(load.number - loads)),
        counts=ask.counts,
        jobs=ask.jobs,
        meter=meter,
    )
    return _tightest_fuel(ask, worst.state, envelope, load.side, load.group)


def _tightest_fuel(
    ask: BufferAsk, state: LoadState, envelope: OperatorEnvelope, side: str, group: str
) -> LoadState:
    """Return a load with the fuel whose planned path is nearest to the limit at the edge."""
    mass = prepare(scenario_with(ask.scenario, state)).sheet.zero_fuel_mass_kg
    least, most = fuel_range(ask.scenario, mass_kg=mass)
    states = [replace(state, fuel_kg=block) for block in np.linspace(least, most, _BLOCKS).tolist()]
    edges = [
        _edge_threshold(prepare(scenario_with(ask.scenario, s)), envelope, side=side, group=group)
        for s in [state, *states]
    ]
    return [state, *states][int(np.argmin(edges))]


def prove_envelope(
    buffers: Buffers,
    *,
    envelope: OperatorEnvelope,
    loads: int,
    confidence: float = PROOF_CONFIDENCE,
    meter: Meter | None = None,
) -> pd.DataFrame:
    """Fly loads on the edge of a zero-fuel envelope, on seeds used for nothing else.

    Parameters
    ----------
    buffers : Buffers
        That the envelope was made from.
    envelope : OperatorEnvelope
        Whose zero-fuel edge is proved.
    loads : int
        Random loads, and as many worst loads for each side and group.
    confidence : float
        Of all intervals at one edge together (Bonferroni).
    meter : Meter, optional
        Told of the flights.

    Returns
    -------
    pandas.DataFrame
        Two rows a load, side and group: load, kind (random or worst), mass_kg, passengers, fuel_kg,
        side, group, edge (``envelope``, or ``without assumptions``: their distance given back),
        threshold_pct_mac, risk, estimate, low, high, over (the lower bound is above the risk),
        method, flights.
    """
    meter = Meter() if meter is None else meter
    ask = buffers.ask
    drawn = [
        load for side in SIDES for group in ask.groups for load in _loads(ask, loads, side, group)
    ]
    outer, inner = shared_jobs(ask.jobs, tasks=max(len(drawn), 1))
    each = Parallel(n_jobs=outer, backend="threading", batch_size=1)(
        delayed(_proved)(
            replace(buffers, ask=replace(ask, jobs=inner)),
            envelope,
            load,
            loads=loads,
            confidence=1.0 - (1.0 - confidence) / max(len(drawn), 1),
            meter=meter,
        )
        for load in drawn
    )
    return pd.DataFrame([row for rows in each for row in rows])


def _proved(
    buffers: Buffers,
    envelope: OperatorEnvelope,
    load: _Load,
    *,
    loads: int,
    confidence: float,
    meter: Meter,
) -> list[dict[str, Any]]:
    """Return the rows of a load, one for each edge."""
    ask, rows, side, group = buffers.ask, [], load.side, load.group
    state = _state(ask, load, loads=loads, envelope=envelope, meter=meter)
    model = prepare(scenario_with(ask.scenario, state))
    edge = _edge_threshold(model, envelope, side=side, group=group)
    mass = np.array([model.sheet.zero_fuel_mass_kg])
    given_back = buffers.assumed_kgm(mass, side=side, group=group)[0]
    edges = (edge, edge - float(given_back) / zero_fuel_scale(model))
    found, method, flights = _risks(
        ask,
        model,
        side=side,
        group=group,
        thresholds=edges,
        seed=derived_seed(ask.seed, "proof", str(load.number), side, group),
        confidence=confidence,
        meter=meter,
    )
    for name, threshold, (estimate, low, high) in zip(EDGES, edges, found, strict=True):
        rows.append(
            {
                "load": load.number,
                "kind": load.kind,
                "mass_kg": model.sheet.zero_fuel_mass_kg,
                "passengers": state.passengers,
                "fuel_kg": state.fuel_kg,
                "side": side,
                "group": group,
                "edge": name,
                "threshold_pct_mac": threshold,
                "risk": ask.each_risk,
                "estimate": estimate,
                "low": low,
                "high": high,
                "over": low > ask.each_risk,
                "method": method,
                "flights": flights,
            }
        )
    return rows
