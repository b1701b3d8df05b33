"""Versions that tell a cell of a word, and loads flown several times."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from cgrisk.flight import entity_counts, fly_block, prepare
from cgrisk.flight.kernel.told_words import (
    CELLS,
    DRAWS,
    TOLD,
    cell_bounds,
    first_told,
    told_word,
)
from cgrisk.flight.party_tilt import parties_told_apart
from cgrisk.rare.question import Meter
from cgrisk.rare.score import envelope_score
from cgrisk.rare.tilt_aim import Leaner, aim_at, why_not_tilted
from cgrisk.rare.tilt_walks import Walks, people_walk, same_for_all
from tests.flight_cases import edited

LAST = 2**32 - 1


def test_cells_cover_every_word_once() -> None:
    bounds = sorted(cell_bounds(cell) for cell in range(CELLS))
    assert bounds[0][0] == 0
    assert bounds[-1][1] == LAST + 1
    assert all(past == first for (_, past), (first, _) in itertools.pairwise(bounds))
    # Those of the two sides mirror each other, and the farthest have a chance of 2^-24.
    assert {(LAST + 1 - past, LAST + 1 - first) for first, past in bounds} == set(bounds)
    assert bounds[0] == (0, 2**8)


@pytest.mark.parametrize("cell", range(0, CELLS, 7))
def test_words_told_lie_in_their_cell_evenly(cell: int) -> None:
    """A word's top bits pick the place in the cell: equal parts of words, equal parts of a cell."""
    first, past = cell_bounds(cell)
    version = first_told(cell) + 5
    assert version + DRAWS <= LAST + 1
    drawn = np.linspace(0, LAST, 1001).astype(np.uint32)
    told = np.array([int(told_word(version, word)) for word in drawn])
    assert told.min() == first
    assert told.max() == past - 1
    share = (told - first + 0.5) / (past - first)
    if cell >= CELLS // 2:
        share = 1.0 - share
    np.testing.assert_allclose(share, (drawn + 0.5) / 2.0**32, atol=1.0 / (past - first) + 1e-9)


def test_other_versions_draw_the_word_itself() -> None:
    for version in (0, 1, TOLD - 1):
        assert told_word(version, np.uint32(12345)) == 12345


def test_only_the_shared_score_is_told() -> None:
    """A party whose version tells a cell is as heavy as that, and drawn anew in all else."""
    parties = [{"name": "pair", "share": 0.999, "adults": [2, 2], "mass_correlation": 0.9}]
    model = prepare(edited({"operation.parties": parties, "operation.seating.movers_share": 0.0}))
    counts = entity_counts(model)
    first = list(counts).index("party")
    start = sum(list(counts.values())[:first])
    flights = np.arange(200, dtype=np.uint32)
    masses = []
    for cell in (0, CELLS // 2 - 1, CELLS // 2, CELLS - 1):
        versions = np.zeros((200, sum(counts.values())), dtype=np.uint32)
        versions[:, start : start + counts["party"]] = first_told(cell)
        rows = fly_block(model, seed=3, flights=flights, versions=versions)
        masses.append(float(rows[:, model.columns.index("zero_fuel_mass_kg")].mean()))
    middle_low, far_low, middle_high, far_high = masses
    assert far_low < middle_low < middle_high < far_high


WALKS = Walks((0.0, 1.0), (1, 4, 2))


def test_how_often_loads_are_flown() -> None:
    loads = np.array([-1.0, 0.5, 2.0])
    times = WALKS.of(loads)
    assert times.tolist() == [1, 4, 2]
    assert WALKS.most == 4
    scores = np.arange(12.0).reshape(3, 4)
    spread = WALKS.spread(scores, times)
    assert spread.tolist() == [[0, 0, 0, 0], [4, 5, 6, 7], [8, 8, 9, 9]]
    each = [WALKS.walk_at(np.arange(4), np.full(4, number)).tolist() for number in times]
    assert each == [[0, 0, 0, 0], [0, 1, 2, 3], [0, 0, 1, 1]]
    assert WALKS.stamp() != same_for_all(4).stamp()


def test_a_load_stays_the_same_when_its_people_walk_otherwise() -> None:
    model = prepare(edited({}))
    assert people_walk(model)
    aim = aim_at(model, envelope_score(model, side="aft"), seed=1, jobs=2)
    leaner = Leaner(aim, jobs=2, meter=Meter())
    middle = leaner.fly(1.0, 5, 0, 60, same_for_all(1)).loads
    walks = Walks((float(np.quantile(middle, 0.3)), float(np.quantile(middle, 0.7))), (1, 4, 2))
    some = leaner.fly(1.0, 5, 0, 60, walks)
    every = leaner.fly(1.0, 5, 0, 60, same_for_all(4))
    np.testing.assert_array_equal(some.loads, middle)
    np.testing.assert_array_equal(every.loads, middle)
    np.testing.assert_array_equal(every.log_weights, some.log_weights)
    assert set(some.times.tolist()) == {1.0, 2.0, 4.0}
    wanted = walks.spread(every.scores, some.times.astype(np.int64))
    np.testing.assert_array_equal(some.scores, wanted)
    weighed = walks.spread(every.walk_weights, some.times.astype(np.int64))
    np.testing.assert_array_equal(some.walk_weights, weighed)
    assert (every.scores.std(axis=1) > 0.0).mean() > 0.5
    # One of a load's flights is that of the versions told of its walk.
    versions, _ = aim.versions(aim.data(1.0, 5), seed=5, flights=np.array([7], dtype=np.uint32))
    number = np.array([7], dtype=np.uint32)
    walked, undone = aim.walking(
        versions, np.array([0]), np.array([3], dtype=np.uint32), seed=5, flights=number
    )
    row = fly_block(model, seed=5, flights=number, versions=walked)
    assert float(aim.score.of(row)[0]) == every.scores[7, 3]
    assert float(np.exp(undone)[0]) == every.walk_weights[7, 3]


@pytest.mark.parametrize(
    "party",
    [
        {"name": "any", "share": 0.2, "adults": [1, 200], "children": [1, 200]},
        {"name": "rare", "share": 1e-6, "adults": [1, 100]},
    ],
)
def test_too_many_sorts_of_parties_are_refused(party: dict[str, object]) -> None:
    model = prepare(edited({"operation.parties": [party]}))
    assert not parties_told_apart(model)
    assert "too many sorts" in why_not_tilted(model)
    assert parties_told_apart(prepare(edited({})))
