"""Tilted flights against exact laws and against counting."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from cgrisk.flight import FlightModel, entity_counts, fly_block, prepare
from cgrisk.flight.kernel.tilt import SEATING
from cgrisk.flight.leaning import lean_block, sources, tilt_data
from cgrisk.randomness import split_seed
from cgrisk.randomness.philox import block
from cgrisk.rare.counting import fly_scores
from cgrisk.rare.exact import exact_tail, seating_law
from cgrisk.rare.score import Score, envelope_score
from cgrisk.rare.tilting import tilted_tail
from cgrisk.scenario import load_scenario
from tests.flight_cases import SHIPPED, edited
from tests.oracles.seat_mass_tails import Masses, moment_tail
from tests.oracles.seating_counts import row_sum_law
from tests.tilt_cases import ALL_LOADS, CABINS, LAST_MINUTE, PEOPLE, SEATS

DEPTHS = (1e-3, 1e-5, 1e-7, 1e-9)
RULES: dict[str, dict[str, Any]] = {
    "random": {},
    "random_cabin": {"operation.seating.scope": "cabin"},
    "window_first": {"operation.seating.rule": "window_first"},
    "from_rear": {"operation.seating.rule": "from_rear", "operation.seating.scope": "cabin"},
    "from_front": {"operation.seating.rule": "from_front"},
    "children": {"operation.zones.1.adults": 0, "operation.zones.1.children": 52},
}


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_weights_undo_the_tilt(rule: str, sign: float, seed_offset: int) -> None:
    """Under every rule: weights average 1, and weighted means are those of ordinary flights."""
    last = {} if rule == "children" else LAST_MINUTE
    model = prepare(edited({**ALL_LOADS, **last, **RULES[rule]}))
    found = sources(model)
    names = ("seating", "mass", "count", "dry", "cargo", "fuel")
    columns = [model.columns.index(f"take_off_error_kgm.{name}") for name in names]
    plain = fly_block(model, seed=21 + seed_offset, flights=np.arange(6000, dtype=np.uint32))
    data = tilt_data(
        model,
        theta=sign * 0.9 / plain[:, columns].sum(axis=1).std(),  # more: too few weights matter
        reference_arm_m=model.program.sheet.take_off_arm_m,
        found=found,
        moment_kgm=np.array([100.0 if s.cause != 1 or s.word else 1.0 for s in found]),
        choice_seed=22 + seed_offset,
    )
    flights = np.arange(3500, dtype=np.uint32)
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


def test_scores_of_the_seats_have_their_law(seed_offset: int) -> None:
    """However strong the tilt: order statistics given who sits, and person 0 on any seat taken."""
    model = prepare(edited({**SEATS, **CABINS["last_zone"]}))
    cabin, seed = model.program.cabin, 61 + seed_offset
    data = tilt_data(
        model,
        theta=0.02,
        reference_arm_m=17.0,
        found=[],
        moment_kgm=np.empty(0),
        choice_seed=62 + seed_offset,
    )
    flights = np.arange(400, dtype=np.uint32)
    versions, _, seated = lean_block(model, data, seed=seed, flights=flights)
    seats = cabin.region_seats[cabin.region_start[2] : cabin.region_start[3]]
    first = cabin.region_first_person[2]
    column = versions.shape[1] - _columns_from_seating(model)
    k0, k1 = split_seed(seed)
    pivot, below, above, place = [], [], [], []
    for flight in flights:
        taken = seated[flight, first : first + 52]
        u = {
            int(s): (block(flight, versions[flight, column + s], SEATING, s, 0, k0, k1)[0] + 0.5)
            / 2.0**32
            for s in seats
        }
        mine = [u[int(s)] for s in taken]
        others = [u[int(s)] for s in seats if s not in taken]
        assert mine == sorted(mine)
        assert mine[-1] < min(others)
        pivot.append(mine[-1])
        below += [x / mine[-1] for x in np.random.default_rng(int(flight)).permutation(mine[:-1])]
        above += [(x - mine[-1]) / (1.0 - mine[-1]) for x in others]
        place.append(int(np.flatnonzero(np.sort(taken) == taken[0])[0]))
    assert stats.kstest(pivot, stats.beta(52, 9).cdf).pvalue > 1e-6
    assert stats.kstest(below, "uniform").pvalue > 1e-6
    assert stats.kstest(above, "uniform").pvalue > 1e-6
    spread = math.sqrt((52.0**2 - 1.0) / 12.0 / flights.size)
    assert abs(np.mean(place) - 25.5) < 5.0 * spread


def _columns_from_seating(model: FlightModel) -> int:
    counts = entity_counts(model)
    return sum(list(counts.values())[list(counts).index("seating") :])


def _deep(values: np.ndarray[Any, Any], chance: np.ndarray[Any, Any]) -> list[tuple[float, float]]:
    """Return (limit between two values, probability above it) for each depth, or the deepest."""
    above = np.cumsum(chance[::-1])[::-1]
    places = [int(np.argmax(above <= max(depth, float(above[-1])))) for depth in DEPTHS]
    return [(0.5 * float(values[i - 1] + values[i]), float(above[i])) for i in places]


def _counted_rows(cabin: str) -> dict[int, float]:
    """Return the law of the sum of row numbers over the people, by the oracle."""
    if cabin == "last_zone":
        return {k: float(p) for k, p in row_sum_law(rows=10, seats_per_row=6, people=52).items()}
    zone_a = row_sum_law(rows=9, seats_per_row=6, people=44)
    zone = row_sum_law(rows=10, seats_per_row=6, people=52)
    total = {0: 1.0}
    for law in (zone_a, zone, zone):
        grown: dict[int, float] = {}
        for done, chance in total.items():
            for more, p in law.items():
                grown[done + more] = grown.get(done + more, 0.0) + chance * float(p)
        total = grown
    return dict(sorted(total.items()))


@pytest.mark.parametrize("cabin", CABINS)
def test_seats_alone_against_their_exact_law(cabin: str, seed_offset: int) -> None:
    """Nearly full cabins from 1e-3 to 1e-9: each within 5 SE, SE below 10 %, all well together."""
    model = prepare(edited({**SEATS, **CABINS[cabin]}))
    arms, mass = model.program.cabin, model.program.mass
    law = seating_law(model)
    values, chance = law.moment_kgm, law.probability
    sheet = mass.adult_standard_kg * float(arms.zone_adults @ arms.zone_arm_m)
    total = 0.0
    deep = _deep(values, chance)
    if cabin != "whole_cabin":  # 29 rows are too many to count without cunning
        counted = _counted_rows(cabin)
        again = _deep(np.array(list(counted), dtype=float), np.array(list(counted.values())))
        assert [p for _, p in again] == pytest.approx([p for _, p in deep], rel=1e-8)
    for depth, (limit, exact) in enumerate(deep):

        def excess(
            theta: float, values: Any = values, chance: Any = chance, at: float = limit
        ) -> float:
            tilted = chance * np.exp(theta * (values - values.max()))
            return float(tilted @ values / tilted.sum()) - at

        theta = float(brentq(excess, 0.0, 1.0))
        kg = float(mass.shift_kg[0] + mass.bag_scale_kg)  # of everybody
        data = tilt_data(
            model,
            theta=theta * mass.adult_standard_kg / kg,
            reference_arm_m=17.0,
            found=[],
            moment_kgm=np.empty(0),
            choice_seed=31 + depth + seed_offset,
        )
        _, log_weight, seat = lean_block(
            model, data, seed=35 + depth + seed_offset, flights=np.arange(2500, dtype=np.uint32)
        )
        moment = mass.adult_standard_kg * np.where(seat >= 0, arms.arm_m[seat], 0.0).sum(axis=1)
        part = np.exp(log_weight) * (moment - sheet > limit)
        error = part.std() / math.sqrt(part.size)
        assert error < 0.1 * exact
        assert abs(part.mean() - exact) < 5.0 * error
        total += ((part.mean() - exact) / error) ** 2
    assert stats.chi2.sf(total, len(deep)) > 1e-6


def _limits(model: FlightModel, score: Score) -> tuple[np.ndarray[Any, Any], Any]:
    """Return thresholds near the depths, between scores that flights have, and their tails."""
    grid = np.linspace(0.0, 4.0, 4001)
    exact = exact_tail(model, score=score, thresholds=grid).estimate
    at = np.array([int(np.argmax(exact <= depth)) for depth in DEPTHS])
    return grid[at], exact[at]


@pytest.mark.parametrize(("cabin", "side"), [("three_zones", "aft"), ("whole_cabin", "forward")])
def test_whole_answers_against_the_exact_law(cabin: str, side: str, seed_offset: int) -> None:
    model = prepare(edited({**SEATS, **CABINS[cabin]}))
    score = envelope_score(model, side=side)
    thresholds, exact = _limits(model, score)
    # Upper bounds are lengthened, and few heavy flights have few degrees of freedom.
    found = tilted_tail(
        model, score=score, thresholds=thresholds, seed=43 + seed_offset, relative_error=0.08
    )
    error = found.relative_error()
    assert error.max() < 0.15
    assert (np.abs(found.estimate / exact - 1.0) < 5.0 * error * found.estimate / exact).all()
    assert found.flights < 25_000
    # Weights hang on the load alone here, so that how likely each strength makes it is known.
    assert found.diagnostics["largest_weight_share"] < 0.01


def _coverage(repetitions: int, seed: int) -> int:
    """Return how many intervals at 1e-5 hold the exact answer, seats alone."""
    model = prepare(edited(SEATS))
    score = envelope_score(model, side="aft")
    thresholds, exact = _limits(model, score)
    held = 0
    for i in range(repetitions):
        found = tilted_tail(model, score=score, thresholds=thresholds[1:2], seed=seed + i, jobs=1)
        held += bool(found.low[0] <= exact[1] <= found.high[0])
    return held


def test_few_intervals_cover(seed_offset: int) -> None:
    """Of 6 intervals of 95 %: 93 % are asked for."""
    held = _coverage(6, 1000 + 1000 * seed_offset)
    assert stats.binom.cdf(held, 6, 0.93) > 1e-6


@pytest.mark.nightly
def test_intervals_cover(seed_offset: int) -> None:
    """Of 100 intervals of 95 %: 93 % are asked for."""
    held = _coverage(100, 5000 + 1000 * seed_offset)
    assert stats.binom.cdf(held, 100, 0.93) > 1e-6


@pytest.mark.parametrize(
    ("deviations", "count"), [(3.2, 8_000), (4.55, 8_000), (5.6, 8_000), (6.5, 60_000)]
)
def test_seats_and_masses_against_the_exact_tail(
    deviations: float, count: int, seed_offset: int
) -> None:
    """From 1e-3 to 1e-10, sexes, bodies and bags as shipped: an integral in the complex plane."""
    model = prepare(edited(PEOPLE))
    cabin, mass = model.program.cabin, model.program.mass
    x = model.program.sheet.take_off_arm_m
    bounds = cabin.region_start
    zones = [
        (cabin.arm_m[cabin.region_seats[bounds[r] : bounds[r + 1]]] - x, int(cabin.zone_adults[r]))
        for r in range(3)
    ]
    sexes = [
        (share, float(mass.shift_kg[i]), float(mass.scale_kg[i]), float(mass.shape[i]))
        for i, share in enumerate((mass.male_share, 1.0 - mass.male_share))
    ]
    masses = Masses(sexes, (mass.bag_none, mass.bag_scale_kg, mass.bag_shape))
    sd, limit = 1741.0, 2443.0 + 1741.0 * deviations  # of the moment, about; only to aim
    exact, theta = moment_tail(zones, masses, limit, spread=sd)
    data = tilt_data(
        model,
        theta=theta,
        reference_arm_m=x,
        found=[],
        moment_kgm=np.empty(0),
        choice_seed=71 + seed_offset,
    )
    flights = np.arange(count, dtype=np.uint32)
    versions, log_weight, _ = lean_block(model, data, seed=72 + seed_offset, flights=flights)
    rows = fly_block(model, seed=72 + seed_offset, flights=flights, versions=versions)
    # The errors are those against standard masses at the load sheet's arms.
    names = ("take_off_error_kgm.seating", "take_off_error_kgm.mass")
    errors = rows[:, [model.columns.index(name) for name in names]].sum(axis=1)
    sheet = mass.adult_standard_kg * float(cabin.zone_adults @ (cabin.zone_arm_m - x))
    part = np.exp(log_weight) * (errors + sheet > limit)
    error = part.std() / math.sqrt(part.size)
    assert error < 0.15 * exact
    assert abs(part.mean() - exact) < 5.0 * error


def _against_counting(
    changes: dict[str, Any], side: str, flights: int, depths: list[float], seed: int
) -> None:
    model = prepare(edited(changes))
    score = envelope_score(model, side=side)
    counted = fly_scores(model, score=score, seed=seed, first=0, count=flights, jobs=2)
    thresholds = np.quantile(counted[: flights // 2], 1.0 - np.array(depths))
    found = tilted_tail(model, score=score, thresholds=thresholds, seed=seed + 1)
    assert found.relative_error().max() < 0.2
    for n, x in enumerate(thresholds):
        share = float((counted[flights // 2 :] > x).mean())
        error = math.hypot(
            found.relative_error()[n] * found.estimate[n], math.sqrt(2.0 * share / flights)
        )
        assert abs(found.estimate[n] - share) < 5.0 * error


@pytest.mark.parametrize("side", ["forward", "aft"])
@pytest.mark.parametrize("changes", [PEOPLE, {**ALL_LOADS, **LAST_MINUTE}], ids=["people", "all"])
def test_tail_against_counting(changes: dict[str, Any], side: str, seed_offset: int) -> None:
    """At 1e-2 and 1e-3."""
    _against_counting(changes, side, 20_000, [1e-2, 1e-3], 41 + seed_offset)


@pytest.mark.nightly
@pytest.mark.parametrize("side", ["forward", "aft"])
@pytest.mark.parametrize("changes", [PEOPLE, {**ALL_LOADS, **LAST_MINUTE}], ids=["people", "all"])
def test_deep_tail_against_counting(changes: dict[str, Any], side: str, seed_offset: int) -> None:
    """Down to 3e-5, against 2,000,000 counted flights."""
    _against_counting(changes, side, 2_000_000, [1e-3, 1e-4, 3e-5], 51 + seed_offset)


def test_strong_tilts_leave_the_shallow_end_alone(seed_offset: int) -> None:
    """A curve asked for far beyond its shallow end, where strengths make loads nobody counts."""
    model = prepare(load_scenario(SHIPPED.parent / "commuter"))
    score = envelope_score(model, side="aft")
    counted = fly_scores(model, score=score, seed=90 + seed_offset, first=0, count=60_000, jobs=2)
    shallow = np.quantile(counted, [0.9, 0.99, 0.998])
    places = np.append(shallow, shallow[-1] + np.array([2.0, 4.0]))
    found = tilted_tail(
        model,
        score=score,
        thresholds=places,
        seed=91 + seed_offset,
        relative_error=0.2,
        most_flights=600_000,
        jobs=2,
    )
    seen = (counted[:, None] > shallow).mean(axis=0)
    own = np.abs(found.relative_error()[:3] * found.estimate[:3])
    error = np.hypot(own, np.sqrt(seen / counted.size))
    assert (np.abs(found.estimate[:3] - seen) < 5.0 * error).all(), found.estimate[:3] / seen
    assert (error < 0.3 * seen).all()
