"""The cabin as arrays and as a picture in text."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from cgrisk.aircraft import cabin_plan, cabin_text, zone_arms
from cgrisk.aircraft.cabin import CabinPlan
from cgrisk.errors import UsageError
from cgrisk.scenario import Scenario
from tests.aircraft_cases import shipped_scenario, small_aircraft, small_scenario
from tests.twin_cases import twin_scenario

LAVATORIES = [
    {"name": "front", "arm": 4.0, "queue_toward": "aft"},
    {"name": "mid", "arm": 7.9, "count": 2, "queue_toward": "fore"},
]
GALLEYS = [{"name": "rear galley", "arm": 9.9, "standing": 3}]
CREW = [{"name": "rear crew", "arm": 9.5, "crew": 2}]


def case(layout: str = "AB-CD", rows: str = "1-4", **cabin: object) -> Scenario:
    """A cabin of rows one metre apart, from 5 m."""
    return small_scenario(
        small_aircraft(
            cabin={
                "first_row_arm": 5.0,
                "seats": layout,
                "rows": [{"rows": rows, "pitch": 1.0}],
                **cabin,
            }
        ),
        rows=rows,
    )


def labels(plan: CabinPlan, seats: np.ndarray) -> list[str]:
    return [plan.seat_label(int(seat)) for seat in seats]


def test_shipped_cabin() -> None:
    plan = cabin_plan(shipped_scenario())
    assert plan.seats == 174
    assert Counter(plan.position.tolist()) == {0: 58, 1: 58, 2: 58}
    assert set(plan.aisle.tolist()) == {0}
    assert plan.row.tolist() == [row for row in range(1, 30) for _ in range(6)]
    np.testing.assert_allclose(plan.arm_m, 6.60 + 0.80 * (plan.row - 1), rtol=1e-14)
    assert (plan.seat_label(0), plan.seat_label(173)) == ("1A", "29F")
    assert plan.zones == ("A", "B", "C")
    assert Counter(plan.zone.tolist()) == {0: 54, 1: 60, 2: 60}
    assert plan.classes == ("economy",)
    assert not plan.blocked.any()


def test_shipped_facilities() -> None:
    plan = cabin_plan(shipped_scenario())
    assert plan.lavatories.name == ("forward lavatory", "aft lavatories")
    assert plan.lavatories.arm_m.tolist() == [5.0, 30.4]
    assert plan.lavatories.count.tolist() == [1, 2]
    assert plan.lavatories.queue_sign.tolist() == [1, -1]
    assert plan.galleys.arm_m.tolist() == [4.4, 31.4]
    assert plan.galleys.standing.tolist() == [3, 6]
    assert plan.crew_seats.arm_m.tolist() == [4.6, 31.0]
    assert plan.crew_seats.crew.tolist() == [2, 2]


def test_snake_order_runs_back_and_forth() -> None:
    plan = cabin_plan(case(rows="1-3"))
    assert labels(plan, plan.snake_order) == [
        "1A", "1B", "1C", "1D", "2D", "2C", "2B", "2A", "3A", "3B", "3C", "3D",
    ]  # fmt: skip


def test_snake_neighbours_sit_together_in_the_shipped_cabin() -> None:
    plan = cabin_plan(shipped_scenario())
    order = plan.snake_order
    assert sorted(order.tolist()) == list(range(174))
    for before, after in pairwise(order):
        same_row = plan.row[before] == plan.row[after]
        letters_apart = abs(ord(plan.letter[before]) - ord(plan.letter[after]))
        assert letters_apart == (1 if same_row else 0)
        assert plan.row[after] - plan.row[before] in (0, 1)


def test_snake_skips_missing_seats() -> None:
    plan = cabin_plan(case(rows="1-2", missing=["1D", "2C"]))
    assert labels(plan, plan.snake_order) == ["1A", "1B", "1C", "2D", "2B", "2A"]


def test_snake_of_staggered_seats_goes_by_letter() -> None:
    table = [
        {"row": 1, "letter": letter, "arm": arm, "position": "window"}
        for letter, arm in [("A", 5.4), ("C", 5.0), ("D", 5.2)]
    ]
    table += [{"row": 2, "letter": "A", "arm": 6.0, "position": "window", "cabin_class": "rear"}]
    scenario = small_scenario(small_aircraft(cabin={"seat_table": table}), rows="1-2")
    plan = cabin_plan(scenario)
    assert labels(plan, np.arange(4)) == ["1C", "1D", "1A", "2A"]
    assert labels(plan, plan.snake_order) == ["1A", "1C", "1D", "2A"]
    assert plan.classes == ("economy", "rear")
    assert plan.class_index.tolist() == [0, 0, 0, 1]


def test_exit_row_pitch_moves_everything_behind_it() -> None:
    rows = [{"rows": "1-2", "pitch": 0.8}, {"rows": "3", "pitch": 1.1}, {"rows": "4", "pitch": 0.8}]
    aircraft = small_aircraft(cabin={"first_row_arm": 5.0, "seats": "A-B", "rows": rows})
    plan = cabin_plan(small_scenario(aircraft))
    np.testing.assert_allclose(plan.arm_m[::2], [5.0, 5.8, 6.9, 7.7], rtol=1e-14)


def test_two_aisles() -> None:
    plan = cabin_plan(case("AB-CDEF-GH", rows="1"))
    assert plan.position.tolist() == [0, 2, 2, 1, 1, 2, 2, 0]
    assert plan.aisle.tolist() == [0, 0, 0, 0, 1, 1, 1, 1]


def test_blocked_seats_and_rows() -> None:
    scenario = case()
    operation = scenario.operation.model_copy(
        update={"seating": scenario.operation.seating.model_copy(update={"blocked": ("1B", "3-4")})}
    )
    plan = cabin_plan(Scenario(scenario.aircraft, operation))
    assert labels(plan, np.flatnonzero(plan.blocked)) == [
        "1B", "3A", "3B", "3C", "3D", "4A", "4B", "4C", "4D",
    ]  # fmt: skip


def test_zone_arms_are_centroids_unless_given() -> None:
    zones = [
        {"name": "A", "rows": "1", "adults": 0},
        {"name": "B", "rows": "2-3", "adults": 0, "arm": 6.6},
        {"name": "C", "rows": "4", "adults": 0},
    ]
    scenario = small_scenario(case(missing=["1A"]).aircraft, zones=zones)
    plan = cabin_plan(scenario)
    assert plan.zone.tolist() == [0] * 3 + [1] * 8 + [2] * 4
    assert zone_arms(scenario, plan).tolist() == [5.0, 6.6, 8.0]


def test_a_centroid_counts_seats_not_rows_and_blocked_ones_too() -> None:
    scenario = small_scenario(
        case(rows="1-2", missing=["1A", "1B"]).aircraft,
        rows="1-2",
        seating={"blocked": ["2A"]},
    )
    plan = cabin_plan(scenario)
    assert zone_arms(scenario, plan).tolist() == [(2 * 5.0 + 4 * 6.0) / 6]


def test_shipped_zone_arms() -> None:
    scenario = shipped_scenario()
    # rows 1-9, 10-19, 20-29 at 0.8 m from 6.6 m: their middle rows are 5, 14.5, 24.5
    np.testing.assert_allclose(
        zone_arms(scenario, cabin_plan(scenario)), [9.8, 17.4, 25.4], rtol=1e-14
    )


def test_a_seat_outside_every_zone_has_none() -> None:
    plan = cabin_plan(small_scenario(case().aircraft, rows="1-3"))
    assert plan.zone.tolist() == [0] * 12 + [-1] * 4


def test_a_zone_without_seats_needs_an_arm() -> None:
    zones = [{"name": "A", "rows": "1-4", "adults": 0}, {"name": "ghost", "rows": "9", "adults": 0}]
    scenario = small_scenario(case().aircraft, zones=zones)
    with pytest.raises(UsageError, match="zone 'ghost': expected an arm, or rows that have seats"):
        zone_arms(scenario, cabin_plan(scenario))


def test_arrays_are_read_only() -> None:
    plan = cabin_plan(shipped_scenario())
    for array in (plan.arm_m, plan.blocked, plan.snake_order, plan.lavatories.arm_m):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1


def picture_case() -> Scenario:
    zones = [
        {"name": "fore", "rows": "1-2", "adults": 0},
        {"name": "aft", "rows": "3-4,10", "adults": 0},
    ]
    aircraft = case(
        rows="1-4,10",
        missing=["1A"],
        lavatories=LAVATORIES,
        galleys=GALLEYS,
        crew_seats=CREW,
    ).aircraft
    return small_scenario(aircraft, zones=zones, seating={"blocked": ["2C", "10"]})


def test_picture_of_a_small_cabin() -> None:
    found = cabin_text(cabin_plan(picture_case())).splitlines()
    assert found == [
        "    fore |   aft",
        "         |        1",
        "     1 2 | 3    4 0",
        "A      o | o    o x",
        "B    o o | o    o x",
        "   L     |   2L     G",
        "C    o x | o    o x",
        "D    o o | o    o x",
        "",
        "zone fore: rows 1 to 2, 7 seats (1 blocked), arm 5.00 to 6.00 m, centroid 5.57 m",
        "zone aft: rows 3 to 10, 12 seats (4 blocked), arm 7.00 to 9.00 m, centroid 8.00 m",
        "nose at the left; o seat, x blocked, L lavatory, G galley, | between zones",
    ]


def test_a_plain_cabin_has_a_short_legend() -> None:
    found = cabin_text(cabin_plan(case()))
    assert found.endswith("\nnose at the left; o seat")
    assert "|" not in found


def drawn_letters(scenario: Scenario) -> str:
    """The labels of the picture's lines from the top, a hyphen for a line without one."""
    lines = cabin_text(cabin_plan(scenario)).splitlines()
    first, end = (
        next(i for i, x in enumerate(lines) if x.startswith(key)) for key in ("A ", "zone")
    )
    return "".join(line[:1].strip() or "-" for line in lines[first : end - 1])


