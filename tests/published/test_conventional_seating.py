"""Seating curtailment: the published method, its closed forms, and a published row table.

Method: FAA AC 120-27 (read, method): in each zone window seats fill first, then aisle seats, then
the rest, row by row from one end; the largest running moment about the zone's centroid counts and
the zones are added up. Closed forms: computed, and tried here on every way to choose seats.
"""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pytest

from cgrisk.decide.conventional_seating import (
    ZoneSeating,
    filling_order,
    running_moments,
    worst_row_moment,
    zone_seating,
)
from cgrisk.errors import UsageError
from cgrisk.flight import prepare
from cgrisk.scenario import Scenario
from cgrisk.units import IN_TO_M, LB_TO_KG
from tests.aircraft_cases import fuel_aircraft, small_scenario

LB_IN = LB_TO_KG * IN_TO_M
ARMS_IN = (200, 229, 259, 289, 319, 349, 379, 409, 436)
TANK = {"name": "tank", "capacity": 0.1, "layers": [[0.1, 10.4]]}
LONG = [{"phases": ["take_off"], "forward": [[0.0, 10.0]], "aft": [[0.0, 40.0]]}]


def zones_of(scenario: Scenario) -> dict[tuple[str, str], ZoneSeating]:
    return {(z.zone, z.side): z for z in zone_seating(prepare(scenario))}


def rows_case(
    rows: int, *, letters: str, adults: int, pitch_m: float = 1.0, **changes: object
) -> Scenario:
    cabin = {
        "first_row_arm": 5.0,
        "seats": letters,
        "rows": [{"rows": f"1-{rows}", "pitch": pitch_m}],
    }
    aircraft = fuel_aircraft([TANK], cabin=cabin, envelopes=LONG)
    zones = [{"name": "A", "rows": f"1-{rows}", "adults": adults}]
    sheet = {"arm_step": 0.0, "mass_step": 0.0, "index_step": 0.0, "cg_step": 0.0}
    return small_scenario(aircraft, **({"zones": zones, "load_sheet": sheet} | changes))


@pytest.mark.parametrize(("rows", "times_wp"), [(9, 10.0), (10, 12.5), (13, 21.0), (30, 112.5)])
@pytest.mark.parametrize("columns", [1, 2, 6])
def test_closed_form(rows: int, times_wp: float, columns: int) -> None:
    """w p N^2/8 (N even), w p (N^2 - 1)/8 (N odd), times the columns (computed)."""
    found = worst_row_moment(rows, pitch_m=0.8, mass_kg=84.0, columns=columns)
    assert found == pytest.approx(times_wp * 84.0 * 0.8 * columns, rel=1e-14)
    arms = np.repeat(0.8 * np.arange(rows), columns)
    toward_front = -running_moments(arms, about_m=float(arms.mean()), mass_kg=84.0)
    assert toward_front.max() == pytest.approx(found, rel=1e-12)
    assert toward_front[-1] == pytest.approx(0.0, abs=1e-8)


@pytest.mark.parametrize("rows", range(1, 14))
def test_closed_form_is_the_worst_of_every_set_of_rows(rows: int) -> None:
    """No set of rows at all, of any size, has a moment further forward about the centroid."""
    middle = (rows - 1) / 2
    worst = min(
        sum(row - middle for row in taken)
        for count in range(rows + 1)
        for taken in combinations(range(rows), count)
    )
    assert worst_row_moment(rows, pitch_m=1.0) == -worst


@pytest.mark.parametrize(
    "changes", [{"rows": -1}, {"pitch_m": -0.1}, {"columns": -1}, {"pitch_m": float("nan")}]
)
def test_closed_form_refuses_what_is_no_size(changes: dict[str, float]) -> None:
    with pytest.raises(UsageError, match="at least 0"):
        worst_row_moment(**({"rows": 3, "pitch_m": 1.0} | changes))


