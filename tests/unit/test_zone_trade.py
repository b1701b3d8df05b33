"""What curtains bring: closed forms against sampled flights, the same people in other zones."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from cgrisk.aircraft import cabin_plan
from cgrisk.decide import (
    EXISTING,
    Rules,
    ZoneQuestion,
    ZoneStudy,
    cabin_rows,
    closed_form_arm,
    existing_boundaries,
    fly_zones,
    label_of,
    rows_text,
    seating_sd_kgm,
    spread,
    study_zones,
    zone_arm_study,
    zoned_scenario,
)
from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import fly_block, prepare
from cgrisk.report.zone_text import decisions, zone_text
from cgrisk.scenario import Scenario, parse_rows
from tests.flight_cases import SEATING_ALONE, edited, shipped_scenario

FLIGHTS = 3_000
ZONES = ((1, 2, 3, 4), tuple(range(5, 20)), tuple(range(20, 30)))
#: Only people aboard: no service that would cost time, nobody gets up.
QUIET: dict[str, Any] = {**SEATING_ALONE, "operation.service.carts": []}


def question(scenario: Scenario, **named: Any) -> ZoneQuestion:
    given: dict[str, Any] = {
        "most_zones": 3,
        "objective": "variance",
        "load": "planned",
        "rules": Rules(),
        "flights": 600,
        "level": 0.05,
        "seed": 11,
    }
    return ZoneQuestion(scenario=scenario, **(given | named))


@pytest.fixture(scope="module")
def study() -> ZoneStudy:
    return study_zones(question(shipped_scenario()))


def test_closed_form_of_the_seating_error_is_that_of_flights(seed_offset: int) -> None:
    for zones in (ZONES, (tuple(range(1, 30)),)):
        model = prepare(zoned_scenario(edited(QUIET), zones, exact_sheet=True))
        figures = fly_zones(model, seed=21 + seed_offset, flights=FLIGHTS)
        sampled, exact = figures[:, 0], seating_sd_kgm(model)
        away = sampled - sampled.mean()
        fourth = float((away**4).mean()) / float((away**2).mean()) ** 2
        error = exact * math.sqrt((fourth - 1.0) / FLIGHTS) / 2.0
        assert abs(float(sampled.std()) - exact) < 5.0 * error
        assert abs(float(sampled.mean())) < 5.0 * exact / math.sqrt(FLIGHTS)  # centroid: no bias


def test_closed_form_by_hand() -> None:
    # 44, 52, 52 passengers of 84 kg on 54, 60, 60 seats in 9, 10, 10 rows 0.8 m apart
    variance = sum(
        84.0**2 * n * (seats - n) / (seats - 1) * 0.64 * (rows**2 - 1) / 12.0
        for n, seats, rows in ((44, 54, 9), (52, 60, 10), (52, 60, 10))
    )
    assert seating_sd_kgm(prepare(edited(SEATING_ALONE))) == pytest.approx(math.sqrt(variance))


def test_children_weigh_less_in_the_closed_form(seed_offset: int) -> None:
    model = prepare(shipped_scenario())
    plan, zones = model.plan, model.scenario.operation.zones
    random, sums = np.random.default_rng(5 + seed_offset), np.zeros(20_000)
    for number, zone in enumerate(zones):
        arms = plan.arm_m[plan.zone == number]
        masses = np.zeros(arms.size)
        masses[: zone.adults] = 84.0
        masses[zone.adults : zone.adults + zone.children] = 35.0
        seated = random.permuted(np.tile(arms, (sums.size, 1)), axis=1)
        sums += seated @ masses
    exact = seating_sd_kgm(model)
    assert abs(sums.std() / exact - 1.0) < 5.0 / math.sqrt(2.0 * sums.size)


def test_the_same_people_are_counted_in_other_zones() -> None:
    scenario = shipped_scenario()
    there = zoned_scenario(scenario, ZONES)
    old, new = scenario.operation, there.operation
    assert sum(zone.adults for zone in new.zones) == sum(zone.adults for zone in old.zones)
    assert sum(zone.children for zone in new.zones) == sum(zone.children for zone in old.zones)
    people = [zone.adults + zone.children for zone in new.zones]
    assert people == [20, 77, 51]  # 148 on 24, 90, 60 of 174 seats: 20.4, 76.6, 51.0
    assert [zone.rows for zone in new.zones] == ["1-4", "5-19", "20-29"]
    assert there.operation.entry_errors == ()
    changes = old.passengers.last_minute_on * 3
    two = zoned_scenario(scenario, (tuple(range(1, 10)), tuple(range(10, 30))))
    assert two.operation.passengers.last_minute_on * 2 == pytest.approx(changes)


def test_zones_that_are_no_zones_are_refused() -> None:
    with pytest.raises(UsageError, match="zones: expected zones that together hold every seat"):
        zoned_scenario(shipped_scenario(), (tuple(range(1, 10)), tuple(range(10, 29))))


@pytest.mark.parametrize("people", [0, 1, 50, 99, 100])
def test_people_are_spread_by_room(people: int) -> None:
    room = (10, 31, 59)
    given = spread(people, room)
    assert sum(given) == people
    assert all(abs(n - people * r / 100) < 1 and n <= r for n, r in zip(given, room, strict=True))
    with pytest.raises(UsageError, match="no more than the 100 places; got 101"):
        spread(101, room)


def test_rows_are_written_as_scenarios_read_them() -> None:
    cabin = [1, 2, 3, 4, 5, 7, 8, 20, 21]  # a cabin that skips numbers
    for numbers in ([1, 2, 3], [5, 7, 8], [8, 20], [1, 3, 4, 21], [4]):
        text = rows_text(numbers, cabin=cabin)
        assert [row for row in parse_rows(text) if row in cabin] == numbers
    assert rows_text([5, 7, 8], cabin=cabin) == "5-8"


def test_curtains_of_now() -> None:
    scenario = shipped_scenario()
    assert existing_boundaries(scenario) == (9, 19)
    mixed = edited(
        {
            "operation.zones": [
                {"name": "A", "rows": "1-9,20-29", "adults": 90, "children": 0},
                {"name": "B", "rows": "10-19", "adults": 50, "children": 0},
            ],
            "operation.entry_errors": [],
        }
    )
    assert existing_boundaries(mixed) is None
    assert len(cabin_rows(cabin_plan(scenario))) == 29


def test_the_study_tells_the_best_and_what_it_brings(study: ZoneStudy) -> None:
    assert {zones: d.boundaries for zones, d in study.divisions.items()} == {
        1: (),
        2: (14,),
        3: (9, 19),
    }
    labels = [row.label for row in study.trade]
    assert labels == [label_of(1), label_of(2), label_of(3), EXISTING]
    rows = study.trade
    # Windows filled from an end: 2 p N**2 / 8 a zone (N even), 2 p (N**2 - 1) / 8 (N odd)
    assert rows[0].conventional_kgm == pytest.approx(84.0 * 2 * 0.8 * (29**2 - 1) / 8.0)
    assert rows[2].conventional_kgm == pytest.approx(84.0 * 2 * 0.8 * (80 + 100 + 100) / 8.0)
    assert rows[0].conventional_pct == pytest.approx(rows[0].conventional_kgm / rows[0].scale_kgm)
    for few, more in pairwise(rows[:3]):
        step = study.against(more.label, few.label)
        assert step is not None
        assert step.conventional_kgm == pytest.approx(few.conventional_kgm - more.conventional_kgm)
        assert step.sd_kgm == pytest.approx(few.sampled_sd_kgm - more.sampled_sd_kgm)
        assert step.sd_kgm > 0.0
    for row in rows:
        assert row.usable_pct == pytest.approx(
            row.width_pct - row.excess[0].estimate - row.excess[1].estimate
        )
        for found in (*row.excess, *row.zero_fuel):
            assert found.low <= found.estimate <= found.high
        assert sum(row.counts) == 148
    now = study.row(EXISTING)
    assert (now.sampled_sd_kgm, now.excess) == (rows[2].sampled_sd_kgm, rows[2].excess)
    assert study.chosen in study.divisions


@pytest.mark.parametrize(
    "narrower, error, chosen, words",
    [
        ((2.0, 1.0), 0.1, 3, "Decision: 3 zones, curtains: after rows 9, 19"),
        ((2.0, 0.07), 0.01, 2, "2 zones would do"),  # within the step of the CG, 0.1 % MAC
        ((2.0, 0.09), 0.01, 3, "Decision: 3 zones"),  # not with two standard errors
        ((2.0, 1.0), 0.6, 3, "Decision: 3 zones"),  # few flights do not show that fewer would do
        ((0.0, 0.0), 0.0, 1, "1 zone would do"),
    ],
)
def test_the_fewest_zones_that_do_as_well_are_chosen(
    study: ZoneStudy, narrower: tuple[float, float], error: float, chosen: int, words: str
) -> None:
    most, less = label_of(3), dict(zip((label_of(1), label_of(2)), narrower, strict=True))
    steps = tuple(
        replace(step, usable_pct=-less[step.here], usable_se_pct=error)
        if step.against == most and step.here in less
        else step
        for step in study.steps
    )
    there = replace(study, steps=steps)
    assert there.chosen == chosen
    assert any(words in line for line in decisions(there))


def test_the_same_seed_gives_the_same_study(study: ZoneStudy) -> None:
    again = study_zones(question(shipped_scenario()), jobs=1)
    assert again.trade == study.trade
    assert again.steps == study.steps
    assert again.arms == study.arms
    other = study_zones(question(shipped_scenario(), seed=12))
    assert other.divisions == study.divisions
    assert other.trade != study.trade


@pytest.mark.parametrize("rule", ["random", "window_first", "from_front", "from_rear"])
def test_arms_of_occupied_seats_are_the_closed_forms_when_everyone_is_alone(
    rule: str, seed_offset: int
) -> None:
    # One more seat a side in the front rows: filling windows first then moves the mean.
    model = prepare(
        edited(
            {
                **QUIET,
                "operation.seating.rule": rule,
                "operation.zones": [
                    {"name": "A", "rows": "1-9", "adults": 31, "children": 0},
                    {"name": "B", "rows": "10-19", "adults": 52, "children": 0},
                    {"name": "C", "rows": "20-29", "adults": 25, "children": 0},
                ],
                "operation.seating.blocked": ["20A", "21A", "22A", "1C", "2C"],
                "operation.entry_errors": [],
            }
        )
    )
    arms = zone_arm_study(model, seed=31 + seed_offset, flights=4_000)
    assert arms.alone_m is not None
    for sampled, error, exact in zip(
        arms.occupied_m, arms.occupied_se_m, arms.alone_m, strict=True
    ):
        assert abs(sampled - exact) <= 5.0 * error + 1e-9
    if rule == "from_front":
        assert arms.use_occupied
        assert all(bias < 0.0 for bias in arms.bias_kgm)


def test_closed_form_arm_by_hand() -> None:
    arm, place = np.array([1.0, 2.0, 3.0, 1.0, 2.0, 3.0]), np.array([0, 0, 0, 2, 2, 2])
    assert closed_form_arm(arm, place, taken=2, rule="window_first") == pytest.approx(2.0)
    assert closed_form_arm(arm, place, taken=3, rule="from_front") == pytest.approx(4.0 / 3.0)
    assert closed_form_arm(arm, place, taken=3, rule="from_rear") == pytest.approx(8.0 / 3.0)
    assert closed_form_arm(arm[1:], place[1:], taken=3, rule="window_first") == pytest.approx(
        (2.0 + 3.0 + 2.0) / 3.0
    )
    assert closed_form_arm(arm, place, taken=2, rule="free") is None


def test_the_arms_tell_the_bias_that_flights_have(seed_offset: int) -> None:
    model = prepare(edited({"operation.load_sheet.arm_step": 0.0}))
    arms = zone_arm_study(model, seed=41 + seed_offset, flights=4_000)
    seating = fly_block(model, seed=43 + seed_offset, flights=np.arange(2_000, dtype=np.uint32))[
        :, model.columns.index("take_off_error_kgm.seating")
    ]
    error = math.hypot(arms.total_bias_se_kgm, seating.std() / math.sqrt(seating.size))
    assert abs(arms.total_bias_kgm - seating.mean()) < 5.0 * error
    assert sum(arms.bias_kgm) == pytest.approx(arms.total_bias_kgm)
    # With those arms on the load sheet the bias is gone.
    data = model.scenario.resolved()
    for zone, arm in zip(data["operation"]["zones"], arms.occupied_m, strict=True):
        zone["arm"] = arm
    there = prepare(Scenario.from_resolved(data))
    rows = fly_block(there, seed=47 + seed_offset, flights=np.arange(2_000, dtype=np.uint32))
    left = rows[:, there.columns.index("take_off_error_kgm.seating")]
    error = math.hypot(arms.total_bias_se_kgm, left.std() / math.sqrt(left.size))
    assert abs(left.mean()) < 5.0 * error


def test_arms_where_people_sit_anywhere_move_together(seed_offset: int) -> None:
    model = prepare(edited({**QUIET, "operation.seating.scope": "cabin"}))
    arms = zone_arm_study(model, seed=51 + seed_offset, flights=500)
    shifts = np.subtract(arms.occupied_m, arms.centroid_m)
    assert np.ptp(shifts) < 1e-12
    assert arms.alone_m is None
    assert sum(arms.bias_kgm) == pytest.approx(arms.total_bias_kgm)


def zones_taken(adults: tuple[int, int, int]) -> list[dict[str, Any]]:
    rows = ("1-9", "10-19", "20-29")
    return [
        {"name": "ABC"[k], "rows": rows[k], "adults": adults[k], "children": 0} for k in range(3)
    ]


@pytest.mark.parametrize("adults", [(0, 0, 0), (54, 60, 60)])
def test_an_empty_and_a_full_aircraft_have_no_seating_error(adults: tuple[int, int, int]) -> None:
    changes = {**QUIET, "operation.zones": zones_taken(adults)}
    there = study_zones(question(edited(changes), flights=60, level=0.2))
    assert {zones: d.boundaries for zones, d in there.divisions.items()} == {
        1: (),
        2: (14,),
        3: (9, 19),
    }
    for row in there.trade:
        assert row.closed_sd_kgm == pytest.approx(0.0, abs=1e-6)
        assert row.sampled_sd_kgm == pytest.approx(0.0, abs=1e-6)
        assert row.conventional_kgm > 0.0
    assert not there.arms[0].use_occupied
    assert any("every division is as good" in line for line in decisions(there))


def test_one_zone_is_a_division() -> None:
    there = study_zones(question(shipped_scenario(), most_zones=1, flights=60, level=0.2))
    assert there.chosen == 1
    assert there.divisions[1].boundaries == ()


def test_wrong_arguments_are_refused() -> None:
    scenario = shipped_scenario()
    with pytest.raises(UsageError, match="load: expected planned or worst; got 'half'"):
        study_zones(question(scenario, load="half"))
    with pytest.raises(UsageError, match="flights: expected a whole number from 2"):
        study_zones(question(scenario, flights=1))
    with pytest.raises(UsageError, match=r"level: expected over 0 and under 0\.5; got 0\.5"):
        study_zones(question(scenario, flights=50, level=0.5))
    with pytest.raises(ComputationError, match="two flights at least"):
        zone_arm_study(prepare(scenario), seed=1, flights=1)


def test_zones_are_told_in_the_units_of_the_files(study):
    """The pound is 0.45359237 kg, the inch 0.0254 m: exact by the agreement of 1959."""
    imperial = edited({"operation.units": "lb/in"})
    there = replace(study, question=replace(study.question, scenario=imperial))
    text = zone_text(there)
    assert "seating SD, lb in" in text
    assert "kg m" not in text
    deviation = study.row(EXISTING).sampled_sd_kgm
    assert f"{deviation / (0.45359237 * 0.0254):,.0f} +- " in text
    assert f"{deviation:,.0f} +- " in zone_text(study)
    arm = study.arms[-1].centroid_m[0]
    assert f"{arm / 0.0254:.3f} in" in text
    assert len(decisions(there)) == len(decisions(study))


def test_zones_across_classes_are_pointed_out(study: ZoneStudy) -> None:
    assert "--keep-classes" not in zone_text(study)
    classes = (0,) * 5 + (1,) * (len(study.rows) - 5)
    mixed = replace(study, rows=replace(study.rows, class_index=classes))
    assert "hold more than one class of travel (--keep-classes)" in zone_text(mixed)
    rules = replace(study.question.rules, keep=(5,))
    kept = replace(mixed, question=replace(study.question, rules=rules))
    assert "--keep-classes" not in zone_text(kept)
