"""Tilting: seeds of parts, refusals, the same bits on any number of threads, warnings."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import pytest

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, prepare
from cgrisk.flight.leaning import lean_block, sources, tilt_data
from cgrisk.rare.question import Meter
from cgrisk.rare.score import envelope_score, score_named, score_names
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.rare.tilt_pilot import off_one
from cgrisk.rare.tilt_rounds import Round
from cgrisk.rare.tilting import _answer, _doubts, _Pair, tilted_tail, why_not_tilted
from tests.flight_cases import edited
from tests.tilt_cases import ALL_LOADS, LAST_MINUTE, SEATS

PARTIES = [{"name": "couple", "share": 0.3, "adults": [2, 2]}]
CHILDREN = {"operation.zones.0.children": 1}
SWAP = [{"name": "swap", "kind": "swapped_holds", "holds": ["forward hold", "aft hold"]}]


@pytest.fixture(scope="module")
def still() -> FlightModel:
    return prepare(edited(ALL_LOADS))


def test_derived_seed_is_a_hash_of_seed_and_labels() -> None:
    digest = hashlib.sha256(b"7\0pilot\0003").digest()
    assert derived_seed(7, "pilot", "3") == int.from_bytes(digest[:8], "big")
    assert derived_seed(7, "pilot") != derived_seed(8, "pilot")
    assert derived_seed(7, "a", "b") != derived_seed(7, "ab")
    assert generator(0, "x").random() == generator(0, "x").random()
    assert generator(0, "x").random() != generator(0, "y").random()


def test_derived_seed_refuses_what_is_no_seed() -> None:
    with pytest.raises(UsageError, match="whole number from 0 to"):
        derived_seed(-1, "pilot")


@pytest.mark.parametrize(
    "changes",
    [
        {},
        LAST_MINUTE,
        CHILDREN,
        {"operation.parties": PARTIES},
        {"operation.seating.rule": "free"},
        {"operation.seating.movers_share": 0.01},
        {"operation.crowd.surge_probability": 0.1},
        {"operation.entry_errors": [{**SWAP[0], "probability": 0.01}]},
        {"operation.seating.rule": "window_first", "operation.seating.scope": "cabin"},
    ],
)
def test_cabins_with_people_are_tilted(changes: dict[str, Any]) -> None:
    assert why_not_tilted(prepare(edited({**ALL_LOADS, **changes}))) == ""


def test_empty_cabins_are_not_tilted() -> None:
    nobody = {f"operation.zones.{i}.adults": 0 for i in range(3)}
    told = why_not_tilted(prepare(edited({**ALL_LOADS, **nobody})))
    assert told == "Tilting leans the people aboard; here nobody is: use splitting or counting."


def test_other_scores_are_refused(still: FlightModel) -> None:
    other = next(name for name in score_names(still) if name != "envelope")
    with pytest.raises(UsageError, match="toward a side of the envelope"):
        tilted_tail(still, score=score_named(still, name=other), thresholds=np.array([1.0]), seed=1)


def test_every_stratum_needs_its_flights() -> None:
    model = prepare(
        edited({**ALL_LOADS, "operation.entry_errors": [{**SWAP[0], "probability": 0.01}]})
    )
    with pytest.raises(UsageError, match="most_flights: expected a whole number from 40000"):
        tilted_tail(
            model,
            score=envelope_score(model, side="aft"),
            thresholds=np.array([1.0]),
            seed=1,
            most_flights=39_999,
        )


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"thresholds": np.array([2.0, 1.0])}, "thresholds: expected at least one number, rising"),
        ({"thresholds": np.array([np.nan])}, "thresholds: expected"),
        ({"relative_error": 0.0}, "relative_error: expected"),
        ({"confidence": 1.0}, "confidence: expected"),
        ({"most_flights": 1000}, "most_flights: expected a whole number from 20000"),
        ({"jobs": 0}, "jobs: expected"),
        ({"seed": -1}, "seed: expected"),
    ],
)
def test_arguments_out_of_range(still: FlightModel, changes: dict[str, Any], expected: str) -> None:
    given: dict[str, Any] = {"thresholds": np.array([1.0]), "seed": 1, **changes}
    with pytest.raises(UsageError, match=expected):
        tilted_tail(still, score=envelope_score(still, side="aft"), **given)


def test_same_bits_on_any_number_of_threads(still: FlightModel) -> None:
    meters = (Meter(), Meter())
    done = [
        tilted_tail(
            still,
            score=envelope_score(still, side="forward"),
            thresholds=np.array([1.5, 2.5]),
            seed=0,
            relative_error=0.3,
            jobs=jobs,
            meter=meter,
        )
        for jobs, meter in zip((1, 2), meters, strict=True)
    ]
    assert done[0].estimate.tobytes() == done[1].estimate.tobytes()
    assert done[0].high.tobytes() == done[1].high.tobytes()
    assert done[0].flights == done[1].flights == meters[0].flown == meters[1].flown
    assert (done[0].low < done[0].estimate).all()
    assert (done[0].estimate < done[0].high).all()


def test_flights_do_not_depend_on_those_beside_them(still: FlightModel) -> None:
    found = sources(still)
    data = tilt_data(
        still,
        theta=1e-3,
        reference_arm_m=17.0,
        found=found,
        moment_kgm=np.full(len(found), 50.0),
        choice_seed=3,
    )
    numbers = np.arange(40, dtype=np.uint32)
    versions, weights, seats = lean_block(still, data, seed=5, flights=numbers)
    again = lean_block(still, data, seed=5, flights=numbers[::-3])
    np.testing.assert_array_equal(again[0], versions[::-3])
    np.testing.assert_array_equal(again[1], weights[::-3])
    np.testing.assert_array_equal(again[2], seats[::-3])


def test_beyond_reach_is_said() -> None:
    seats = prepare(edited(SEATS))
    found = tilted_tail(
        seats,
        score=envelope_score(seats, side="aft"),
        thresholds=np.array([60.0]),
        seed=1,
        most_flights=20_000,
    )
    assert found.flights <= 20_000
    assert np.isnan(found.estimate[0])
    assert (found.low[0], found.high[0]) == (0.0, 1.0)
    assert "out of this method's reach" in found.warnings[0]


def test_no_more_flights_than_allowed() -> None:
    seats = prepare(edited(SEATS))
    found = tilted_tail(
        seats,
        score=envelope_score(seats, side="aft"),
        thresholds=np.linspace(0.0, 2.5, 40),
        seed=1,
        relative_error=0.01,
        most_flights=20_000,
    )
    assert found.flights <= 20_000
    assert any("more flights would help" in text for text in found.warnings)


def test_what_does_not_vary_is_refused() -> None:
    full = {f"operation.zones.{i}.adults": n for i, n in enumerate((54, 60, 60))}
    model = prepare(edited({**SEATS, **full}))
    with pytest.raises(UsageError, match="the same on all flights"):
        tilted_tail(
            model, score=envelope_score(model, side="aft"), thresholds=np.array([1.0]), seed=1
        )


def _round_of(scores: list[float], weights: list[float]) -> Round:
    return Round(1.0, 5, len(scores) // 20, np.array(scores), np.array(weights))


def test_strengths_that_disagree_widen_the_interval() -> None:
    """One strength saw 10 % to 11 %, the other 20 % to 22 %: the interval holds both."""
    one = _round_of([1.0] * 40, [0.10, 0.11] * 10 + [0.10] * 20)
    other = _round_of([1.0] * 40, [0.20, 0.22] * 10 + [0.20] * 20)
    found = _answer([_Pair(1.0, one, other)], 0.5, 0.95)
    assert found.estimate == pytest.approx(0.154, rel=0.02)
    assert found.low < 0.103 < 0.206 < found.high
    doubts = _doubts(found, "Above 0.5", 0.1)
    assert "two strengths of the tilt differ" in doubts[0]
    agreed = _answer([_Pair(1.0, one, one)], 0.5, 0.95)
    assert agreed.apart == 0.0
    assert agreed.high - agreed.low < 0.01


def test_strata_are_summed_with_their_probabilities() -> None:
    often = _round_of([1.0] * 40, [0.2] * 40)
    seldom = _round_of([1.0] * 60, [0.6] * 60)
    pairs = [_Pair(0.75, often, often), _Pair(0.25, seldom, seldom)]
    assert _answer(pairs, 0.5, 0.95).estimate == pytest.approx(0.75 * 0.2 + 0.25 * 0.6)


def test_doubtful_weights_are_told() -> None:
    heavy = _round_of([1.0] * 40, [1e-9] * 39 + [1.0])
    told = " ".join(_doubts(_answer([_Pair(1.0, heavy, heavy)], 0.5, 0.95), "Above 0.5", 0.1))
    assert "worth only 2 equal flights" in told
    assert "one flight carries 50 % of the weight" in told
    assert "more flights would help" in told


def test_mean_of_weights_is_judged_where_it_can_be() -> None:
    good = np.random.default_rng(1).uniform(0.5, 1.5, 2000)
    assert abs(off_one(good)) < 5.0
    assert off_one(0.9 * good) < -5.0
    assert off_one(np.array([1e-6] * 1999 + [1.0])) == 0.0
    assert off_one(np.ones(100)) == 0.0
