"""The conventional stack of worst cases: every cause by hand, both totals, what is shown of it."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cgrisk.aircraft import balance_of, burn, fill_plan, moment_at, tank_tables
from cgrisk.decide.conventional import (
    ConventionalBuffers,
    conventional_buffers,
    moment_index,
    moment_pct_mac,
)
from cgrisk.decide.conventional_causes import person_variances
from cgrisk.decide.conventional_fuel import fuel_path
from cgrisk.decide.conventional_table import CAUSES, BufferLine
from cgrisk.errors import UsageError
from cgrisk.flight import prepare
from cgrisk.rare import envelope_score
from cgrisk.rare.score import reference_arm
from cgrisk.report.buffer_chart import buffer_bars
from cgrisk.report.conventional_text import conventional_answer, conventional_text
from cgrisk.report.style import chart_style, new_figure
from cgrisk.scenario import Scenario
from tests.cabin_cases import cart
from tests.flight_cases import edited, shipped_scenario

GROUPS = ("take_off_and_landing", "in_flight")
SIDES = ("forward", "aft")
NOBODY = {f"operation.zones.{z}.{who}": 0 for z in range(3) for who in ("adults", "children")}


def stack(changes: dict[str, Any] | None = None, **choices: Any) -> ConventionalBuffers:
    return conventional_buffers(prepare(edited(changes or {})), **choices)


def moment(buffers: ConventionalBuffers, cause: str, side: str, group: str = "in_flight") -> float:
    (line,) = [x for x in buffers.lines if (x.cause, x.side, x.group) == (cause, side, group)]
    return line.moment_kgm


@pytest.fixture(scope="module")
def shipped() -> ConventionalBuffers:
    return stack()


def test_every_cause_has_a_line_on_both_sides_of_every_group(shipped: ConventionalBuffers) -> None:
    table = shipped.table
    assert (table["moment_kgm"] >= 0.0).all()
    assert table["how"].str.len().min() > 10
    assert shipped.groups == GROUPS
    only_in_flight = {"lavatory walk", "carts and crew"}
    for side in SIDES:
        causes = table[(table["side"] == side) & (table["group"] == GROUPS[0])]["cause"]
        assert causes.tolist() == [c for c in CAUSES if c not in only_in_flight]
        causes = table[(table["side"] == side) & (table["group"] == GROUPS[1])]["cause"]
        assert causes.tolist() == list(CAUSES)


# ---- seating ------------------------------------------------------------------------------------


def test_seating_of_the_shipped_cabin_by_hand(shipped: ConventionalBuffers) -> None:
    """Two window columns of 9, 10 and 10 rows at 0.8 m: 10, 12.5 and 12.5 times w p each."""
    means = [(42 * 84 + 2 * 35) / 44, (48 * 84 + 4 * 35) / 52, (50 * 84 + 2 * 35) / 52]
    by_hand = sum(2 * rows * 0.8 * w for rows, w in zip((10, 12.5, 12.5), means, strict=True))
    for side in SIDES:
        for group in GROUPS:
            assert moment(shipped, "seating", side, group) == pytest.approx(by_hand, rel=1e-12)


def test_seating_by_the_load_states_own_count() -> None:
    """44 in zone A: windows, aisle, then 4 rows of two middle seats; 52 in B and C: 6 rows."""
    found = stack(reckoning="state")
    means = [(42 * 84 + 2 * 35) / 44, (48 * 84 + 4 * 35) / 52, (50 * 84 + 2 * 35) / 52]
    ten_rows = 2 * (3.6 + 2.8 + 2.0 + 1.2 + 0.4 - 0.4)
    ahead = [2 * (3.2 + 2.4 + 1.6 + 0.8), ten_rows, ten_rows]
    by_hand = sum(a * w for a, w in zip(ahead, means, strict=True))
    for side in SIDES:
        assert moment(found, "seating", side) == pytest.approx(by_hand, rel=1e-12)


def test_seating_with_nobody_aboard_is_nothing() -> None:
    for reckoning in ("classic", "state"):
        found = stack(NOBODY, reckoning=reckoning)
        for side in SIDES:
            for cause in ("seating", "lavatory walk", "carts and crew", "water to waste"):
                assert moment(found, cause, side) == 0.0


def test_an_empty_zone_has_no_seating_part(shipped: ConventionalBuffers) -> None:
    found = stack({"operation.zones.1.adults": 0, "operation.zones.1.children": 0})
    zones = found.zones.set_index(["zone", "side"])
    assert zones.loc[("B", "aft"), "classic_kgm"] == 0.0
    whole = shipped.zones.set_index(["zone", "side"])["classic_kgm"]
    for side in SIDES:
        assert moment(found, "seating", side) == pytest.approx(
            moment(shipped, "seating", side) - whole[("B", side)], rel=1e-12
        )


def test_a_full_cabin_has_the_classic_figure_but_none_of_its_own() -> None:
    full = {
        f"operation.zones.{z}": {"name": n, "rows": rows, "adults": seats, "children": 0}
        for z, (n, rows, seats) in enumerate(
            (("A", "1-9", 54), ("B", "10-19", 60), ("C", "20-29", 60))
        )
    }
    classic, state = stack(full), stack(full, reckoning="state")
    for side in SIDES:
        assert moment(classic, "seating", side) == pytest.approx(84 * 2 * 0.8 * 35.0, rel=1e-12)
        assert moment(state, "seating", side) == pytest.approx(0.0, abs=1e-6)


def test_one_zone_is_worth_more_than_three() -> None:
    one = {"operation.zones": [{"name": "all", "rows": "1-29", "adults": 148}]}
    found = stack(one)
    for side in SIDES:
        # 29 rows, two window columns; the centroid of the cabin is 17.80 m to the centimetre
        assert moment(found, "seating", side) == pytest.approx(84 * 2 * 0.8 * 105.0, rel=1e-12)


def test_where_anybody_may_sit_anywhere_the_cabin_is_one_zone() -> None:
    found = stack({"operation.seating.scope": "cabin"})
    assert set(found.zones["zone"]) == {"cabin"}
    sheet = prepare(shipped_scenario()).sheet
    masses = np.array([x.mass_kg for x in sheet.lines if x.kind == "zone"])
    middle = float(masses @ sheet.arms("zone") / masses.sum())
    rows = 6.6 + 0.8 * np.arange(29)
    # windows and aisle seats full: all of them off that arm; then middle seats up to it
    length = 2 * 29 * (middle - 17.8) + float(np.maximum(middle - rows, 0.0).sum())
    by_hand = 2 * masses.sum() / 148 * length
    assert moment(found, "seating", "forward") == pytest.approx(by_hand, rel=1e-6)


def test_blocked_seats_are_left_out_while_the_papers_stay() -> None:
    """Rows 5 to 9 of zone A blocked: all 24 open seats lie ahead of the load sheet's arm."""
    found = stack(
        {
            "operation.seating.blocked": ["5-9"],
            "operation.zones.0.adults": 24,
            "operation.zones.0.children": 0,
        }
    )
    zones = found.zones.set_index(["zone", "side"])
    for kind in ("classic_kgm", "state_kgm", "extreme_kgm"):
        by_hand = 84 * 6 * (3.2 + 2.4 + 1.6 + 0.8)
        assert zones.loc[("A", "forward"), kind] == pytest.approx(by_hand, rel=1e-12)
        assert zones.loc[("A", "aft"), kind] == 0.0
    assert zones.loc[("A", "aft"), "seats"] == 24


