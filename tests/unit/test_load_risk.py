"""The risk of past loads: counted, split, bounded; kept when finished; and over a mix of loads."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cgrisk.decide import LoadState, load_risk, scenario_with, state_of
from cgrisk.decide.load_mix import mix_of_loads
from cgrisk.decide.load_risk import LoadRisk, risk_of_load, risk_of_loads
from cgrisk.errors import UsageError
from cgrisk.flight import prepare
from cgrisk.rare import Meter, envelope_score
from cgrisk.rare.counting import fly_scores
from cgrisk.risk import binomial_interval
from cgrisk.risk.intervals import Interval
from cgrisk.runs.shelf import Shelf
from tests.cut_cases import SMALL
from tests.flight_cases import edited

SCENARIO = edited(SMALL)


def with_cargo(aft_kg: float) -> LoadState:
    """The load of the small case with so much in the aft hold: the more, the nearer the limit."""
    return replace(state_of(SCENARIO), cargo_kg=(300.0, aft_kg))


def risk(estimate: float, low: float, high: float) -> LoadRisk:
    return LoadRisk("aft", 1.0, estimate, low, high, "test", 1)


def loads(*fuel: float) -> list[LoadState]:
    return [LoadState((1,), (0,), (0,), (0.0,), x) for x in fuel]


def test_a_common_risk_is_counted_exactly() -> None:
    model = prepare(scenario_with(SCENARIO, with_cargo(2700.0)))
    found = risk_of_load(model, side="aft", seed=3, reach=1e-5)
    assert found.method.startswith("counting")
    assert 0.0 < found.low < found.estimate < found.high
    score = envelope_score(model, side="aft")
    scores = fly_scores(model, score=score, seed=99, first=0, count=40_000)
    share = float((scores > score.as_planned).mean())
    flights = found.flights - 4096
    error = math.sqrt(share * (1.0 - share) * (1.0 / 40_000 + 1.0 / flights))
    assert abs(found.estimate - share) < 5.0 * error


def test_a_rare_risk_is_split_and_agrees_with_a_long_count() -> None:
    model = prepare(scenario_with(SCENARIO, with_cargo(1900.0)))
    found = risk_of_load(model, side="aft", seed=4, reach=1e-4)
    assert found.method.startswith("multilevel splitting")
    score = envelope_score(model, side="aft")
    scores = fly_scores(model, score=score, seed=98, first=0, count=80_000)
    hits = int((scores > score.as_planned).sum())
    assert hits > 20
    share = hits / scores.size
    own = (found.high - found.low) / (2.0 * 2.262)  # Student's t of nine degrees of freedom
    assert abs(found.estimate - share) < 5.0 * math.hypot(own, math.sqrt(share / scores.size))


def test_beyond_reach_there_is_a_bound_and_never_nothing() -> None:
    model = prepare(SCENARIO)
    found = risk_of_load(model, side="forward", seed=5, reach=1e-3)
    assert (found.estimate, found.low) == (0.0, 0.0)
    assert found.bound_only
    assert found.method.startswith("bound")
    assert 1e-3 <= found.high < 1e-2  # never below the reach
    assert found.distance_pct_mac == pytest.approx(envelope_score(model, side="forward").as_planned)


def test_a_load_planned_outside_is_outside() -> None:
    model = prepare(scenario_with(SCENARIO, with_cargo(4600.0 - 80 * 13.0)))
    score = envelope_score(model, side="aft")
    found = risk_of_load(model, side="aft", seed=6, reach=1e-3)
    assert (found.estimate > 0.5) == (score.as_planned < 0.0)


def test_finished_loads_are_kept_and_threads_change_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The rare side would take most of the time; splitting has tests of its own.
    unseen = Interval(0.0, 0.0, 1e-3, 0.95, "")
    monkeypatch.setattr(load_risk, "_split", lambda *_: (unseen, 2))
    states = {with_cargo(2700.0): 2, with_cargo(2900.0): 1}
    meter = Meter(shelf=Shelf(tmp_path / "shelf", key="test"))
    first = risk_of_loads(SCENARIO, states=states, seed=8, reach=0.01, jobs=1, meter=meter)
    flown = meter.flown
    assert flown > 0
    again = risk_of_loads(SCENARIO, states=states, seed=8, reach=0.01, jobs=2, meter=meter)
    assert meter.flown == flown
    assert again == first
    alone = risk_of_loads(SCENARIO, states=dict(list(states.items())[1:]), seed=8, reach=0.01)
    assert alone[with_cargo(2900.0)] == first[with_cargo(2900.0)]


def test_what_splitting_says_nothing_of_has_the_bound_of_the_first_flights(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(load_risk, "_split", lambda *_: (Interval(0.0, 0.0, 1.0, 0.95, ""), 2))
    found = risk_of_load(prepare(SCENARIO), side="forward", seed=5, reach=1e-12)
    assert found.high == binomial_interval(0, flights=4096).high
    assert found.bound_only


def test_the_smallest_reach_is_followed() -> None:
    found = risk_of_load(prepare(SCENARIO), side="forward", seed=5, reach=1e-12)
    assert found.bound_only
    assert 1e-12 <= found.high < 1e-7


def test_a_reach_that_is_none_is_refused() -> None:
    with pytest.raises(UsageError, match="reach"):
        risk_of_loads(SCENARIO, states={}, seed=1, reach=0.0)


def test_the_mean_over_a_mix_by_hand() -> None:
    one, two, three = loads(1.0, 2.0, 3.0)
    risks = {
        one: (risk(0.0, 0.0, 1e-6), risk(0.010, 0.008, 0.013)),
        two: (risk(0.0, 0.0, 3e-6), risk(0.040, 0.030, 0.060)),
        three: (risk(0.002, 0.001, 0.004), risk(0.0, 0.0, 1e-5)),
    }
    counts = {one: 2, two: 1, three: 1}
    mix = mix_of_loads(risks, counts=counts)
    aft = mix.by_side["aft"]
    assert aft.estimate == pytest.approx((2 * 0.010 + 0.040) / 4)
    assert aft.low == pytest.approx(aft.estimate - math.hypot(2 * 0.002, 0.010) / 4)
    assert aft.high == pytest.approx(aft.estimate + math.hypot(2 * 0.003, 0.020) / 4 + 1e-5 / 4)
    forward = mix.by_side["forward"]
    assert forward.high == pytest.approx(0.004 / 4 + (2e-6 + 3e-6) / 4)
    assert mix.either.estimate == pytest.approx(aft.estimate + forward.estimate)
    # One load of four is the worst tenth, rounded up.
    assert mix.worst_count == 1
    assert mix.worst_share == pytest.approx(0.040 / (0.020 + 0.040 + 0.002))


def test_worst_loads_that_stand_often_are_taken_in_part() -> None:
    one, two = loads(1.0, 2.0)
    risks = {one: (risk(0.0, 0.0, 0.1), risk(0.2, 0.1, 0.3)), two: (risk(0.0, 0.0, 0.1),) * 2}
    mix = mix_of_loads(risks, counts={one: 5, two: 15})
    assert mix.worst_count == 2
    assert mix.worst_share == pytest.approx(2 / 5)
    assert mix_of_loads({two: risks[two]}, counts={two: 3}).worst_share is None


def test_the_interval_over_a_mix_covers_its_mean() -> None:
    """Ten loads of binomial counts with known risks, four hundred times: 95 %, 5 SE."""
    rng = np.random.default_rng(20_001)
    true = np.array([0.3, 0.2, 0.1, 0.05, 0.05, 0.02, 0.02, 0.01, 0.01, 0.01])
    states = loads(*range(10))
    counts = dict.fromkeys(states, 1)
    inside, times = 0, 400
    for _ in range(times):
        found = {}
        for state, p in zip(states, true, strict=True):
            got = binomial_interval(int(rng.binomial(1000, p)), flights=1000)
            found[state] = (risk(0.0, 0.0, 0.0), risk(got.estimate, got.low, got.high))
        aft = mix_of_loads(found, counts=counts).by_side["aft"]
        inside += aft.low <= true.mean() <= aft.high
    assert inside / times > 0.95 - 5.0 * math.sqrt(0.95 * 0.05 / times)
