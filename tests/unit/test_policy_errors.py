"""Differences between policies on flights fixed beforehand, and the mean error with boardings."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from cgrisk.decide.policies import default_counts
from cgrisk.decide.policy import scenario_under
from cgrisk.decide.policy_cells import Cell, Task, count_seed, fly_count
from cgrisk.decide.policy_errors import BOARDINGS, board_count, error_pair, mean_errors, people_pct
from cgrisk.decide.policy_pairs import contrasts
from cgrisk.flight import fly_block, prepare
from cgrisk.rare import Meter
from cgrisk.scenario import load_scenario
from cgrisk.scenario.checks_policies import load_policies
from cgrisk.scenario.policies_file import PoliciesFile
from cgrisk.scenario.shipped import shipped_scenarios
from tests.flight_cases import edited, shipped_scenario


def the_set(*policies: dict[str, Any]) -> PoliciesFile:
    named = [{"name": f"p{i}", **p} for i, p in enumerate(policies)]
    return PoliciesFile.model_validate({"schema": 1, "name": "set", "policies": named})


def task(**changes: Any) -> Task:
    values = {"scenario": shipped_scenario(), "target": 1e-2, "seed": 5, "flights": 1024}
    return Task(**(values | changes))


def test_the_peoples_part_is_that_of_the_flights() -> None:
    """Nothing but people varies: error and people's part differ by a constant, but for the mass."""
    scenario = shipped_scenario()
    model = prepare(scenario)
    flights = np.arange(256, dtype=np.uint32)
    rows = fly_block(model, seed=3, flights=flights)
    part = people_pct(model, seed=3, flights=flights)
    columns, sheet = model.columns, model.program.sheet
    people = sum(
        rows[:, columns.index(f"take_off_error_kgm.{name}")]
        for name in ("count", "seating", "mass")
    )
    mass = sheet.zero_fuel_mass_kg + sheet.take_off_fuel_kg
    by_rows = 100.0 * people / (mass * model.balance.mac_m)
    np.testing.assert_allclose(part - by_rows, float((part - by_rows).mean()), atol=1e-9)


@pytest.fixture(scope="module")
def both() -> tuple[Task, PoliciesFile, list[list[Cell]]]:
    file = the_set({}, {"counted": "cabin", "zones": "even"}, {"seating": "from_rear"})
    asked = task(to_the_end=True)
    return asked, file, [fly_count(asked, file.policies, passengers=140)]


def test_the_mean_error_has_no_bias_and_the_gain_is_real(
    both: tuple[Task, PoliciesFile, list[list[Cell]]],
) -> None:
    """Against flights of their own, none shared, on other seeds."""
    asked, file, cells = both
    found = mean_errors(asked, file.policies, cells, weights=np.ones(1), meter=Meter())
    own = []
    for k, policy in enumerate(file.policies):
        other = task(to_the_end=True, seed=100 + k)
        own.append(fly_count(other, [policy], passengers=140)[0].error_pct)
    for row, (i, j) in zip(found.to_dict("records"), ((0, 1), (0, 2), (1, 2)), strict=True):
        apart = float(own[j].mean() - own[i].mean())
        variance = float(own[i].var(ddof=1) + own[j].var(ddof=1)) / 1024
        half = 0.5 * (row["high"] - row["low"]) / stats.norm.ppf(0.975)
        assert abs(row["difference_pct_mac"] - apart) < 5.0 * math.hypot(half, math.sqrt(variance))
        assert (row["flights"], row["boardings"]) == (1024, (1 + BOARDINGS) * 1024)
        # Told by these flights and by those of their own alike; two variances of 1024 flights.
        assert row["gain"] == pytest.approx(variance / half**2, rel=5.0 * math.sqrt(2.0 * 2 / 1024))
        assert row["gain"] > 3.0 * row["gain_same_flights"]
        assert row["gain"] > 5.0


def test_the_variance_told_is_that_of_the_estimate(seed_offset: int) -> None:
    """Normal errors of which a part is boarded again: the spread of many estimates."""
    rng = np.random.default_rng(29 + seed_offset)
    n, times, runs = 64, 5, 2000
    gaps, told = np.empty(runs), np.empty(runs)
    for k in range(runs):
        people = rng.normal(size=(2, n * times)) + rng.normal(size=n * times)
        # What is left hangs together with the people's part: a straight line is not all of it.
        rest = 0.2 * rng.normal(size=(2, n)) + 0.3 * people[:, :n]
        one, two = people[:, :n] + rest
        found = error_pair(one, two + 0.5, boarded=(people[0], people[1]))
        gaps[k], told[k] = found.difference, found.variance
    spread = gaps.var(ddof=1)
    assert abs(gaps.mean() - 0.5) < 5.0 * math.sqrt(spread / runs)
    assert abs(spread / told.mean() - 1.0) < 5.0 * math.sqrt(2.0 / runs)
    alone = error_pair(one, two, boarded=(np.empty(0), np.empty(0)))
    assert alone.variance == alone.paired
    assert alone.difference == pytest.approx(float((two - one).mean()))