# ---- passengers, carts, water -------------------------------------------------------------------


def test_one_passenger_to_the_far_lavatory(shipped: ConventionalBuffers) -> None:
    assert moment(shipped, "lavatory walk", "aft") == pytest.approx(84 * (30.4 - 6.6))
    assert moment(shipped, "lavatory walk", "forward") == pytest.approx(84 * (29.0 - 5.0))


def test_more_passengers_to_lavatories() -> None:
    found = stack(movers=8)  # six in row 1, two in row 2
    by_hand = 84 * (6 * (30.4 - 6.6) + 2 * (30.4 - 7.4))
    assert moment(found, "lavatory walk", "aft") == pytest.approx(by_hand)
    (line,) = [x for x in found.lines if (x.cause, x.side) == ("lavatory walk", "aft")]
    assert "8 passengers" in line.how
    assert "6 of them waiting" in line.how
    assert moment(stack(movers=0), "lavatory walk", "aft") == 0.0


def test_only_seats_in_use_send_anybody() -> None:
    """Zone A has two children and nobody else; zone B starts at row 10."""
    found = stack({"operation.zones.0.adults": 0, "operation.zones.0.children": 2}, movers=2)
    by_hand = 84 * 2 * (30.4 - 13.8)  # more than 35 kg from row 1
    assert moment(found, "lavatory walk", "aft") == pytest.approx(by_hand)


def test_carts_and_crew_by_hand(shipped: ConventionalBuffers) -> None:
    """Front cart to row 14 (17.0 m), rear cart to row 15 (17.8 m), two attendants each."""
    front = 100 * (17.0 - 4.4) + 2 * 75 * (17.0 - 4.6)
    rear_in_its_galley = 2 * 75 * (31.4 - 31.0)
    assert moment(shipped, "carts and crew", "aft") == pytest.approx(front + rear_in_its_galley)
    rear = 100 * (31.4 - 17.8) + 2 * 75 * (31.0 - 17.8)
    front_in_its_galley = 2 * 75 * (4.6 - 4.4)
    assert moment(shipped, "carts and crew", "forward") == pytest.approx(rear + front_in_its_galley)


def test_carts_in_each_others_way_are_never_out_together() -> None:
    one = stack({"operation.service.carts": [cart()]})
    same_aisle = stack({"operation.service.carts": [cart(), cart()]})
    later = stack({"operation.service.carts": [cart(), cart(start=40.0)]})
    alone = 100 * (17.0 - 4.4) + 2 * 75 * (17.0 - 4.6)
    for found in (one, same_aisle, later):
        assert moment(found, "carts and crew", "aft") == pytest.approx(alone)


