"""One flight is a function of seed, number and versions; nothing else changes a bit."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.errors import UsageError
from cgrisk.flight import entity_counts, fly_block, prepare, trace
from cgrisk.randomness import CAUSES
from cgrisk.sampling import BLOCK, fly_blocks, simulate
from tests.flight_cases import shipped_scenario

FLIGHTS = 2 * BLOCK + 500


@pytest.fixture(scope="module")
def model():
    return prepare(shipped_scenario())


@pytest.fixture(scope="module")
def reference(model):
    return np.concatenate([b.rows for b in fly_blocks(model, seed=0, flights=FLIGHTS)])


@pytest.mark.parametrize(
    ("jobs", "batch", "backend"),
    [
        (2, BLOCK, "threading"),
        (2, 997, "threading"),
        (1, 997, "threading"),
        (1, 3 * BLOCK, "threading"),
        (2, 2500, "loky"),
    ],
)
def test_workers_and_batches_change_nothing(model, reference, jobs, batch, backend):
    blocks = list(
        fly_blocks(model, seed=0, flights=FLIGHTS, jobs=jobs, batch=batch, backend=backend)
    )
    assert [block.number for block in blocks] == [0, 1, 2]
    assert [block.rows.shape[0] for block in blocks] == [BLOCK, BLOCK, 500]
    assert np.concatenate([b.rows for b in blocks]).tobytes() == reference.tobytes()


def test_one_flight_replays_alone(model, reference):
    alone = fly_block(model, seed=0, flights=np.array([5000], dtype=np.uint32))
    assert alone.tobytes() == reference[5000].tobytes()
    column = model.columns.index("take_off_cg_pct_mac")
    path = trace(model, seed=0, flight=5000)
    lift_off = path[path["phase"] == "take_off"].iloc[0]
    # The path's CG is computed from arm and moment in another order: equal to rounding.
    assert lift_off["cg_pct_mac"] == pytest.approx(reference[5000, column], rel=1e-14)


def test_order_of_the_flights_does_not_matter(model, reference):
    numbers = np.array([17, 3, 8000, 3], dtype=np.uint32)
    assert fly_block(model, seed=0, flights=numbers).tobytes() == reference[numbers].tobytes()


def test_seed_zero_is_a_seed(model, reference):
    again = fly_block(model, seed=0, flights=np.arange(64, dtype=np.uint32))
    assert again.tobytes() == reference[:64].tobytes()
    sample = simulate(shipped_scenario(), flights=64)
    assert sample.seed != 0
    assert sample.frame.to_numpy().tobytes() != reference[:64].tobytes()


def test_versions_of_zero_are_the_ordinary_run(model, reference):
    width = sum(entity_counts(model).values())
    zeros = np.zeros((32, width), dtype=np.uint32)
    flights = np.arange(32, dtype=np.uint32)
    rows = fly_block(model, seed=0, flights=flights, versions=zeros)
    assert rows.tobytes() == reference[:32].tobytes()


@pytest.mark.parametrize("cause", [cause for cause in CAUSES if cause != "entry"])
def test_a_raised_version_moves_its_own_cause(model, cause):
    counts = entity_counts(model)
    start = sum(list(counts.values())[: list(counts).index(cause)])
    versions = np.zeros((64, sum(counts.values())), dtype=np.uint32)
    versions[:, start : start + counts[cause]] = 1
    flights = np.arange(64, dtype=np.uint32)
    before = fly_block(model, seed=0, flights=flights)
    after = fly_block(model, seed=0, flights=flights, versions=versions)
    moved = {
        name.split(".")[1]
        for i, name in enumerate(model.columns)
        if name.startswith("take_off_error_kgm.")
        and np.abs(before[:, i] - after[:, i]).max() > 1e-6  # rounding is not movement
    }
    cabin = [model.columns.index(f"cabin_moment_{end}_kgm") for end in ("min", "max")]
    lived = bool(np.abs(before[:, cabin] - after[:, cabin]).max() > 1e-6)
    own = {
        "dry": {"dry"},
        # Water used during taxi is all that has moved for good at take-off.
        "count": {"count", "seating", "mass", "movement"},
        "party": {"seating", "mass", "movement"},
        "seating": {"seating", "mass", "movement"},
        "mass": {"mass", "movement"},
        "movement": {"movement"},
        "crowd": {"movement"},
        "service": {"movement"},
        "cargo": {"cargo"},
        "fuel": {"fuel"},
    }[cause]
    assert cause in moved | {"party", "crowd", "service"}
    assert lived == (cause not in ("dry", "cargo", "fuel"))
    assert moved <= own


@pytest.mark.parametrize("cause", ["dry", "mass", "cargo", "fuel", "seating"])
def test_a_frozen_cause_does_not_vary(model, cause):
    flights = np.arange(300, dtype=np.uint32)
    swapped = {cause: np.full(300, 7, dtype=np.uint32)}
    if cause in ("mass", "seating"):  # they also vary with who is aboard
        swapped |= dict.fromkeys(("count", "party", "seating", "mass"), swapped[cause])
    rows = fly_block(model, seed=3, flights=flights, swapped=swapped)
    free = fly_block(model, seed=3, flights=flights)
    column = model.columns.index(f"take_off_error_kgm.{cause}")
    # Other causes leave this part alone but for rounding.
    assert np.ptp(rows[:, column]) < (0.05 if cause == "fuel" else 1e-6) * np.ptp(free[:, column])
    assert np.ptp(rows[:, model.columns.index("take_off_cg_pct_mac")]) > 0.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"flights": 0}, "flights: expected a whole number from 1"),
        ({"flights": True}, "flights: expected a whole number"),
        ({"flights": 2**32 + 1}, "flights: expected a whole number"),
        ({"flights": 10, "jobs": 0}, "jobs: expected a whole number"),
        ({"flights": 10, "batch": 0}, "batch: expected a whole number"),
        ({"flights": 10, "seed": -1}, "seed: expected a whole number"),
    ],
)
def test_numbers_out_of_range_are_refused(arguments, message):
    with pytest.raises(UsageError, match=message):
        simulate(shipped_scenario(), **arguments)


def test_unknown_cause_and_bad_versions_are_refused(model):
    flights = np.arange(3, dtype=np.uint32)
    with pytest.raises(UsageError, match="swapped: expected causes out of"):
        fly_block(model, seed=1, flights=flights, swapped={"weather": flights})
    with pytest.raises(UsageError, match="versions: expected an array of shape"):
        fly_block(model, seed=1, flights=flights, versions=np.zeros((2, 2), dtype=np.uint32))
    with pytest.raises(UsageError, match="flight: expected a whole number"):
        trace(model, seed=1, flight=-1)
