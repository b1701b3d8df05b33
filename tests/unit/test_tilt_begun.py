"""Tilting's pilots: the rough tail by which a curve's points are placed and its cost is told."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

import cgrisk.rare.choice as choice_module
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, prepare
from cgrisk.rare.choice import tilt
from cgrisk.rare.question import Question
from cgrisk.rare.score import envelope_score
from cgrisk.rare.thresholds import curve_thresholds
from cgrisk.rare.tilt_begun import begin_tilting
from cgrisk.rare.tilting import finish_tilting, fly_tilted
from cgrisk.report.tail_text import _fit_line
from tests.flight_cases import edited
from tests.tilt_cases import ALL_LOADS, SWAP


@pytest.fixture(scope="module")
def still() -> FlightModel:
    return prepare(edited(ALL_LOADS))


def test_pilots_go_on_to_the_probability_that_is_asked_for(still: FlightModel) -> None:
    """From a score that one in some hundred flights exceeds to 1e-7."""
    score = envelope_score(still, side="aft")
    short = begin_tilting(still, score=score, furthest=1.0, seed=4, most=60_000, jobs=2)
    begun = begin_tilting(
        still, score=score, furthest=1.0, deepest=1e-7, seed=4, most=60_000, jobs=2
    )
    assert short.furthest == 1.0
    assert short.exceedance(np.array([1.0]))[0] > 1e-4
    assert begun.furthest > 2.0
    assert begun.exceedance(np.array([begun.furthest]))[0] <= 1e-7
    scores = begun.candidates()
    assert (np.diff(scores) > 0.0).all()
    assert (np.diff(begun.exceedance(scores)) <= 0.0).all()
    assert begun.exceedance(scores[:1])[0] == pytest.approx(0.5, abs=0.1)
    # Rough, but right: what the flights planned by it tell lies near.
    places = np.array([begun.threshold(p) for p in (1e-2, 1e-4, 1e-6)])
    tail = finish_tilting(
        begun,
        thresholds=places,
        relative_error=np.full(3, 0.1),
        most_flights=200_000,
        confidence=0.95,
    )
    np.testing.assert_allclose(tail.estimate.estimate, [1e-2, 1e-4, 1e-6], rtol=0.5)
    assert tail.estimate.flights > begun.flights


def test_what_is_flown_at_once_is_what_is_flown_in_two_steps(still: FlightModel) -> None:
    score, places = envelope_score(still, side="aft"), np.array([1.0, 2.0])
    once = fly_tilted(still, score=score, thresholds=places, seed=6, relative_error=0.2, jobs=2)
    begun = begin_tilting(still, score=score, furthest=2.0, seed=6, most=500_000, jobs=1)
    twice = finish_tilting(
        begun,
        thresholds=places,
        relative_error=np.full(2, 0.2),
        most_flights=1_000_000,
        confidence=0.95,
    )
    assert once.estimate.estimate.tobytes() == twice.estimate.estimate.tobytes()
    assert once.estimate.flights == twice.estimate.flights


def test_strata_count_with_their_probabilities() -> None:
    changes = {**ALL_LOADS, "operation.entry_errors": [{**SWAP[0], "probability": 0.01}]}
    model = prepare(edited(changes))
    score = envelope_score(model, side="aft")
    begun = begin_tilting(model, score=score, furthest=1.5, seed=2, most=60_000, jobs=2)
    assert len(begun.climbed) == 2
    places = np.array([0.0, 1.0])
    parts = [c.stratum.probability * c.pilot.estimate(places) for c in begun.climbed]
    np.testing.assert_allclose(begun.exceedance(places), parts[0] + parts[1], rtol=1e-12)
    assert sum(c.stratum.probability for c in begun.climbed) == pytest.approx(1.0)
    assert begun.reached(places).shape == (2, 2)


def test_too_few_flights_for_any_pilot(still: FlightModel) -> None:
    score = envelope_score(still, side="aft")
    with pytest.raises(UsageError, match="most: expected at least 20,000 flights for each"):
        begin_tilting(still, score=score, furthest=1.0, seed=1, most=800)


def test_the_planned_load_is_told_as_well_as_the_target(
    still: FlightModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    score = envelope_score(still, side="aft")
    begun = begin_tilting(
        still, score=score, furthest=2.0, deepest=1e-6, seed=3, most=60_000, jobs=2
    )
    planned, limit = begun.threshold(7e-3), begun.threshold(3e-6)
    own = replace(score, as_planned=planned, at_limit=limit)
    question = Question(still, own, target=1e-5, seed=3, deepest=1e-6, jobs=2)
    thresholds = curve_thresholds(begun, question=question)
    asked: dict[str, Any] = {}
    monkeypatch.setattr(choice_module, "finish_tilting", lambda *_, **given: asked.update(given))
    tilt(question, begun=begun, thresholds=thresholds)
    errors = asked["relative_error"]
    assert errors[thresholds == planned] == pytest.approx(0.1)
    assert errors[thresholds == limit] > 0.15  # rarer than the target: as others there
    assert errors[thresholds == begun.threshold(1e-5)] == pytest.approx(0.1, abs=0.01)
    others = (begun.exceedance(thresholds) > 2e-5) & (thresholds != planned)
    assert others.sum() > 5
    assert (errors[others] > 0.1).all()


@pytest.mark.parametrize(
    ("fit", "said"), [(5e-7, ""), (1e-9, "tells 1e-09 for 1e-06"), (0.0, "tells 0 ")]
)
def test_how_far_the_tail_fit_is_off_is_said(fit: float, said: str) -> None:
    curve = pd.DataFrame(
        {"threshold": [1.0, 2.0, 3.0], "estimate": [1e-4, 1e-6, 0.0], "fit": [1e-4, fit, math.nan]}
    )
    score = SimpleNamespace(unit="% MAC")
    study: Any = SimpleNamespace(curve=curve, question=SimpleNamespace(target=9e-7, score=score))
    text = _fit_line(study)
    assert text.startswith("generalised-Pareto fit: a cross-check only")
    assert said in text
    assert ("at 2.00 % MAC" in text) == bool(said)