def test_carts_that_follow_each_other_count_when_they_overlap() -> None:
    """From the same galley into stretches of the aisle that do not touch, crew for one only."""
    carts = [
        cart(from_row=1, to_row=14, start=8.0),
        cart(galley="aft galley", from_row=29, to_row=15, start=20.0, mass_full=60.0, crew=0),
    ]
    found = stack({"operation.service.carts": carts})
    rear = 60 * (31.4 - 17.8) + 2 * 75 * (4.6 - 4.4)
    assert moment(found, "carts and crew", "forward") == pytest.approx(
        max(rear, 75 * (31.0 - 6.6))  # or one who walks while no cart is out
    )


def test_without_carts_one_of_the_crew_walks() -> None:
    found = stack({"operation.service.carts": []})
    assert moment(found, "carts and crew", "aft") == pytest.approx(75 * (29.0 - 4.6))
    still = stack({"operation.service.carts": [], "operation.service.crew_walks": 0.0})
    assert moment(still, "carts and crew", "aft") == 0.0


def test_water_goes_to_waste_once_it_may_be_used(shipped: ConventionalBuffers) -> None:
    for group in GROUPS:
        assert moment(shipped, "water to waste", "aft", group) == pytest.approx(180 * 2.5)
        assert moment(shipped, "water to waste", "forward", group) == 0.0
    phases = shipped_scenario().resolved()["operation"]["phases"]
    to_cruise = stack({"operation.phases": phases[:4]})  # it ends in the air
    assert moment(to_cruise, "water to waste", "aft", "take_off_and_landing") == 0.0
    assert moment(to_cruise, "water to waste", "aft") == pytest.approx(450.0)


# ---- gear, flaps --------------------------------------------------------------------------------


def test_gear_and_flaps_by_hand(shipped: ConventionalBuffers) -> None:
    """Limits with gear down and flaps up; the planned path has neither's travel."""
    for group in GROUPS:
        assert moment(shipped, "landing gear", "forward", group) == 420.0
        assert moment(shipped, "landing gear", "aft", group) == 0.0
        assert moment(shipped, "flaps", "forward", group) == 0.0
    assert moment(shipped, "flaps", "aft", "take_off_and_landing") == 310.0
    assert moment(shipped, "flaps", "aft") == 160.0  # they come in at the start of the climb


def test_gear_and_flaps_from_another_reference() -> None:
    found = stack({"aircraft.limits_refer_to": {"gear": "up", "flaps": "take-off"}})
    assert moment(found, "landing gear", "aft", "take_off_and_landing") == 420.0
    assert moment(found, "landing gear", "forward", "take_off_and_landing") == 0.0
    assert moment(found, "flaps", "aft", "take_off_and_landing") == 150.0
    assert moment(found, "flaps", "forward", "take_off_and_landing") == 160.0
    assert moment(found, "flaps", "forward") == 160.0


@pytest.mark.parametrize(
    ("included", "cause", "side"),
    [("gear", "landing gear", "forward"), ("flaps", "flaps", "aft")],
)
def test_what_the_limits_include_is_not_counted_twice(included: str, cause: str, side: str) -> None:
    found = stack({"aircraft.limits_already_include": [included]})
    assert moment(found, cause, side, "take_off_and_landing") == 0.0
    other, opposite = ("flaps", "aft") if included == "gear" else ("landing gear", "forward")
    assert moment(found, other, opposite, "take_off_and_landing") > 0.0


# ---- dry operating mass, holds ------------------------------------------------------------------


def test_dry_operating_mass_and_cg_by_hand(shipped: ConventionalBuffers) -> None:
    model = prepare(shipped_scenario())
    arm = 17.60 + (43.6 - 40.0) * 1000.0 / 42_600
    for side in SIDES:
        for group in GROUPS:
            by_hand = 2 * math.hypot(0.25, 0.10) / 100 * 4.2 * 42_600
            assert moment(shipped, "dry operating CG", side, group) == pytest.approx(by_hand)
            about = reference_arm(model, score=envelope_score(model, side=side, group=group))
            by_hand = 2 * math.hypot(110, 60) * abs(arm - about)
            assert moment(shipped, "dry operating mass", side, group) == pytest.approx(by_hand)


def test_a_known_error_of_the_dry_cg_helps_one_side(shipped: ConventionalBuffers) -> None:
    found = stack({"aircraft.dry_uncertainty.cg_bias": 1.0})
    spread = moment(shipped, "dry operating CG", "aft")
    assert moment(found, "dry operating CG", "aft") == pytest.approx(spread + 42_600 * 0.042)
    assert moment(found, "dry operating CG", "forward") == 0.0


def test_loads_in_the_holds_by_hand(shipped: ConventionalBuffers) -> None:
    """820 kg in a hold of 5.0 m and 1,290 kg in one of 6.4 m; three bags over 11.8 m."""
    for side in SIDES:
        assert moment(shipped, "hold load position", side) == pytest.approx(
            0.16 * (820 * 5.0 + 1_290 * 6.4)
        )
        assert moment(shipped, "misplaced bags", side) == pytest.approx(3 * 13 * 11.8)
    at_the_end = stack({"operation.cargo.position_sd": 0.4})
    assert moment(at_the_end, "hold load position", "aft") == pytest.approx(
        0.5 * (820 * 5.0 + 1_290 * 6.4)
    )


