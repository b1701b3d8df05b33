"""The exact law of the seating moment: against fractions, closed forms and flown flights."""

from __future__ import annotations

import copy
import math
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import accumulate
from typing import Any

import numpy as np
import pytest
from scipy import stats

from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import fly_block, prepare
from cgrisk.rare.exact import exact_tail, seating_law, why_not_exact
from cgrisk.rare.score import envelope_score
from cgrisk.rare.seat_sums import (
    LatticeLaw,
    add_laws,
    common_step,
    law_of_plan,
    plan_of_sum,
)
from tests.cabin_cases import NO_SERVICE, NOBODY_UP, cart
from tests.flight_cases import SEATING_ALONE, edited
from tests.oracles.seat_orders import in_turns, independent_sum, one_after_another, sum_law
from tests.oracles.seating_counts import row_sum_law
from tests.simpy_cases import CERTAIN

PITCH, ADULT = 0.8, 84.0
HEAVY = {"mean": 90.0, "sd": 0.0, "skewness": 0.0}
#: Nothing varies but the seats; everybody weighs 94 kg where the load sheet has 84 kg.
STILL: dict[str, Any] = {
    **CERTAIN,
    **SEATING_ALONE,
    **NOBODY_UP,
    **NO_SERVICE,
    "operation.mass.body.men": {**HEAVY},
    "operation.mass.body.women": {**HEAVY},
    "operation.mass.body.children": {"mean": 30.0, "sd": 0.0, "skewness": 0.0},
    "operation.mass.bag": {"mean": 4.0, "sd": 0.0, "none_share": 0.0},
}


def still(changes: dict[str, Any] | None = None):
    return prepare(edited(copy.deepcopy({**STILL, **(changes or {})})))


def cabin(rows: int, people: int, **seating: Any):
    """One zone of some rows."""
    return still(
        {
            "aircraft.cabin.rows": [{"rows": f"1-{rows}", "pitch": PITCH}],
            "operation.zones": [
                {"name": "all", "rows": f"1-{rows}", "adults": people, "children": 0}
            ],
            **{f"operation.seating.{key}": value for key, value in seating.items()},
        }
    )


def flown(model, flights: int, seed: int):
    return fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))


def column(model, rows, name: str):
    return rows[:, model.columns.index(f"take_off_error_kgm.{name}")]


def assert_law(law, expected: dict[Fraction, Any], *, sheet_m: float) -> None:
    """Compare with P(sum of arms) from the front seat."""
    points = sorted(expected)
    by_hand = [ADULT * (float(total) - sheet_m) for total in points]
    np.testing.assert_allclose(law.moment_kgm, by_hand, atol=1e-7)
    chances = [float(expected[total]) for total in points]
    np.testing.assert_allclose(law.probability, chances, rtol=2e-13)


@pytest.mark.parametrize(("rows", "people"), [(6, 5), (10, 40), (29, 148), (10, 57)])
def test_random_seats_are_counted_like_fractions(rows, people):
    law = seating_law(cabin(rows, people))
    counted = row_sum_law(rows=rows, seats_per_row=6, people=people)
    centre = people * (rows - 1) / 2.0
    by_hand = [ADULT * PITCH * (total - centre) for total in counted]
    np.testing.assert_allclose(law.moment_kgm, by_hand, atol=1e-6)
    chances = np.array([float(p) for p in counted.values()])
    np.testing.assert_allclose(law.probability, chances, rtol=2e-13)
    # Both tails, to their last digit.
    running = list(accumulate(counted.values()))
    above = [float(1 - p) for p in running]
    np.testing.assert_allclose(law.tail(law.moment_kgm), above, rtol=1e-12)
    below = [0.0, *(float(p) for p in running[:-1])]
    np.testing.assert_allclose(law.tail_below(law.moment_kgm), below, rtol=1e-12)


@pytest.mark.parametrize(("rows", "people"), [(2, 5), (10, 40), (29, 87), (29, 148)])
def test_the_variance_is_the_closed_form(rows, people):
    """Var = w^2 n (N - n) / (N - 1) s_x^2 without replacement (textbook sampling theory)."""
    law, seats = seating_law(cabin(rows, people)), 6 * rows
    mean = float(law.probability @ law.moment_kgm)
    expected = ADULT**2 * people * (seats - people) / (seats - 1)
    expected *= PITCH**2 * (rows**2 - 1) / 12.0
    assert mean == pytest.approx(0.0, abs=1e-9 * math.sqrt(expected))
    assert float(law.probability @ (law.moment_kgm - mean) ** 2) == pytest.approx(
        expected, rel=1e-12
    )


