"""Stress cases that make a rare cause certain, swings by splitting, where a count ends."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cgrisk.causes import stress_table, swings
from cgrisk.causes.stress import _needed
from cgrisk.causes.swings import _told
from cgrisk.flight import prepare
from cgrisk.rare import Question, cloud_of, envelope_score, fly_pilot, split_tail
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.strata import Stratum
from cgrisk.rare.thresholds import located
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
}
SURGE = {"operation.crowd.surge_probability": 1.0, "operation.crowd.surge_people": 30}
WHERE = {"side": "forward", "group": "any"}


def asked(changes: dict[str, Any], seed: int) -> Question:
    model = prepare(edited(changes))
    score = envelope_score(model, side="forward")
    return Question(model, score, 1e-3, seed=seed, deepest=1e-4, jobs=2)


def test_a_cause_made_certain_meets_the_other(seed_offset: int) -> None:
    """The surge, which the scenario as it stands has not, with the swapped holds: by counting."""
    question = asked(RARE, 61 + seed_offset)
    tail = split_tail(question, pilot=fly_pilot(question), particles=1_000)
    surged = prepare(edited({**RARE, **SURGE}))
    counted = fly_scores(
        surged,
        score=envelope_score(surged, side="forward"),
        seed=62 + seed_offset,
        first=0,
        count=60_000,
        jobs=2,
    )
    level = float(np.quantile(counted, 1.0 - 2e-3))
    table = stress_table(question, cloud=cloud_of([tail]), level=level, **WHERE)
    table = table[table["where"] == "at the level"].set_index("case")
    row = table.loc["a surge of up to 30 people to the rear"]
    seen = float((counted > level).mean())
    t = 2.262  # of ten replicates
    error = row["estimate"] * math.log(row["high"] / row["estimate"]) / t
    assert error < 0.25 * seen
    assert abs(row["estimate"] - seen) < 5.0 * math.hypot(error, math.sqrt(seen / counted.size))
    base = table.loc["as it stands"]
    assert row["ratio"] == pytest.approx(row["estimate"] / base["estimate"])
    assert table.loc["one lavatory closed", "note"] == "the aircraft has no lavatory"


def test_strata_of_a_case_are_left_out_rarest_first() -> None:
    """Together below a tenth of the risk; those as likely as they were have flights already."""
    model = prepare(edited(SMALL))
    chances = {"a": 0.9, "b": 5e-5, "c": 4e-5, "d": 3e-5, "e": 0.1}
    strata = [Stratum(name, chance, model, (name,)) for name, chance in chances.items()]
    needed = _needed(strata, {"e": 0.05, "b": 1e-6}, risk=1e-3)
    assert [s.name for s in needed] == ["b", "a"]  # d and c make 7e-5, with b it were 1.2e-4


def test_splittings_tell_what_they_can() -> None:
    """100 flights of equal weight on all sides: an error of 0.141, times Student's t, 3.16."""
    assert _told((1.5, 0.5), [100.0, 100.0, 100.0]) == [0.5]  # 0.41 and 0.69 against 0.447
    assert _told((1.6, 0.5), [100.0, 100.0, 100.0]) == [1.6, 0.5]
    assert _told((1.6, 0.5), [100.0, 10.0, 100.0]) == [0.5]
    assert _told((9.0, 0.1), [0.0, 100.0, 100.0]) == []


def test_an_input_without_an_effect_is_not_told() -> None:
    """Parties in a cabin of one row: nothing moves the CG with them but chance."""
    changes = {**SMALL, "operation.parties": [{"name": "couple", "adults": [2, 2], "share": 0.4}]}
    question = asked(changes, 63)
    tail = split_tail(question, pilot=fly_pilot(question), particles=500)
    level = fly_pilot(question).threshold(1e-2)
    table = swings(
        question, cloud=cloud_of([tail]), thresholds=np.array([level]), level=level, **WHERE
    ).set_index("key")
    row = table.loc["operation.parties[].share"]
    assert row["method"] == "splitting"
    assert 5.0 < row["effective_flights"] < 1e4
    assert 0.3 < row["ratio_at_low"] < 3.0
    assert math.isnan(row["swing"])
    assert table.loc["operation.cargo.position_sd", "swing"] > 0.05


def test_ordinary_flights_place_the_end_of_a_count() -> None:
    scores = np.random.default_rng(1).permutation(np.arange(20_000) / 20_000)
    rough = SimpleNamespace(threshold=lambda _: 0.5)
    first = np.array([0.1, 0.5, 0.7])

    def found(target: float) -> tuple[float, np.ndarray]:
        question = SimpleNamespace(target=target)
        return located(question, pilot=rough, scores=scores, thresholds=first)

    at, thresholds = found(1e-2)
    assert at == pytest.approx(0.99, abs=1e-4)
    np.testing.assert_allclose(thresholds, [0.1, 0.7, 0.99, 0.995, 0.9975], atol=1e-4)
    at, thresholds = found(4e-4)  # eight flights would be above it
    assert at == 0.5
    np.testing.assert_array_equal(thresholds, first)
