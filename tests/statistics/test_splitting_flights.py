"""Splitting on whole flights: against the exact law of the seats, and against counted flights.

An estimate is right if its interval at 1 - 1e-5 holds the truth; each test states how wide the
standard error (SE) may be, so that being right says something.
"""

from __future__ import annotations

import copy
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from cgrisk.errors import ComputationError
from cgrisk.flight import FlightModel, fly_block, prepare, zero_fuel_scale
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.estimate import replicate_interval
from cgrisk.rare.multilevel import SplitTail, split_tail
from cgrisk.rare.pilot import fly_pilot
from cgrisk.rare.question import Question
from cgrisk.rare.score import Score, envelope_score
from cgrisk.rare.strata import strata_of
from tests.cabin_cases import NO_SERVICE, NOBODY_UP, phase
from tests.cut_cases import SMALL
from tests.flight_cases import SEATING_ALONE, edited, shipped_scenario
from tests.oracles.seating_counts import row_sum_law
from tests.simpy_cases import CERTAIN

PITCH, ADULT = 0.8, 84.0
SURE = 1.0 - 1e-5
_BODY = {"mean": 80.0, "sd": 0.0, "skewness": 0.0}
#: A quarter of an hour, most of it cruise.
PHASES = [
    phase("taxi_out", 2.0, gear="down", sign=True),
    phase("take_off", 2.0, sign=True),
    phase("cruise", 10.0),
    phase("landing", 1.0, sign=True),
]
SHORT: dict[str, Any] = {"operation.phases": PHASES}
#: Nothing varies but the seats, and everybody weighs what the load sheet says.
STILL: dict[str, Any] = {
    **CERTAIN,
    **SEATING_ALONE,
    **NOBODY_UP,
    **NO_SERVICE,
    "operation.mass.body.men": _BODY,
    "operation.mass.body.women": _BODY,
    "operation.mass.bag": {"mean": 4.0, "sd": 0.0, "none_share": 0.0},
}


def cabin(zones: list[tuple[int, int, int]], changes: dict[str, Any]) -> FlightModel:
    """A cabin of zones (first row, last row, adults), six seats to a row."""
    rows = zones[-1][1]
    return prepare(
        edited(
            copy.deepcopy(
                {
                    **changes,
                    "aircraft.cabin.rows": [{"rows": f"1-{rows}", "pitch": PITCH}],
                    "operation.service.carts": [],
                    "operation.parties": [],
                    "operation.entry_errors": [],
                    "operation.zones": [
                        {"name": f"from {a}", "rows": f"{a}-{b}", "adults": n, "children": 0}
                        for a, b, n in zones
                    ],
                }
            )
        )
    )


def exact_tail(model: FlightModel, zones: list[tuple[int, int, int]]) -> tuple[Any, Any]:
    """Return (scores halfway between those possible, probability above each), by counting."""
    law: dict[int, float] = {0: 1.0}
    for first, last, adults in zones:
        rows = last - first + 1
        # Twice the sum of rows from the zone's middle, a whole number.
        here = {
            2 * total - adults * (rows - 1): float(p)
            for total, p in row_sum_law(rows=rows, seats_per_row=6, people=adults).items()
        }
        grown: dict[int, float] = {}
        for a, p in law.items():
            for b, q in here.items():
                grown[a + b] = grown.get(a + b, 0.0) + p * q
        law = grown
    doubled = np.array(sorted(law))
    above = np.cumsum([law[int(t)] for t in doubled[::-1]])[::-1]
    moment = (doubled - 1.0) * 0.5 * PITCH * ADULT + model.sheet.rounding_kgm
    return moment / zero_fuel_scale(model), above


def asked(model: FlightModel, seed: int, score: Score | None = None, **named: Any) -> Question:
    score = envelope_score(model, side="aft") if score is None else score
    return Question(model=model, score=score, seed=seed, jobs=2, **named)


def split(question: Question, **named: Any) -> SplitTail:
    return split_tail(question, pilot=fly_pilot(question), **named)


def assert_holds(tail: SplitTail, at: np.ndarray, exact: np.ndarray, *, error: list[float]) -> None:
    each = tail.by_replicate(at)
    mean, low, high = replicate_interval(each, confidence=SURE)
    relative = each.std(axis=0, ddof=1) / mean / math.sqrt(len(each))
    assert (relative < error).all(), relative
    assert ((low <= exact) & (exact <= high)).all(), (mean / exact, relative)


ONE = [(1, 10, 30)]
THREE = [(1, 4, 13), (5, 8, 12), (9, 12, 11)]
WHOLE = [(1, 9, 44), (10, 19, 52), (20, 29, 52)]


