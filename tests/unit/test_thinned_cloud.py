"""Fewer flights of a cloud stand for the same law."""

from __future__ import annotations

import numpy as np

from cgrisk.flight import prepare
from cgrisk.rare import (
    Cloud,
    Question,
    assumptions,
    cloud_error,
    cloud_of,
    envelope_score,
    fly_cloud,
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


def test_a_thinned_cloud_tells_draws_of_the_assumptions_apart(monkeypatch, seed_offset) -> None:
    """The same draws, flown by all flights of a cloud of two strata and by a fifth of them.

    All but few differ by less than 5 standard errors of the few, told by their replicates; draws
    differ from one another by more than by how many flights tell them.
    """
    changes = {**SMALL, "operation.crowd.surge_probability": 0.01}
    model = prepare(edited(changes))
    score = envelope_score(model, side="aft")
    question = Question(model=model, score=score, target=1e-3, deepest=1e-4, seed=31 + seed_offset)
    pilot = fly_pilot(question)
    tail = split_tail(question, pilot=pilot, particles=300, keep=100)
    assert len(tail.strata) == 2
    cloud = cloud_of([tail])
    at = np.array([pilot.threshold(1e-2), pilot.threshold(1e-3)])
    found = []
    for most in (10**9, len(cloud) // 5):
        monkeypatch.setattr(assumptions, "_FLOWN", most)
        found.append(
            assumptions.assumption_range(
                question, side="aft", group="any", cloud=cloud, thresholds=at, draws=24, pilot=pilot
            )
        )
    whole, few = found
    assert few.flights < whole.flights - 15 * len(cloud)
    thin = thinned(cloud, flights=len(cloud) // 5)
    scores = fly_cloud(thin, strata=tail.strata, score=score)
    mean, error, _ = cloud_error(thin, strata=tail.strata, scores=scores, thresholds=at)
    np.testing.assert_allclose(few.base, mean, rtol=1e-12)
    relative = error / mean
    assert (np.abs(np.log(few.base / whole.base)) < 5.0 * relative).all()
    moved = np.log(whole.draws / whole.base)
    gap = np.log(few.draws / few.base) - moved
    # That of the base, and that of the draw: a rarer one has fewer flights. A draw may bring one
    # that stands for many over the threshold: few draws differ by more.
    near = np.abs(gap) < 5.0 * relative * np.sqrt(1.0 + np.maximum(np.exp(-moved), 1.0))
    assert near.mean() >= 0.95
    assert (gap.std(axis=0) < 0.35 * np.log(whole.draws).std(axis=0)).all()