def test_no_more_bags_are_misplaced_than_lie_in_the_other_hold() -> None:
    found = stack({"operation.hold_loads.0.bags": 1})
    assert moment(found, "misplaced bags", "aft") == pytest.approx(13 * 11.8)
    assert moment(found, "misplaced bags", "forward") == pytest.approx(3 * 13 * 11.8)


# ---- fuel ---------------------------------------------------------------------------------------


def test_fuel_path_is_the_planned_one() -> None:
    model = prepare(shipped_scenario())
    aircraft, planned = model.scenario.aircraft, model.planned
    path = fuel_path(aircraft, fill_plan(aircraft, 13.0), density=800.0)
    burnt = (planned["mass_kg"].iloc[0] - planned["mass_kg"]).to_numpy()
    fuel = planned["moment_kgm"].to_numpy() - model.sheet.zero_fuel_moment_kgm
    np.testing.assert_allclose(path.moment_kgm(burnt), fuel, rtol=1e-12)
    np.testing.assert_allclose(
        path.mass_kg(burnt), planned["mass_kg"] - model.sheet.zero_fuel_mass_kg, rtol=1e-9
    )


@pytest.mark.parametrize("litres", [0.0, 900.0, 6_000.0, 11_700.0, 18_000.0])
def test_fuel_path_against_burning_step_by_step(litres: float) -> None:
    aircraft = shipped_scenario().aircraft
    tables, start = tank_tables(aircraft), fill_plan(aircraft, litres / 1e3)
    start[1] *= 0.97  # the wings apart
    path = fuel_path(aircraft, start, density=790.0)
    assert path.burnt_m3[-1] == pytest.approx(start.sum(), abs=1e-9)
    for share in np.linspace(0.0, 1.0, 23):
        burnt = float(share * start.sum())
        volumes = burn(aircraft, start, burnt)
        by_steps = 790.0 * sum(float(moment_at(t, v)) for t, v in zip(tables, volumes, strict=True))
        found = path.moment_kgm(np.array([790.0 * burnt]))[0]
        assert found == pytest.approx(by_steps, rel=1e-9, abs=1e-6)


def test_fuel_density_by_hand() -> None:
    """Wing tanks alone: 4 t in two tanks of layers; the lighter fuel stands higher, further aft.

    At 784 kg/m3 each wing holds 2,551.02 l: 1,400 l at 16.9 m, 1,151.02 l at 17.3 m; at 800
    kg/m3 2,500 l, at 816 2,450.98 l. The deviation is largest before anything is burnt.
    """
    changes = {
        "operation.fuel.block": 4_000.0,
        "operation.phases": [
            {"kind": kind, "minutes": 1.0, "fuel_flow": 0.1} for kind in ("take_off", "cruise")
        ],
    }
    found = stack(changes)

    def at(density: float) -> float:
        each = 2_000.0 / density
        return 2 * density * (1.4 * 16.9 + (each - 1.4) * 17.3)

    for side, by_hand in (("aft", at(784) - at(800)), ("forward", at(800) - at(816))):
        assert by_hand > 0.0
        assert moment(found, "fuel density", side, "take_off_and_landing") == pytest.approx(
            by_hand, rel=1e-9
        )
    wide = stack(changes, density_limits_kgpm3=(775.0, 840.0))
    assert moment(wide, "fuel density", "aft", "take_off_and_landing") == pytest.approx(
        at(775) - at(800), rel=1e-9
    )
    as_planned = stack(changes, density_limits_kgpm3=(800.0, 800.0))
    assert moment(as_planned, "fuel density", "aft") == 0.0


def test_fuel_density_against_the_planned_path_at_that_density(
    shipped: ConventionalBuffers,
) -> None:
    """The kernel's planner at 784 and 816 kg/m3 against 800, at equal times."""
    nominal = prepare(shipped_scenario()).planned
    phases = {"take_off_and_landing": [], "in_flight": ["climb", "cruise", "descent"]}
    phases["take_off_and_landing"] = [
        p for p in nominal["phase"].cat.categories if p not in phases["in_flight"]
    ]
    found = dict.fromkeys([(side, group) for side in SIDES for group in GROUPS], 0.0)
    for density in (784.0, 816.0):
        other = prepare(edited({"operation.fuel.density": density})).planned
        for group, names in phases.items():
            for name in names:
                here, there = (path[path["phase"] == name] for path in (nominal, other))
                times = np.union1d(here["time_s"], there["time_s"])
                error = np.interp(times, there["time_s"], there["moment_kgm"]) - np.interp(
                    times, here["time_s"], here["moment_kgm"]
                )
                found["aft", group] = max(found["aft", group], float(error.max()))
                found["forward", group] = max(found["forward", group], float(-error.min()))
    for (side, group), by_planner in found.items():
        assert by_planner > 100.0
        assert moment(shipped, "fuel density", side, group) == pytest.approx(by_planner, rel=1e-9)


