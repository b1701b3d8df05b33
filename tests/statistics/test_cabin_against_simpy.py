"""The compiled flight against an independent version of the same law, written with SimPy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from cgrisk.flight import IN_FLIGHT, fly_block, phase_column, prepare
from tests.cabin_cases import CASES, life
from tests.oracles import simpy_flight

#: Not whole numbers of small range: the two-sample test applies.
CONTINUOUS = (
    "cabin_moment_min_kgm",
    "cabin_moment_max_kgm",
    "in_flight.forward_kgm",
    "in_flight.aft_kgm",
    "mean_up",
    "trips",
)


def _compiled(scenario, *, seed, flights):
    model = prepare(scenario)
    rows = fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))
    frame = pd.DataFrame(rows, columns=model.columns)
    kinds = [p.kind for p in scenario.operation.phases]
    flying = [n for n, kind in zip(model.phases, kinds, strict=True) if kind in IN_FLIGHT]
    margins = {
        f"in_flight.{side}_kgm": frame[
            [phase_column("moment_margin_kgm", phase=p, side=side) for p in flying]
        ].min(axis=1)
        for side in ("forward", "aft")
    }
    return frame.assign(**margins)


def _moments(x):
    """Mean and variance, each with its squared standard error."""
    centred = x - x.mean()
    variance = float((centred**2).mean())
    fourth = float((centred**4).mean())
    return (x.mean(), variance / x.size), (variance, (fourth - variance**2) / x.size)


def _compare(name, flights, seed_offset):
    scenario = life(CASES[name])
    slow = simpy_flight.fly(scenario, seed=40 + seed_offset, flights=flights)
    fast = _compiled(scenario, seed=41 + seed_offset, flights=20_000)
    wrong = []
    for figure, values in slow.items():
        x, y = np.asarray(values, dtype=float), fast[figure].to_numpy()
        for what, (a, ea), (b, eb) in zip(
            ("mean", "variance"), _moments(x), _moments(y), strict=True
        ):
            scale = 1e-9 * max(1.0, abs(b))
            if abs(a - b) > 5.0 * np.sqrt(ea + eb) + scale:
                wrong.append((figure, what, a, b, np.sqrt(ea + eb)))
        if figure in CONTINUOUS and np.ptp(y) > 0.0:
            p = stats.ks_2samp(x, y).pvalue
            if p < 1e-6:
                wrong.append((figure, "distribution", p))
    assert len(slow) > 20
    assert wrong == []


@pytest.mark.parametrize("name", CASES)
def test_both_versions_have_the_same_law(name, seed_offset):
    _compare(name, 300, seed_offset)


@pytest.mark.nightly
@pytest.mark.parametrize("name", CASES)
def test_both_versions_have_the_same_law_to_a_finer_error(name, seed_offset):
    _compare(name, 6000, seed_offset)
