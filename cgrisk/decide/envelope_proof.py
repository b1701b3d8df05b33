"""Proof of an envelope: random legal loads planned on its very edge, flown on fresh seeds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.decide.buffers import BUFFER_GROUPS, BufferAsk
from cgrisk.decide.load_search import load_range, state_at
from cgrisk.decide.load_state import LoadState, scenario_with, zone_seat_counts
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.flight import SIDES, FlightModel, prepare, zero_fuel_scale
from cgrisk.rare import Meter, Question, envelope_score, flights_to_count, fly_pilot, split_tail
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.risk import binomial_interval

__all__ = ["prove_envelope", "random_load"]

Floats = NDArray[np.float64]

#: Above this risk flights are counted, so many that the risk itself gives this many hits.
_COUNTED, _HITS = 3e-4, 60
_REPLICATES, _PARTICLES = 10, 400


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
    fuel = scenario.aircraft.masses.max_taxi - mass
    block = min(scenario.operation.fuel.block, fuel)
    hold_room = np.array([hold.max_load for hold in scenario.aircraft.holds], dtype=np.float64)
    return state_at(
        scenario,
        mass_kg=mass,
        people=people,
        hold_weights=rng.dirichlet(np.ones(hold_room.size)) * hold_room.sum()
        if hold_room.size
        else hold_room,
        fuel_kg=float(rng.uniform(0.9, 1.0)) * block if block > 0.0 else 0.0,
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


def _risk(
    ask: BufferAsk,
    model: FlightModel,
    *,
    side: str,
    group: str,
    threshold: float,
    seed: int,
    confidence: float,
    meter: Meter,
) -> tuple[float, float, float, str, int]:
    """Return (estimate, low, high, method, flights) of the risk at a threshold."""
    score = envelope_score(model, side=side, group=group)
    if ask.each_risk >= _COUNTED:
        count = int(_HITS * flights_to_count(ask.each_risk, relative_error=1.0))
        meter.begin("proof", expected=count)
        scores = fly_scores(
            model, score=score, seed=seed, first=0, count=count, jobs=ask.jobs, meter=meter
        )
        found = binomial_interval(
            int((scores > threshold).sum()), flights=count, confidence=confidence
        )
        return found.estimate, found.low, found.high, "counting", count
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
    told = tail.estimate(np.array([threshold]))
    return (
        float(told.estimate[0]),
        float(told.low[0]),
        float(told.high[0]),
        "splitting",
        tail.flights,
    )


def prove_envelope(
    ask: BufferAsk,
    *,
    envelope: OperatorEnvelope,
    loads: int,
    sides: Sequence[str] = SIDES,
    confidence: float = 0.95,
    meter: Meter | None = None,
) -> pd.DataFrame:
    """Fly random legal loads on the edge of a zero-fuel envelope, on seeds used for nothing else.

    Parameters
    ----------
    ask : BufferAsk
        Scenario, risk, seed.
    envelope : OperatorEnvelope
        Whose zero-fuel edge is proved.
    loads : int
        Random loads.
    sides : sequence of str
    confidence : float
        Of all intervals together (Bonferroni).
    meter : Meter, optional
        Told of the flights.

    Returns
    -------
    pandas.DataFrame
        load, mass_kg, passengers, fuel_kg, side, group, threshold_pct_mac, risk, estimate, low,
        high, over (the lower bound is above the risk), method, flights.
    """
    meter = Meter() if meter is None else meter
    rng = generator(ask.seed, "proof loads")
    groups = [group for group in BUFFER_GROUPS if group in ask.groups]
    each = 1.0 - (1.0 - confidence) / max(loads * len(sides) * len(groups), 1)
    rows = []
    for number in range(loads):
        state = random_load(ask, rng=rng)
        model = prepare(scenario_with(ask.scenario, state))
        for side in sides:
            for group in groups:
                threshold = _edge_threshold(model, envelope, side=side, group=group)
                estimate, low, high, method, flights = _risk(
                    ask,
                    model,
                    side=side,
                    group=group,
                    threshold=threshold,
                    seed=derived_seed(ask.seed, "proof", str(number), side, group),
                    confidence=each,
                    meter=meter,
                )
                rows.append(
                    {
                        "load": number,
                        "mass_kg": model.sheet.zero_fuel_mass_kg,
                        "passengers": state.passengers,
                        "fuel_kg": state.fuel_kg,
                        "side": side,
                        "group": group,
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
    return pd.DataFrame(rows)
