"""Policies compared: decisions under stopping, differences, seats, ranking, shelf, charts."""

from __future__ import annotations

import copy
import math
import re
from typing import Any

import numpy as np
import pytest
from scipy import special, stats

from cgrisk.decide.compliance import fly_compliance
from cgrisk.decide.demand import demand_law
from cgrisk.decide.policies import PolicyStudy, default_counts, evaluate
from cgrisk.decide.policy_cells import Cell, Task, count_seed, fly_count
from cgrisk.decide.policy_pairs import contrasts, pair_table, variance_gain
from cgrisk.decide.policy_shelf import kept_count
from cgrisk.errors import UsageError
from cgrisk.rare import Meter
from cgrisk.report.policy_text import _rounded, policy_answer, policy_text
from cgrisk.report.publish_policies import publish_policies
from cgrisk.risk.sequential import _log_mixture, any_time_intervals
from cgrisk.runs.shelf import Shelf
from cgrisk.scenario.policies_file import Demand, PoliciesFile
from tests.cut_cases import SMALL
from tests.flight_cases import edited, shipped_scenario


def the_set(*policies: dict[str, Any], **stated: Any) -> PoliciesFile:
    named = [{"name": f"p{i}", **p} for i, p in enumerate(policies)]
    return PoliciesFile.model_validate({"schema": 1, "name": "set", "policies": named, **stated})


def task(**changes: Any) -> Task:
    values = {"scenario": shipped_scenario(), "target": 1e-2, "seed": 5, "flights": 1024}
    return Task(**(values | changes))


@pytest.fixture(scope="module")
def study() -> PolicyStudy:
    file = the_set(
        {},
        {"zones": "even"},
        {"zones": "even", "block": [{"seats": ["1-2", "28-29"], "below": 130}]},
        {"seating": "from_front"},
        {"block": [{"seats": ["1-4"]}]},
        demand={"kind": "normal", "mean": 140.0, "sd": 25.0},
    )
    return evaluate(task(), file, counts=np.array([100, 148, 174]))


def test_a_policy_that_says_nothing_differs_in_no_bit() -> None:
    file = the_set({}, {"block": [{"seats": ["1"], "below": 50}]})
    same = fly_count(task(flights=1024), file.policies, passengers=100)
    assert same[0].digest == same[1].digest
    np.testing.assert_array_equal(same[0].error_pct - same[1].error_pct, 0.0)
    np.testing.assert_array_equal(same[0].beyond, same[1].beyond)


def test_flights_belong_to_seed_and_number_of_passengers_alone() -> None:
    file = the_set({}, {"seating": "random"})
    both = fly_count(task(flights=1024), file.policies, passengers=100)
    single = fly_count(task(flights=1024, jobs=1), file.policies[1:], passengers=100)
    np.testing.assert_array_equal(both[1].error_pct, single[0].error_pct)
    assert count_seed(5, 100) != count_seed(5, 101) != count_seed(6, 101)


def test_every_cell_is_decided_or_marked(study: PolicyStudy) -> None:
    target = study.task.target
    for row in study.table.to_dict("records"):
        if not row["fits"]:
            assert (row["policy"], row["passengers"]) == ("p4", 174)
            continue
        if row["standing"] == "below":
            assert row["high"] < target
        elif row["standing"] == "above":
            assert row["low"] > target
        elif row["standing"] == "close":
            assert 0.5 * (row["high"] - row["low"]) <= 0.3 * row["risk"]
        else:
            assert row["flights"] == study.task.flights
    assert {"below", "above"} <= set(study.table["standing"])


def test_seats_and_passengers_turned_away(study: PolicyStudy) -> None:
    ranking = study.ranking.set_index("policy")
    assert ranking.loc["p4", "capacity"] == 150
    assert ranking.loc["p0", "turned_away"] == 0.0
    demand = stats.norm(140.0, 25.0)
    by_hand = sum(
        (demand.cdf(k + 0.5) - demand.cdf(k - 0.5)) * (max(k - 150, 0) - max(k - 174, 0))
        for k in range(400)
    )
    assert ranking.loc["p4", "turned_away"] == pytest.approx(by_hand / demand.sf(-0.5), rel=1e-9)
    assert ranking.loc["p4", "seats_blocked"] == pytest.approx(24.0)
    # Fewer than 124 stand for 100 passengers, where the third policy blocks four rows.
    share = (demand.cdf(124.5) - demand.cdf(-0.5)) / demand.sf(-0.5)
    assert ranking.loc["p2", "seats_blocked"] == pytest.approx(24.0 * share, rel=1e-9)


