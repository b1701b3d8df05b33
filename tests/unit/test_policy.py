"""A policy put on a scenario: words, counts, restrictions, and what contradicts itself."""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cgrisk.decide.policies import capacity_under
from cgrisk.decide.policy import apportion, meaning, room_under, scenario_under
from cgrisk.errors import UsageError
from cgrisk.flight import fly_block, prepare
from cgrisk.rare.exact import seating_law
from cgrisk.scenario.policies_file import Policy
from tests.flight_cases import SEATING_ALONE, edited, shipped_scenario
from tests.oracles import simpy_boarding

ADULT, PITCH = 84.0, 0.8


def policy(**stated: Any) -> Policy:
    return Policy.model_validate({"name": "p", **stated})


def alone(**changes: Any):
    """Nothing that moves people but the rule: no parties, no changes, arms unrounded."""
    return edited({**SEATING_ALONE, **changes})


def rows(model, flights: int = 64, seed: int = 3):
    return fly_block(model, seed=seed, flights=np.arange(flights, dtype=np.uint32))


def test_an_empty_policy_is_the_scenario_itself_to_the_bit() -> None:
    scenario = shipped_scenario()
    there = scenario_under(scenario, policy(), passengers=148)
    assert there.digest() == scenario.digest()
    np.testing.assert_array_equal(rows(prepare(there)), rows(prepare(scenario)))
    assert meaning(policy()) == "as the scenario has it"


def test_the_meaning_is_one_line_that_names_everything() -> None:
    every = policy(
        seating="window_first",
        counted="cabin",
        parties="apart",
        quotas=[{"zone": "A", "share": 0.25}, {"zone": "B", "share": 0.75}],
        block=[{"seats": ["1-2"], "below": 120}, {"seats": ["29", "28A"]}],
        lavatories=[{"name": "aft lavatories", "open": 0}],
        galleys=[{"name": "aft galley", "standing": 2}],
        carts="to_the_middle",
        sign=[{"phase": "climb", "lit": True}],
        crew=[{"name": "aft crew seats", "crew": 1}],
        holds=[{"hold": "forward hold", "share": 1.0}],
        movers_share=0.05,
    )
    text = meaning(every)
    assert "\n" not in text
    for words in (
        "windows first",
        "anywhere in the cabin",
        "parties apart",
        "25 % in zone A, 75 % in zone B",
        "rows 1-2 blocked below 120 passengers",
        "row 29 and seat 28A blocked",
        "aft lavatories closed",
        "at most 2 stand at aft galley",
        "carts from both ends to the middle",
        "sign lit in climb",
        "1 at aft crew seats",
        "100 % in forward hold",
        "5 % change seats all the same",
    ):
        assert words in text


@given(
    st.integers(1, 6).flatmap(
        lambda n: st.tuples(
            st.lists(st.integers(0, 40), min_size=n, max_size=n),
            st.lists(st.floats(0.0, 50.0), min_size=n, max_size=n),
            st.floats(0.0, 1.0),
        )
    )
)
def test_apportioned_numbers_add_up_and_fit(case: tuple[list[int], list[float], float]) -> None:
    room, weights, part = case
    total = math.floor(part * sum(room))
    found = apportion(total, weights=np.array(weights), room=np.array(room, dtype=np.int64))
    assert found.sum() == total
    assert (found >= 0).all()
    assert (found <= room).all()


def test_the_largest_remainder_by_hand() -> None:
    wide = np.full(3, 100, dtype=np.int64)
    # 10 x (0.44, 0.33, 0.23) = 4.4, 3.3, 2.3: the one left goes to the first.
    assert apportion(10, weights=np.array([44.0, 33, 23]), room=wide).tolist() == [5, 3, 2]
    # The second is full with 2; the 8 left go 3.2 : 1.2 to the others.
    room = np.array([100, 2, 100], dtype=np.int64)
    assert apportion(10, weights=np.array([4.0, 4, 2]), room=room).tolist() == [5, 2, 3]


def zone_counts(scenario) -> list[tuple[int, int]]:
    return [(zone.adults, zone.children) for zone in scenario.operation.zones]