#: Three rows whose pitches differ, with a seat blocked; arms from the front row.
UNEVEN: dict[str, Any] = {
    "aircraft.cabin.rows": [{"rows": "1-2", "pitch": 0.8}, {"rows": "3", "pitch": 0.76}],
    "operation.seating.blocked": ["2B", "3F", "3E", "1D"],
    "operation.load_sheet.arm_step": 0.01,
}
UNEVEN_ARMS = {1: Fraction(0), 2: Fraction(4, 5), 3: Fraction(4, 5) + Fraction(19, 25)}
LETTERS = "ABCDEF"
POSITION = dict(
    zip(LETTERS, ("window", "middle", "aisle", "aisle", "middle", "window"), strict=True)
)
PREFERENCE = {"window": 0.62, "middle": 0.01, "aisle": 0.37}


def open_seats(rows):
    blocked = set(UNEVEN["operation.seating.blocked"])
    return [(r, c) for r in rows for c in LETTERS if f"{r}{c}" not in blocked]


def expected_sets(rule: str, seats, people: int, forward: float):
    if rule == "free":
        last = float(UNEVEN_ARMS[3])
        weights = [
            Decimal(
                PREFERENCE[POSITION[c]] * math.exp(forward * (last - float(UNEVEN_ARMS[r])) / last)
            )
            for r, c in seats
        ]
        return one_after_another(weights, people=people)
    turn = {
        "random": lambda _r, _c: 0,
        "window_first": lambda _r, c: ("window", "aisle", "middle").index(POSITION[c]),
        "from_front": lambda r, _c: r,
        "from_rear": lambda r, _c: -r,
    }[rule]
    return in_turns([turn(r, c) for r, c in seats], people=people)


@pytest.mark.parametrize("people", [1, 6, 8, 13])
@pytest.mark.parametrize("rule", ["random", "free", "window_first", "from_front", "from_rear"])
def test_every_rule_in_a_tiny_cabin_of_uneven_rows(rule, people):
    zones = [{"name": "all", "rows": "1-3", "adults": people, "children": 0, "arm": 20.0}]
    rule_keys = {"operation.seating.rule": rule, "operation.seating.forward_preference": 1.5}
    model = still({**UNEVEN, **rule_keys, "operation.zones": zones})
    seats = open_seats((1, 2, 3))
    sums = sum_law(
        expected_sets(rule, seats, people, 1.5), lengths=[UNEVEN_ARMS[r] for r, _ in seats]
    )
    assert_law(seating_law(model), sums, sheet_m=people * (20.0 - float(model.plan.arm_m.min())))


@pytest.mark.parametrize("rule", ["random", "free", "window_first", "from_rear"])
def test_zones_are_independent_and_a_cabin_is_one(rule):
    """The arm of the front row is that of no zone: signs and offsets are checked as well."""
    zones = [
        {"name": "A", "rows": "1-2", "adults": 4, "children": 0, "arm": 7.0},
        {"name": "B", "rows": "3", "adults": 2, "children": 0, "arm": 8.5},
    ]
    keys = {**UNEVEN, "operation.zones": zones, "operation.seating.rule": rule}
    model = still(keys)
    front = float(model.plan.arm_m.min())
    laws = []
    for rows, people in (((1, 2), 4), ((3,), 2)):
        seats = open_seats(rows)
        sets = expected_sets(rule, seats, people, 0.0)
        laws.append(sum_law(sets, lengths=[UNEVEN_ARMS[r] for r, _ in seats]))
    sheet = 4 * (7.0 - front) + 2 * (8.5 - front)
    assert_law(seating_law(model), independent_sum(*laws), sheet_m=sheet)
    seats = open_seats((1, 2, 3))
    sums = sum_law(expected_sets(rule, seats, 6, 0.0), lengths=[UNEVEN_ARMS[r] for r, _ in seats])
    whole = still({**keys, "operation.seating.scope": "cabin"})
    assert_law(seating_law(whole), sums, sheet_m=sheet)