def test_the_pareto_set_is_what_nothing_beats(study: PolicyStudy) -> None:
    points = [
        ((row["risk"], row["seats_blocked"], row["turned_away"]), row)
        for row in study.ranking.to_dict("records")
    ]
    for own, row in points:
        beaten = [
            other["policy"]
            for p, other in points
            if p != own and all(x <= y for x, y in zip(p, own, strict=True))
        ]
        assert row["pareto"] == (not beaten)
        assert row["pareto_possible"] == all(b in row["not_apart_from"] for b in beaten)
    assert study.ranking["rank"].tolist() == [1, 2, 3, 4, 5]
    assert study.ranking.iloc[-1]["verdict"] in ("fails", "undecided")


def gain(one: Cell, two: Cell) -> float:
    """Variance of the difference of the mean errors on other flights over that on the same."""
    size = one.error_pct.size // 2
    paired = (two.error_pct[:size] - one.error_pct[:size]).var(ddof=1)
    apart = (two.error_pct[size : 2 * size] - one.error_pct[:size]).var(ddof=1)
    return float(apart / paired)


def test_common_random_numbers_gain_on_the_mean_error(study: PolicyStudy) -> None:
    # By hand at one number of passengers, on halves of the flights.
    here = study.cells[0]
    assert gain(here[0], here[1]) > 5.0
    pair = study.contrasts.set_index(["first", "second", "side"])
    told = float(pair.loc[("p0", "p1", "aft"), "gain_mean_error"])  # type: ignore[arg-type]
    assert told > 5.0
    # Other seats in one zone and another order of all seats still gain; the risk's is told too.
    assert (study.contrasts["gain_mean_error"] > 2.0).all()
    assert study.contrasts["gain_risk"].notna().any()


def hand_cell(beyond: np.ndarray, digest: str) -> Cell:
    nothing = np.full(2, math.nan)
    return Cell(
        passengers=10,
        room=None,  # type: ignore[arg-type]
        digest=digest,
        flights=beyond.shape[1],
        beyond=beyond,
        planned_hits=np.zeros(2, dtype=np.int64),
        error_pct=np.arange(4.0),
        figures=np.empty(0),
        at_limit=nothing,
        as_planned=nothing,
        risk=beyond.mean(axis=1),
        low=nothing,
        high=nothing,
        method="by hand",
    )


def test_paired_differences_by_hand() -> None:
    first = np.zeros((2, 1000), dtype=bool)
    second = first.copy()
    first[0, :40] = True
    second[0, 30:90] = True  # 10 in common, 30 the first's alone, 50 the second's
    cells = [[hand_cell(first, "a"), hand_cell(second, "b")]]
    table = pair_table(["a", "b"], cells, confidence=0.95)
    row = table[table["side"] == "forward"].iloc[0]
    assert (row["only_first"], row["only_second"]) == (30, 50)
    assert row["difference"] == pytest.approx(0.02)
    assert row["low"] < 0.02 < row["high"]
    found = contrasts(["a", "b"], cells, weights=np.ones(1), confidence=0.95, flights=1000)
    row = found[found["side"] == "forward"].iloc[0]
    paired = (0.08 - 0.02**2) / 1000
    apart = (0.04 * 0.96 + 0.06 * 0.94) / 1000
    assert row["gain_risk"] == pytest.approx(apart / paired)
    assert row["difference"] == pytest.approx(0.02)
    assert math.isnan(row["times_needed"])
    error = math.sqrt((0.081 - 0.02**2) / 1000)
    assert row["high"] - row["low"] == pytest.approx(2 * 1.959964 * error, rel=1e-5)
    # Aft nothing was seen: no difference, and no number of flights known to show one.
    aft = found[found["side"] == "aft"].iloc[0]
    assert aft["difference"] == 0.0
    assert not aft["told_apart"]
    assert math.isinf(aft["times_needed"])
    same = contrasts(
        ["a", "b"], [[cells[0][0]] * 2], weights=np.ones(1), confidence=0.95, flights=1000
    )
    assert (same["low"] == 0.0).all()
    assert (same["high"] == 0.0).all()