@pytest.mark.parametrize(
    ("stated", "expected"),
    [
        ({"zones": "even"}, [31, 34, 35]),  # 54, 60, 60 seats: 31.03, 34.48, 34.48
        ({"zones": "from_front"}, [54, 46, 0]),
        ({"zones": "from_rear"}, [0, 40, 60]),
        ({}, [30, 35, 35]),  # 44, 52, 52 of 148: 29.73, 35.14, 35.14
        (
            {
                "quotas": [
                    {"zone": "A", "share": 0.2},
                    {"zone": "B", "share": 0.5},
                    {"zone": "C", "share": 0.3},
                ]
            },
            [20, 50, 30],
        ),
    ],
)
def test_zone_counts(stated: dict[str, Any], expected: list[int]) -> None:
    there = scenario_under(shipped_scenario(), policy(**stated), passengers=100)
    people = [a + c for a, c in zone_counts(there)]
    if "zones" in stated and stated["zones"] == "even":
        assert sum(people) == 100
        assert max(abs(p - 100 * s / 174) for p, s in zip(people, (54, 60, 60), strict=True)) < 1.0
    else:
        assert people == expected
    # 8 children of 148 are 5.4 of 100, and each zone has its adults.
    assert sum(c for _, c in zone_counts(there)) == 5


def test_blocked_seats_bind_below_their_number_only() -> None:
    scenario = shipped_scenario()
    p = policy(block=[{"seats": ["1-2", "28-29"], "below": 130}, {"seats": ["29F"]}])
    assert room_under(scenario, p, passengers=129).lost == 24
    assert room_under(scenario, p, passengers=130).lost == 1
    model = prepare(scenario_under(scenario, p, passengers=129))
    blocked = {model.plan.seat_label(i) for i in np.flatnonzero(model.plan.blocked)}
    assert blocked == {f"{r}{c}" for r in (1, 2, 28, 29) for c in "ABCDEF"}
    assert capacity_under(scenario, p) == 173


def test_more_people_than_seats_are_refused_with_the_numbers() -> None:
    scenario = shipped_scenario()
    p = policy(block=[{"seats": ["1-5"]}])
    expected = "at most the 144 seats left open .30 of 174 are blocked.; got 150"
    with pytest.raises(UsageError, match=expected):
        scenario_under(scenario, p, passengers=150)
    quotas = [{"zone": z, "share": s} for z, s in (("A", 0.5), ("B", 0.25), ("C", 0.25))]
    with pytest.raises(UsageError, match=r"54 seats left open in zone 'A'.*got '60 people"):
        scenario_under(scenario, policy(quotas=quotas), passengers=120)


def test_a_restriction_that_contradicts_itself_is_refused() -> None:
    p = policy(block=[{"seats": ["1-10"], "below": 150}])
    with pytest.raises(UsageError, match=r"a seat for each of 115 passengers.*114 seats left open"):
        capacity_under(shipped_scenario(), p)
    with pytest.raises(UsageError, match="got '0 seats left open"):
        capacity_under(shipped_scenario(), policy(block=[{"seats": ["1-29"]}]))


def test_a_hold_that_is_too_small_is_refused() -> None:
    holds = [{"hold": "forward hold", "share": 0.0}, {"hold": "aft hold", "share": 1.0}]
    heavy = edited({"operation.hold_loads.1.bags": 300})
    with pytest.raises(UsageError, match=r"maximum load of .aft hold., 4600 kg"):
        scenario_under(heavy, policy(holds=holds), passengers=148)


