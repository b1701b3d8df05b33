"""Causes and seeds."""

from __future__ import annotations

import subprocess
import sys
from enum import Enum

import numpy as np
import pytest

from cgrisk.errors import UsageError
from cgrisk.randomness import CAUSES, MAX_ENTITIES, MAX_FLIGHTS, Cause, resolve_seed, split_seed


def test_cause_numbers_are_fixed_for_ever() -> None:
    """Recorded seeds depend on these numbers: add to this table, never change it."""
    assert {cause.name: cause.value for cause in Cause} == {
        "DRY": 1,
        "COUNT": 2,
        "PARTY": 3,
        "SEATING": 4,
        "MASS": 5,
        "MOVEMENT": 6,
        "CROWD": 7,
        "SERVICE": 8,
        "CARGO": 9,
        "FUEL": 10,
        "ENTRY": 11,
    }


def test_cause_names_follow_their_numbers() -> None:
    assert [Cause[name.upper()].value for name in CAUSES] == sorted(Cause)
    assert all(name == name.lower() for name in CAUSES)
    assert all(1 <= cause <= 255 for cause in Cause)


def test_limits_fit_the_counter_words() -> None:
    assert MAX_FLIGHTS == 2**32
    assert MAX_ENTITIES * 256 == 2**32


@pytest.mark.parametrize("seed", [0, 1, 2**32, 2**64 - 1])
def test_a_given_seed_is_kept(seed: int) -> None:
    assert resolve_seed(seed) == seed
    low, high = split_seed(seed)
    assert low + high * 2**32 == seed
    assert 0 <= low < 2**32
    assert 0 <= high < 2**32


def test_no_seed_means_fresh_ones() -> None:
    seeds = {resolve_seed(None) for _ in range(50)}
    assert len(seeds) == 50
    assert all(0 <= seed < 2**63 for seed in seeds)


class Coloured(int, Enum):
    RED = 1


@pytest.mark.parametrize(
    "seed", [-1, 2**64, True, False, 1.0, "1", np.int64(3), b"1", Coloured.RED, float("nan")]
)
def test_what_is_no_seed_is_refused(seed: object) -> None:
    with pytest.raises(UsageError, match=r"seed: expected a whole number from 0 to 2\*\*64 - 1"):
        resolve_seed(seed)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="seed: expected a whole number"):
        split_seed(seed)  # type: ignore[arg-type]


def test_a_fresh_seed_cannot_be_split_unrecorded() -> None:
    with pytest.raises(UsageError, match=r"resolved seed.*record the seed"):
        split_seed(None)  # type: ignore[arg-type]


def test_seeds_and_causes_load_no_compiler() -> None:
    code = "import sys, cgrisk.randomness; print('numba' in sys.modules, 'numpy' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.split() == ["False", "False"]
