"""A thinned cloud stands for the same law as the whole one."""

from __future__ import annotations

import numpy as np

from cgrisk.rare.cloud import Cloud, Part, thinned
from cgrisk.rare.moves import Particles


def cloud() -> Cloud:
    """Return three stages in each of four replicates: weights 1, 0.1 and 0.01 over the flights."""
    rng = np.random.default_rng(3)
    sizes, weights = (30, 30, 7), (1.0, 0.1, 0.01)
    scores = np.concatenate([k + rng.random(n) for k in range(4) for n in sizes])
    count = scores.size
    particles = Particles(
        flights=np.arange(count, dtype=np.uint32),
        versions=np.zeros((count, 2), dtype=np.uint32),
        scores=scores,
    )
    stages = list(zip(sizes, weights, strict=True))
    weight = np.concatenate([np.full(n, w / n / 4) for _ in range(4) for n, w in stages])
    replicate = np.repeat(np.arange(4), sum(sizes))
    return Cloud((Part("none", 5, particles, weight, replicate, {"x": 2}),), 4)


def test_each_stage_keeps_its_weight() -> None:
    whole = cloud()
    some = thinned(whole, share=0.25, rng=np.random.default_rng(1))
    assert len(some) == 4 * (8 + 8 + 2)
    for replicate in range(4):
        mine = some.parts[0].replicate == replicate
        all_of_it = whole.parts[0].replicate == replicate
        np.testing.assert_allclose(
            some.parts[0].weight[mine].sum(), whole.parts[0].weight[all_of_it].sum(), rtol=1e-12
        )
    # What is left is flights of the cloud, each once, of its own replicate.
    flights = some.parts[0].particles.flights
    assert np.unique(flights).size == flights.size
    np.testing.assert_array_equal(some.parts[0].replicate, flights // 67)


def test_every_flight_is_as_likely_to_stay() -> None:
    whole = cloud()
    rng = np.random.default_rng(7)
    rounds = 2000
    total = np.zeros(len(whole))
    for _ in range(rounds):
        part = thinned(whole, share=0.25, rng=rng).parts[0]
        total[part.particles.flights] += part.weight
    own = whole.parts[0].weight
    # Of 30 flights 8 stay, of 7 two: the sum of a flight's weights is a scaled binomial.
    share = np.where(np.arange(len(whole)) % 67 >= 60, 2 / 7, 8 / 30)
    error = own * np.sqrt((1.0 - share) / share / rounds)
    assert np.all(np.abs(total / rounds - own) < 5.0 * error)


def test_a_whole_share_changes_nothing() -> None:
    whole = cloud()
    same = thinned(whole, share=1.0, rng=np.random.default_rng(1))
    np.testing.assert_array_equal(same.parts[0].weight, whole.parts[0].weight)
    np.testing.assert_array_equal(same.parts[0].particles.scores, whole.parts[0].particles.scores)