def test_lavatories_galleys_carts_sign_crew_and_holds() -> None:
    p = policy(
        lavatories=[
            {"name": "aft lavatories", "open": 1},
            {"name": "forward lavatory", "open": 0},
        ],
        galleys=[{"name": "aft galley", "standing": 0}],
        carts="from_rear",
        sign=[{"phase": "climb", "lit": True}],
        crew=[{"name": "forward crew seats", "crew": 0}, {"name": "aft crew seats", "crew": 4}],
        holds=[{"hold": "forward hold", "share": 0.25}, {"hold": "aft hold", "share": 0.75}],
    )
    there = scenario_under(shipped_scenario(), p, passengers=74, bags="per_passenger")
    cabin, operation = there.aircraft.cabin, there.operation
    assert [(x.name, x.count) for x in cabin.lavatories] == [("aft lavatories", 1)]
    assert [x.standing for x in cabin.galleys] == [3, 0]
    assert [(x.name, x.crew) for x in cabin.crew_seats] == [("aft crew seats", 4)]
    carts = [(c.galley, c.from_row, c.to_row) for c in operation.service.carts]
    assert carts == 2 * [("aft galley", 14, 1), ("aft galley", 29, 15)]
    lit = {phase.kind: phase.sign for phase in operation.phases}
    assert lit["climb"]
    assert not lit["cruise"]
    # 120 bags for 148 are 60 for 74; cargo stays in sum.
    assert [(h.bags, h.cargo) for h in operation.hold_loads] == [(15, 137.5), (45, 412.5)]
    fixed = scenario_under(shipped_scenario(), policy(), passengers=74, bags="fixed")
    assert [h.bags for h in fixed.operation.hold_loads] == [40, 80]


def test_carts_from_both_ends_are_those_of_the_shipped_case() -> None:
    scenario = shipped_scenario()
    there = scenario_under(scenario, policy(carts="to_the_middle"), passengers=148)
    assert there.digest() == scenario.digest()
    assert (
        scenario_under(scenario, policy(carts="none"), passengers=148).operation.service.carts == ()
    )


def test_blocking_symmetric_rows_changes_the_mean_nothing() -> None:
    """Mean of the seats left: the zone's centroid, by symmetry; checked on the exact law."""
    blocked = [{"seats": ["1", "9", "10-11", "18-19", "24-25"]}]
    scenario = alone(**{"operation.seating.rule": "random"})
    for p in (policy(), policy(block=blocked)):
        law = seating_law(prepare(scenario_under(scenario, p, passengers=80)))
        assert float(law.probability @ law.moment_kgm) == pytest.approx(0.0, abs=1e-6)
    lopsided = policy(block=[{"seats": ["1-2"]}])
    law = seating_law(prepare(scenario_under(scenario, lopsided, passengers=80)))
    # Zone A is counted at row 5; without its first two rows the seats' mean is a row further aft.
    people = scenario_under(scenario, lopsided, passengers=80).operation.zones[0].adults
    mean = float(law.probability @ law.moment_kgm)
    assert mean == pytest.approx(ADULT * PITCH * people, rel=1e-9)


def test_quotas_give_the_closed_form_within_zones() -> None:
    """Var = w^2 n (N - n) / (N - 1) s_x^2, zones independent (textbook sampling theory)."""
    share = {"A": 0.1, "B": 0.5, "C": 0.4}
    p = policy(seating="random", quotas=[{"zone": z, "share": s} for z, s in share.items()])
    model = prepare(scenario_under(alone(), p, passengers=100))
    expected = sum(
        ADULT**2 * n * (6 * r - n) / (6 * r - 1) * PITCH**2 * (r**2 - 1) / 12.0
        for n, r in ((10, 9), (50, 10), (40, 10))
    )
    law = seating_law(model)
    mean = float(law.probability @ law.moment_kgm)
    spread = float(law.probability @ (law.moment_kgm - mean) ** 2)
    assert spread == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("counted", ["zone", "cabin"])
@pytest.mark.parametrize("rule", ["random", "free", "window_first", "from_front", "from_rear"])
def test_in_a_full_aircraft_every_policy_seats_alike(rule: str, counted: str) -> None:
    p = policy(seating=rule, counted=counted, zones="even")
    model = prepare(scenario_under(alone(), p, passengers=174))
    found = rows(model, 50)[:, model.columns.index("take_off_error_kgm.seating")]
    np.testing.assert_allclose(found, 0.0, atol=1e-6)


