"""Fewer flights of a cloud stand for the same law."""

from __future__ import annotations

import numpy as np

from cgrisk.rare import Cloud, thinned
from cgrisk.rare.cloud import Part
from cgrisk.rare.moves import Particles


def _part(sizes: list[int], weights: list[float], replicate: list[int]) -> Part:
    count = sum(sizes)
    return Part(
        "none",
        7,
        Particles(
            np.arange(count, dtype=np.uint32),
            np.arange(2 * count, dtype=np.uint32).reshape(count, 2),
            np.arange(count, dtype=np.float64),
        ),
        np.repeat(weights, sizes),
        np.repeat(replicate, sizes),
        2,
        {"mass": 2},
    )


def test_each_group_keeps_its_weight() -> None:
    part = _part([30, 7, 1, 30], [0.02, 0.001, 1e-6, 0.02], [0, 0, 1, 1])
    cloud = Cloud((part,), 2)
    fewer = thinned(cloud, flights=14)  # every fifth
    (own,) = fewer.parts
    assert len(fewer) == 6 + 2 + 1 + 6
    assert fewer.replicates == 2
    for first, last, weight in ((0, 30, 0.6), (30, 37, 0.007), (37, 38, 1e-6), (38, 68, 0.6)):
        here = (own.particles.scores >= first) & (own.particles.scores < last)
        np.testing.assert_allclose(own.weight[here].sum(), weight, rtol=1e-12)
    chosen = own.particles.flights
    np.testing.assert_array_equal(own.particles.versions, part.particles.versions[chosen])
    np.testing.assert_array_equal(own.replicate, part.replicate[chosen])


def test_a_small_cloud_stays_as_it_is() -> None:
    cloud = Cloud((_part([30], [0.1], [0]),), 1)
    assert thinned(cloud, flights=30) is cloud


def test_the_mean_of_what_is_kept_is_that_of_the_whole() -> None:
    """Over random scores: 400 clouds, within 4 standard errors."""
    rng = np.random.default_rng(20)
    part = _part([30, 30, 30], [0.03, 0.003, 0.0003], [0, 0, 0])
    off = []
    for _ in range(400):
        scores = rng.normal(size=90)
        fewer = thinned(Cloud((part,), 1), flights=20).parts[0]
        places = fewer.particles.flights.astype(np.int64)
        off.append(float(fewer.weight @ scores[places] - part.weight @ scores))
    assert abs(np.mean(off)) < 4.0 * np.std(off, ddof=1) / np.sqrt(len(off))
    assert np.std(off) > 0.0