def test_a_strong_forward_preference_keeps_its_digits():
    """Weights that differ by exp(12): the last one is taken over many powers of ten of time."""
    weights = np.exp(-np.linspace(0.0, 12.0, 10))
    law = law_of_plan(plan_of_sum(0.0, arm_m=0.5 * np.arange(10.0), weight=weights, take=4))
    sets = one_after_another([Decimal(float(w)) for w in weights], people=4)
    sums = sum_law(sets, lengths=[Fraction(i) for i in range(10)])
    chances = [float(sums[total]) for total in sorted(sums)]
    np.testing.assert_allclose(law.probability[law.probability > 0.0], chances, rtol=1e-12)
    assert min(chances) < 1e-16


@pytest.mark.parametrize("people", [3, 87, 160])
def test_equal_preferences_are_random_seats(people):
    """The integral over time against counting, in the whole cabin."""
    arms = np.repeat(0.8 * np.arange(12.0), 16)
    nearly = np.where(np.arange(arms.size) % 2 == 0, 1.0, 1.0 - 1e-15)
    plain = law_of_plan(plan_of_sum(0.0, arm_m=arms, take=people))
    race = law_of_plan(plan_of_sum(0.0, arm_m=arms, weight=nearly, take=people))
    assert race.nodes > plain.nodes == 0
    seen = plain.probability > 1e-250
    np.testing.assert_allclose(race.probability[seen], plain.probability[seen], rtol=1e-12)


@pytest.mark.parametrize("scope", ["zone", "cabin"])
@pytest.mark.parametrize("rule", ["random", "free", "window_first"])
def test_flown_flights_follow_the_law(rule, scope, seed_offset):
    model = still(
        {
            "operation.seating.rule": rule,
            "operation.seating.scope": scope,
            "operation.seating.forward_preference": -0.7,
            "operation.seating.blocked": ["29", "3A", "17C"],
        }
    )
    law, flights = seating_law(model), 20_000
    moment = column(model, flown(model, flights, 31 + seed_offset), "seating")
    after = np.clip(np.searchsorted(law.moment_kgm, moment), 1, law.moment_kgm.size - 1)
    nearest = np.minimum(
        np.abs(moment - law.moment_kgm[after - 1]), np.abs(moment - law.moment_kgm[after])
    )
    assert nearest.max() < 1e-6
    seen = np.searchsorted(np.sort(moment), law.moment_kgm + 1e-6, side="right") / flights
    distance = np.abs(seen - np.cumsum(law.probability)).max()
    # Dvoretzky-Kiefer-Wolfowitz (Massart's constant): P(distance > d) <= 2 exp(-2 n d^2).
    assert 2.0 * np.exp(-2.0 * flights * distance**2) > 1e-6


@pytest.mark.parametrize("side", ["forward", "aft"])
@pytest.mark.parametrize("group", ["any", "in_flight"])
def test_the_exact_tail_is_that_of_flown_flights(side, group, seed_offset):
    model, flights = still({"operation.seating.rule": "free"}), 20_000
    score = envelope_score(model, side=side, group=group)
    rows = flown(model, flights, 32 + seed_offset)
    scores = score.of(rows)
    # Scores rise with the moment toward the side, by the same on every flight.
    real = column(model, rows, "seating") + column(model, rows, "mass")
    slope = (1.0 if side == "aft" else -1.0) * abs(score.factor[0])
    np.testing.assert_allclose(scores - scores[0], slope * (real - real[0]), atol=1e-9)
    levels = np.unique(np.quantile(scores, [0.2, 0.8, 0.99, 0.999])) + 1e-4
    tail = exact_tail(model, score=score, thresholds=levels)
    for level, chance in zip(levels, tail.estimate, strict=True):
        assert stats.binomtest(int((scores > level).sum()), flights, chance).pvalue > 1e-6
    assert tail.warnings == ()
    assert tail.confidence == 1.0
    assert tail.flights == 1
    np.testing.assert_array_equal(tail.low, tail.estimate)
    np.testing.assert_array_equal(tail.high, tail.estimate)
    np.testing.assert_array_equal(tail.relative_error(), 0.0)