@pytest.mark.parametrize(
    ("zones", "changes", "particles"),
    [
        pytest.param(ONE, SHORT, 500, id="one zone"),
        pytest.param(THREE, SHORT, 4_000, id="three zones", marks=pytest.mark.nightly),
        pytest.param(WHOLE, {}, 2_000, id="whole cabin", marks=pytest.mark.nightly),
    ],
)
def test_seats_alone_against_their_exact_law(zones, changes, particles, seed_offset) -> None:
    model = cabin(zones, {**STILL, **changes})
    scores, above = exact_tail(model, zones)
    places = [int(np.argmax(above <= p)) for p in (1e-3, 1e-5, 1e-7, 1e-9)]
    at, exact = scores[places], above[places]
    # The score is the seats' moment, on every flight.
    rows = fly_block(model, seed=1, flights=np.arange(200, dtype=np.uint32))
    moment = rows[:, model.columns.index("take_off_error_kgm.seating")]
    np.testing.assert_allclose(
        envelope_score(model, side="aft").of(rows) * zero_fuel_scale(model),
        moment + model.sheet.rounding_kgm,
        atol=1e-6,
    )
    question = asked(model, 31 + seed_offset, target=1e-5, deepest=1e-9)
    tail = split(question, replicates=16, particles=particles)
    assert_holds(tail, at, exact, error=[0.25, 0.35, 0.6, 0.8])


@pytest.mark.nightly
@pytest.mark.parametrize("adaptive", [False, True])
def test_no_bias_to_a_hundredth_at_1e5(adaptive: bool, seed_offset: int) -> None:
    model = cabin(ONE, {**STILL, **SHORT})
    scores, above = exact_tail(model, ONE)
    place = int(np.argmax(above <= 1e-5))
    question = asked(model, 32 + seed_offset, target=1e-5, deepest=5e-6)
    tail = split(question, replicates=1_800, particles=4_000, adaptive=adaptive)
    each = tail.by_replicate(scores[[place]])[:, 0] / above[place]
    error = each.std(ddof=1) / math.sqrt(each.size)
    assert error <= 0.01
    assert abs(each.mean() - 1.0) < 5.0 * error


def assert_counted_alike(question: Question, tail: SplitTail, *, flights: int, hits: int) -> None:
    """Compare at the target's threshold of the pilot with counted flights, at 5 SE together."""
    at = np.array([fly_pilot(question).threshold(question.target)])
    scores = fly_scores(
        question.model, score=question.score, seed=question.seed + 1, first=0, count=flights, jobs=2
    )
    seen = int((scores > at[0]).sum())
    each = tail.by_replicate(at)[:, 0]
    error = math.hypot(each.std(ddof=1) / math.sqrt(each.size), math.sqrt(seen) / flights)
    assert seen >= hits
    assert error < 0.5 * each.mean()
    assert abs(seen / flights - each.mean()) < 5.0 * error


@pytest.mark.parametrize(
    ("target", "flights"),
    [
        pytest.param(1e-3, 40_000, id="1e-3"),
        pytest.param(1e-4, 2_000_000, id="1e-4", marks=pytest.mark.nightly),
        pytest.param(1e-5, 20_000_000, id="1e-5", marks=pytest.mark.nightly),
    ],
)
def test_small_flights_against_counting(target, flights, seed_offset) -> None:
    question = asked(prepare(edited(SMALL)), 33 + seed_offset, target=target, deepest=target)
    tail = split(question, replicates=12, particles=500 if target > 1e-4 else 4_000)
    assert_counted_alike(question, tail, flights=flights, hits=15)


@pytest.mark.nightly
@pytest.mark.parametrize(("target", "flights"), [(1e-4, 1_000_000), (1e-5, 3_000_000)])
def test_shipped_flights_against_counting(target, flights, seed_offset) -> None:
    question = asked(prepare(shipped_scenario()), 34 + seed_offset, target=target, deepest=target)
    tail = split(question, replicates=12, particles=2_000)
    assert_counted_alike(question, tail, flights=flights, hits=5)


def test_a_score_without_spread_is_named() -> None:
    """A full cabin of equal people: every flight is the planned one."""
    model = cabin([(1, 10, 60)], {**STILL, **SHORT})
    with pytest.raises(ComputationError, match="'envelope' does not vary: it is"):
        fly_pilot(asked(model, 1, target=1e-3, deepest=1e-4))


# Strata.

SURGE: dict[str, Any] = {
    # The last minutes before landing have no room for one: a descent follows the cruise.
    "operation.phases": [*PHASES[:3], phase("descent", 8.0), PHASES[3]],
    **NOBODY_UP,
    "operation.crowd.surge_probability": 1e-3,
    "operation.crowd.surge_people": 25,
    "operation.crowd.surge_toward": "aft",
}


def test_a_rare_surge_is_a_stratum_and_counts_alike(seed_offset: int) -> None:
    model = cabin(ONE, SURGE)
    calm, surging = strata_of(model)
    assert (calm.name, surging.name) == ("none", "surge")
    assert calm.probability + surging.probability == 1.0
    assert surging.probability == 1e-3
    flights = np.arange(500, dtype=np.uint32)
    for stratum, share in ((calm, 0.0), (surging, 1.0)):
        rows = fly_block(stratum.model, seed=1, flights=flights)
        assert (rows[:, model.columns.index("surge")] == share).all()
    # What is not the surge's is drawn alike.
    column = model.columns.index("zero_fuel_cg_pct_mac")
    one, other = (fly_block(s.model, seed=1, flights=flights)[:, column] for s in (calm, surging))
    np.testing.assert_array_equal(one, other)
    # In flight, where a surge is what leads far out.
    score = envelope_score(model, side="aft", group="in_flight")
    question = asked(model, 35 + seed_offset, score, target=3e-4, deepest=1e-4)
    tail = split(question, replicates=10, particles=400)
    assert_counted_alike(question, tail, flights=120_000, hits=5)