@pytest.mark.parametrize("width", [24, 40, 60, 100])
def test_a_long_cabin_goes_on_below(width: int) -> None:
    lines = cabin_text(cabin_plan(shipped_scenario()), width=width).splitlines()
    picture, legend = lines[:-4], lines[-4:]
    assert [line.startswith("zone ") for line in legend] == [True, True, True, False]
    assert max(len(line) for line in picture) <= width
    assert sum(line.count("o") for line in picture) == 174
    by_letter = Counter(line[0] for line in picture if line[:1].strip())
    # 29 rows and two galleys of 2 characters, 2 + 3 of lavatories, two curtains of 2: 71
    blocks = {24: 4, 40: 2, 60: 2, 100: 1}[width]
    assert by_letter == dict.fromkeys("ABCDEF", blocks)


def test_blocks_are_about_equally_long() -> None:
    lines = cabin_text(cabin_plan(shipped_scenario()), width=72).splitlines()
    widths = [len(line) for line in lines if line.startswith("A ")]
    assert len(widths) == 2
    assert max(widths) - min(widths) <= 6


@pytest.mark.parametrize(
    ("layout", "order"),
    [
        ("ABC-DEF", "ABC-DEF"),
        ("A-B", "A-B"),
        ("AB-C-DE", "AB-C-DE"),
        ("AB-CD-EF", "AB-CD-EF"),
        ("AB-CDE-FG", "AB-CDE-FG"),
        ("ABC-DEFG-HJK", "ABC-DEFG-HJK"),
        ("ABCD", "AB-CD"),  # nothing tells where people walk: the middle
    ],
)
def test_aisles_lie_between_aisle_seats(layout: str, order: str) -> None:
    assert drawn_letters(case(layout)) == order


def test_most_rows_decide_where_the_aisle_is_drawn() -> None:
    rows = [{"rows": "1", "pitch": 1.0, "seats": "AB-CD"}, {"rows": "2-4", "pitch": 1.0}]
    aircraft = small_aircraft(cabin={"first_row_arm": 5.0, "seats": "ABC-DEF", "rows": rows})
    assert drawn_letters(small_scenario(aircraft)) == "ABC-DEF"


def test_a_picture_needs_room() -> None:
    with pytest.raises(UsageError, match="width: expected at least 24 characters"):
        cabin_text(cabin_plan(case()), width=23)


def test_two_aisles_show_their_lavatories_twice_and_say_so() -> None:
    one = cabin_text(cabin_plan(shipped_scenario())).splitlines()
    assert not one[-1].endswith("there once")
    two = cabin_text(cabin_plan(twin_scenario())).splitlines()
    assert two[-1].endswith("; drawn in each aisle, there once")
    assert sum(line.count("3L") for line in two) == 2
