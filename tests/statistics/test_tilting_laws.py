"""Tilted flights against exact laws and against counting."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from cgrisk.flight import fly_block, prepare
from cgrisk.flight.leaning import lean_block, sources, tilt_data
from cgrisk.rare.score import envelope_score
from cgrisk.rare.tilting import tilted_tail
from tests.cabin_cases import NO_SERVICE, NOBODY_UP
from tests.flight_cases import SEATING_ALONE, edited
from tests.oracles.seating_counts import row_sum_law

STILL: dict[str, Any] = {**NOBODY_UP, **NO_SERVICE}
CASES: dict[str, dict[str, Any]] = {
    "shipped": {},
    "random_cabin": {"operation.seating.rule": "random", "operation.seating.scope": "cabin"},
    "window_first": {"operation.seating.rule": "window_first"},
    "from_rear": {"operation.seating.rule": "from_rear", "operation.seating.scope": "cabin"},
    "forward": {
        "operation.seating.forward_preference": 3.0,
        "operation.seating.middle_preference": 0.2,
        "operation.service.reseating_share": 0.5,
        "operation.seating.movers_share": 0.1,
    },
}
#: Everybody of one mass, and two zones full, so that only the seats of the third count.
EQUAL: dict[str, Any] = {
    "operation.zones.0.adults": 54,
    "operation.zones.1.adults": 60,
    "operation.passengers.male_share": 1.0,
    "operation.mass.body.men.sd": 0.0,
    "operation.mass.body.men.skewness": 0.0,
    "operation.mass.bag.sd": 0.0,
    "operation.mass.bag.none_share": 0.0,
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_weights_undo_the_tilt(case: str, sign: float, seed_offset: int) -> None:
    """Under every rule: weights average 1, and weighted means are those of ordinary flights."""
    model = prepare(edited({**STILL, **CASES[case]}))
    found = sources(model)
    names = ("seating", "mass", "count", "dry", "cargo", "fuel")
    columns = [model.columns.index(f"take_off_error_kgm.{name}") for name in names]
    plain = fly_block(model, seed=21 + seed_offset, flights=np.arange(8000, dtype=np.uint32))
    data = tilt_data(
        model,
        theta=sign * 1.2 / plain[:, columns].sum(axis=1).std(),
        reference_arm_m=model.program.sheet.take_off_arm_m,
        found=found,
        moment_kgm=np.array([100.0 if s.cause != 1 or s.word else 1.0 for s in found]),
        choice_seed=22 + seed_offset,
    )
    flights = np.arange(3000, dtype=np.uint32)
    versions, log_weight, _ = lean_block(model, data, seed=23 + seed_offset, flights=flights)
    rows = fly_block(model, seed=23 + seed_offset, flights=flights, versions=versions)
    weight = np.exp(log_weight)
    assert abs(weight.mean() - 1.0) < 5.0 * weight.std() / math.sqrt(flights.size)
    wanted = plain[:, columns]
    centre = wanted.mean(axis=0)  # deviations: else the weights' own scatter is most of the error
    for power in (1, 2):
        ours = weight[:, None] * (rows[:, columns] - centre) ** power
        theirs = (wanted - centre) ** power
        error = np.sqrt(ours.var(axis=0) / len(ours) + theirs.var(axis=0) / len(theirs))
        error += 1e-9 * np.abs(centre) ** power + 1e-9
        assert (np.abs(ours.mean(axis=0) - theirs.mean(axis=0)) < 5.0 * error).all()


def _exact_tail(chance: float) -> tuple[int, float]:
    """Return the least sum of row numbers in the last zone whose tail is below a chance, and it."""
    law = row_sum_law(rows=10, seats_per_row=6, people=52)
    above = Fraction(0)
    for total in sorted(law, reverse=True):
        if above + law[total] > chance:
            return total, float(above)
        above += law[total]
    raise AssertionError


@pytest.mark.parametrize("chance", [1e-2, 1e-3])
def test_seats_alone_against_counting_all_sets(chance: float, seed_offset: int) -> None:
    """One zone of 10 rows of 6, 52 people: the exact law counts every set of seats."""
    model = prepare(edited({**STILL, **SEATING_ALONE, **EQUAL}))
    cabin = model.program.cabin
    seats = cabin.region_seats[cabin.region_start[2] : cabin.region_start[3]]
    assert seats.size == 60
    row_of = np.full(cabin.arm_m.size, 0)
    row_of[seats] = np.unique(cabin.arm_m[seats], return_inverse=True)[1]
    limit, exact = _exact_tail(chance)
    law = row_sum_law(rows=10, seats_per_row=6, people=52)
    sums, chances = np.array(list(law), dtype=float), np.array([float(p) for p in law.values()])

    def excess(strength: float) -> float:
        """Mean of the exactly tilted law, less the limit."""
        tilted = chances * np.exp(strength * (sums - sums.max()))
        return float(tilted @ sums / tilted.sum()) - limit

    strength = float(brentq(excess, 0.0, 2.0))
    pitch = float(np.ptp(cabin.arm_m[seats])) / 9.0
    kg = model.program.mass.shift_kg[0] + model.program.mass.bag_scale_kg
    data = tilt_data(
        model,
        theta=strength / (pitch * kg),
        reference_arm_m=17.0,
        found=[],
        moment_kgm=np.empty(0),
        choice_seed=31 + seed_offset,
    )
    flights = np.arange(4000, dtype=np.uint32)
    _, log_weight, seat = lean_block(model, data, seed=32 + seed_offset, flights=flights)
    first = cabin.region_first_person[2]
    total = row_of[np.maximum(seat[:, first : first + 60], 0)]
    total = np.where(seat[:, first : first + 60] >= 0, total, 0).sum(axis=1)
    part = np.exp(log_weight) * (total > limit)
    error = part.std() / math.sqrt(part.size)
    assert error < 0.2 * exact
    assert abs(part.mean() - exact) < 5.0 * error


@pytest.mark.parametrize("side", ["forward", "aft"])
def test_tail_against_counting(side: str, seed_offset: int) -> None:
    """Seats, masses, parties and loads at 1e-2 and 2e-3, against 60,000 counted flights."""
    model = prepare(edited({**STILL, **SEATING_ALONE, "operation.seating.movers_share": 0.03}))
    score = envelope_score(model, side=side)
    parts = [
        score.of(
            fly_block(model, seed=41 + seed_offset, flights=np.arange(i, i + 4000, dtype="u4"))
        )
        for i in range(0, 60_000, 4000)
    ]
    counted = np.concatenate(parts)
    thresholds = np.quantile(counted[:4000], [0.99, 0.998])
    found = tilted_tail(model, score=score, thresholds=thresholds, seed=42 + seed_offset)
    for n, x in enumerate(thresholds):
        share = float((counted > x).mean())
        error = math.hypot(
            found.relative_error()[n] * found.estimate[n], math.sqrt(share / counted.size)
        )
        assert abs(found.estimate[n] - share) < 5.0 * error
    assert found.relative_error().max() < 0.2
