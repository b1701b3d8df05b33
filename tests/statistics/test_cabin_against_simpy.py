"""The compiled cabin against a slow second version written from the same words, in SimPy.

Means and standard deviations within 5 standard errors, distributions by two-sample
Kolmogorov-Smirnov at 1e-6.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cgrisk.flight import fly_block, phase_column, prepare
from tests.oracles.simpy_flight import IN_FLIGHT, POSITIONS, fly
from tests.simpy_cases import CASES

PACKAGE_FLIGHTS = 20_000
#: Of the second version: of all that can happen at once, of every other case, and by night.
ORACLE_FLIGHTS, FEW_FLIGHTS, MANY_FLIGHTS = 200, 120, 8_000
SIDES = ("forward", "aft")
CONTINUOUS = (
    "cabin_moment_min_kgm",
    "cabin_moment_max_kgm",
    "in_flight.forward_kgm",
    "in_flight.aft_kgm",
    "mean_up",
    "mean_wait_s",
    "longest_wait_s",
)
COUNTS = (
    "passengers",
    "trips",
    "most_up",
    "longest_queue",
    "lavatory_visits",
    "put_off",
    "turned_back",
    "stopped_behind_cart",
    "rows_not_served",
    *(f"{often}_up.{where}" for often in ("never", "once", "more") for where in POSITIONS),
)
#: Hand checks hold these in the quick suite.
NIGHTLY = ("every_lavatory_closed",)
SCENARIOS = [
    pytest.param(name, flights, marks=marks, id=f"{name}-{flights}")
    for name in CASES
    for flights, marks in (
        (
            ORACLE_FLIGHTS if name == "all" else FEW_FLIGHTS,
            (pytest.mark.nightly,) if name in NIGHTLY else (),
        ),
        (MANY_FLIGHTS, (pytest.mark.nightly,)),
    )
]


def package_readings(scenario, *, seed, flights):
    """Fly the package and return the readings under the second version's names."""
    model = prepare(scenario)
    rows = fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))
    frame = pd.DataFrame(rows, columns=list(model.columns))
    kinds = [phase.kind for phase in scenario.operation.phases]
    in_flight = [p for p, kind in zip(model.phases, kinds, strict=True) if kind in IN_FLIGHT]
    for side in SIDES:
        columns = [phase_column("moment_margin_kgm", phase=p, side=side) for p in in_flight]
        frame[f"in_flight.{side}_kgm"] = frame[columns].min(axis=1)
    return {name: frame[name].to_numpy(dtype=float) for name in (*CONTINUOUS, *COUNTS)}


def differences(package, oracle, *, ks):
    """Return in words how two samples of a reading differ.

    Both standard errors are of the pooled sample: under the hypothesis that the laws are one, that
    is the best estimate of either, and a rare event missing from the smaller sample is no proof.
    """
    both = np.concatenate([package, oracle])
    share = 1.0 / package.size + 1.0 / oracle.size
    centred = both - both.mean()
    variance, fourth = np.mean(centred**2), np.mean(centred**4)
    # Readings that never vary may differ by rounding.
    rounding = 1e-9 * max(1.0, float(np.abs(both).max()))
    out = []
    mean_gap = package.mean() - oracle.mean()
    mean_se = np.sqrt(variance * share)
    if abs(mean_gap) > 5.0 * mean_se + rounding:
        out.append(
            f"mean {package.mean():.6g} against {oracle.mean():.6g}: {mean_gap / mean_se:.1f} SE"
        )
    # The spread of a reading that is nearly always the same is not settled by a few odd flights.
    usual = stats.mode(both).mode
    if min((package != usual).sum(), (oracle != usual).sum()) >= 20:
        sd_gap = package.std() - oracle.std()
        sd_se = np.sqrt((fourth - variance**2) * share) / (2.0 * np.sqrt(variance))
        if abs(sd_gap) > 5.0 * sd_se + rounding:
            out.append(
                f"SD {package.std():.6g} against {oracle.std():.6g}: {sd_gap / sd_se:.1f} SE"
            )
    # Not where both are one number but for the last bits, which would rank at random.
    if ks and np.sqrt(variance) > rounding:
        p = stats.ks_2samp(package, oracle, method="asymp").pvalue
        if p <= 1e-6:
            out.append(f"Kolmogorov-Smirnov p = {p:.2g}")
    return out


@pytest.mark.parametrize(("name", "flights"), SCENARIOS)
def test_cabin_is_the_second_version(name, flights, seed_offset):
    scenario = CASES[name]()
    number = list(CASES).index(name)
    oracle = fly(scenario, seed=100 * number + flights + 1000 * seed_offset, flights=flights)
    package = package_readings(
        scenario, seed=31 + number + seed_offset, flights=min(50 * flights, PACKAGE_FLIGHTS)
    )
    assert set(oracle) == {*CONTINUOUS, *COUNTS}
    wrong = {
        reading: found
        for reading in oracle
        if (found := differences(package[reading], oracle[reading], ks=reading in CONTINUOUS))
    }
    assert not wrong, "\n".join(f"{reading}: {found}" for reading, found in wrong.items())


def test_the_comparison_sees_a_small_difference(seed_offset):
    """It passes two samples of one law and refuses one that is shifted, wider or of other shape."""
    rng = np.random.default_rng(77 + seed_offset)
    one, two = rng.normal(size=PACKAGE_FLIGHTS), rng.normal(size=ORACLE_FLIGHTS)
    assert differences(one, two, ks=True) == []
    assert differences(one, two + 0.5, ks=True)
    assert differences(one, 1.5 * two, ks=False)
    same_moments = rng.choice([-1.0, 1.0], size=ORACLE_FLIGHTS)
    assert any("Kolmogorov" in words for words in differences(one, same_moments, ks=True))