def test_fuel_that_finds_no_room_counts_as_missing_mass() -> None:
    """All tanks full at the planned density: what is lighter does not go in."""
    changes = {
        "operation.fuel.block": 14_400.0,
        "operation.zones": [{"name": "all", "rows": "1-29", "adults": 40}],
    }
    model = prepare(edited(changes))
    about = reference_arm(model, score=envelope_score(model, side="aft", group="in_flight"))
    found = stack(changes)
    start = fuel_path(
        model.scenario.aircraft, fill_plan(model.scenario.aircraft, 18.0), density=800.0
    )
    whole = start.moment_kgm(np.array([0.0]))[0] - about * 14_400.0
    # full at 784 instead of 800 kg/m3: 2 % of the whole moment about the limit is missing
    assert moment(found, "fuel density", "forward") >= 0.02 * max(0.0, whole) - 1e-6
    assert moment(found, "fuel density", "aft") >= 0.02 * max(0.0, -whole) - 1e-6


def test_fuel_gauges_by_hand() -> None:
    """4 t in the wings, 2,000 kg each: 1 % of it and 0.5 % of 4,640 kg, two SD, either way.

    At 2,500 l the level stands in the layer at 17.3 m, and the error moves neither out of it.
    """
    changes = {
        "operation.fuel.block": 4_000.0,
        "operation.phases": [{"kind": "take_off", "minutes": 0.1, "fuel_flow": 0.1}],
    }
    model = prepare(edited(changes))
    found = conventional_buffers(model)
    error = 2 * math.hypot(0.01 * 2_000, 0.005 * 5_800 * 0.8)
    for side in SIDES:
        about = reference_arm(
            model, score=envelope_score(model, side=side, group="take_off_and_landing")
        )
        assert moment(found, "fuel gauges", side, "take_off_and_landing") == pytest.approx(
            2 * error * abs(17.3 - about), rel=1e-9
        )
    assert found.groups == ("take_off_and_landing",)


def test_empty_tanks_have_no_gauging_error() -> None:
    phases = [{"kind": "take_off", "minutes": 0.1, "fuel_flow": 0.0}]
    found = stack({"operation.fuel.block": 0.0, "operation.phases": phases})
    for side in SIDES:
        for cause in ("fuel gauges", "fuel density"):
            assert moment(found, cause, side, "take_off_and_landing") == 0.0


# ---- passenger masses ---------------------------------------------------------------------------


def test_variance_of_one_adult_by_hand() -> None:
    model = prepare(shipped_scenario())
    adult, child = person_variances(model)
    men, women = 17.0**2 + 82.2**2, 16.0**2 + 67.5**2
    body = 0.55 * men + 0.45 * women - (0.55 * 82.2 + 0.45 * 67.5) ** 2
    bag = 0.967 * (3.5**2 + 7.7**2) - (0.967 * 7.7) ** 2
    assert adult == pytest.approx(body + bag, rel=1e-12)
    assert child == 100.0


def test_passenger_masses_count_in_a_small_cabin_only(shipped: ConventionalBuffers) -> None:
    (large,) = [
        x
        for x in shipped.lines
        if (x.cause, x.side, x.group) == ("passenger mass", "aft", "in_flight")
    ]
    assert not large.counted
    assert large.moment_kgm == 0.0
    assert "not counted" in large.how
    changes = {
        "aircraft.cabin.rows": [{"rows": "1-3", "pitch": 0.8, "seats": "ABC-DEF"}],
        "operation.zones": [{"name": "A", "rows": "1-3", "adults": 18}],
        "operation.service.carts": [],
    }
    model = prepare(edited(changes))
    small = conventional_buffers(model)
    variance = person_variances(model)[0]
    for side in SIDES:
        about = reference_arm(model, score=envelope_score(model, side=side, group="in_flight"))
        squares = 6 * sum((6.6 + 0.8 * row - about) ** 2 for row in range(3))
        assert moment(small, "passenger mass", side) == pytest.approx(
            2 * math.sqrt(variance * squares), rel=1e-12
        )
    not_small = conventional_buffers(model, small_cabin=18)
    assert moment(not_small, "passenger mass", "aft") == 0.0


# ---- the whole ----------------------------------------------------------------------------------


def test_nothing_varies_and_nobody_moves_then_nothing_comes_off() -> None:
    none = {
        "aircraft.dry_uncertainty": {},
        "aircraft.fuel_uncertainty": {},
        "aircraft.limits_already_include": ["gear", "flaps"],
        "operation.cargo.position_sd": 0.0,
        "operation.cargo.misplaced_bags": 0.0,
        "operation.fuel.density_sd": 0.0,
    }
    found = stack(NOBODY | none)
    totals = found.totals()
    assert totals["straight_kgm"].tolist() == [0.0] * 4
    assert totals["rss_kgm"].tolist() == [0.0] * 4


