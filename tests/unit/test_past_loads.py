"""Past loads scored: verdicts, equal loads, the sheets' own masses, and the last sentence."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cgrisk.aircraft import Limits
from cgrisk.decide import LoadState, past_loads, scenario_with
from cgrisk.decide.load_mix import LoadRisks, mixes_of, states_to_fly
from cgrisk.decide.load_risk import LoadRisk
from cgrisk.decide.operator_envelope import OperatorEnvelope, from_curtailments
from cgrisk.decide.past_loads import LoadScores, cure_text, score_loads
from cgrisk.errors import InputError
from cgrisk.flight import prepare
from cgrisk.report.loads_text import (
    loads_answer,
    loads_decision,
    loads_frame,
    loads_text,
)
from cgrisk.scenario.loads_file import PastLoad, PastLoads, read_loads
from tests.flight_cases import SHIPPED, edited, shipped_scenario

SCENARIO = shipped_scenario()


@pytest.fixture(scope="module")
def shipped() -> PastLoads:
    return read_loads(SHIPPED / "loads.csv", scenario=SCENARIO)


def flat(aft: float, forward: float = 15.0) -> OperatorEnvelope:
    limits = Limits(
        forward_mass_kg=np.array([5e4]),
        forward_pct=np.array([forward]),
        aft_mass_kg=np.array([5e4]),
        aft_pct=np.array([aft]),
    )
    return OperatorEnvelope("flat", zero_fuel=limits, take_off=limits, landing=limits)


@pytest.fixture(scope="module")
def scores(shipped: PastLoads) -> LoadScores:
    return score_loads(SCENARIO, loads=shipped, envelope=flat(32.0))


def one(**changes: object) -> PastLoads:
    load = PastLoad(7, "one", (42, 48, 50), (2, 4, 2), (40, 80), (300.0, 250.0), 10400.0)
    return PastLoads("sheets.csv", (replace(load, **changes),))  # type: ignore[arg-type]


def test_points_are_those_of_the_load_made_ready(scores: LoadScores) -> None:
    for load in scores.loads[::7]:
        model = prepare(scenario_with(SCENARIO, load.state))
        assert load.points["zero_fuel"] == (
            model.sheet.zero_fuel_mass_kg,
            model.sheet.zero_fuel_cg_pct_mac,
        )
        first = model.planned[model.planned["phase"] == "take_off"].iloc[0]
        assert load.points["take_off"] == (first["mass_kg"], first["cg_pct_mac"])


def test_the_new_verdict_is_that_of_the_points_by_hand(scores: LoadScores) -> None:
    for load in scores.loads:
        cgs = [cg for _, cg in load.points.values()]
        assert load.new is not None
        assert load.new.aft_pct == pytest.approx(32.0 - max(cgs))
        assert load.new.forward_pct == pytest.approx(min(cgs) - 15.0)
        side = "aft" if max(cgs) > 32.0 + 1e-9 else "forward" if min(cgs) < 15.0 - 1e-9 else ""
        assert load.new.side == side


def test_the_old_verdict_is_no_narrower_than_its_points(scores: LoadScores) -> None:
    for load in scores.loads[::5]:
        envelope = from_curtailments(prepare(scenario_with(SCENARIO, load.state)))
        for kind in ("take_off", "landing"):
            mass, cg = load.points[kind]
            for side, least in (("forward", load.old.forward_pct), ("aft", load.old.aft_pct)):
                margin = float(envelope.margin(kind, mass_kg=mass, cg_pct=cg, side=side))
                assert least <= margin + 1e-9


def test_every_refused_load_has_a_cure_or_a_reason(scores: LoadScores) -> None:
    refused = scores.refused("new")
    assert 0 < len(refused) < len(scores.loads)
    for load in scores.loads:
        assert (load.cure is not None) == (load in refused)
        if load.cure is not None:
            assert cure_text(load.cure)
            assert load.cure.after.refused == (load.cure.kind == "cabin")


def test_equal_loads_are_scored_once(shipped: PastLoads, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []
    real = past_loads.prepare
    monkeypatch.setattr(past_loads, "prepare", lambda s: calls.append(1) or real(s))
    twice = PastLoads("twice", shipped.loads[8:10] * 3)
    found = score_loads(SCENARIO, loads=twice)
    assert len(calls) == 1
    assert len(found.loads) == 6
    assert found.distinct() == {found.loads[0].state: 6}


def test_loads_that_do_not_fit_are_told_together() -> None:
    bad = one(adults=(60, 48, 50)).loads[0]
    loads = PastLoads("sheets.csv", (bad, replace(bad, line=9)))
    with pytest.raises(InputError, match=r"sheets\.csv:7") as caught:
        score_loads(SCENARIO, loads=loads)
    assert [fault.line for fault in caught.value.faults] == [7, 9]


def test_what_a_sheet_says_itself_is_compared() -> None:
    loads = one(zero_fuel_mass_kg=56_700.0, take_off_mass_kg=67_000.0)
    found = score_loads(SCENARIO, loads=loads)
    row = found.frame().iloc[0]
    assert row["sheet_less_scenario_zero_fuel_kg"] == -50.0
    assert row["sheet_less_scenario_take_off_kg"] == pytest.approx(0.0, abs=1e-6)
    text = " ".join(loads_decision(found))
    assert (
        "own zero-fuel mass differs from the scenario's on 1 of 1 loads, most on line 7: -50"
        in text
    )
    assert "own take-off mass" not in text


def test_a_load_above_a_maximum_mass_is_told() -> None:
    found = score_loads(SCENARIO, loads=one(fuel_kg=13_000.0))
    assert found.loads[0].over_mass == ("landing",)
    assert "Above a maximum mass: 1 load (lines 7)" in " ".join(loads_decision(found))


def test_without_curtailments_or_envelope_the_certified_limits_judge() -> None:
    scenario = edited({"operation.operational_envelope": None})
    (load,) = score_loads(scenario, loads=one()).loads
    assert load.old == load.certified


def test_the_last_sentence_counts_what_the_table_has(scores: LoadScores) -> None:
    last = loads_decision(scores)[-1]
    refused, old = scores.refused("new"), scores.refused("old")
    moved = [x.cure.moved_kg for x in refused if x.cure is not None and x.cure.kind == "move"]
    share = f"({len(refused) / 0.24:.0f} %)"
    assert f"{len(refused)} of 24 loads {share} would be refused under the new envelope" in last
    assert f"{len(old)} under the old one" in last
    assert f"{len(moved)} of them" in last
    assert f"at most {max(moved):,.0f} kg between holds" in last


def test_nothing_refused_is_told_so(shipped: PastLoads) -> None:
    found = score_loads(SCENARIO, loads=shipped, envelope=flat(60.0, forward=0.0))
    assert "0 of 24" in loads_decision(found)[-1]
    assert "no seat blocked" in loads_decision(found)[-1]


def test_a_mix_is_what_an_envelope_admits_and_what_cures_make(scores: LoadScores) -> None:
    """The risks are made up: 1 for a load that the new envelope refuses, else next to nothing."""
    outside = {load.state for load in scores.refused("new")}

    def made_up(state: LoadState) -> tuple[LoadRisk, LoadRisk]:
        aft = 1.0 if state in outside else 1e-6
        return (
            LoadRisk("forward", 1.0, 0.0, 0.0, 0.0, "test", 1),
            LoadRisk("aft", 1.0, aft, aft, aft, "test", 1),
        )

    by_load = {state: made_up(state) for state in states_to_fly(scores)}
    mixes = mixes_of(scores, by_load)
    refused = len(scores.refused("new"))
    assert mixes["all"].either.estimate == pytest.approx(refused / 24, rel=1e-4)
    assert mixes["admitted_new"].either.estimate == pytest.approx(1e-6)
    assert mixes["cured"].either.estimate == pytest.approx(1e-6)
    kept = {load.state for load in scores.loads} - {load.state for load in scores.refused("old")}
    share = sum(load.state in kept and load.state in outside for load in scores.loads)
    admitted = 24 - len(scores.refused("old"))
    assert mixes["admitted_old"].either.estimate == pytest.approx(
        share / admitted + (1.0 - share / admitted) * 1e-6
    )


def test_a_cure_never_leaves_the_certified_limits() -> None:
    """An envelope aft of the certified limits: what it admits cannot be flown."""
    (load,) = score_loads(SCENARIO, loads=one(), envelope=flat(80.0, forward=39.0)).loads
    assert load.new is not None
    assert load.new.side == "forward"
    assert load.cure is not None
    assert load.cure.kind == "cabin"
    assert load.cure.state == load.state


def fake(scores: LoadScores, high: float) -> LoadRisks:
    states = states_to_fly(scores)
    by_load = {
        state: tuple(
            LoadRisk(side, 1.0, 0.4 * high, 0.1 * high, 0.5 * high, "test", 10)
            for side in ("forward", "aft")
        )
        for state in states
    }
    mixes = mixes_of(scores, by_load)  # type: ignore[arg-type]
    return LoadRisks(1e-5, 1e-7, 1, by_load, mixes)  # type: ignore[arg-type]


def test_risks_above_and_below_the_target_are_counted(scores: LoadScores) -> None:
    refused = len(scores.refused("new"))
    above = " ".join(loads_decision(scores, fake(scores, 2e-5)))
    assert f"The new envelope admits {24 - refused} loads whose risk may be above it" in above
    assert "refuses 0 loads whose risk is not" in above
    below = " ".join(loads_decision(scores, fake(scores, 1e-5)))
    assert f"refuses {refused} loads whose risk is not" in below
    assert "The worst 3 loads of 24 bear 12 % of it." in below


def test_the_answer_is_plain_and_whole(scores: LoadScores) -> None:
    risks = fake(scores, 1e-5)
    data = loads_answer(scores, risks)
    assert len(data["loads"]) == 24
    assert data["share_refused"]["new"] == len(scores.refused("new")) / 24
    assert data["mixes"]["all"]["worst_loads"] == 3
    assert "study aid" in data["cautions"]
    assert "agreement" in data["cautions"]
    for row in data["loads"]:
        assert not [x for x in row.values() if isinstance(x, float) and not math.isfinite(x)]
    text = loads_text(scores, risks)
    assert "study aid" in text
    assert "No authority publishes" in text


def test_a_kind_without_limits_leaves_no_infinity_in_the_table(shipped: PastLoads) -> None:
    loads = PastLoads("few", shipped.loads[:2])
    found = score_loads(SCENARIO, loads=loads, envelope=OperatorEnvelope("open"))
    frame = loads_frame(found)
    assert frame["new_aft_margin_pct_mac"].isna().all()
    assert not frame["new_refused"].any()
    assert isinstance(frame, pd.DataFrame)
