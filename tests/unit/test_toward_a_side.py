"""Rare transfers by the side they lead to, and splitting that goes no further than is asked."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from cgrisk.flight import FlightModel, fly_block, prepare, trace, zero_fuel_scale
from cgrisk.rare import (
    Question,
    cloud_of,
    envelope_score,
    fly_cloud,
    fly_pilot,
    split_tail,
    strata_of,
    weighted_exceedance,
)
from cgrisk.rare.assumptions import assumption_range
from cgrisk.rare.lateness import late_start
from cgrisk.rare.missed import missed
from tests.simpy_cases import certain, times_rates
from tests.twin_cases import trim_aircraft, twin_scenario

FORWARD = "trim transfer forward"
LATE = [f"{FORWARD} late (latest 1 in {n})" for n in ("100", "10,000")]
STILL = {
    **times_rates(0.0),
    "operation.crowd.sign_off_share": 0.0,
    "operation.service.carts": [],
    "operation.service.crew_walks": 0.0,
}
TO_TRIM = {"from_tanks": ["main"], "to_tanks": ["trim"], "at_fuel": 6_300.0}
#: Layers (m3, arm in m) by tank, and the order in which they are burnt.
TWO = [["main"], ["trim"]]
TANKS: dict[str, tuple[dict[str, list[list[float]]], list[list[str]]]] = {
    "to the tail": ({"main": [[10.0, 17.0]], "trim": [[3.0, 27.0]]}, TWO),
    "to the nose": ({"main": [[10.0, 17.0]], "trim": [[3.0, 11.0]]}, TWO),
    "far to the tail": ({"main": [[10.0, 17.0]], "trim": [[3.0, 37.0]]}, TWO),
    "between layers": ({"main": [[4.0, 16.0], [6.0, 19.0]], "trim": [[3.0, 18.0]]}, TWO),
    "nowhere": ({"main": [[10.0, 17.0]], "trim": [[3.0, 17.0]]}, TWO),
    # Without it the nose tank is emptied instead: what should lead forward leads aft in the end.
    "with another tank": (
        {"main": [[6.0, 17.0]], "nose": [[3.0, 8.0]], "trim": [[1.0, 22.0]]},
        [["trim", "nose"], ["main"]],
    ),
}


def model_of(kind: str, *transfers: dict[str, Any], cruise: float = 60.0) -> FlightModel:
    """Nobody moves; with one transfer from the main tank to the other if none are given."""
    tanks, burnt = TANKS[kind]
    first, *more = transfers or ({},)
    base = trim_aircraft(**{**TO_TRIM, **first})
    base["aircraft.fuel_transfers"] += [{**base["aircraft.fuel_transfers"][0], **x} for x in more]
    told = [
        {"name": name, "capacity": sum(v for v, _ in layers), "layers": layers}
        for name, layers in tanks.items()
    ]
    phases = [
        {"kind": "take_off", "minutes": 10.0, "fuel_flow": 1.0},
        {"kind": "cruise", "minutes": cruise, "fuel_flow": 0.5},
        {"kind": "landing", "minutes": 1.0, "fuel_flow": 0.5},
    ]
    orders = {
        "aircraft.refuel_order": [{"tanks": [name]} for name in tanks],
        "aircraft.burn_schedule": [{"tanks": names} for names in burnt],
    }
    changes = {**STILL, **base, **orders, "aircraft.tanks": told, "operation.phases": phases}
    return prepare(certain(changes))


@pytest.mark.parametrize("kind", list(TANKS))
def test_where_a_stuck_transfer_leads_is_where_flights_go_without_it(kind: str) -> None:
    """Against the kernel: the moment of one flight with and without the transfer."""
    sure, rare = model_of(kind), model_of(kind, {"stuck": 1e-3, "late_mean": 30.0})
    with_it, without = (trace(m, seed=3, flight=5) for m in (sure, model_of(kind, {"stuck": 1.0})))
    times = np.linspace(0.0, float(with_it["time_s"].iloc[-1]), 2_000)
    moments = [np.interp(times, path["time_s"], path["moment_kgm"]) for path in (with_it, without)]
    changed = moments[1] - moments[0]
    least = max(0.02 * np.abs(changed).max(), 1.0)
    seen = {"forward": -changed.min() > least, "aft": changed.max() > least}
    assert any(seen.values()) == (kind != "nowhere")
    assert all(seen.values()) == (kind == "with another tank")
    for side, leads in seen.items():
        strata = strata_of(rare, side=side)
        assert (side in missed(sure, 0).stuck) == leads
        assert any("stuck" in s.name for s in strata) == leads
        assert any("late" in s.name for s in strata) == leads
        assert sum(s.probability for s in strata) == pytest.approx(1.0, abs=1e-15)


def test_fuel_that_comes_to_the_tail_after_it_should_have_gone_back_stays_there(
    seed_offset: int,
) -> None:
    """Against the closed form: a delay of exponential law, 300 s on the mean, beyond 2,800 s.

    The transfer back falls due 2,800 s after the one to the tail and finds the tank empty. On such
    flights 800 kg are 20 m too far aft for the landing; flights that are merely late are too far
    forward meanwhile, so that nothing leads there but the stratum.
    """
    there = {"at_fuel": 6_400.0, "quantity": 1.0, "flow": 2.0}
    back = {"name": "back", "from_tanks": ["trim"], "to_tanks": ["main"], "at_fuel": 5_000.0}
    back["late_mean"] = 0.0
    model, on_time = (
        model_of("far to the tail", {**there, "late_mean": mean}, back, cruise=120.0)
        for mean in (5.0, 0.0)
    )
    rare = missed(model, 0)
    assert rare.stuck == {"forward"}
    assert rare.late_s["aft"] == pytest.approx(2_800.0)
    assert missed(model, 1).late_s.keys() == {"aft"}
    score = envelope_score(model, side="aft", group="take_off_and_landing")
    question = Question(model=model, score=score, target=1e-5, deepest=1e-5, seed=6 + seed_offset)
    pilot = fly_pilot(question)
    assert len(pilot.strata) == 3
    tail = split_tail(question, pilot=pilot, particles=100)
    # 5 % MAC over the median, which the cabin alone does not reach.
    numbers = np.arange(4_000, dtype=np.uint32)
    usual = score.of(fly_block(on_time, seed=16 + seed_offset, flights=numbers))
    at = np.median(usual) + np.array([5.0])
    lost = 800.0 * 20.0 / zero_fuel_scale(model)
    expected = math.exp(-2_800.0 / 300.0) * float((usual + lost > at).mean())
    each = tail.by_replicate(at)[:, 0]
    error = each.std(ddof=1) / math.sqrt(each.size)
    assert abs(each.mean() - expected) < 4.5 * error
    assert error < 0.2 * each.mean()


def test_the_twin_aisle_has_its_strata_by_side() -> None:
    """What is left out happens within the others: their models still draw it."""
    model = prepare(twin_scenario())
    aft = {s.name: s for s in strata_of(model, side="aft")}
    assert {n: s.probability for n, s in aft.items()} == {
        "none": pytest.approx((1.0 - 2e-4) * 0.99, rel=1e-12),
        LATE[0]: pytest.approx((1.0 - 2e-4) * 0.0099, rel=1e-12),
        f"{FORWARD} stuck": pytest.approx(2e-4, rel=1e-12),
        LATE[1]: pytest.approx((1.0 - 2e-4) * 1e-4, rel=1e-12),
    }
    assert all(s.model.program.transfer.stuck[0] == 1e-3 for s in aft.values())
    forward = {s.name: s for s in strata_of(model, side="forward")}
    assert {n: s.probability for n, s in forward.items()} == {
        "none": pytest.approx(0.999, rel=1e-12),
        "trim transfer aft stuck": pytest.approx(1e-3, rel=1e-12),
    }
    assert all(s.model.program.transfer.stuck[1] == 2e-4 for s in forward.values())
    assert all(s.band is None for s in forward.values())
    assert late_start(model, side="forward") is None
    assert late_start(model, side="aft") == late_start(model)


@pytest.fixture(scope="module")
def question() -> Question:
    model = model_of("to the tail", {"stuck": 1e-3, "late_mean": 30.0})
    score = envelope_score(model, side="forward")
    return Question(model=model, score=score, target=1e-4, deepest=1e-4, seed=8)


def test_a_pilot_that_stops_has_flown_the_same_so_far(question: Question) -> None:
    whole = fly_pilot(question)
    at = whole.threshold(0.02)
    short = fly_pilot(question, upto=at)
    assert short.flights < 0.6 * whole.flights
    for runs, of in zip(short.runs, whole.runs, strict=True):
        for run, full in zip(runs, of, strict=True):
            assert run.levels == full.levels[: len(run.levels)]
            assert len(run.levels) == len(full.levels) or run.scores[-1][19] >= at
    grid = np.linspace(at - 1.0, at, 9)
    assert np.array_equal(short.by_stratum(grid), whole.by_stratum(grid))


def test_no_level_beyond_what_is_asked_and_the_same_answer_up_to_it(question: Question) -> None:
    pilot = fly_pilot(question)
    at = pilot.threshold(0.02)
    whole = split_tail(question, pilot=pilot, particles=100, replicates=4)
    short = split_tail(question, pilot=pilot, particles=100, replicates=4, upto=at)
    assert short.flights - pilot.flights < 0.7 * (whole.flights - pilot.flights)
    assert all(run.levels[-1] <= at for runs in short.replicates for run in runs)
    grid = np.linspace(at - 1.0, at, 9)
    assert (short.by_replicate(grid) > 0.0).any()
    assert np.array_equal(short.by_replicate(grid), whole.by_replicate(grid))


def test_transfers_that_lead_the_other_way_are_drawn_again_under_other_assumptions() -> None:
    """The cloud, flown as it stands and under draws of its assumptions, is parted as its tail."""
    model = model_of("to the tail", {"stuck": 0.3})
    score = envelope_score(model, side="aft")
    question = Question(model=model, score=score, target=1e-2, deepest=1e-2, seed=9)
    pilot = fly_pilot(question)
    assert [s.name for s in pilot.strata] == ["none"]
    tail = split_tail(question, pilot=pilot, particles=200, replicates=4)
    cloud = cloud_of([tail])
    strata = strata_of(model, side=score.side)
    at = np.array([pilot.threshold(0.1)])
    scores = fly_cloud(cloud, strata=strata, score=score)
    assert np.array_equal(scores, cloud.parts[0].particles.scores)
    weights = cloud.weights(strata)
    stuck = fly_cloud(cloud, strata=strata_of(model), score=score)
    assert (stuck != scores).any()  # of all strata the first has none that is stuck
    found = assumption_range(
        question, side="aft", group="any", cloud=cloud, thresholds=at, draws=4, pilot=pilot
    )
    assert found.base == weighted_exceedance(scores, weights=weights, thresholds=at)
    assert np.isfinite(found.draws).all()
