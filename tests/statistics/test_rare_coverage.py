"""How often the intervals of rare events hold the truth.

At least 93 % of the time, and the approximate ones at most 98 %: a share is refused if an exact
binomial test would refuse these at 1e-6. At 1,000 repetitions, a share with a standard error of
0.7 % is then refused below 88.9 % or above 99.7 %; the small version refuses below 80 %.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from cgrisk.flight import prepare
from cgrisk.rare import counting, multilevel
from cgrisk.rare import pilot as trial_flights
from cgrisk.rare.counting import count_scores, sequential_tail
from cgrisk.rare.estimate import replicate_interval
from cgrisk.rare.multilevel import split_tail
from cgrisk.rare.pilot import fly_pilot
from cgrisk.rare.question import Question
from cgrisk.rare.score import envelope_score
from cgrisk.rare.splitting import level_run
from tests.cut_cases import SMALL
from tests.flight_cases import edited
from tests.rare_worlds import sums, two_modes

LEAST, MOST = 0.93, 0.98


def assert_covers(holds: np.ndarray, *, approximate: bool) -> None:
    hits, runs = int(holds.sum()), holds.size
    assert stats.binomtest(hits, runs, LEAST, alternative="less").pvalue > 1e-6, hits / runs
    if approximate:
        assert stats.binomtest(hits, runs, MOST, alternative="greater").pvalue > 1e-6, hits / runs


def replicates_hold(
    chance: float, *, repetitions: int, particles: int, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return (which intervals of ten replicates hold the truth, mean of each over the truth)."""
    world = sums(seed)
    stages = max(1, round(np.log(chance) / np.log(0.2)))
    levels = world.thresholds([0.2**k for k in range(1, stages + 1) if 0.2**k > chance])
    at = world.thresholds([chance])
    each = np.array(
        [
            level_run(
                world,
                levels=levels,
                particles=particles,
                rng=np.random.default_rng([number, seed]),
                first_flight=number * particles,
            ).exceedance(at)[0]
            for number in range(10 * repetitions)
        ]
    ).reshape(repetitions, 10)
    mean, low, high = replicate_interval(each.T)
    return (low <= chance) & (chance <= high), mean / chance


def test_ten_replicates_of_splitting(seed_offset: int) -> None:
    holds, _ = replicates_hold(1e-2, repetitions=100, particles=400, seed=41 + seed_offset)
    assert_covers(holds, approximate=True)


@pytest.mark.parametrize("spread", [0.1, 0.3, 0.6, 0.9])
@pytest.mark.parametrize("count", [5, 10, 40])
def test_skewed_replicates(spread: float, count: int, seed_offset: int) -> None:
    """Replicates of splitting are about lognormal: the wider they spread, the more skewed."""
    rng, runs = np.random.default_rng(45 + seed_offset), 20_000  # SE 0.18 %
    each = np.exp(rng.normal(-0.5 * spread**2, spread, size=(count, runs)))
    _, low, high = replicate_interval(1e-6 * each)
    holds = (low <= 1e-6) & (high >= 1e-6)
    assert_covers(holds, approximate=True)
    assert (high < 1e-6).mean() < 0.07  # never too sure that it is small


@pytest.mark.nightly
def test_ten_replicates_of_splitting_far_out(seed_offset: int) -> None:
    holds, mean = replicates_hold(1e-4, repetitions=1_000, particles=2_000, seed=42 + seed_offset)
    assert_covers(holds, approximate=True)
    assert holds.mean() >= 0.93 - 3.0 * np.sqrt(0.93 * 0.07 / holds.size)  # 3 SE: 90.6 %
    assert abs(mean.mean() - 1.0) < 5.0 * mean.std(ddof=1) / np.sqrt(mean.size)


@pytest.mark.nightly
def test_splitting_from_its_pilot_to_its_interval(seed_offset: int, monkeypatch) -> None:
    """Pilot, trial, replicates: whole answers on a world with two modes, 300 times."""
    for module in (multilevel, trial_flights):
        monkeypatch.setattr(
            module, "ScoredFlights", lambda _model, _score, seed, *_band: two_modes(seed)
        )
    model = prepare(edited(SMALL))
    score = envelope_score(model, side="aft")
    holds, relative = [], []
    for number in range(300):
        question = Question(
            model=model,
            score=score,
            target=1e-4,
            deepest=1e-4,
            relative_error=0.2,
            seed=46_000 + 1_000 * seed_offset + number,
            jobs=1,
        )
        pilot = fly_pilot(question)
        at = np.array([pilot.threshold(question.target)])
        truth = float(two_modes().tail(at)[0])
        found = split_tail(question, pilot=pilot).estimate(at)
        holds.append(found.low[0] <= truth <= found.high[0])
        relative.append(found.estimate[0] / truth)
    assert_covers(np.array(holds), approximate=True)
    error = np.std(relative, ddof=1)
    assert abs(np.mean(relative) - 1.0) < 5.0 * error / np.sqrt(300.0)
    assert error < 0.3  # 0.2 was asked for


@pytest.mark.parametrize(("chance", "flights"), [(1e-3, 4_000), (0.02, 2_000), (0.9995, 3_000)])
def test_counting(chance: float, flights: int, seed_offset: int) -> None:
    rng = np.random.default_rng(43 + seed_offset)
    holds = []
    for _ in range(1_000):
        found = count_scores(rng.random(flights), thresholds=np.array([1.0 - chance]))
        holds.append(found.low[0] <= chance <= found.high[0])
    assert_covers(np.array(holds), approximate=False)


@pytest.mark.parametrize("most_flights", [10**9, 400])
def test_counting_to_the_last_hit(most_flights: int, seed_offset: int, monkeypatch) -> None:
    """At the k-th hit, and where the flights may run out before it; other thresholds beside."""
    rng = np.random.default_rng(44 + seed_offset)
    monkeypatch.setattr(
        counting, "fly_scores", lambda _model, *, count, **_named: rng.random(count)
    )
    chances = np.array([0.05, 0.01, 0.001])
    at, holds, ended = 1.0 - chances, [], []
    for _ in range(600):
        found = sequential_tail(
            None,  # type: ignore[arg-type]
            score=None,  # type: ignore[arg-type]
            thresholds=at,
            at=float(at[1]),
            seed=1,
            relative_error=0.4,
            most_flights=most_flights,
        )
        holds.append((found.low <= chances) & (chances <= found.high))
        ended.append(not found.warnings)
        assert (found.low <= found.estimate).all()
        assert (found.estimate <= found.high).all()
    for each in np.array(holds).T:
        assert_covers(each, approximate=False)
    assert np.mean(ended) == 1.0 if most_flights > 10**6 else np.mean(ended) < 1.0
