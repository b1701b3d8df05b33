"""What only saves time is held to the longer way, bit for bit.

Flights flown for their moments alone, versions raised in one go, words divided by kind, seats dealt
out before they are sorted.
"""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.flight import fly_block, prepare
from cgrisk.flight.columns import rest_on_moments
from cgrisk.flight.kernel.order import deal_by_score, sort_by_score
from cgrisk.flight.kernel.tilt_data import divide_words
from cgrisk.randomness.variates import categorical, uniform
from cgrisk.randomness.versions import raise_versions
from cgrisk.rare import envelope_score, score_named, score_names
from cgrisk.scenario import load_scenario
from tests.flight_cases import SHIPPED

FLIGHTS = np.arange(40, dtype=np.uint32)


@pytest.mark.parametrize("name", ["single_aisle", "commuter", "twin_aisle"])
@pytest.mark.parametrize("side", ["forward", "aft"])
def test_a_brief_flight_has_the_same_moments(name, side):
    model = prepare(load_scenario(SHIPPED.parent / name))
    score = envelope_score(model, side=side)
    whole = fly_block(model, seed=7, flights=FLIGHTS)
    brief = fly_block(model, seed=7, flights=FLIGHTS, needed=score.columns)
    assert np.array_equal(score.of(brief), score.of(whole))
    left_out = np.isnan(brief).all(axis=0) & ~np.isnan(whole).all(axis=0)
    assert np.array_equal(brief[:, ~left_out], whole[:, ~left_out], equal_nan=True)
    kept = [n for n, out in zip(model.columns, left_out, strict=True) if not out]
    assert any(n.startswith("moment_margin_kgm") for n in kept)
    assert "zero_fuel_mass_kg" in kept
    gone = {n.partition(".")[0] for n, out in zip(model.columns, left_out, strict=True) if out}
    assert {"margin_pct_mac", "time_of_least_s", "mass_at_least_kg"} <= gone
    assert "moment_margin_kgm" not in gone


@pytest.mark.parametrize("name", ["single_aisle", "commuter", "twin_aisle"])
def test_whatever_column_is_needed_is_there(name):
    model = prepare(load_scenario(SHIPPED.parent / name))
    whole = fly_block(model, seed=7, flights=FLIGHTS)
    flown_brief = 0
    for place, column in enumerate(model.columns):
        asked = fly_block(model, seed=7, flights=FLIGHTS, needed=[place])
        assert np.array_equal(asked[:, place], whole[:, place], equal_nan=True), column
        flown_brief += not np.array_equal(asked, whole, equal_nan=True)
    assert 0 < flown_brief < len(model.columns)


def test_every_score_is_the_same_of_what_it_needs():
    model = prepare(load_scenario(SHIPPED))
    whole = fly_block(model, seed=7, flights=FLIGHTS)
    brief = []
    for name in score_names(model):
        score = score_named(model, name=name, side="aft", group="any")
        rows = fly_block(model, seed=7, flights=FLIGHTS, needed=score.columns)
        assert np.array_equal(score.of(rows), score.of(whole), equal_nan=True)
        brief.append(rest_on_moments(model.columns[c] for c in score.columns))
    assert True in brief
    assert False in brief


def test_nothing_rests_on_moments_but_what_is_named():
    assert rest_on_moments(["take_off_mass_kg", "moment_margin_kgm.climb.aft", "trips"])
    for other in ("trim_nose_up_deg.climb", "rotation_degps2", "margin_pct_mac.climb.aft", "new"):
        assert not rest_on_moments(["take_off_mass_kg", other])


SPREAD = {
    "even": lambda rng, n: rng.random(n),
    "exponential": lambda rng, n: rng.exponential(size=n),
    "in turns": lambda rng, n: np.arange(n) // 7 + rng.random(n),
    "ties": lambda rng, n: rng.integers(3, size=n).astype(np.float64),
    "all alike": lambda _, n: np.full(n, 0.5),
    "one far away": lambda rng, n: np.append(rng.random(max(n - 1, 0)), 1e16)[:n],
    "hardly apart": lambda rng, n: rng.integers(3, size=n) * 1e-310,
    "too far apart": lambda rng, n: rng.choice([-1e308, 0.0, 1e308], size=n),
    "infinite": lambda rng, n: rng.choice([-np.inf, 0.0, 1.0, np.inf], size=n),
}


@pytest.mark.parametrize("spread", SPREAD)
@pytest.mark.parametrize("n", [0, 1, 2, 17, 150, 700])
def test_seats_are_in_order_of_their_scores(spread, n):
    rng = np.random.default_rng(5)
    score = SPREAD[spread](rng, n)
    order = np.append(rng.permutation(n), -7)
    dealt, ends = np.full(n + 1, -7), np.full(n + 2, -7)
    deal_by_score(order, score, n, dealt, ends)
    assert (order[-1], dealt[-1], ends[-1]) == (-7, -7, -7)  # nothing beyond
    assert np.array_equal(np.sort(order[:n]), np.arange(n))
    if spread == "even" and n == 150:
        assert (np.diff(score[order[:n]]) < 0.0).sum() < 60  # 75 in any order
    if n:
        sort_by_score(order, score, n, np.empty(128, np.int64))
    assert order[-1] == -7
    assert np.array_equal(np.sort(order[:n]), np.arange(n))
    assert np.array_equal(score[order[:n]], np.sort(score))


def test_raised_versions_are_those_of_the_entities_below_their_rate():
    rng = np.random.default_rng(3)
    entities = np.array([4, 0, 2, 1, 3])  # of three causes: two, none, three
    first = np.array([0, 2, 2, 5])
    rows = np.array([0, 2, 1, 2])
    causes = np.array([0, 0, 2, 2])
    rates = np.array([0.5, 1.0, 0.0, 0.5], dtype=np.float32)
    numbers = rng.random(2 + 2 + 3 + 3, dtype=np.float32)
    versions = np.zeros((3, 5), dtype=np.uint32)
    fresh = np.array([11, 12, 13], dtype=np.uint32)
    wanted = versions.copy()
    used = iter(numbers.tolist())
    for row, cause, rate in zip(rows, causes, rates, strict=True):
        for entity in entities[first[cause] : first[cause + 1]]:
            if next(used) < rate:
                wanted[row, entity] = fresh[row]
    assert raise_versions(versions, fresh, rows, causes, rates, first, entities, numbers) == 10
    assert np.array_equal(versions, wanted)
    assert (versions[2, [4, 0]] == 13).all()  # a rate of 1 takes all
    assert (versions[1] == 0).all()  # a rate of 0 none


@pytest.mark.parametrize("weights", [[1.0], [0.2, 0.0, 0.5, 0.3], [0.0, 1.0, 3.0], [2.0, 1.0, 0.0]])
def test_words_fall_in_the_kind_that_their_number_falls_in(weights):
    cumulative = np.cumsum(weights)
    first = np.empty(len(weights) + 1, dtype=np.int64)
    divide_words(cumulative, first)
    assert first[0] == 0
    assert first[-1] == 2**32
    near = (first[:, None] + np.arange(-2, 3)).ravel()
    spread = np.linspace(0, 2**32 - 1, 1001).astype(np.int64)
    for word in np.unique(np.clip(np.concatenate([near, spread]), 0, 2**32 - 1)).tolist():
        kind = categorical(uniform(np.uint32(word)), cumulative)
        assert first[kind] <= word < first[kind + 1]