@pytest.mark.parametrize(
    ("letters", "counts"),
    [("A-B", (2,)), ("AB-CD", (2, 2)), ("ABC-DEF", (2, 2, 2))],
    ids=["1-1", "2-2", "3-3"],
)
@pytest.mark.parametrize(("rows", "times_wp"), [(9, 10.0), (10, 12.5), (13, 21.0), (30, 112.5)])
def test_a_zone_fills_its_window_seats_first(
    letters: str, counts: tuple[int, ...], rows: int, times_wp: float
) -> None:
    """Each position of k columns is filled alone, so k = 2 columns count, however wide the row."""
    zones = zones_of(rows_case(rows, letters=letters, adults=3, pitch_m=0.8))
    for side in ("forward", "aft"):
        zone = zones["A", side]
        assert zone.classic_kgm == pytest.approx(counts[0] * times_wp * 84.0 * 0.8, rel=1e-12)
        assert zone.classic_count == counts[0] * (rows // 2)
        assert zone.seats == rows * sum(counts)


def every_fill(seats: list[tuple[float, int]], *, sign: float) -> float:
    """Worst running moment over every order that keeps windows, aisle, rest, and rows in order.

    Slow and obvious: all permutations of all seats, those that break a rule thrown away.
    """
    middle = sum(arm for arm, _ in seats) / len(seats)
    turn = {0: 0, 2: 1, 1: 2}
    worst = 0.0
    for order in permutations(range(len(seats))):
        keys = [(turn[seats[i][1]], -sign * seats[i][0]) for i in order]
        if keys != sorted(keys):
            continue
        total = 0.0
        for i in order:
            total += sign * (seats[i][0] - middle)
            worst = max(worst, total)
    return worst


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize(
    "seats",
    [
        [(0.0, 0), (1.0, 0), (2.5, 0), (0.0, 2), (1.0, 2), (2.5, 2)],
        [(0.0, 0), (0.0, 1), (0.0, 2), (1.0, 0), (1.0, 1), (1.0, 2), (2.0, 1)],
        [(0.3, 0), (0.0, 0), (1.2, 0), (1.0, 0), (4.0, 2), (4.2, 1)],
    ],
    ids=["uneven rows", "three abreast", "staggered"],
)
def test_zone_filling_against_every_order(seats: list[tuple[float, int]], sign: float) -> None:
    arms = np.array([arm for arm, _ in seats])
    order = filling_order(arms, position=[p for _, p in seats], from_front=sign < 0)
    moments = sign * running_moments(arms[order], about_m=float(arms.mean()))
    assert moments.max() == pytest.approx(every_fill(seats, sign=sign), abs=1e-12)


def nineteen_seats(*, abreast: int, adults: int) -> Scenario:
    letters = ("A", "C")[:abreast]
    table = [
        {"row": row, "letter": letter, "arm": float(arm), "position": "window"}
        for row, arm in enumerate(ARMS_IN, start=1)
        for letter in letters
    ]
    gallon_capacity = {"name": "tank", "capacity": 20.0, "layers": [[20.0, 400.0]]}
    aircraft = fuel_aircraft(
        [gallon_capacity],
        system="lb/in",
        cabin={"seat_table": table},
        envelopes=LONG,
    )
    sheet = {"adult_mass": 170 * LB_TO_KG, "arm_step": 0.0, "mass_step": 0.0}
    return small_scenario(
        aircraft,
        zones=[{"name": "A", "rows": "1-9", "adults": adults}],
        load_sheet=sheet,
    )


def test_rows_of_a_19_seat_aircraft() -> None:
    """FAA knowledge test, 19-seat rows (memory; computed): 170 lb each, moment / 100 by row."""
    moments = np.diff(running_moments(np.array(ARMS_IN) * IN_TO_M, about_m=0.0, mass_kg=LB_TO_KG))
    printed = [340, 389, 440, 491, 542, 593, 644, 695, 741]
    assert np.rint(170 * moments / LB_IN / 100.0).astype(int).tolist() == printed


@pytest.mark.parametrize("abreast", [1, 2])
def test_curtailment_of_a_19_seat_aircraft(abreast: int) -> None:
    """The same nine rows as one zone, by hand (computed).

    Their centroid is 2,869 / 9 = 318.778 in. From the front four rows lie ahead of it, by 118.778,
    89.778, 59.778 and 29.778: 298.111 in, times 170 lb 50,678.9 lb in for each column. The fifth
    row lies 0.222 in behind it, so from the rear five rows make the same figure.
    """
    zones = zones_of(nineteen_seats(abreast=abreast, adults=9))
    by_hand = abreast * 170.0 * (4 * 2_869 / 9 - (200 + 229 + 259 + 289))
    assert by_hand == pytest.approx(abreast * 50_678.889, abs=1e-3)
    for side, rows in (("forward", 4), ("aft", 5)):
        zone = zones["A", side]
        assert zone.classic_kgm / LB_IN == pytest.approx(by_hand, rel=1e-9)
        assert zone.classic_count == rows * abreast
        assert zone.seats == 9 * abreast
    # nine passengers of eighteen seats: rows 1 to 4, and one in row 5
    if abreast == 2:
        half = by_hand - 170.0 * (319 - 2_869 / 9)
        assert zones["A", "forward"].state_kgm / LB_IN == pytest.approx(half, rel=1e-9)


@pytest.mark.parametrize("adults", range(13))
def test_most_extreme_seats_by_every_way_to_sit(adults: int) -> None:
    """The most that n people can do, over all sets of n of 12 seats; the ordered fill never more.

    With free seating the error is largest near a load factor of one half (EASA, from memory).
    """
    zones = zones_of(rows_case(3, letters="AB-CD", adults=adults))
    arms = [5.0 + row - 6.0 for row in range(3) for _ in range(4)]
    sums = [sum(taken) for taken in combinations(arms, adults)]
    for side, worst in (("forward", -min(sums)), ("aft", max(sums))):
        zone = zones["A", side]
        assert zone.extreme_kgm == pytest.approx(84.0 * worst, abs=1e-9)
        assert zone.state_kgm <= zone.extreme_kgm + 1e-9
    half = zones_of(rows_case(3, letters="AB-CD", adults=6))["A", "forward"].extreme_kgm
    assert zones["A", "forward"].extreme_kgm <= half + 1e-9