def test_forward_and_aft_tails_mirror_each_other():
    """A cabin that is its own mirror image, planned at its centre."""
    model = cabin(29, 148)
    law = seating_law(model)
    np.testing.assert_allclose(law.moment_kgm, -law.moment_kgm[::-1], atol=1e-6)
    np.testing.assert_allclose(law.probability, law.probability[::-1], rtol=1e-12)
    real = 94.0 / ADULT * law.moment_kgm
    scale = model.sheet.zero_fuel_mass_kg * model.balance.mac_m / 100.0
    for side in ("forward", "aft"):
        score = envelope_score(model, side=side)
        scores = np.sort(score.of(flown(model, 2000, 5)))
        middle = 0.5 * (scores[0] + scores[-1])  # any level; the law does the rest
        tail = exact_tail(model, score=score, thresholds=middle + np.array([0.2013, 0.9013]))
        row = flown(model, 1, 5)
        here = column(model, row, "seating")[0] * 94.0 / ADULT
        sign = 1.0 if side == "aft" else -1.0
        needed = (tail.thresholds - score.of(row)[0]) * scale + sign * here
        expected = [float(law.probability[sign * real > n].sum()) for n in needed]
        np.testing.assert_allclose(tail.estimate, expected, rtol=1e-12)


def test_masses_of_adults_and_children_in_their_own_zones(seed_offset):
    zones = [
        {"name": "A", "rows": "1-9", "adults": 44, "children": 0},
        {"name": "B", "rows": "10-19", "adults": 0, "children": 31},
        {"name": "C", "rows": "20-29", "adults": 52, "children": 0},
    ]
    model, flights = still({"operation.zones": zones}), 20_000
    assert why_not_exact(model) == ""
    rows = flown(model, flights, 33 + seed_offset)
    law = seating_law(model)
    moment = column(model, rows, "seating")
    assert np.abs(moment[:, None] - law.moment_kgm).min(axis=1).max() < 1e-6
    seen = np.searchsorted(np.sort(moment), law.moment_kgm + 1e-6, side="right") / flights
    distance = np.abs(seen - np.cumsum(law.probability)).max()
    assert 2.0 * np.exp(-2.0 * flights * distance**2) > 1e-6
    score = envelope_score(model, side="aft")
    scores = score.of(rows)
    levels = np.quantile(scores, [0.5, 0.99]) + 1e-5
    tail = exact_tail(model, score=score, thresholds=levels)
    for level, chance in zip(levels, tail.estimate, strict=True):
        assert stats.binomtest(int((scores > level).sum()), flights, chance).pvalue > 1e-6


def test_tails_are_whole_strict_and_fall():
    law = seating_law(cabin(29, 148, rule="free"))
    assert math.fsum(law.probability) == pytest.approx(1.0, abs=1e-12)
    assert (np.diff(law.moment_kgm) > 0.0).all()
    assert law.tail(law.moment_kgm[0] - 1.0) == 1.0
    assert law.tail(law.moment_kgm[-1]) == 0.0
    assert law.tail_below(law.moment_kgm[0]) == 0.0
    assert law.tail_below(law.moment_kgm[-1] + 1.0) == 1.0
    assert law.tail(law.moment_kgm[-2])[0] == law.probability[-1]
    assert law.tail_below(law.moment_kgm[1])[0] == law.probability[0]
    tail = law.tail(law.moment_kgm)
    assert (np.diff(tail) <= 0.0).all()
    np.testing.assert_allclose(
        tail + law.tail_below(law.moment_kgm) + law.probability, 1.0, rtol=1e-12
    )
    with pytest.raises(ValueError, match="read-only"):
        law.probability[0] = 1.0
    with pytest.raises(UsageError, match="finite numbers"):
        law.tail([math.nan])


