"""Pieces of a tail's study: inverse, shelf, strata, scores, parts of one flight's excess."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from cgrisk.causes.tail_shares import PARTS, parts_of_flight
from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import fly_block, load_block, operational_shift, prepare
from cgrisk.rare import envelope_score, score_named, score_names, strata_of, threshold_at
from cgrisk.rare.assumptions import by_aircraft
from cgrisk.rare.score import group_arm, reference_arm
from cgrisk.rare.study import Inverse
from cgrisk.report.tail_text import levels_text, risk_text, tail_decisions
from cgrisk.runs.shelf import Shelf
from tests.cut_cases import SMALL
from tests.flight_cases import edited, shipped_scenario


@pytest.fixture(scope="module")
def model():
    return prepare(shipped_scenario())


@pytest.fixture(scope="module")
def rows(model):
    return fly_block(model, seed=11, flights=np.arange(600, dtype=np.uint32))


def test_a_risk_that_was_not_seen_has_no_assumption_range() -> None:
    row = {"estimate": 2e-5, "low": 1e-5, "high": 4e-5, "assumption_low": 0.0}
    row |= {"assumption_high": 1e-4, "on_assumptions": 0.8}
    told = risk_text(pd.Series(row))
    assert "; assumptions 0 to 0.0001, 80 % of it rests on them and they may make it 5 " in told
    unseen = {"estimate": 0.0, "low": 0.0, "assumption_high": 0.0, "on_assumptions": math.nan}
    assert risk_text(pd.Series(row | unseen)) == "at most 4e-05"


def test_inverse_of_a_straight_tail() -> None:
    x = np.linspace(0.0, 8.0, 9)
    assert threshold_at(10**-2.5, thresholds=x, curve=10.0**-x) == pytest.approx(2.5)
    assert math.isnan(threshold_at(1e-9, thresholds=x, curve=10.0**-x))
    assert threshold_at(2.0, thresholds=x, curve=10.0**-x) == -math.inf
    # A curve that rises again counts as high up to its last high place.
    bumpy = np.array([1e-1, 1e-3, 1e-2, 1e-4])
    found = threshold_at(5e-3, thresholds=np.arange(4.0), curve=bumpy)
    assert 2.0 < found < 3.0
    assert threshold_at(1e-3, thresholds=np.arange(3.0), curve=np.array([1.0, 1e-2, 0.0])) == 2.0


def test_a_shelf_gives_back_what_was_put_and_nothing_else(tmp_path) -> None:
    shelf = Shelf(tmp_path / "begun", key="one")
    assert shelf.get("a") is None
    shelf.put("a", {"x": np.arange(3.0), "n": np.array(7)})
    found = shelf.get("a")
    assert found is not None
    np.testing.assert_array_equal(found["x"], [0.0, 1.0, 2.0])
    assert Shelf(tmp_path / "begun", key="two").get("a") is None
    piece = next((tmp_path / "begun").glob("*.piece"))
    piece.write_bytes(piece.read_bytes()[:-1] + b"?")
    assert shelf.get("a") is None
    piece.write_bytes(b"")
    assert shelf.get("a") is None
    shelf.clear()
    assert not (tmp_path / "begun").exists()


@pytest.mark.parametrize("side", ["aft", "forward"])
@pytest.mark.parametrize("group", ["any", "in_flight", "take_off_and_landing"])
def test_a_score_above_the_planned_one_is_a_flight_outside(model, rows, side, group) -> None:
    score = envelope_score(model, side=side, group=group)
    phases = [p.kind for p in model.scenario.operation.phases]
    chosen = [
        name
        for name, kind in zip(model.phases, phases, strict=True)
        if group == "any" or (kind in ("climb", "cruise", "descent")) == (group == "in_flight")
    ]
    margins = rows[:, [model.columns.index(f"moment_margin_kgm.{p}.{side}") for p in chosen]]
    np.testing.assert_array_equal(score.of(rows) > score.as_planned, margins.min(axis=1) < 0.0)


@pytest.mark.parametrize("side", ["aft", "forward"])
def test_the_operational_limit_is_the_planned_load_moved_to_it(model, side) -> None:
    score = envelope_score(model, side=side)
    shift = operational_shift(model, side=side)
    # The first phase to meet the operational limit is the one nearest to it, as the score takes it.
    assert score.as_planned - score.at_limit == pytest.approx(shift.offset_pct_mac, abs=1e-9)


def test_scores_of_events_are_the_outcomes(model, rows) -> None:
    assert "take_off.no_rotation" in score_names(model)
    band = score_named(model, name="take_off.needed_outside_band").of(rows)
    needed = rows[:, model.columns.index("take_off_setting_needed_units")]
    np.testing.assert_array_equal(band > 0.0, (needed < 3.0) | (needed > 7.0))
    with pytest.raises(UsageError, match="event: expected one of envelope"):
        score_named(model, name="spin")
    with pytest.raises(UsageError, match="phases: expected a group of phases that is flown"):
        envelope_score(model, side="aft", group="none")
    with pytest.raises(UsageError, match="side: expected forward or aft"):
        envelope_score(model, side="left")


def test_a_load_is_that_of_the_flight(model, rows) -> None:
    loaded = load_block(model, seed=11, flights=np.arange(600, dtype=np.uint32))
    mass = rows[:, model.columns.index("zero_fuel_mass_kg")]
    cg = rows[:, model.columns.index("zero_fuel_cg_pct_mac")]
    np.testing.assert_allclose(loaded[:, 0], mass, rtol=1e-12)
    np.testing.assert_allclose(model.balance.cg_pct_mac(*loaded.T), cg, rtol=1e-10)


def test_strata_add_up_and_are_named() -> None:
    changes = {
        "operation.crowd.surge_probability": 1e-3,
        "operation.behaviour.lavatory_closed": 0.25,
        "operation.entry_errors.0.probability": 0.01,
    }
    strata = strata_of(prepare(edited(changes)))
    assert math.fsum(s.probability for s in strata) == pytest.approx(1.0, abs=1e-15)
    assert len({s.name for s in strata}) == len(strata) == 8
    assert strata[0].name == "none"
    assert strata[0].probability == pytest.approx(0.999 * 0.75 * 0.99)
    assert [s.name for s in strata_of(prepare(shipped_scenario()))] == ["none"]


@pytest.mark.parametrize("side", ["aft", "forward"])
def test_parts_of_the_excess_add_up(model, rows, side) -> None:
    score = envelope_score(model, side=side)
    excess = score.of(rows)
    for flight in [*np.argsort(-excess)[:6], 0, 1]:
        parts = parts_of_flight(
            model, side=side, group="any", row=rows[flight], seed=11, flight=int(flight)
        )
        assert parts.sum() == pytest.approx(excess[flight], abs=2e-3)


def test_parts_by_hand() -> None:
    """Fuel as planned, gear and flaps without moment: nothing is left for them."""
    certain = {
        "operation.fuel.density_sd": 0.0,
        "operation.fuel.density_mean": 800.0,
        "operation.fuel.burn_sd": 0.0,
        "aircraft.fuel_uncertainty.gauging_of_reading": 0.0,
        "aircraft.fuel_uncertainty.gauging_of_capacity": 0.0,
    }
    still = prepare(edited(certain))
    flights = np.arange(40, dtype=np.uint32)
    found = fly_block(still, seed=2, flights=flights)
    for flight in range(40):
        parts = dict(
            zip(
                PARTS,
                parts_of_flight(
                    still, side="aft", group="any", row=found[flight], seed=2, flight=flight
                ),
                strict=True,
            )
        )
        assert parts["fuel"] == pytest.approx(0.0, abs=1e-6)
        assert parts["entry"] == 0.0
    dry = found[0, still.columns.index("take_off_error_kgm.dry")]
    scale = still.sheet.zero_fuel_mass_kg * still.balance.mac_m / 100.0
    one = parts_of_flight(still, side="aft", group="any", row=found[0], seed=2, flight=0)
    assert one[PARTS.index("dry")] == pytest.approx(dry / scale)
    mirrored = parts_of_flight(still, side="forward", group="any", row=found[0], seed=2, flight=0)
    assert mirrored[PARTS.index("dry")] == pytest.approx(-dry / scale)


def test_the_worst_aircraft_comes_first() -> None:
    rng = np.random.default_rng(1)
    aircraft = rng.integers(3, size=9000)
    scores = rng.normal(size=9000) + 0.5 * (aircraft == 2)
    found = by_aircraft(
        scores,
        aircraft=aircraft,
        weights=np.full(9000, 1.0 / 9000),
        replicate=np.arange(9000) % 10,
        threshold=1.0,
        fleet=3,
    )
    assert found["aircraft"].iloc[0] == 2
    exact = {0: 0.158655, 1: 0.158655, 2: 0.308538}
    for _, row in found.iterrows():
        assert row["low"] < exact[int(row["aircraft"])] < row["high"]


def test_a_surge_that_nobody_states_is_a_possible_stratum(model) -> None:
    from cgrisk.rare.wider import possible_strata

    strata = possible_strata(model, known=strata_of(model), target=1e-3)
    assert [s.name for s in strata] == ["a lavatory closed", "surge"]


def test_another_scenario_does_not_take_pieces_of_this_one(tmp_path) -> None:
    from cgrisk.rare import Meter, Question, fly_pilot, split_at, split_tail

    still = prepare(edited(SMALL))
    score = envelope_score(still, side="aft")
    question = Question(
        model=still, score=score, target=1e-2, deepest=1e-2, seed=5, relative_error=0.5, jobs=1
    )
    shelf = Shelf(tmp_path / "begun", key="one question")
    meter = Meter(shelf=shelf)
    pilot = fly_pilot(question, meter=meter)
    split_tail(question, pilot=pilot, particles=400, replicates=6, meter=meter)
    at = np.array([pilot.threshold(0.05)])
    found = []
    for bias in (0.0, 20.0):
        scenario = edited(SMALL | {"operation.mass.body.bias": bias})
        where = {"scenario": scenario, "side": "aft", "group": "any", "thresholds": at}
        shared, *_ = split_at(question, meter=meter, **where)
        alone, *_ = split_at(question, **where)
        np.testing.assert_array_equal(shared, alone)
        found.append(float(shared[0]))
    assert found[1] != found[0]


def test_only_its_own_pieces_are_removed(tmp_path) -> None:
    folder = tmp_path / "begun"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    shelf = Shelf(folder, key="one")
    shelf.put("a", {"x": np.zeros(1)})
    shelf.clear()
    assert [path.name for path in folder.iterdir()] == ["mine.txt"]


def test_a_curve_that_is_moved_by_a_distance() -> None:
    from cgrisk.rare.redealing import distance_between, moved_curve

    x = np.linspace(0.0, 8.0, 33)
    base, other = 10.0**-x, 10.0 ** -(x - 0.5)
    distance = distance_between(np.minimum(other, 1.0), base, x)
    np.testing.assert_allclose(distance[4:], -0.5, atol=1e-9)
    np.testing.assert_allclose(moved_curve(base, x, distance)[4:], other[4:], rtol=1e-9)
    np.testing.assert_array_equal(distance_between(np.zeros(33), base, x), 0.0)
    ended = np.where(x > 4.0, 0.0, other)
    np.testing.assert_allclose(distance_between(ended, base, x)[4:], -0.5, atol=1e-9)


@pytest.mark.parametrize(
    ("told_high", "simulation", "cure"),
    [
        (False, 13.2, "of 16 draws of the assumptions those with the greatest risk run out"),
        (True, 13.2, "Give a smaller --deepest"),
        (False, math.nan, "Give a smaller --deepest"),
    ],
    ids=["too few draws", "the curve ends", "the curve ends before it"],
)
def test_no_decision_says_what_would_bring_one(told_high, simulation, cure):
    study = SimpleNamespace(
        question=SimpleNamespace(
            target=1e-3,
            score=SimpleNamespace(offset_sign=-1, unit="% MAC", as_planned=11.0, at_limit=9.7),
        ),
        side="aft",
        inverse=Inverse(13.1, simulation, math.nan),
        assumptions=SimpleNamespace(draws=np.ones((16, 3)), told_high=np.array([True, told_high])),
    )
    first, *_, decision = tail_decisions(study)
    assert cure in decision
    assert ("not told at the upper ends" in first) == cure.startswith("of 16 draws")


@pytest.mark.parametrize("side", ["forward", "aft"])
def test_the_arm_of_a_group_is_that_of_its_score(model, side: str) -> None:
    for group in ("take_off_and_landing", "in_flight", "any"):
        score = envelope_score(model, side=side, group=group)
        assert group_arm(model, side=side, group=group) == reference_arm(model, score=score)


@pytest.mark.parametrize("asked", [False, True])
def test_tilting_that_does_not_work_is_left_for_splitting(monkeypatch, asked: bool) -> None:
    from cgrisk.rare import Meter, Question, fly_pilot, study
    from cgrisk.rare.choice import Choice
    from cgrisk.rare.multilevel import SplitTail

    model = prepare(edited(SMALL))
    score = envelope_score(model, side="aft")
    question = Question(model, score, 1e-2, seed=3, deepest=1e-2, relative_error=0.5, jobs=1)
    where = {"pilot": fly_pilot(question), "meter": Meter()}

    def fails(*_words: object, **_named: object) -> None:
        raise ComputationError("tilting does not work here")

    monkeypatch.setattr(study, "tilt", fails)
    chosen = Choice("tilting", "tilting: by the pilot.", asked=asked)
    if asked:
        with pytest.raises(ComputationError, match="tilting does not work here"):
            study.flown_tail(question, choice=chosen, **where)
        return
    choice, tail, _ = study.flown_tail(question, choice=chosen, **where)
    assert choice.method == "splitting"
    assert "tilting does not work here" in choice.why
    assert isinstance(tail, SplitTail)


def test_a_tail_says_what_its_ranges_cover() -> None:
    assert levels_text(confidence=0.95, draws=0) == (
        "Interval: 95 %, of the simulation alone, each by itself."
    )
    usual = levels_text(confidence=0.9, draws=20)
    assert usual.startswith("Interval: 90 %,")
    assert "nine in ten of 20 draws" in usual
    assert "so few" not in usual
    assert "so few" in levels_text(confidence=0.9, draws=19)