def mirrored(scenario: Scenario) -> Scenario:
    """The same aircraft and load with nose and tail changed about 20 m."""
    data = scenario.resolved()
    aircraft, operation = data["aircraft"], data["operation"]

    def arm(value: float) -> float:
        return 40.0 - value

    reference, cabin = aircraft["reference"], aircraft["cabin"]
    masses = aircraft["masses"]
    papers = (
        reference["index_arm"]
        + (masses["dry_operating_index"] - reference["index_constant"])
        * reference["index_scale"]
        / masses["dry_operating"]
    )
    masses["dry_operating_index"], masses["dry_operating_arm"] = None, arm(papers)
    reference["lemac"] = arm(reference["lemac"]) - reference["mac"]
    reference["index_arm"] = arm(reference["index_arm"])
    for envelope in aircraft["envelopes"]:
        envelope["forward"], envelope["aft"] = (
            [[mass, 100.0 - pct] for mass, pct in envelope[side]] for side in ("aft", "forward")
        )
    cabin["first_row_arm"] = arm(cabin["first_row_arm"] + 28 * 0.8)
    for facility in (*cabin["lavatories"], *cabin["galleys"], *cabin["crew_seats"]):
        facility["arm"] = arm(facility["arm"])
    for key in ("potable_arm", "waste_arm"):
        cabin["water"][key] = arm(cabin["water"][key])
    for hold in aircraft["holds"]:
        hold["arm"] = arm(hold["arm"])
    for tank in aircraft["tanks"]:
        tank["layers"] = [[volume, arm(at)] for volume, at in tank["layers"]]
    aircraft["gear"]["retraction_moment"] *= -1.0
    for flap in aircraft["flaps"]:
        flap["moment"] *= -1.0
    for zone in operation["zones"]:
        first, last = map(int, zone["rows"].split("-"))
        zone["rows"] = f"{30 - last}-{30 - first}"
    for one in operation["service"]["carts"]:
        one["from_row"], one["to_row"] = 30 - one["from_row"], 30 - one["to_row"]
    return Scenario.from_resolved(data)


@pytest.mark.parametrize("reckoning", ["classic", "state"])
def test_a_mirrored_aircraft_swaps_the_sides(reckoning: Any) -> None:
    exact = {f"operation.load_sheet.{step}_step": 0.0 for step in ("arm", "mass", "index", "cg")}
    # a crooked cabin and load, so that the sides differ
    base = edited(exact | {"operation.seating.blocked": [], "operation.zones.2.adults": 31})
    there = conventional_buffers(prepare(base), reckoning=reckoning, movers=3)
    back = conventional_buffers(prepare(mirrored(base)), reckoning=reckoning, movers=3)
    for group in GROUPS:
        assert not math.isclose(
            there.straight_kgm(side="aft", group=group),
            there.straight_kgm(side="forward", group=group),
            rel_tol=1e-3,
        )
        for cause in CAUSES:
            for side, other in (SIDES, SIDES[::-1]):
                if group == "in_flight" or cause not in ("lavatory walk", "carts and crew"):
                    assert moment(back, cause, side, group) == pytest.approx(
                        moment(there, cause, other, group), rel=1e-7, abs=1e-5
                    ), (cause, side, group)


def of_lines(moments: list[float]) -> ConventionalBuffers:
    lines = tuple(
        BufferLine(f"cause {i}", "aft", "in_flight", m, True, m, "by hand")
        for i, m in enumerate(moments)
    )
    return ConventionalBuffers(
        lines=lines,
        zones=pd.DataFrame(),
        omitted=(),
        reckoning="classic",
        lowest_mass_kg={"in_flight": 60_000.0},
        balance=balance_of(shipped_scenario().aircraft),
    )


@given(st.lists(st.floats(0.0, 1e6), min_size=1, max_size=12), st.floats(0.0, 1e6))
def test_one_more_cause_never_lowers_a_total(moments: list[float], more: float) -> None:
    place = {"side": "aft", "group": "in_flight"}
    before, after = of_lines(moments), of_lines([*moments, more])
    assert after.straight_kgm(**place) >= before.straight_kgm(**place)
    assert after.rss_kgm(**place) >= before.rss_kgm(**place) * (1.0 - 1e-12)
    assert after.rss_kgm(**place) <= after.straight_kgm(**place) * (1.0 + 1e-12)
    assert after.straight_kgm(**place) <= math.sqrt(len(moments) + 1) * after.rss_kgm(**place) * (
        1.0 + 1e-12
    )


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("aircraft.dry_uncertainty.cg_sd_flight", 0.5),
        ("aircraft.dry_uncertainty.mass_sd_flight", 500.0),
        ("aircraft.fuel_uncertainty.gauging_of_reading", 0.03),
        ("operation.fuel.density_sd", 20.0),
        ("operation.cargo.position_sd", 0.2),
        ("operation.cargo.misplaced_bags", 9.0),
    ],
)
def test_more_doubt_never_lowers_a_total(
    shipped: ConventionalBuffers, key: str, value: float
) -> None:
    more, less = stack({key: value}).totals(), shipped.totals()
    for total in ("straight_kgm", "rss_kgm"):
        assert (more[total] >= less[total]).all()
        assert (more[total] > less[total]).any()