def test_a_threshold_on_a_score_is_not_exceeded_and_said():
    model = still()
    score = envelope_score(model, side="aft")
    scores = np.unique(np.round(score.of(flown(model, 500, 1)), 9))
    level = float(scores[scores.size // 2])
    on_it = exact_tail(model, score=score, thresholds=[level])
    just_above = exact_tail(model, score=score, thresholds=[level + 1e-4])
    assert on_it.estimate == just_above.estimate
    assert len(on_it.warnings) == 1
    assert "stands on a score that flights have" in on_it.warnings[0]
    assert just_above.warnings == ()
    just_below = exact_tail(model, score=score, thresholds=[level - 1e-4])
    assert just_below.estimate[0] > on_it.estimate[0]


@pytest.mark.parametrize("people", [0, 174])
@pytest.mark.parametrize("rule", ["random", "free", "window_first", "from_rear"])
def test_full_and_empty_cabins_have_one_moment(rule, people):
    model = cabin(29, people, rule=rule)
    law = seating_law(model)
    np.testing.assert_allclose(law.moment_kgm, [0.0], atol=1e-6)
    np.testing.assert_array_equal(law.probability, [1.0])
    score = envelope_score(model, side="aft")
    here = score.of(flown(model, 1, 9))[0]
    tail = exact_tail(model, score=score, thresholds=[here - 0.1, here + 0.1])
    np.testing.assert_array_equal(tail.estimate, [1.0, 0.0])


FAMILY = {"name": "family", "share": 0.1, "adults": [1, 2], "children": [1, 3]}
PAIR = {"name": "pair", "share": 0.1, "adults": [2, 2], "children": [0, 0]}


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"operation.parties": [PAIR]}, "Parties sit together"),
        ({"operation.seating.movers_share": 0.1}, "People change seats"),
        ({"operation.passengers.last_minute_off": 0.1}, "Last-minute changes"),
        ({"operation.passengers.last_minute_on": 0.1}, "Last-minute changes"),
        ({"operation.zones.1.children": 1}, "Children sit beside an adult"),
        ({"operation.zones.1.adults": 61}, "more people than seats"),
    ],
)
def test_coupled_seats_are_refused(changes, reason):
    model = still(changes)
    assert reason in why_not_exact(model)
    with pytest.raises(ComputationError, match=reason):
        seating_law(model)


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"operation.mass.body.men.sd": 1.0}, "body masses"),
        ({"operation.mass.body.women.mean": 80.0}, "body masses"),
        ({"operation.mass.bag.sd": 1.0}, "cabin bags"),
        ({"operation.mass.bag.none_share": 0.5}, "cabin bags"),
        ({"operation.fuel.burn_sd": 0.01}, "fuel"),
        ({"operation.fuel.density_sd": 1.0}, "fuel"),
        ({"aircraft.fuel_uncertainty.gauging_of_reading": 0.01}, "fuel"),
        ({"aircraft.dry_uncertainty.mass_sd_aircraft": 20.0}, "dry operating mass"),
        ({"aircraft.dry_uncertainty.cg_sd_flight": 0.1}, "dry operating mass"),
        ({"operation.cargo.bag_sd": 1.0}, "hold loads"),
        ({"operation.cargo.cargo_sd": 0.1}, "hold loads"),
        ({"operation.cargo.position_sd": 0.1}, "hold loads"),
        ({"operation.cargo.misplaced_bags": 1.0}, "hold loads"),
        ({"operation.behaviour.trips_aisle": 0.1}, "movement of passengers"),
        ({"operation.crowd.sign_off_share": 0.1}, "movement of passengers"),
        ({"operation.crowd.surge_probability": 0.1}, "surges"),
        ({"operation.service.crew_walks": 1.0}, "crew walks"),
        ({"operation.service.carts": [cart()]}, "carts"),
    ],
)
def test_what_else_varies_is_named_and_does_vary(changes, what, seed_offset):
    model = still(changes)
    reason = why_not_exact(model)
    assert reason == f"Besides the seating, these vary: {reason.split(': ')[1]}"
    assert what in reason
    seating_law(model)  # which does not depend on it
    score = envelope_score(model, side="aft")
    with pytest.raises(ComputationError, match=what):
        exact_tail(model, score=score, thresholds=[0.0])
    # The other side of the coin: margins are no function of the seating moment alone.
    rows = flown(model, 40, 34 + seed_offset)
    seating = column(model, rows, "seating") * 94.0 / ADULT
    margins = [
        name.startswith("moment_margin_kgm") and name.endswith("aft") for name in model.columns
    ]
    assert np.ptp(rows[:, margins] + seating[:, None], axis=0).max() > 1e-3


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"operation.parties": [FAMILY]},  # nobody to take along
        {"operation.passengers.male_share": 1.0, "operation.mass.body.women.sd": 9.0},
        {"operation.mass.bag.mean": 0.0, "operation.mass.bag.none_share": 0.5},
        {"operation.mass.bag.none_share": 1.0, "operation.mass.bag.sd": 3.0},
        {"operation.seating.movers_share": 0.5, "operation.service.reseating_share": 1.0},
        {"operation.mass.body.children.sd": 5.0},
    ],
)
def test_doubts_that_touch_nobody_do_not_count(changes):
    model = still(changes)
    assert why_not_exact(model) == ""
    score = envelope_score(model, side="aft")
    rows = flown(model, 40, 6)
    real = column(model, rows, "seating") + column(model, rows, "mass")
    rest = score.of(rows) - abs(score.factor[0]) * real
    assert np.ptp(rest) < 1e-9
    exact_tail(model, score=score, thresholds=score.of(rows)[:1] + 1e-4)


