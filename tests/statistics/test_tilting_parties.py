"""Tilted flights of whole cabins: parties, seats by preference, changes of seat, movement."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from cgrisk.flight import FlightModel, fly_block, prepare
from cgrisk.flight.leaning import _lean, lean_block, sources, tilt_data, watch_seats
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.exact import exact_tail
from cgrisk.rare.score import envelope_score
from cgrisk.rare.tilt_aim import aim_at
from cgrisk.rare.tilting import tilted_tail
from cgrisk.scenario import load_scenario
from cgrisk.scenario.shipped import shipped_scenarios
from tests.flight_cases import edited
from tests.tilt_cases import SEATS

COLUMNS = ("seating", "mass", "count", "dry", "cargo")
#: The shipped case moves, has parties, children, preferences, last-minute changes and movers.
CABINS: dict[str, dict[str, Any]] = {
    "shipped": {},
    "whole_cabin": {
        "operation.seating.scope": "cabin",
        "operation.seating.forward_preference": 1.0,
    },
    "apart": {"operation.seating.parties": "apart"},
    "window_first": {"operation.seating.rule": "window_first"},
    "from_rear": {"operation.seating.rule": "from_rear", "operation.seating.scope": "cabin"},
    "random": {"operation.seating.rule": "random"},
}


def _tilt(model: FlightModel, theta: float, seed: int, boardings: int = 1) -> Any:
    found = sources(model)
    return tilt_data(
        model,
        theta=theta,
        reference_arm_m=model.program.sheet.take_off_arm_m,
        found=found,
        moment_kgm=np.array([100.0 if s.cause != 1 or s.word else 1.0 for s in found]),
        choice_seed=seed,
        seats=watch_seats(model, seed=seed),
        boardings=boardings,
    )


@pytest.mark.parametrize("boardings", [1, 4])
@pytest.mark.parametrize("rule", CABINS)
def test_people_sit_where_they_were_put(rule: str, boardings: int, seed_offset: int) -> None:
    """Boarding takes the chosen seats in the chosen order, person by person."""
    model = prepare(edited({**CABINS[rule], "operation.seating.movers_share": 0.0}))
    cabin = model.program.cabin
    flights = np.arange(60, dtype=np.uint32)
    data = _tilt(model, 1.2e-3, 3 + seed_offset, boardings)
    _, _, seated, taken_at = _lean(model, data, 4 + seed_offset, flights)
    for flight in flights:
        for region, first in enumerate(cabin.region_first_person):
            last = cabin.region_start[region + 1] - cabin.region_start[region] + first
            seats = seated[flight, first:last]
            seats = seats[seats >= 0]
            assert taken_at[flight, seats].tolist() == list(range(seats.size, 0, -1))
        assert (taken_at[flight] > 0).sum() == (seated[flight] >= 0).sum()


def _weights_undo_the_tilt(
    model: FlightModel, strength: float, seed_offset: int, boardings: int = 1
) -> None:
    """Weights average 1, and weighted means are those of ordinary flights, movement included."""
    columns = [model.columns.index(f"take_off_error_kgm.{name}") for name in COLUMNS]
    columns += [model.columns.index(name) for name in ("passengers", "trips")]
    flights = np.arange(2000, dtype=np.uint32)
    plain = fly_block(model, seed=21 + seed_offset, flights=flights)
    spread = float(plain[:, columns[: len(COLUMNS)]].sum(axis=1).std())
    data = _tilt(model, strength / spread, 22 + seed_offset, boardings)
    versions, log_weight, seat = lean_block(model, data, seed=23 + seed_offset, flights=flights)
    rows = fly_block(model, seed=23 + seed_offset, flights=flights, versions=versions)
    assert ((seat >= 0).sum(axis=1) == rows[:, model.columns.index("passengers")]).all()
    weight = np.exp(log_weight)
    assert weight.std() > 0.2
    assert abs(weight.mean() - 1.0) < 5.0 * weight.std() / math.sqrt(flights.size)
    wanted = plain[:, columns]
    centre = wanted.mean(axis=0)  # deviations: else the weights' own scatter is most of the error
    for power in (1, 2):
        ours = weight[:, None] * (rows[:, columns] - centre) ** power
        theirs = (wanted - centre) ** power
        error = np.sqrt(ours.var(axis=0) / len(ours) + theirs.var(axis=0) / len(theirs))
        error += 1e-9 * np.abs(centre) ** power + 1e-9
        assert (np.abs(ours.mean(axis=0) - theirs.mean(axis=0)) < 5.0 * error).all()


@pytest.mark.parametrize("boardings", [1, 3])
@pytest.mark.parametrize("rule", CABINS)
def test_weights_undo_the_tilt(rule: str, boardings: int, seed_offset: int) -> None:
    """Aft under one rule, forward under the next, with one boarding and several."""
    strength = 0.9 if list(CABINS).index(rule) % 2 == 0 else -0.9
    _weights_undo_the_tilt(prepare(edited(CABINS[rule])), strength, seed_offset, boardings)


@pytest.mark.parametrize(("rule", "strength", "many"), [("shipped", 3.0, 8), ("from_rear", 1.5, 3)])
def test_more_boardings_scatter_less(
    rule: str, strength: float, many: int, seed_offset: int
) -> None:
    """At so many standard deviations, what the load does not explain of the weights."""
    model = prepare(edited(CABINS[rule]))
    score = envelope_score(model, side="aft")
    aim = aim_at(model, score, seed=61 + seed_offset, jobs=2)
    flights = np.arange(400, dtype=np.uint32)
    scatter = []
    for boardings in (1, many):
        data = tilt_data(
            model,
            theta=strength / aim.spread_kgm,
            reference_arm_m=aim.reference_arm_m,
            found=aim.found,
            moment_kgm=aim.moment_kgm,
            choice_seed=62 + seed_offset,
            seats=aim.seats,
            boardings=boardings,
        )
        versions, log_weight, _ = lean_block(model, data, seed=63 + seed_offset, flights=flights)
        rows = fly_block(model, seed=63 + seed_offset, flights=flights, versions=versions)
        line = np.polyfit(aim.loads(rows), log_weight, 1)
        scatter.append(float((log_weight - np.polyval(line, aim.loads(rows))).std()))
    assert scatter[1] < 0.8 * scatter[0]


@pytest.mark.parametrize(
    "case", ["commuter", pytest.param("twin_aisle", marks=pytest.mark.nightly)]
)
def test_weights_undo_the_tilt_of_other_cases(case: str, seed_offset: int) -> None:
    """Men counted on the load sheet; classes of travel, within which people change seats."""
    model = prepare(load_scenario(shipped_scenarios()[case]))
    _weights_undo_the_tilt(model, 0.9, seed_offset, boardings=3)


def _against_the_exact_law(side: str, depths: Any, relative_error: float, seed: int) -> None:
    """Everybody alone and of one mass, windows preferred to middle seats."""
    model = prepare(edited({**SEATS, "operation.seating.rule": "free"}))
    score = envelope_score(model, side=side)
    grid = np.linspace(0.0, 4.0, 4001)
    exact = exact_tail(model, score=score, thresholds=grid).estimate
    at = np.array([int(np.argmax(exact <= p)) for p in depths])
    found = tilted_tail(
        model, score=score, thresholds=grid[at], seed=seed, relative_error=relative_error
    )
    assert (found.relative_error() < 2.0 * relative_error).all()
    error = found.relative_error() * found.estimate
    assert (np.abs(found.estimate - exact[at]) < 5.0 * error).all()


def test_seats_by_preference_against_their_exact_law(seed_offset: int) -> None:
    _against_the_exact_law("aft", (1e-3, 1e-5), 0.2, 31 + seed_offset)


@pytest.mark.nightly
@pytest.mark.parametrize("side", ["aft", "forward"])
def test_deep_seats_by_preference_against_their_exact_law(side: str, seed_offset: int) -> None:
    _against_the_exact_law(side, (1e-3, 1e-5, 1e-7, 1e-9), 0.15, 33 + seed_offset)


def _against_counting(
    changes: dict[str, Any],
    side: str,
    flights: int,
    depths: Any,
    seed: int,
    relative_error: float = 0.1,
) -> None:
    model = prepare(edited(changes))
    score = envelope_score(model, side=side)
    counted = fly_scores(model, score=score, seed=seed, first=0, count=flights, jobs=2)
    thresholds = np.quantile(counted[: flights // 4], 1.0 - np.array(depths))
    found = tilted_tail(
        model, score=score, thresholds=thresholds, seed=seed + 1, relative_error=relative_error
    )
    for n, x in enumerate(thresholds):
        share = float((counted[flights // 4 :] > x).mean())
        error = math.hypot(
            found.relative_error()[n] * found.estimate[n], math.sqrt(share / (0.75 * flights))
        )
        assert abs(found.estimate[n] - share) < 5.0 * error, (x, found.estimate[n], share)


SURGE = {"operation.crowd.surge_probability": 0.05}


@pytest.mark.parametrize(
    ("changes", "side"),
    [({}, "aft"), (SURGE, "forward"), (CABINS["from_rear"], "aft")],
    ids=["aft", "surge", "rows in order"],
)
def test_tail_against_counting(changes: dict[str, Any], side: str, seed_offset: int) -> None:
    """At 1e-2 and 1e-3, movement and all; with a surge on one flight of twenty as a stratum."""
    _against_counting(changes, side, 12_000, [1e-2, 1e-3], 41 + seed_offset, 0.2)


@pytest.mark.nightly
@pytest.mark.parametrize("side", ["aft", "forward"])
@pytest.mark.parametrize(
    "changes", [{}, SURGE, CABINS["from_rear"]], ids=["shipped", "surge", "rows in order"]
)
def test_deep_tail_against_counting(changes: dict[str, Any], side: str, seed_offset: int) -> None:
    """Down to 3e-5, against 1,500,000 counted flights."""
    _against_counting(changes, side, 2_000_000, [1e-3, 1e-4, 3e-5], 51 + seed_offset)


@pytest.mark.nightly
def test_the_spread_of_runs_is_the_stated_error(seed_offset: int) -> None:
    """100 runs at about 1e-4: mean square error stated and seen, and the intervals cover."""
    model = prepare(edited({}))
    score = envelope_score(model, side="aft")
    runs = [
        tilted_tail(
            model,
            score=score,
            thresholds=np.array([4.2]),
            seed=6000 + 1000 * seed_offset + i,
            relative_error=0.2,
        )
        for i in range(100)
    ]
    each = np.array([run.estimate[0] for run in runs])
    # By the lower bound: the upper one is lengthened for flights that stop by their own scatter.
    low = np.array([run.low[0] for run in runs])
    # Thousands of loads tell the scatter: Student's t is that of a normal law to a few per cent.
    stated = each * np.log(each / low) / stats.norm.ppf(0.975)
    ratio = float(each.var(ddof=1) / (stated**2).mean())
    assert 0.5 < ratio < 1.6  # the variance of 100 runs is known to 14 %, more where skewed
    held = sum(bool(run.low[0] <= each.mean() <= run.high[0]) for run in runs)
    assert stats.binom.cdf(held, 100, 0.93) > 1e-6