def test_a_gain_needs_something_to_gain_on() -> None:
    assert math.isinf(variance_gain(1.0, 0.0))
    assert math.isnan(variance_gain(0.0, 0.0))


@pytest.mark.parametrize("near", [None, 1e-3, 0.1])
def test_the_mixture_is_a_probability(near: float | None) -> None:
    """Of all sequences of n flights: a beta-binomial law; so its quotient is a martingale."""
    hits = np.arange(51.0)
    log = _log_mixture(hits, 50)
    if near is not None:
        log = np.logaddexp(log, _log_mixture(hits, 50, 1.0 / near)) - math.log(2.0)
    ways = special.gammaln(51.0) - special.gammaln(hits + 1.0) - special.gammaln(51.0 - hits)
    assert float(np.exp(log + ways).sum()) == pytest.approx(1.0, rel=1e-12)


def test_sharp_bounds_cover_at_every_look(seed_offset: int) -> None:
    rng = np.random.default_rng(71 + seed_offset)
    truth, looks = 2e-3, np.arange(500, 10_001, 500)
    hits = rng.binomial(500, truth, size=(600, looks.size)).cumsum(axis=1)
    missed = np.zeros(600, dtype=bool)
    for k, flights in enumerate(looks):
        low, high = any_time_intervals(hits[:, k], flights=int(flights), near=1e-3)
        missed |= (truth < low) | (truth > high)
    assert stats.binom.sf(int(missed.sum()) - 1, 600, 0.05) > 1e-6
    # Twice as sharp where it is to be: no event in 5,000 flights puts the share under 1e-3.
    assert any_time_intervals([0], flights=5000, near=1e-3)[1][0] < 1e-3
    assert any_time_intervals([0], flights=5000)[1][0] > 1.4e-3


def test_demands_by_hand() -> None:
    given = Demand(kind="given", counts=(120, 100), shares=(0.25, 0.75))
    law = demand_law(given, counts=np.array([100]))
    assert law.turned_away(110) == pytest.approx(2.5)
    assert law.weights(np.array([90, 110]), seats=110).tolist() == pytest.approx([0.75, 0.25])
    shows = demand_law(Demand(kind="binomial", booked=3, show_up=0.5), counts=np.array([1]))
    assert shows.turned_away(1) == pytest.approx((3 * 1 + 1 * 2) / 8)
    flat = demand_law(None, counts=np.array([10, 20]))
    assert flat.turned_away(15) == pytest.approx(2.5)
    assert default_counts(174).size == 30
    assert default_counts(174)[[0, -1]].tolist() == [29, 174]


def test_finished_numbers_are_taken_from_the_shelf(tmp_path: Any) -> None:
    file = the_set({}, {"block": [{"seats": ["1-20"]}]})
    asked = task(flights=1024)
    first = Meter(shelf=Shelf(tmp_path / "x.begun", key="k"))
    made = kept_count(asked, file.policies, passengers=100, meter=first)
    again = Meter(shelf=Shelf(tmp_path / "x.begun", key="k"))
    found = kept_count(asked, file.policies, passengers=100, meter=again)
    assert again.flown == 0 < first.flown
    for one, two in zip(made, found, strict=True):
        assert (one.digest, one.flights, one.method) == (two.digest, two.flights, two.method)
        assert one.room.blocked == two.room.blocked
        np.testing.assert_array_equal(one.beyond, two.beyond)
        np.testing.assert_array_equal(one.high, two.high)


def test_compliance_is_part_of_the_answer(study: PolicyStudy) -> None:
    found = study.compliance
    assert found is not None
    assert set(found.table["level"]) == {"full", "stated", "poor"}
    risks = found.table.pivot(index="policy", columns="level", values="risk")
    # People who leave the front rows make filling from the front less wrong.
    assert risks.loc["p3", "poor"] < risks.loc["p3", "full"]
    text = policy_text(study)
    assert "Compliance" in text
    assert "turn" in text