def test_scores_of_something_else_are_refused():
    model = still()
    score = envelope_score(model, side="aft")
    other = replace(score, columns=(5,), factor=(1.0,), constant=(0.0,))
    with pytest.raises(ComputationError, match="looks at take_off_cg_pct_mac"):
        exact_tail(model, score=other, thresholds=[0.0])
    forward = envelope_score(model, side="forward")
    both = replace(
        score,
        columns=(score.columns[0], forward.columns[0]),
        factor=(score.factor[0], forward.factor[0]),
        constant=(0.0, 0.0),
    )
    with pytest.raises(ComputationError, match="margins are of different sides"):
        exact_tail(model, score=both, thresholds=[0.0])


@pytest.mark.parametrize("thresholds", [[1.0, 0.5], [1.0, 1.0], [math.inf], []])
def test_faulty_thresholds_are_refused(thresholds):
    model = still()
    with pytest.raises(UsageError, match="thresholds: expected"):
        exact_tail(model, score=envelope_score(model, side="aft"), thresholds=thresholds)


def test_arms_without_a_lattice_are_refused_not_rounded(seed_offset):
    rng = np.random.default_rng(35 + seed_offset)
    pitches = 0.7 + 0.2 * rng.random(29)
    rows = [{"rows": str(i + 1), "pitch": float(pitch)} for i, pitch in enumerate(pitches)]
    model = still({"aircraft.cabin.rows": rows, "operation.seating.scope": "cabin"})
    with pytest.raises(ComputationError, match=r"Count flights|common lattice"):
        seating_law(model)
    assert why_not_exact(model) != ""
    finer = [{**row, "pitch": round(row["pitch"], 4)} for row in rows]
    model = still({"aircraft.cabin.rows": finer, "operation.seating.scope": "cabin"})
    with pytest.raises(ComputationError, match=r"lattice of 0\.1 mm takes"):
        seating_law(model)


def test_the_step_of_many_arms_is_found(seed_offset):
    """The rounding of one remainder must not be multiplied by the next."""
    rng = np.random.default_rng(36 + seed_offset)
    for _ in range(40):
        arms = np.cumsum(rng.integers(7_000, 9_000, 29)) * 1e-4
        whole = np.rint(arms / 1e-4).astype(np.int64)
        factor = np.gcd.reduce(whole)
        step, multiples = common_step(arms, finest=1e-7, tolerance=1e-11)
        assert step == pytest.approx(factor * 1e-4, rel=1e-12)
        np.testing.assert_array_equal(multiples, whole // factor)


def test_laws_on_different_lattices_are_added():
    first = LatticeLaw(1.0, 0.6, np.array([0.25, 0.5, 0.25]))
    second = LatticeLaw(-2.0, 0.4, np.array([0.5, 0.0, 0.5]))
    total = add_laws([first, second, LatticeLaw(10.0, 1.0, np.ones(1))], tolerance=1e-9)
    places = total.start + total.step * np.flatnonzero(total.probability)
    np.testing.assert_allclose(places, [9.0, 9.6, 9.8, 10.2, 10.4, 11.0], rtol=1e-12)
    chances = total.probability[total.probability > 0.0]
    np.testing.assert_allclose(chances, [0.125, 0.25, 0.125, 0.125, 0.25, 0.125], rtol=1e-14)
    with pytest.raises(ComputationError, match=r"different regions|common lattice"):
        add_laws(
            [first, LatticeLaw(0.0, 0.6 * math.sqrt(2.0), second.probability)],
            tolerance=1e-9,
        )
