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
    fewer = thinned(cloud, flights=14)  # a fifth
    (own,) = fewer.parts
    assert len(fewer) == 6 + 1 + 1 + 6
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


def test_members_of_a_group_need_not_be_neighbours() -> None:
    """As in a cloud of tilted flights, which is in the order of their numbers."""
    part = _part([1] * 40, [0.02, 0.001] * 20, [0] * 40)
    fewer = thinned(Cloud((part,), 1), flights=10).parts[0]
    assert len(fewer.particles) == 10
    assert np.all(np.diff(fewer.particles.scores) > 0)
    for kind, weight in ((0, 0.4), (1, 0.02)):
        here = fewer.particles.flights % 2 == kind
        assert here.sum() == 5
        np.testing.assert_allclose(fewer.weight[here].sum(), weight, rtol=1e-12)


def test_what_is_kept_tells_the_same_exceedance(seed_offset: int) -> None:
    """Groups far apart, each about its own mean: 400 clouds, within 5 standard errors."""
    rng = np.random.default_rng(20 + seed_offset)
    part = _part([30, 30, 30], [0.03, 0.003, 0.0003], [0, 0, 0])
    means = np.repeat([0.0, 2.0, 4.0], 30)
    off = []
    for _ in range(400):
        above = means + rng.normal(size=90) > 1.5
        fewer = thinned(Cloud((part,), 1), flights=20).parts[0]
        places = fewer.particles.flights.astype(np.int64)
        off.append(float(fewer.weight @ above[places] - part.weight @ above))
    assert abs(np.mean(off)) < 5.0 * np.std(off, ddof=1) / np.sqrt(len(off))