def test_policies_that_come_to_the_same_are_boarded_once_and_differ_by_nothing() -> None:
    file = the_set({}, {"block": [{"seats": ["1"], "below": 50}]})
    asked = task(flights=256)
    cells = fly_count(asked, file.policies, passengers=100)
    meter = Meter()
    people = board_count(asked, file.policies, cells, passengers=100, meter=meter)
    np.testing.assert_array_equal(people[0], people[1])
    row = mean_errors(asked, file.policies, [cells], weights=np.ones(1), meter=meter).iloc[0]
    assert (row["difference_pct_mac"], row["low"], row["high"]) == (0.0, 0.0, 0.0)
    assert not row["told_apart"]


def cell(beyond: np.ndarray, digest: str) -> Cell:
    nothing = np.full(2, math.nan)
    return Cell(
        passengers=10,
        room=None,  # type: ignore[arg-type]
        digest=digest,
        flights=beyond.shape[1],
        beyond=beyond,
        planned_hits=np.zeros(2, dtype=np.int64),
        error_pct=np.zeros(2),
        figures=np.empty(0),
        at_limit=nothing,
        as_planned=nothing,
        risk=beyond.mean(axis=1),
        low=nothing,
        high=nothing,
        method="by hand",
    )


def test_differences_do_not_lean_on_when_the_flights_stopped(seed_offset: int) -> None:
    """A policy ends early when it has had hits; on all its flights the difference is too large."""
    rng = np.random.default_rng(43 + seed_offset)
    low, high, first, most, counts, runs = 0.004, 0.012, 256, 2048, 20, 300
    missed, gaps, all_gaps = 0, [], []
    for _ in range(runs):
        cells = []
        for _ in range(counts):
            flown = rng.random(most)
            one = np.broadcast_to(flown < low, (2, most))
            two = np.broadcast_to(flown < high, (2, most))
            ends = first if two[0, :first].sum() >= 4 else most
            cells.append([cell(one, "a"), cell(two[:, :ends], "b")])
        weights = np.full(counts, 1.0 / counts)
        asked = {"weights": weights, "confidence": 0.95}
        row = contrasts(["a", "b"], cells, flights=first, **asked).iloc[0]
        missed += not row["low"] <= high - low <= row["high"]
        gaps.append(row["difference"])
        all_gaps.append(contrasts(["a", "b"], cells, flights=most, **asked).iloc[0]["difference"])
    assert stats.binom.sf(missed - 1, runs, 0.05) > 1e-6
    bias, all_bias = ((np.mean(g) - (high - low)) / stats.sem(g) for g in (gaps, all_gaps))
    assert abs(bias) < 5.0
    assert all_bias > 5.0  # so this test would notice


def test_more_flights_are_told_with_a_chance_of_four_in_five() -> None:
    one = np.zeros((2, 1000), dtype=bool)
    two = one.copy()
    one[:, :20], two[:, 10:32] = True, True  # 10 and 12 alone
    row = contrasts(
        ["a", "b"], [[cell(one, "a"), cell(two, "b")]], weights=np.ones(1), confidence=0.95,
        flights=1000,
    ).iloc[0]  # fmt: skip
    error = math.sqrt((0.023 - 0.002**2) / 1000)
    times = ((1.959964 + 0.841621) * error / 0.002) ** 2
    assert row["times_needed"] == pytest.approx(times, rel=1e-5)
    assert row["more_flights"] == pytest.approx(2 * 1000 * (times - 1.0), rel=1e-5)


def test_every_cell_has_the_flights_that_are_compared() -> None:
    file = the_set({"seating": "from_rear"})
    soon = fly_count(task(flights=3000), file.policies, passengers=60)[0]
    later = fly_count(task(flights=3000, at_least=2048), file.policies, passengers=60)[0]
    assert (soon.flights, later.flights) == (1024, 2048)
    assert task(flights=700, at_least=4096).compared == 700


@pytest.mark.nightly
def test_the_gain_of_every_pair_of_the_shipped_set() -> None:
    place = shipped_scenarios()["single_aisle"]
    scenario = load_scenario(place)
    folder = place if place.is_dir() else place.parent
    file = load_policies(folder / "policies.toml", scenario=scenario)
    asked = task(scenario=scenario, to_the_end=True, bags=file.bags)
    counts = default_counts(174)[15::3]
    cells = [fly_count(asked, file.policies, passengers=int(n)) for n in counts]
    weights = np.full(counts.size, 1.0 / counts.size)
    found = mean_errors(asked, file.policies, cells, weights=weights, meter=Meter())
    assert len(found) == 45
    assert (found["gain"] >= 5.0).all()


def test_boardings_are_those_of_the_seed_of_the_count() -> None:
    file = the_set({})
    asked = task(flights=64)
    cells = fly_count(asked, file.policies, passengers=100)
    people = board_count(asked, file.policies, cells, passengers=100, meter=Meter())[0]
    model = prepare(scenario_under(edited({}), file.policies[0], passengers=100))
    numbers = np.arange(64, dtype=np.uint32)
    again = people_pct(model, seed=count_seed(5, 100), flights=numbers)
    np.testing.assert_array_equal(people[:64], again)
    assert people.size == (1 + BOARDINGS) * 64