def test_totals_in_every_unit(shipped: ConventionalBuffers) -> None:
    row = shipped.totals(mass_kg=62_000.0).iloc[1]
    assert (row["side"], row["group"]) == ("aft", "take_off_and_landing")
    lines = [x.moment_kgm for x in shipped.lines if (x.side, x.group) == ("aft", row["group"])]
    assert row["straight_kgm"] == pytest.approx(sum(lines))
    assert row["rss_kgm"] == pytest.approx(math.sqrt(sum(m * m for m in lines)))
    assert row["straight_pct_mac"] == pytest.approx(row["straight_kgm"] / (620.0 * 4.2))
    assert row["rss_index"] == pytest.approx(row["rss_kgm"] / 1_000.0)
    lowest = shipped.totals()["mass_kg"].tolist()
    assert lowest[0] == pytest.approx(62_156.67, abs=0.01)
    assert lowest[2] == pytest.approx(62_448.33, abs=0.01)


def test_moments_as_percent_and_index() -> None:
    """84 kg over 20 m in 64 t with a chord of 4.19 m: 0.63 % MAC (computed)."""
    balance = balance_of(edited({"aircraft.reference.mac": 4.19}).aircraft)
    pct = moment_pct_mac(84.0 * 20.0, mass_kg=64_000.0, balance=balance)
    assert pct == pytest.approx(0.6265, abs=5e-5)
    assert moment_index(np.array([1_000.0, -500.0]), balance=balance).tolist() == [1.0, -0.5]
    with pytest.raises(UsageError, match="mass above 0"):
        moment_pct_mac(1.0, mass_kg=0.0, balance=balance)


def test_the_hand_reckoning_in_the_shipped_operation(shipped: ConventionalBuffers) -> None:
    """Its comment takes 84 kg for everybody, 0.25 % MAC for the dry CG, and fewer causes.

    Where it reckons the same thing the figures meet: seating 4,700 kg m at 84 kg, dry CG 900 of
    the aircraft alone, one passenger to the far lavatory and 100 kg twice over 13 m 4,600.
    """
    adults = {f"operation.zones.{z}.children": 0 for z in range(3)}
    plain = stack(adults | {"aircraft.dry_uncertainty.cg_sd_flight": 0.0})
    assert moment(plain, "seating", "aft") == pytest.approx(4_704.0)
    assert moment(plain, "dry operating CG", "aft") == pytest.approx(894.6)
    assert moment(shipped, "lavatory walk", "aft") + 2 * 100 * 13 == pytest.approx(4_600, abs=10)
    fuel = sum(
        moment(shipped, f"fuel {x}", "aft", "take_off_and_landing") for x in ("density", "gauges")
    )
    assert 150.0 < fuel < 450.0
    # hand: 2.6 and 4.3 % MAC at 62 t; attendants, both holds, landing flaps and water make more
    totals = shipped.totals(mass_kg=62_000.0)["straight_pct_mac"].tolist()
    assert totals == pytest.approx([3.46, 3.48, 5.61, 5.45], abs=0.01)


@pytest.mark.parametrize(
    ("choices", "match"),
    [
        ({"reckoning": "worst"}, "classic or state"),
        ({"movers": -1}, "at least 0"),
        ({"density_limits_kgpm3": (840.0, 775.0)}, "least and a greatest density"),
        ({"density_limits_kgpm3": (0.0, 800.0)}, "above 0"),
        ({"density_limits_kgpm3": (800.0, math.nan)}, "above 0"),
    ],
)
def test_faulty_choices_are_refused(choices: dict[str, Any], match: str) -> None:
    with pytest.raises(UsageError, match=match):
        stack(**choices)


def test_unknown_places_are_refused(shipped: ConventionalBuffers) -> None:
    with pytest.raises(UsageError, match="group of phases that is flown"):
        shipped.straight_kgm(side="aft", group="any")
    with pytest.raises(UsageError, match="mass above 0"):
        shipped.totals(mass_kg=-1.0)


# ---- what is shown ------------------------------------------------------------------------------


def test_text_ends_in_what_to_do(shipped: ConventionalBuffers) -> None:
    envelope = shipped_scenario().operation.operational_envelope
    text = conventional_text(shipped, name="invented", envelope=envelope, mass_kg=62_000.0)
    assert max(len(line) for line in text.splitlines()[:-1]) <= 100
    assert len(text.splitlines()) < 72
    flat = " ".join(text.split())
    for part in (
        "Decision: keep, in % MAC from the certified limits, take-off and landing 3.46 forward and "
        "3.48 aft; in flight 5.61 forward and 5.45 aft",
        "keeps only 3.40 forward, take-off and landing; ",
        "4.40 aft, in flight, so widen it there, or show the authority why less is enough.",
        "needs the authority's agreement",
        "not approved data and not for dispatch",
        "(common practice, no published source)",
        "(2,938)",
    ):
        assert part in flat
    none = conventional_text(shipped, name="invented", envelope=None)
    assert "no operational envelope yet, so state one." in " ".join(none.split())
    assert "the lowest planned masses" in none


