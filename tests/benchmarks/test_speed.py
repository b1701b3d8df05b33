"""Speed as ratios measured side by side; run with `pytest -m benchmark`."""

from __future__ import annotations

import sys
import time

import numpy as np
import pytest

from cgrisk.flight import entity_counts, fly_block, prepare
from cgrisk.sampling import fly_blocks
from tests.flight_cases import shipped_scenario

pytestmark = pytest.mark.benchmark


def _seconds(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def test_a_flight_costs_a_few_times_its_random_numbers():
    """Against numpy's generator drawing as many words (four an entity), one flight at a time."""
    model = prepare(shipped_scenario())
    flights = np.arange(20_000, dtype=np.uint32)
    fly_block(model, seed=1, flights=flights[:100])
    words = 4 * sum(entity_counts(model).values())
    generator = np.random.default_rng(1)
    ratios = []
    for _ in range(5):
        flown = _seconds(lambda: fly_block(model, seed=1, flights=flights))
        drawn = _seconds(lambda: [generator.random(words) for _ in range(flights.size)])
        ratios.append(flown / drawn)
    sys.stdout.write(f"flight over its {words} random words: {np.median(ratios):.2f}\n")
    assert np.median(ratios) < 10.0


def test_two_threads_are_nearly_twice_as_fast():
    model = prepare(shipped_scenario())
    ratios = []
    for _ in range(5):
        one, two = (
            _seconds(lambda jobs=jobs: list(fly_blocks(model, seed=1, flights=81_920, jobs=jobs)))
            for jobs in (1, 2)
        )
        ratios.append(one / two)
    sys.stdout.write(f"one thread over two: {np.median(ratios):.2f}\n")
    assert np.median(ratios) > 1.5
