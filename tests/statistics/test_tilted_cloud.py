"""The cloud of a tilted tail: the law as it stands, and under other assumptions."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.flight import FlightModel, prepare
from cgrisk.rare.cloud import Cloud, cloud_interval, fly_cloud, fly_rows
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.score import envelope_score
from cgrisk.rare.strata import strata_of
from cgrisk.rare.tilt_cloud import _KEEP, tilted_cloud
from cgrisk.rare.tilt_mixture import BATCHES
from cgrisk.rare.tilting import TiltedTail, fly_tilted
from tests.flight_cases import edited

#: With a rare cause, so that there are two strata.
CASE = {"operation.crowd.surge_probability": 0.02}
#: Heavier bags, and more who get up when the sign goes off.
OTHER = {
    **CASE,
    "operation.cargo.bag_mean": 17.0,
    "operation.crowd.sign_off_share": 0.2,
}
COUNTED = 30_000


@pytest.fixture(scope="module")
def model() -> FlightModel:
    return prepare(edited(CASE))


@pytest.fixture(scope="module")
def counted(model: FlightModel) -> np.ndarray:
    score = envelope_score(model, side="aft")
    return fly_scores(model, score=score, seed=90, first=0, count=COUNTED, jobs=2)


@pytest.fixture(scope="module")
def tail(model: FlightModel, counted: np.ndarray, seed_offset: int) -> TiltedTail:
    return fly_tilted(
        model,
        score=envelope_score(model, side="aft"),
        thresholds=np.quantile(counted, [0.9, 0.99, 0.999]),
        seed=17 + seed_offset,
        relative_error=0.1,
        jobs=2,
    )


@pytest.fixture(scope="module")
def cloud(tail: TiltedTail) -> Cloud:
    return tilted_cloud(tail)


def test_flights_of_the_cloud_are_those_that_were_flown(
    model: FlightModel, tail: TiltedTail, cloud: Cloud
) -> None:
    strata = strata_of(model)
    scores = fly_cloud(cloud, strata=strata, score=envelope_score(model, side="aft"), jobs=2)
    kept = np.concatenate([part.particles.scores for part in cloud.parts])
    np.testing.assert_array_equal(scores, kept)
    assert {part.name for part in cloud.parts} == {stratum.name for stratum in strata}
    strengths = sum(len(stratum.rounds) for stratum in tail.strata)
    assert len(cloud.parts) <= strengths
    cells = (len(tail.estimate.thresholds) + 1) * BATCHES * len(strata)
    assert len(cloud) <= cells * _KEEP
    assert len(cloud) < sum(stratum.flights for stratum in tail.strata)


def test_it_has_the_whole_law(model: FlightModel, cloud: Cloud, counted: np.ndarray) -> None:
    """Its weight is 1 and its tail, at and between the thresholds, is the counted one."""
    strata = strata_of(model)
    rows = fly_rows(cloud, strata=strata, jobs=2)
    weights, replicate = cloud.weights(strata), cloud.replicate()
    each = np.bincount(replicate, weights, minlength=BATCHES) * BATCHES
    assert abs(each.mean() - 1.0) < 5.0 * each.std(ddof=1) / np.sqrt(BATCHES)
    scores = envelope_score(model, side="aft").of(rows)
    places = np.quantile(counted, [0.9, 0.97, 0.99, 0.997])
    found, _, _ = cloud_interval(cloud, strata=strata, scores=scores, thresholds=places)
    for place, estimate in zip(places, found, strict=True):
        parts = np.bincount(replicate, weights * (scores > place), minlength=BATCHES) * BATCHES
        own = parts.std(ddof=1) / np.sqrt(BATCHES)
        share = float((counted > place).mean())
        error = np.hypot(own, np.sqrt(share * (1.0 - share) / counted.size))
        assert abs(estimate - share) < 5.0 * error


def test_flown_again_it_tells_the_tail_under_other_assumptions(
    cloud: Cloud, counted: np.ndarray, seed_offset: int
) -> None:
    other = prepare(edited(OTHER))
    score = envelope_score(other, side="aft")
    strata = strata_of(other)
    scores = fly_cloud(cloud, strata=strata, score=score, jobs=2)
    truth = fly_scores(other, score=score, seed=91 + seed_offset, first=0, count=COUNTED, jobs=2)
    weights, replicate = cloud.weights(strata), cloud.replicate()
    places = np.quantile(counted, [0.9, 0.99, 0.999])
    moved = False
    for place in places:
        each = np.bincount(replicate, weights * (scores > place), minlength=BATCHES) * BATCHES
        share = float((truth > place).mean())
        error = np.hypot(
            each.std(ddof=1) / np.sqrt(BATCHES), np.sqrt(share * (1.0 - share) / truth.size)
        )
        assert abs(each.mean() - share) < 5.0 * error
        before = float((counted > place).mean())
        moved |= abs(share - before) > 5.0 * np.sqrt(2.0 * before / truth.size)
    assert moved  # else nothing would have been asked of the cloud
