"""What buffers claim, checked with many flights: coverage of the bound, the worst count."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from cgrisk.decide.load_candidates import load_range, states_at
from cgrisk.decide.load_search import worst_load
from cgrisk.decide.load_state import scenario_with
from cgrisk.flight import fly_block, prepare
from cgrisk.rare import Question, envelope_score, tail_quantile
from cgrisk.rare.counting import fly_scores
from cgrisk.risk import quantile_interval
from tests.buffer_cases import QUIET, still_scenario
from tests.flight_cases import edited

GROUP = "take_off_and_landing"


def test_the_bound_of_the_command_is_that_of_its_flights(seed_offset: int) -> None:
    # The bound of counting is the order statistic of exactly these flights.
    model = prepare(still_scenario())
    score = envelope_score(model, side="aft", group=GROUP)
    question = Question(
        model=model,
        score=score,
        target=0.05,
        seed=9 + seed_offset,
        deepest=0.01,
        relative_error=0.2,
        confidence=0.9,
        jobs=2,
    )
    found = tail_quantile(question, method="counting")
    assert found.method.startswith("counting")
    assert found.estimate <= found.upper  # equal on one of the sums that seats can have
    # On fresh flights the bound is exceeded by fewer than 5 % in 19 cases of 20, and never by far.
    fresh = fly_scores(model, score=score, seed=100 + seed_offset, first=0, count=20_000, jobs=2)
    assert (fresh > found.upper).mean() < 0.06


@pytest.mark.nightly
def test_a_bound_fails_as_often_as_it_says(seed_offset: int) -> None:
    """1,000 repetitions at a = 1e-3: the share of bounds under the true quantile is 1 - c."""
    model = prepare(still_scenario())
    score = envelope_score(model, side="aft", group=GROUP)
    repetitions, each, risk = 1000, 8000, 1e-3
    scores = fly_scores(
        model, score=score, seed=1 + seed_offset, first=0, count=repetitions * each, jobs=2
    )
    ordered = np.sort(scores)
    failed = 0
    for part in scores.reshape(repetitions, each):
        bound = quantile_interval(part, 1.0 - risk, confidence=0.9).high
        above = ordered.size - np.searchsorted(ordered, bound, side="right")
        failed += above / ordered.size > risk
    # An order statistic covers at least as often as asked: no more failures than 5 %.
    assert stats.binomtest(failed, repetitions, 0.05, alternative="greater").pvalue > 1e-6
    assert failed > 0


@pytest.mark.nightly
def test_no_count_is_worse_than_the_one_found(seed_offset: int) -> None:
    """Every passenger count at a mass, each with its worst split, at 1e-3."""
    scenario, flights = edited(QUIET), 40_000
    worst = worst_load(
        scenario, mass_kg=55_000.0, side="aft", group=GROUP, seed=3 + seed_offset, jobs=2
    )
    numbers = np.arange(flights, dtype=np.uint32)

    def quantile(state) -> tuple[float, float]:
        model = prepare(scenario_with(scenario, state))
        score = envelope_score(model, side="aft", group=GROUP)
        values = score.of(fly_block(model, seed=50 + seed_offset, flights=numbers))
        scale = model.sheet.zero_fuel_mass_kg * model.balance.mac_m / 100.0
        interval = quantile_interval(values, 0.999, confidence=0.68)
        return interval.estimate * scale, 0.5 * (interval.high - interval.low) * scale

    found, error = quantile(worst.state)
    span = load_range(scenario, mass_kg=55_000.0)
    for count in range(span.fewest, span.most + 1, 3):
        there = worst_load(
            scenario,
            mass_kg=55_000.0,
            side="aft",
            group=GROUP,
            seed=3 + seed_offset,
            counts=[count],
            jobs=2,
        )
        value, own = quantile(there.state)
        # A local search: within 5 SE and 3 % of the worst of any count.
        assert value <= 1.03 * found + 5.0 * np.hypot(error, own), count
    assert len(states_at(scenario, mass_kg=55_000.0)) > 50
