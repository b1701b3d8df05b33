"""Tilted masses against OpenTURNS: independent masses in fixed seats, a smooth problem.

Reference: M. Baudin, A. Dutfoy, B. Iooss, A.-L. Popelin, "OpenTURNS: an industrial software for
uncertainty quantification in simulation", Handbook of Uncertainty Quantification (2017); its
importance sampling about the design point of FORM (R. E. Melchers, Structural Safety 6 (1989) 3;
both from memory).
"""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pytest

from cgrisk.flight import fly_block, prepare
from cgrisk.flight.leaning import lean_block, tilt_data
from tests.flight_cases import edited
from tests.tilt_cases import ALL_LOADS

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # of the bindings' making
    ot = pytest.importorskip("openturns")

#: Twelve people in full zones of rows 1 and 29; nobody between; men of one skewed law, no bags.
FIXED: dict[str, Any] = {
    **ALL_LOADS,
    "operation.zones": [
        {"name": "A", "rows": "1-1", "adults": 6, "children": 0},
        {"name": "B", "rows": "2-28", "adults": 0, "children": 0},
        {"name": "C", "rows": "29-29", "adults": 6, "children": 0},
    ],
    "operation.passengers.male_share": 1.0,
    "operation.mass.body.men.sd": 16.0,
    "operation.mass.body.men.skewness": 0.6,
    "operation.mass.bag.none_share": 1.0,
}


def _reference(
    arms: np.ndarray[Any, Any], law: tuple[float, float, float], limit: float, seed: int
) -> tuple[float, float]:
    """P(sum of mass x arm > limit) and its standard error, by OpenTURNS."""
    shift, scale, shape = law
    ot.RandomGenerator.SetSeed(seed)
    one = ot.LogNormal(math.log(scale), shape, shift)
    joint = ot.JointDistribution([one] * arms.size)
    names = [f"w{i}" for i in range(arms.size)]
    total = " + ".join(
        f"({arm!r}) * {name}" for arm, name in zip(arms.tolist(), names, strict=True)
    )
    moment = ot.SymbolicFunction(names, [total])
    event = ot.ThresholdEvent(
        ot.CompositeRandomVector(moment, ot.RandomVector(joint)), ot.Greater(), limit
    )
    solver = ot.AbdoRackwitz()
    solver.setStartingPoint(joint.getMean())
    form = ot.FORM(solver, event)
    form.run()
    design = form.getResult().getStandardSpaceDesignPoint()
    spread = ot.Normal(design, ot.CovarianceMatrix(ot.IdentityMatrix(arms.size)))
    sampling = ot.ProbabilitySimulationAlgorithm(
        ot.StandardEvent(event), ot.ImportanceSamplingExperiment(spread)
    )
    sampling.setMaximumOuterSampling(40)
    sampling.setBlockSize(1000)
    sampling.setMaximumCoefficientOfVariation(0.0)
    sampling.run()
    result = sampling.getResult()
    return result.getProbabilityEstimate(), result.getStandardDeviation()


@pytest.mark.parametrize(
    ("deviations", "order", "count"),
    [(3.1, 1e-3, 20_000), (4.3, 1e-5, 20_000), (6.0, 1e-9, 300_000)],
)
def test_masses_in_fixed_seats(
    deviations: float, order: float, count: int, seed_offset: int
) -> None:
    model = prepare(edited(FIXED))
    cabin, mass = model.program.cabin, model.program.mass
    aboard = np.isin(
        cabin.region_seats,
        np.flatnonzero(np.isin(cabin.arm_m, [cabin.arm_m.min(), cabin.arm_m.max()])),
    )
    middle = model.program.sheet.take_off_arm_m
    arms = cabin.arm_m[cabin.region_seats[aboard]] - middle
    assert arms.size == 12
    law = (float(mass.shift_kg[0]), float(mass.scale_kg[0]), float(mass.shape[0]))
    mean = law[0] + law[1] * math.exp(0.5 * law[2] ** 2)
    limit = mean * arms.sum() + deviations * 16.0 * math.sqrt(float(arms @ arms))
    expected, error = _reference(arms, law, float(limit), 7 + seed_offset)
    assert 0.02 * order < expected < 50.0 * order
    data = tilt_data(
        model,
        # Less than normal masses would need: of skewed ones, heavy people reach the limit sooner,
        # and the flights that a stronger tilt makes rare would count for most.
        theta=0.8 * deviations / (16.0 * math.sqrt(float(arms @ arms))),
        reference_arm_m=middle,
        found=[],
        moment_kgm=np.empty(0),
        choice_seed=51 + seed_offset,
    )
    flights = np.arange(count, dtype=np.uint32)
    versions, log_weight, _ = lean_block(model, data, seed=52 + seed_offset, flights=flights)
    rows = fly_block(model, seed=52 + seed_offset, flights=flights, versions=versions)
    # The moment error of the masses, less that of the standard mass everybody has on the sheet.
    column = model.columns.index("take_off_error_kgm.mass")
    moment = rows[:, column] + mass.adult_standard_kg * arms.sum()
    part = np.exp(log_weight) * (moment > limit)
    ours = part.std() / math.sqrt(part.size)
    assert ours < 0.15 * part.mean()
    assert error < 0.15 * expected
    assert abs(part.mean() - expected) < 5.0 * math.hypot(ours, error)