def test_an_envelope_that_keeps_enough_stays(shipped: ConventionalBuffers) -> None:
    wide = {"take_off_and_landing": 4.0, "in_flight": 6.0}
    scenario = edited(
        {
            "operation.operational_envelope": {
                group: {"forward": pct, "aft": pct} for group, pct in wide.items()
            }
        }
    )
    text = conventional_text(
        shipped, name="invented", envelope=scenario.operation.operational_envelope
    )
    assert "keeps as much everywhere, so leave it as it is." in " ".join(text.split())


def test_answer_is_plain_data(shipped: ConventionalBuffers) -> None:
    answer = conventional_answer(shipped, envelope=None)
    again = json.loads(json.dumps(answer, allow_nan=False))
    assert len(again["lines"]) == 2 * (len(CAUSES) + len(CAUSES) - 2)
    assert again["lines"][0]["cause"] == "seating"
    assert again["totals"][3]["straight_kgm"] == pytest.approx(
        sum(
            x["moment_kgm"]
            for x in again["lines"]
            if (x["side"], x["group"]) == ("aft", "in_flight")
        )
    )
    assert "cautions" in again


def draw(frame: pd.DataFrame, **more: Any) -> Any:
    balance = balance_of(shipped_scenario().aircraft)
    with chart_style():
        figure = new_figure(180, 100)
        ax = buffer_bars(frame, ax=figure.subplots(), mass_kg=62_000.0, balance=balance, **more)
        figure.canvas.draw()
    return ax


def widths(ax: Any) -> dict[int, float]:
    """Length of each bar, parts added up."""
    out: dict[int, float] = {}
    for patch in ax.patches:
        place = round(patch.get_y() + 0.5 * patch.get_height())
        out[place] = out.get(place, 0.0) + patch.get_width()
    return out


def test_chart_bars_are_the_totals(shipped: ConventionalBuffers) -> None:
    table = shipped.table
    frame = table[(table["side"] == "aft") & (table["group"] == "in_flight")]
    sampled = pd.DataFrame(
        {"cause": ["seating", "limit and mass"], "moment_kgm": [2_000.0, -300.0]}
    )
    ax = draw(frame, sampled=sampled, sampled_name="sampled, $ 95 %")
    place = {"side": "aft", "group": "in_flight"}
    assert widths(ax) == pytest.approx(
        {0: shipped.straight_kgm(**place), 1: shipped.rss_kgm(**place), 2: 1_700.0}
    )
    texts = " ".join(t.get_text() for t in ax.texts)
    assert "14,180 kg m\n5.45 % MAC" in texts
    assert "1,700 kg m\n0.65 % MAC" in texts
    hatches = {(p.get_facecolor(), p.get_hatch()) for p in ax.patches}
    assert len({hatch for _, hatch in hatches}) == len(hatches)  # told apart without colour


def test_chart_of_nothing_is_a_chart() -> None:
    ax = draw(pd.DataFrame({"cause": ["seating"], "moment_kgm": [0.0]}))
    assert len(ax.patches) == 0
    assert "0 kg m" in ax.texts[0].get_text()


def test_chart_refuses_two_sides_at_once(shipped: ConventionalBuffers) -> None:
    with pytest.raises(UsageError, match="one row for each cause"):
        draw(shipped.table)


ODD: dict[str, dict[str, Any]] = {
    "no holds": {"aircraft.holds": [], "operation.hold_loads": []},
    "children": {
        "operation.zones": [{"name": "all", "rows": "1-29", "adults": 1, "children": 150}]
    },
    "take-off alone": {
        "operation.phases": [shipped_scenario().resolved()["operation"]["phases"][1]]
    },
    "in flight alone": {
        "operation.phases": [shipped_scenario().resolved()["operation"]["phases"][3]]
    },
    "tanks run dry": {"operation.fuel.block": 5_200.0},
    "no facilities": {
        "aircraft.cabin.lavatories": [],
        "aircraft.cabin.galleys": [],
        "aircraft.cabin.crew_seats": [],
        "aircraft.cabin.water": None,
        "operation.service.carts": [],
    },
    "fuel index table": {
        "aircraft.tanks": [],
        "aircraft.refuel_order": [],
        "aircraft.burn_schedule": [],
        "aircraft.fuel_index": [[0.0, 0.0], [2_000.0, -1.0], [6_000.0, -2.5], [14_000.0, 0.5]],
    },
    "all seats blocked but one": {
        "operation.seating.blocked": ["1A", "1B", "1C", "1D", "1E", "2-29"],
        "operation.zones": [{"name": "all", "rows": "1-29", "adults": 1, "children": 0}],
    },
}


@pytest.mark.parametrize("name", ODD)
def test_an_odd_scenario_has_buffers_text_and_chart(name: str) -> None:
    model = prepare(edited(ODD[name]))
    found = conventional_buffers(model)
    table = found.table
    assert np.isfinite(table[["moment_kgm", "if_counted_kgm"]].to_numpy()).all()
    assert (table["if_counted_kgm"] >= 0.0).all()
    assert found.groups
    json.dumps(conventional_answer(found, envelope=None), allow_nan=False)
    envelope = model.scenario.operation.operational_envelope
    assert "Decision" in conventional_text(found, name=name, envelope=envelope)
    draw(table[(table["side"] == "aft") & (table["group"] == found.groups[0])])