def test_the_text_says_what_must_be_said(study: PolicyStudy) -> None:
    text = policy_text(study)
    for words in ("study aid", "not approved data", "No authority publishes", "agreement"):
        assert words in text
    assert "rows 1-2, 28-29 blocked below 130 passengers" in text
    assert "nan" not in text.replace("Finance", "")
    answer = policy_answer(study)
    assert answer["ranking"][0]["rank"] == 1
    assert answer["decision"]


def test_flights_asked_for_are_words_that_the_command_takes(study: PolicyStudy) -> None:
    assert [_rounded(x) for x in (7.2, 99.5, 10_401.0, 346_000.0)] == [8, 100, 11_000, 350_000]
    asked = re.findall(r"more flights would .*\((.*)\)", policy_text(study))
    open_ = study.contrasts[np.isfinite(study.contrasts["times_needed"])]
    assert len(asked) == min(len(open_), 12)
    for words in asked:
        assert re.fullmatch(r"--at-least (\d+)( --flights \1)?", words)


def test_tables_and_charts_are_written(study: PolicyStudy, tmp_path: Any) -> None:
    publish_policies(tmp_path, study=study, manifest={"seed": 5})
    names = {path.name for path in tmp_path.iterdir()}
    charts = {
        f"{stem}.{kind}"
        for stem in ("risk", "risk_by_policy", "pareto", "heat_map")
        for kind in ("svg", "png")
    }
    assert charts <= names
    tables = ("policies", "ranking", "trim", "pairs", "contrasts", "mean_errors", "compliance")
    tables += ("swaps",)
    assert {"policies.json", *(f"{stem}.csv" for stem in tables)} <= names


def test_a_rare_target_is_split(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same cell counted and, as if counting did not reach so far, split."""
    doubtful = {**SMALL, "aircraft.dry_uncertainty.cg_sd_aircraft": 1.2}
    small, file = edited(copy.deepcopy(doubtful)), the_set({})
    asked = {"scenario": small, "target": 1e-3, "flights": 81_920}
    counted = fly_count(task(**asked, to_the_end=True), file.policies, passengers=3)[0]
    assert (counted.beyond.sum(axis=1) > 5).all()
    monkeypatch.setattr("cgrisk.decide.policy_cells.RARE", 1e-2)
    monkeypatch.setattr("cgrisk.decide.policy_cells._KEPT", 256)
    split = fly_count(task(**asked), file.policies, passengers=3)[0]
    assert split.more_flights > 0
    assert "splitting" in split.method
    for side in range(2):
        assert split.low[side] <= split.risk[side] <= split.high[side]
        p, hits = counted.risk[side], int(counted.beyond[side].sum())
        half = 0.5 * (split.high[side] - split.low[side]) / 1.96
        error = math.hypot(half, math.sqrt(max(hits, 1)) / counted.flights)
        assert abs(split.risk[side] - p) < 5.0 * error


@pytest.mark.parametrize("target", [0.0, 0.9, math.nan, 1])
def test_a_target_must_be_a_probability(target: float) -> None:
    with pytest.raises(UsageError, match=r"target: expected a number from 1e-12 to 0\.5"):
        task(target=target)


def test_numbers_of_passengers_must_fit_the_cabin() -> None:
    with pytest.raises(UsageError, match="from 1 to the 174 seats"):
        evaluate(task(), the_set({}), counts=np.array([175]))


def test_confidence_and_flights_compared_must_be_numbers_that_mean_something() -> None:
    with pytest.raises(UsageError, match="confidence: expected a number strictly between 0 and 1"):
        task(confidence=1.0)
    with pytest.raises(UsageError, match="at_least: expected at least 1 flight"):
        task(at_least=0)


def test_a_policy_without_room_is_not_ranked_by_its_compliance() -> None:
    """Its mean would be over other numbers of passengers than that of the others."""
    file = the_set({}, {"block": [{"seats": ["1-10"]}]})
    small = task(flights=64, to_the_end=True)
    found = fly_compliance(small, file, counts=np.array([80, 160]), meter=Meter()).table
    by_name = found.set_index("policy")
    assert (by_name.loc["p1", "rank"] == 0).all()
    assert (by_name.loc["p1", "counts"] == 1).all()
    assert (by_name.loc["p0", "rank"] == 1).all()
