"""Fewer flights of a cloud stand for the same law."""

from __future__ import annotations

import numpy as np

from cgrisk.flight import prepare
from cgrisk.rare import (
    Cloud,
    Question,
    assumptions,
    cloud_of,
    envelope_score,
    fly_pilot,
    split_tail,
    thinned,
)
from cgrisk.rare.cloud import Part
from cgrisk.rare.moves import Particles
from tests.cut_cases import SMALL
from tests.flight_cases import edited


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


def test_a_thinned_cloud_tells_draws_of_the_assumptions_apart(monkeypatch) -> None:
    """The same draws, flown by all flights of the cloud and by a fifth of them, at 1e-3.

    One draw against another: what a draw does to the risk, as a factor, is wider spread than what
    thinning changes of it.
    """
    model = prepare(edited(SMALL))
    score = envelope_score(model, side="aft")
    question = Question(model=model, score=score, target=1e-3, deepest=1e-4, seed=31)
    pilot = fly_pilot(question)
    tail = split_tail(question, pilot=pilot, particles=300, replicates=6, keep=150)
    cloud = cloud_of([tail])
    at = np.array([pilot.threshold(1e-2), pilot.threshold(1e-3)])
    factors, flown = [], []
    for most in (10**9, len(cloud) // 5):
        monkeypatch.setattr(assumptions, "_FLOWN", most)
        found = assumptions.assumption_range(
            question, side="aft", group="any", cloud=cloud, thresholds=at, draws=24, pilot=pilot
        )
        factors.append(np.log(found.draws / found.base))
        flown.append(found.flights)
    whole, few = factors
    assert flown[1] < flown[0] - 15 * len(cloud)
    assert (np.abs(few - whole).std(axis=0) < 0.35 * whole.std(axis=0)).all()
    assert (np.abs((few - whole).mean(axis=0)) < 0.25).all()
