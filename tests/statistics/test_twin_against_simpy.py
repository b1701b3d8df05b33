"""The shipped twin-aisle case in full against the slow second version: a few flights, or many.

Two classes, ten carts on two aisles, sleep, crew rest, the rise before landing, fuel that is
pumped late or not at all. Tolerances as in the comparison of the single aisle.
"""

from __future__ import annotations

import pytest

from tests.oracles.simpy_flight import fly
from tests.statistics.test_cabin_against_simpy import (
    CONTINUOUS,
    differences,
    package_readings,
)
from tests.twin_cases import certain_twin

PACKAGE_FLIGHTS = 4_000
ORACLE_FLIGHTS = 30


@pytest.mark.parametrize(
    "times", [1, pytest.param(30, marks=pytest.mark.nightly)], ids=["few", "many"]
)
def test_twin_aisle_is_the_second_version(times, seed_offset):
    stuck = {f"aircraft.fuel_transfers.{i}.stuck": 0.1 for i in range(2)}
    scenario = certain_twin(stuck)
    oracle = fly(scenario, seed=7 + times + 1000 * seed_offset, flights=times * ORACLE_FLIGHTS)
    package = package_readings(
        scenario, seed=57 + seed_offset, flights=PACKAGE_FLIGHTS * min(times, 5)
    )
    wrong = {
        reading: found
        for reading in oracle
        if (found := differences(package[reading], oracle[reading], ks=reading in CONTINUOUS))
    }
    assert not wrong, "\n".join(f"{reading}: {found}" for reading, found in wrong.items())