@pytest.mark.parametrize("counted", ["zone", "cabin"])
def test_small_cabins_by_enumeration(counted: str) -> None:
    """Every set of seats of two zones of two rows, a row of them blocked, counted one by one."""
    tiny = alone(
        **{
            "aircraft.cabin.rows": [{"rows": "1-4", "pitch": PITCH}],
            "operation.service.carts": [],
            "operation.hold_loads": [],
            "operation.zones": [
                {"name": "A", "rows": "1-2", "adults": 4, "children": 0},
                {"name": "B", "rows": "3-4", "adults": 4, "children": 0},
            ],
        }
    )
    p = policy(seating="random", counted=counted, zones="even", block=[{"seats": ["2"]}])
    law = seating_law(prepare(scenario_under(tiny, p, passengers=6)))
    arms = {"A": [0.0] * 6, "B": [2.0] * 6 + [3.0] * 6}  # in pitches; row 2 is blocked
    sheet = (
        2 * 0.5 + 4 * 2.5
    )  # 6 of 18 open seats: 2 of A's 6, 4 of B's 12, at the zones' centroids
    if counted == "cabin":
        sums = [sum(taken) for taken in combinations(arms["A"] + arms["B"], 6)]
    else:
        one = [sum(taken) for taken in combinations(arms["A"], 2)]
        two = [sum(taken) for taken in combinations(arms["B"], 4)]
        sums = [a + b for a in one for b in two]
    values, times = np.unique(np.array(sums), return_counts=True)
    np.testing.assert_allclose(law.moment_kgm, ADULT * PITCH * (values - sheet), atol=1e-6)
    np.testing.assert_allclose(law.probability, times / times.sum(), rtol=1e-12)


def test_parties_apart_sit_like_people_alone() -> None:
    """With parties apart the seats taken are a random set: the law of people who travel alone."""
    parties = shipped_scenario().resolved()["operation"]["parties"]
    people = {"operation.parties": parties}
    together = prepare(scenario_under(alone(**people), policy(), passengers=90))
    apart = prepare(scenario_under(alone(**people), policy(parties="apart"), passengers=90))
    single = prepare(scenario_under(alone(), policy(), passengers=90))
    law = seating_law(apart)
    np.testing.assert_array_equal(law.probability, seating_law(single).probability)
    column = apart.columns.index("take_off_error_kgm.seating")
    spread = float(law.probability @ law.moment_kgm**2)
    flown = rows(apart, 4000, seed=11)[:, column]
    fourth = float(law.probability @ law.moment_kgm**4)
    error = math.sqrt((fourth - spread**2) / flown.size)
    assert abs(float((flown**2).mean()) - spread) < 5.0 * error
    # The slow second version of boarding has the same law.
    rng = np.random.default_rng(17)
    sums = np.array(
        [
            sum(
                ADULT * person.arm
                for person in simpy_boarding.board(apart.scenario, apart.plan, rng)
            )
            for _ in range(300)
        ]
    )
    sheet = float(ADULT * (apart.program.cabin.zone_adults @ apart.program.cabin.zone_arm_m))
    error = math.sqrt((fourth - spread**2) / sums.size)
    assert abs(float(((sums - sheet) ** 2).mean()) - spread) < 5.0 * error
    # Side by side they spread more.
    assert float(rows(together, 2000, seed=11)[:, column].var()) > 1.3 * spread


def test_people_keep_their_numbers_when_seats_elsewhere_are_blocked() -> None:
    scenario = edited({"operation.seating.movers_share": 0.0})
    whole = prepare(scenario_under(scenario, policy(zones="even"), passengers=90))
    p = policy(zones="even", block=[{"seats": ["1F"]}])
    fewer = prepare(scenario_under(scenario, p, passengers=90))
    np.testing.assert_array_equal(
        whole.program.cabin.region_first_person, fewer.program.cabin.region_first_person
    )
    counts = [z.adults + z.children for z in whole.scenario.operation.zones]
    assert counts == [z.adults + z.children for z in fewer.scenario.operation.zones]
    mass, cg = (whole.columns.index(f"zero_fuel_{name}") for name in ("mass_kg", "cg_pct_mac"))
    one, two = rows(whole, 200), rows(fewer, 200)
    # The same people with the same bags: the mass of every flight is the same.
    np.testing.assert_allclose(one[:, mass], two[:, mass], rtol=1e-12)
    assert not np.array_equal(one[:, cg], two[:, cg])