def test_a_certain_surge_or_none_makes_one_stratum() -> None:
    for chance in (0.0, 1.0):
        strata = strata_of(cabin(ONE, {**SURGE, "operation.crowd.surge_probability": chance}))
        assert [s.probability for s in strata] == [1.0]


def test_a_closed_lavatory_is_a_stratum(seed_offset: int) -> None:
    changes = {
        **SURGE,
        "operation.behaviour.lavatory_closed": 0.02,
        "operation.behaviour.trips_aisle": 3.0,
        "aircraft.cabin.lavatories": [
            {"name": "only", "arm": 14.0, "count": 1, "queue_toward": "fore"}
        ],
        "operation.crowd.surge_probability": 0.25,
    }
    model = cabin(ONE, changes)
    strata = strata_of(model)
    expected = {
        "none": 0.75 * 0.98,
        "surge": 0.25 * 0.98,
        "a lavatory closed": 0.75 * 0.02,
        "surge and a lavatory closed": 0.25 * 0.02,
    }
    assert {s.name: pytest.approx(s.probability) for s in strata} == expected
    assert math.fsum(s.probability for s in strata) == pytest.approx(1.0, abs=1e-15)
    assert [s.name for s in strata] == sorted(expected, key=lambda name: -expected[name])
    flights = np.arange(300, dtype=np.uint32)
    visits = model.columns.index("lavatory_visits")
    for stratum in strata:
        rows = fly_block(stratum.model, seed=2 + seed_offset, flights=flights)
        assert (rows[:, visits] > 0.0).any() == ("closed" not in stratum.name)
        assert (rows[:, model.columns.index("surge")] == ("surge" in stratum.name)).all()


WRONG: dict[str, Any] = {
    "kind": "zone_count",
    "people": 8,
    "from_zone": "from 1",
    "to_zone": "from 9",
    "holds": None,
}


def with_errors(*errors: dict[str, Any]) -> FlightModel:
    model = cabin(THREE, {**STILL, **SHORT})
    return prepare(edited({"operation.entry_errors": list(errors)}, base=model.scenario))


def test_errors_on_the_sheet_are_strata_and_are_counted(seed_offset: int) -> None:
    model = with_errors(
        {"name": "eight aft", "probability": 2e-3, **WRONG},
        {"name": "never", "probability": 0.0, **WRONG},
        {"name": "two aft", "probability": 0.1, **WRONG, "people": 2},
    )
    strata = strata_of(model)
    assert [s.probability for s in strata] == pytest.approx([0.898, 0.1, 2e-3])
    assert [s.name.partition(":")[0] for s in strata] == ["none", "two aft", "eight aft"]
    # Eight people, eight rows aft: their moment, on average.
    flights = np.arange(4_000, dtype=np.uint32)
    score = envelope_score(model, side="aft")
    means = [
        float(score.of(fly_block(s.model, seed=3 + seed_offset, flights=flights)).mean())
        for s in strata
    ]
    shift = ADULT * 8 * PITCH / zero_fuel_scale(model)
    spread = 5.0 * 0.5 * math.sqrt(2.0 / flights.size)  # scores spread by less than 0.5 % MAC
    assert means[1] - means[0] == pytest.approx(2 * shift, abs=spread)
    assert means[2] - means[0] == pytest.approx(8 * shift, abs=spread)
    # Counted flights have the errors as often as stated.
    question = asked(model, 36 + seed_offset, target=5e-4, deepest=2e-4)
    tail = split(question, replicates=10, particles=250)
    assert_counted_alike(question, tail, flights=60_000, hits=5)


def test_counted_errors_do_not_depend_on_batches() -> None:
    model = with_errors({"name": "eight aft", "probability": 0.3, **WRONG})
    score = envelope_score(model, side="aft")
    whole = fly_scores(model, score=score, seed=5, first=0, count=1_500)
    parts = [
        fly_scores(model, score=score, seed=5, first=k, count=500, jobs=1) for k in (0, 500, 1_000)
    ]
    np.testing.assert_array_equal(whole, np.concatenate(parts))
    wrong = strata_of(model)[1].model
    rows = fly_block(wrong, seed=5, flights=np.arange(1_500, dtype=np.uint32))
    share = int((whole == score.of(rows)).sum())
    assert stats.binomtest(share, 1_500, 0.3).pvalue > 1e-6


def test_one_error_that_always_happens_leaves_nothing_else() -> None:
    strata = strata_of(with_errors({"name": "always", "probability": 1.0, **WRONG}))
    assert [(s.name.partition(":")[0], s.probability) for s in strata] == [("always", 1.0)]
