"""A counted quantile asks for enough flights that its bound is no extreme one, and says so."""

from __future__ import annotations

import math

import numpy as np
import pytest

from cgrisk.flight import prepare
from cgrisk.rare import Question, envelope_score, tail_quantile
from cgrisk.rare.choice import choose
from cgrisk.rare.counting import flights_to_count
from cgrisk.rare.pilot import fly_pilot
from cgrisk.scenario import load_scenario
from tests.flight_cases import SHIPPED

TARGET = 1e-3


def _question(relative_error):
    model = prepare(load_scenario(SHIPPED.parent / "commuter"))
    score = envelope_score(model, side="aft")
    asked = {"target": TARGET, "deepest": 1e-4, "relative_error": relative_error}
    return Question(model=model, score=score, seed=4, jobs=2, **asked)


@pytest.mark.parametrize(("asked", "counted"), [(0.4, 0.3), (0.25, 0.25)])
def test_what_is_priced_is_flown(asked, counted):
    question = _question(asked)
    found = tail_quantile(question)
    flown = found.flights - found.pilot.flights
    assert found.method.startswith("counting")
    assert flown == math.ceil(flights_to_count(TARGET, relative_error=counted))
    choice = choose(question, pilot=found.pilot, counted_error=counted)
    assert f"needs about {float(f'{flown:.2g}'):,.0f} flights" in choice.why
    assert ("Counting is asked for 30 %." in choice.why) == (counted < asked)


def test_the_bound_is_not_one_of_the_last():
    found = tail_quantile(_question(0.4))
    ((counted,),) = (found.curve,)
    rank = np.interp(found.upper, counted.thresholds, counted.estimate * counted.flights)
    assert rank > 2.5  # at 0.4 it would be the last but one


def test_a_curve_is_counted_as_asked():
    question = _question(0.4)
    choice = choose(question, pilot=fly_pilot(question))
    wanted = flights_to_count(TARGET, relative_error=0.4)
    assert f"needs about {float(f'{wanted:.2g}'):,.0f} flights" in choice.why
    assert "Counting is asked" not in choice.why
