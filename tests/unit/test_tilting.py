"""Tilting: seeds of parts, refusals, the same bits on any number of threads, warnings."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import pytest

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, prepare
from cgrisk.flight.leaning import lean_block, sources, tilt_data
from cgrisk.rare.score import envelope_score, score_named, score_names
from cgrisk.rare.seeds import derived_seed, generator
from cgrisk.rare.tilting import tilted_tail, why_not_tilted
from tests.cabin_cases import NO_SERVICE, NOBODY_UP
from tests.flight_cases import SEATING_ALONE, edited, shipped_scenario

STILL: dict[str, Any] = {**NOBODY_UP, **NO_SERVICE}


@pytest.fixture(scope="module")
def still() -> FlightModel:
    return prepare(edited({**STILL, **SEATING_ALONE}))


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
    ("changes", "reason"),
    [
        ({"operation.behaviour.trips_aisle": 0.1}, "passengers get up"),
        ({"operation.crowd.sign_off_share": 0.1}, "when the sign goes off"),
        ({"operation.crowd.surge_probability": 0.1}, "surge"),
        ({"operation.service.crew_walks": 1.0}, "crew walks"),
    ],
)
def test_movement_is_named(changes: dict[str, Any], reason: str) -> None:
    assert reason in why_not_tilted(prepare(edited({**STILL, **changes})))


def test_still_cabin_may_be_tilted(still: FlightModel) -> None:
    assert why_not_tilted(still) == ""
    assert "carts are pushed" in why_not_tilted(prepare(shipped_scenario()))


def test_movement_and_other_scores_are_refused(still: FlightModel) -> None:
    moving = prepare(shipped_scenario())
    with pytest.raises(UsageError, match="not movement"):
        tilted_tail(
            moving, score=envelope_score(moving, side="aft"), thresholds=np.array([1.0]), seed=1
        )
    other = next(name for name in score_names(still) if name != "envelope")
    with pytest.raises(UsageError, match="toward a side of the envelope"):
        tilted_tail(still, score=score_named(still, name=other), thresholds=np.array([1.0]), seed=1)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"thresholds": np.array([2.0, 1.0])}, "thresholds: expected at least one number, rising"),
        ({"thresholds": np.array([np.nan])}, "thresholds: expected"),
        ({"relative_error": 0.0}, "relative_error: expected"),
        ({"confidence": 1.0}, "confidence: expected"),
        ({"most_flights": 100}, "most_flights: expected a whole number from 50000"),
        ({"jobs": 0}, "jobs: expected"),
        ({"seed": -1}, "seed: expected"),
    ],
)
def test_arguments_out_of_range(still: FlightModel, changes: dict[str, Any], expected: str) -> None:
    given: dict[str, Any] = {"thresholds": np.array([1.0]), "seed": 1, **changes}
    with pytest.raises(UsageError, match=expected):
        tilted_tail(still, score=envelope_score(still, side="aft"), **given)


def test_same_bits_on_any_number_of_threads(still: FlightModel) -> None:
    told: list[tuple[int, int]] = []
    done = [
        tilted_tail(
            still,
            score=envelope_score(still, side="forward"),
            thresholds=np.array([1.5, 2.5]),
            seed=0,
            relative_error=0.3,
            jobs=jobs,
            progress=lambda flown, most: told.append((flown, most)),
        )
        for jobs in (1, 2)
    ]
    assert done[0].estimate.tobytes() == done[1].estimate.tobytes()
    assert done[0].high.tobytes() == done[1].high.tobytes()
    assert done[0].flights == done[1].flights == told[-1][0]
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


def test_beyond_reach_is_said(still: FlightModel) -> None:
    found = tilted_tail(
        still,
        score=envelope_score(still, side="aft"),
        thresholds=np.array([60.0]),
        seed=1,
        most_flights=50_000,
    )
    assert np.isnan(found.estimate[0])
    assert (found.low[0], found.high[0]) == (0.0, 1.0)
    assert "out of this method's reach" in found.warnings[0]
