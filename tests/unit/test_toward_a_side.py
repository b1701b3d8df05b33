"""Rare transfers by the side they lead to, and splitting that goes no further than is asked."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.aircraft import transfer_direction
from cgrisk.flight import FlightModel, prepare
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
from tests.flight_cases import edited
from tests.simpy_cases import times_rates
from tests.twin_cases import trim_aircraft, twin_scenario

FORWARD = "trim transfer forward"
LATE = [f"{FORWARD} late (latest 1 in {n})" for n in ("100", "10,000")]


def model_of(tanks: list[list[list[float]]], **transfer: object) -> FlightModel:
    """From the first tank to the second, of layers (volume, arm) each."""
    names = ("main", "trim")
    told = [
        {"name": name, "capacity": sum(v for v, _ in layers), "layers": layers}
        for name, layers in zip(names, tanks, strict=True)
    ]
    rare = {"stuck": 1e-3, "late_mean": 30.0, **transfer}
    phases = [
        {"kind": "take_off", "minutes": 10.0, "fuel_flow": 1.0},
        {"kind": "cruise", "minutes": 60.0, "fuel_flow": 0.5},
        {"kind": "landing", "minutes": 1.0, "fuel_flow": 0.5},
    ]
    still = {**times_rates(0.0), "operation.service.carts": [], "operation.phases": phases}
    changes = {**still, **trim_aircraft(**rare), "aircraft.tanks": told}
    return prepare(edited(changes))


@pytest.mark.parametrize(
    ("tanks", "direction"),
    [
        ([[[10.0, 17.0]], [[3.0, 27.0]]], 1),
        ([[[10.0, 17.0]], [[3.0, 11.0]]], -1),
        ([[[4.0, 16.0], [6.0, 19.0]], [[3.0, 18.0]]], 0),  # low in the tank, or high in it
        ([[[4.0, 16.0], [6.0, 19.0]], [[1.0, 20.0], [2.0, 21.0]]], 1),
        ([[[10.0, 17.0]], [[3.0, 17.0]]], 0),
    ],
)
def test_where_a_transfer_leads_by_hand(tanks, direction: int) -> None:
    """What is not moved leads the other way; where it may lead either way, both sides have it."""
    model = model_of(tanks)
    assert transfer_direction(model.scenario.aircraft, number=0) == direction
    for side, forgone in (("forward", -1), ("aft", 1)):
        rare = -direction in (0, forgone)
        strata = strata_of(model, side=side)
        assert any("stuck" in s.name for s in strata) == rare
        assert any("late" in s.name for s in strata) == rare
        assert sum(s.probability for s in strata) == pytest.approx(1.0, abs=1e-15)


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
    model = model_of([[[10.0, 17.0]], [[3.0, 27.0]]])
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
    model = model_of([[[10.0, 17.0]], [[3.0, 27.0]]], stuck=0.3)
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
