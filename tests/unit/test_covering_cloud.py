"""Two rare causes at once: in no cloud, but needed where a scenario makes one of them certain."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from cgrisk.flight import prepare
from cgrisk.rare import (
    Cloud,
    Question,
    cloud_interval,
    cloud_of,
    covering,
    envelope_score,
    fly_cloud,
    fly_pilot,
    split_tail,
    strata_of,
)
from cgrisk.rare.counting import fly_scores
from tests.cut_cases import SMALL
from tests.flight_cases import edited

#: Of this law, all that matters at 1e-3 comes with the holds swapped on the load sheet.
RARE: dict[str, Any] = {
    **SMALL,
    "operation.entry_errors": [
        {
            "name": "holds swapped",
            "kind": "swapped_holds",
            "holds": ["forward hold", "aft hold"],
            "probability": 0.01,
        }
    ],
    "operation.crowd.surge_probability": 0.001,
}


@pytest.fixture(scope="module")
def cloud(seed_offset: int):
    model = prepare(edited(RARE))
    score = envelope_score(model, side="forward")
    question = Question(model, score, 1e-3, seed=61 + seed_offset, deepest=1e-4, jobs=2)
    tail = split_tail(question, pilot=fly_pilot(question), particles=1_000)
    whole = cloud_of([tail])
    parts = tuple(part for part in whole.parts if len(part.causes) < 2)
    assert len(parts) == len(whole.parts) - 1 == 3
    return Cloud(parts, whole.replicates)


def test_a_cause_made_certain_meets_the_other(cloud, seed_offset: int) -> None:
    """Risk of that scenario from the cloud of the other, against 60,000 counted flights."""
    model = prepare(edited({**RARE, "operation.crowd.surge_probability": 1.0}))
    strata, score = strata_of(model), envelope_score(model, side="forward")
    both = next(s.name for s in strata if "surge" in s.name and "swapped" in s.name)
    counted = fly_scores(model, score=score, seed=62 + seed_offset, first=0, count=60_000, jobs=2)
    at = np.quantile(counted, [1.0 - 3e-3, 1.0 - 1e-3])
    seen = (counted[:, None] > at).mean(axis=0)

    def told(flown):
        scores = fly_cloud(flown, strata=strata, score=score, jobs=2)
        return cloud_interval(
            flown, strata=strata, scores=scores, thresholds=at, confidence=1.0 - 1e-5
        )

    whole = covering(cloud, strata=strata, least=1e-4)
    assert both in {part.name for part in whole.parts}
    estimate, low, high = told(whole)
    error = np.sqrt(seen / counted.size)
    assert (low - 5.0 * error <= seen).all()
    assert (seen <= high + 5.0 * error).all()
    assert (high < 4.0 * estimate).all()
    # Left to the nearest there, the surge, the risk of the swapped holds is missing.
    without, _, _ = told(cloud)
    assert (without < 0.5 * seen).all()


def test_weights_add_up_to_one_and_rare_strata_stay_out(cloud) -> None:
    strata = strata_of(prepare(edited({**RARE, "operation.crowd.surge_probability": 0.5})))
    whole = covering(cloud, strata=strata, least=1e-4)
    assert whole.weights(strata).sum() == pytest.approx(1.0, rel=0.02)
    assert covering(cloud, strata=strata, least=0.1).parts == cloud.parts
    added = whole.parts[len(cloud.parts) :]
    assert {part.name for part in added} == {s.name for s in strata} - {p.name for p in cloud.parts}
    # Of both causes, the flights of either alone stand for an equal part.
    origins = {part.origin for part in added}
    assert len(origins) == 2
    assert math.isclose(sum(part.weight.sum() for part in added), 1.0, rel_tol=0.02)
