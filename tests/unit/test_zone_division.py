"""Divisions of a cabin: the exact search against trying every division, and the closed forms."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from cgrisk.aircraft import POSITIONS
from cgrisk.decide import (
    CabinRows,
    Rules,
    best_divisions,
    conventional_cost,
    cost_table,
    division_cost,
    variance_cost,
)
from cgrisk.errors import UsageError
from tests.oracles.zone_search import (
    all_divisions,
    enumerated_variance,
    running_deviation,
    seating_variance,
    zones_of,
)

LAYOUTS = (
    ("window", "middle", "aisle", "aisle", "middle", "window"),
    ("window", "aisle", "aisle", "window"),
    ("window", "aisle", "aisle"),
    ("aisle", "aisle"),
)


def cabin(rows: list[list[tuple[int, str]]]) -> CabinRows:
    """Rows of the oracle (mm) as the program has them (m), numbered from 1."""
    return CabinRows(
        number=tuple(range(1, len(rows) + 1)),
        arm_m=tuple(np.array([arm / 1000.0 for arm, _ in row]) for row in rows),
        position=tuple(np.array([POSITIONS.index(place) for _, place in row]) for row in rows),
        open_seat=tuple(np.ones(len(row), dtype=bool) for row in rows),
        class_index=(0,) * len(rows),
    )


def even_rows(count: int, *, seats: int = 6, pitch: int = 800) -> list[list[tuple[int, str]]]:
    return [[(1000 + pitch * k, place) for place in LAYOUTS[0][:seats]] for k in range(count)]


def odd_rows(count: int, seed: int) -> list[list[tuple[int, str]]]:
    """Two classes, pitches and layouts of their own."""
    random = np.random.default_rng(seed)
    arm, rows = 2000, []
    for k in range(count):
        arm += int(random.integers(650, 1200)) + (900 if k == count // 3 else 0)
        layout = LAYOUTS[2 if k < count // 3 else 0]
        if random.random() < 0.2:
            layout = LAYOUTS[int(random.integers(len(LAYOUTS)))]
        rows.append([(arm, place) for place in layout])
    return rows


def exact_costs(rows: list, objective: str, load: Fraction | None) -> dict[tuple[int, int], object]:
    """Cost of every run of rows as a zone, in m**2 or m, in whole numbers of mm."""
    found = {}
    for first in range(len(rows)):
        for end in range(first + 1, len(rows) + 1):
            (seats,) = zones_of(rows[first:end], ())
            arms = [arm for arm, _ in seats]
            if objective == "conventional":
                found[first, end] = running_deviation(seats) / 1000
            else:
                taken = Fraction(len(arms) // 2) if load is None else load * len(arms)
                found[first, end] = seating_variance(arms, taken) / 1_000_000
    return found


def check_against_all(rows: list, objective: str, load: Fraction | None, most: int) -> None:
    there = cabin(rows)
    table = cost_table(
        there, objective=objective, load_factor=None if load is None else float(load)
    )
    exact = exact_costs(rows, objective, load)
    for (first, end), cost in exact.items():
        assert table[first, end] == pytest.approx(float(cost), rel=1e-9, abs=1e-9)
    as_float = {key: float(cost) for key, cost in exact.items()}
    best = best_divisions(there, table, most_zones=most)
    assert sorted(best) == list(range(1, min(most, len(rows)) + 1))
    before = np.cumsum([0, *(len(row) for row in rows)])
    slack = max(2e-9 * as_float[0, len(rows)] * most, 1e-11)
    for zones, division in best.items():
        tried = {}
        for cuts in all_divisions(len(rows), zones):
            ends = (0, *cuts, len(rows))
            tried[cuts] = sum(as_float[pair] for pair in pairwise(ends))
        least = min(tried.values())
        assert division.cost == pytest.approx(least, rel=1e-9, abs=1e-9)
        assert sum(division.zone_cost) == pytest.approx(division.cost)
        tied = [cuts for cuts, cost in tried.items() if cost <= least + slack]

        def uneven(cuts: tuple[int, ...]) -> tuple:
            return int((np.diff(before[[0, *cuts, len(rows)]]) ** 2).sum()), cuts

        assert division.boundaries == min(tied, key=uneven), (zones, tied)


@pytest.mark.parametrize("rows", range(1, 21))
@pytest.mark.parametrize("objective", ["variance", "conventional"])
def test_the_best_division_is_that_of_trying_all(rows: int, objective: str) -> None:
    load = Fraction(rows % 5 + 1, 6) if rows % 3 else None
    check_against_all(even_rows(rows), objective, load, 4)
    for seed in range(3):
        check_against_all(odd_rows(rows, 100 * rows + seed), objective, load, 4)


@pytest.mark.parametrize("seed", range(4))
def test_rules_are_obeyed_and_nothing_better_is_missed(seed: int) -> None:
    rows = odd_rows(14, 7 + seed)
    there = cabin(rows)
    table = cost_table(there, objective="variance", load_factor=0.7)
    rules = Rules(keep=(5,), forbid=(3, 8, 9), smallest_rows=2, smallest_seats=9)
    before = np.cumsum([0, *(len(row) for row in rows)])

    def obeys(cuts: tuple[int, ...]) -> bool:
        ends = np.array([0, *cuts, len(rows)])
        sizes = np.diff(before[ends])
        return bool(
            5 in cuts
            and not {3, 8, 9} & set(cuts)
            and (np.diff(ends) >= 2).all()
            and (sizes >= 9).all()
        )

    best = best_divisions(there, table, most_zones=5, rules=rules)
    for zones in range(1, 6):
        tried = [
            division_cost(there, table, boundaries=cuts).cost
            for cuts in all_divisions(len(rows), zones)
            if obeys(cuts)
        ]
        assert (zones in best) == bool(tried)
        if tried:
            assert obeys(best[zones].boundaries)
            assert best[zones].cost == pytest.approx(min(tried))
    assert 1 not in best  # row 5 ends a class: there are two zones at least


def test_variance_of_seats_at_random_is_that_of_every_set_of_seats() -> None:
    arms = [1000, 2000, 3000, 4000, 5000, 6000] * 2  # 12 seats in six rows at 1 m
    exact = enumerated_variance(arms, 5)
    assert float(exact) / 1e6 == pytest.approx(9.280303030303, abs=1e-11)
    assert exact == seating_variance(arms, Fraction(5))
    assert variance_cost(np.array(arms) / 1000.0, taken=5) == pytest.approx(float(exact) / 1e6)
    odd = [arm for row in odd_rows(4, 1) for arm, _ in row]
    for taken in range(len(odd) + 1):
        assert variance_cost(np.array(odd) / 1000.0, taken=taken) == pytest.approx(
            float(enumerated_variance(odd, taken)) / 1e6, abs=1e-12
        )


@pytest.mark.parametrize("rows, worst", [(9, 10.0), (10, 12.5), (13, 21.0), (30, 112.5)])
@pytest.mark.parametrize("columns", [1, 2])
def test_one_column_filled_from_an_end_has_the_closed_form(
    rows: int, worst: float, columns: int
) -> None:
    # p N**2 / 8 (N even), p (N**2 - 1) / 8 (N odd) about the centroid, k columns k times as much
    arms = np.repeat(np.arange(rows, dtype=float), columns)
    seats = np.zeros(arms.size, dtype=np.int64)
    for side in ("forward", "aft", "worst"):
        assert conventional_cost(arms, seats, side=side) == pytest.approx(columns * worst)


@pytest.mark.parametrize("zones", [1, 2, 3, 4, 6])
def test_equal_zones_have_the_closed_forms(zones: int) -> None:
    rows, pitch, load = 24, 0.8, 0.75
    there = cabin(even_rows(rows))
    each = rows // zones
    table = cost_table(there, objective="variance", load_factor=load)
    best = best_divisions(there, table, most_zones=6)[zones]
    assert best.boundaries == tuple(each * k for k in range(1, zones))
    seats = 6 * each
    spread = pitch**2 * (each**2 - 1) / 12.0
    one = load * seats * (seats - load * seats) / (seats - 1) * spread
    assert best.cost == pytest.approx(zones * one)
    conventional = cost_table(there, objective="conventional")
    # Three pairs of columns fill one after the other; after the first the sum has its extreme.
    eighth = each**2 if each % 2 == 0 else each**2 - 1
    found = best_divisions(there, conventional, most_zones=6)[zones]
    assert found.cost == pytest.approx(zones * 2 * pitch * eighth / 8.0)


@pytest.mark.parametrize("load", [0.0, 1.0])
def test_an_empty_and_a_full_aircraft_are_divided_evenly(load: float) -> None:
    there = cabin(even_rows(12))
    table = cost_table(there, objective="variance", load_factor=load)
    best = best_divisions(there, table, most_zones=5)
    assert all(division.cost == 0.0 for division in best.values())
    assert best[1].boundaries == ()
    assert best[3].boundaries == (4, 8)
    assert best[5].boundaries == (2, 4, 6, 9)  # 2, 2, 2, 3, 3: the most forward of the nearest


def test_the_mirrored_cabin_has_the_mirrored_costs() -> None:
    rows = odd_rows(11, 3)
    mirrored = [[(50_000 - arm, place) for arm, place in row] for row in reversed(rows)]
    for objective in ("variance", "conventional"):
        here, there = cabin(rows), cabin(mirrored)
        one = best_divisions(here, cost_table(here, objective=objective), most_zones=4)
        two = best_divisions(there, cost_table(there, objective=objective), most_zones=4)
        for zones, division in one.items():
            assert division.cost == pytest.approx(two[zones].cost)
    fore = cost_table(cabin(rows), objective="conventional", side="forward")[0, -1]
    aft = cost_table(cabin(mirrored), objective="conventional", side="aft")[0, -1]
    assert fore == pytest.approx(aft)


def test_more_zones_never_cost_more() -> None:
    for seed in range(5):
        there = cabin(odd_rows(16, seed))
        table = cost_table(there, objective="variance", load_factor=0.5)
        costs = [d.cost for d in best_divisions(there, table, most_zones=8).values()]
        assert all(b <= a + 1e-9 for a, b in pairwise(costs))


def test_blocked_seats_carry_nobody() -> None:
    rows = even_rows(6)
    there = cabin(rows)
    closed = CabinRows(
        number=there.number,
        arm_m=there.arm_m,
        position=there.position,
        open_seat=(*there.open_seat[:5], np.zeros(6, dtype=bool)),
        class_index=there.class_index,
    )
    short = cabin(rows[:5])
    whole = cost_table(closed, objective="variance", load_factor=0.5)[0, 6]
    assert whole == pytest.approx(cost_table(short, objective="variance", load_factor=0.5)[0, 5])
    best = best_divisions(closed, cost_table(closed, objective="variance"), most_zones=6)
    assert max(best) == 5  # no zone without a seat


def test_boundaries_between_classes() -> None:
    there = cabin(even_rows(4))
    two = CabinRows(there.number, there.arm_m, there.position, there.open_seat, (0, 0, 1, 1))
    assert two.class_boundaries() == (2,)


@pytest.mark.parametrize(
    "rules, words",
    [
        (Rules(keep=(4,), forbid=(4,)), "not forbidden; got 'after row 4'"),
        (Rules(keep=(12,)), "1 to 11; got 12"),
        (Rules(forbid=(40,)), "1 to 11; got 40"),
        (Rules(smallest_rows=0), "at least 1; got 0"),
        (Rules(smallest_rows=13), "12 rows with 72 open seats, zones of at least 13 rows"),
        (Rules(smallest_seats=73), "at least 1 rows and 73 seats"),
        (Rules(keep=(2, 4, 6, 8)), "4 boundaries that stay and 0 forbidden"),
    ],
)
def test_rules_that_cannot_be_obeyed_are_refused_with_their_numbers(
    rules: Rules, words: str
) -> None:
    there = cabin(even_rows(12))
    table = cost_table(there, objective="variance")
    with pytest.raises(UsageError, match=words):
        best_divisions(there, table, most_zones=4, rules=rules)


def test_wrong_arguments_are_named() -> None:
    there = cabin(even_rows(3))
    with pytest.raises(UsageError, match="variance or conventional; got 'beauty'"):
        cost_table(there, objective="beauty")
    with pytest.raises(UsageError, match=r"0 to 1; got 1\.2"):
        cost_table(there, objective="variance", load_factor=1.2)
    with pytest.raises(UsageError, match="max zones: expected at least 1; got 0"):
        best_divisions(there, cost_table(there, objective="variance"), most_zones=0)
