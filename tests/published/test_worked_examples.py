"""Worked examples of mass and balance as published, computed with cgrisk's own functions.

Each row says where the example stands and how it was obtained: ``read`` in the published text,
``second-hand`` quoted elsewhere, ``memory`` recalled and not seen. Examples in pounds and inches
go through SI and back.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from cgrisk.aircraft import (
    Balance,
    cabin_plan,
    centre_of_gravity,
    cg_after_adding,
    cg_after_moving,
    payload_limit,
    zone_arms,
)
from cgrisk.scenario import Scenario
from cgrisk.units import IN_TO_M, LB_TO_KG
from tests.aircraft_cases import small_aircraft, small_scenario

#: Moment of one pound at one inch, kg m.
LB_IN = LB_TO_KG * IN_TO_M


def chord(*, lemac_in: float, mac_in: float) -> Balance:
    return Balance(
        lemac_m=lemac_in * IN_TO_M,
        mac_m=mac_in * IN_TO_M,
        index_arm_m=0.0,
        index_scale_kgm=1.0,
        index_constant=0.0,
    )


@pytest.mark.parametrize(
    ("loads_lb_in", "mass_lb", "moment_lb_in", "cg_in", "printed_to"),
    [
        pytest.param(
            [(1_169, 10.6), (17, -49), (170, 16), (83, 22)],
            1_439, 16_104, 11.2, 0.05,
            id="FAA AC 43.13-1B fig 10-10, most forward CG (read)",
        ),
        pytest.param(
            [(1_169, 10.6), (17, -49), (170, 16), (340, 48), (240, 22), (100, 75.5)],
            2_036, 43_428, 21.33, 0.005,
            id="FAA AC 43.13-1B fig 10-11, most rearward CG (read; quotient computed)",
        ),
    ],
)  # fmt: skip
def test_loading_schedule(
    loads_lb_in: list[tuple[float, float]],
    mass_lb: float,
    moment_lb_in: float,
    cg_in: float,
    printed_to: float,
) -> None:
    pounds, inches = np.array(loads_lb_in, dtype=float).T
    total_kg, arm_m = centre_of_gravity(pounds * LB_TO_KG, arm_m=inches * IN_TO_M)
    assert total_kg / LB_TO_KG == pytest.approx(mass_lb, rel=1e-12)
    # the figures print whole pound inches of each line
    assert total_kg * arm_m / LB_IN == pytest.approx(moment_lb_in, abs=1.0)
    assert arm_m / IN_TO_M == pytest.approx(cg_in, abs=printed_to)
    # line after line, by the rule of adding, comes to the same
    mass, cg = pounds[0] * LB_TO_KG, inches[0] * IN_TO_M
    for pound, inch in loads_lb_in[1:]:
        cg = cg_after_adding(cg, mass_kg=mass, added_kg=pound * LB_TO_KG, at_m=inch * IN_TO_M)
        mass += pound * LB_TO_KG
    assert cg == pytest.approx(arm_m, rel=1e-12)


def test_loading_schedule_erratum() -> None:
    """FAA AC 43.13-1B fig 10-13: 38,466 lb in, 2,100 lb; prints 18.6, an erratum (computed)."""
    datum = chord(lemac_in=0.0, mac_in=100.0)  # % of a chord of 100 in from the datum are inches
    cg_in = datum.cg_pct_mac(2_100 * LB_TO_KG, 38_466 * LB_IN)
    assert cg_in == pytest.approx(18.317, abs=5e-4)
    assert abs(cg_in - 18.6) > 0.2


@pytest.mark.parametrize(
    ("mass", "cg_in", "moved", "from_in", "to_in", "shift_in", "new_cg_in", "to_kg", "printed_to"),
    [
        pytest.param(
            8_000, 77.0, 100, 30, 150, 1.5, 78.5, LB_TO_KG, 1e-9,
            id="FAA-H-8083-25 ch 10, weight shift (read)",
        ),
        pytest.param(
            57_600, 646, 900, 0, 517, 8.078, 654.078, 1.0, 5e-4,
            id="examination question, mass and balance (read)",
        ),
        pytest.param(
            88_300, -30.87 + 0.255 * 141.5, 3_300, -227.9, 144.9, 13.93, 19.15, LB_TO_KG, 5e-3,
            id="FAA knowledge test, weight shift (second-hand; MAC of 141.5 in from memory)",
        ),
    ],
)  # fmt: skip
def test_weight_shift(
    mass: float,
    cg_in: float,
    moved: float,
    from_in: float,
    to_in: float,
    shift_in: float,
    new_cg_in: float,
    to_kg: float,
    printed_to: float,
) -> None:
    new_m = cg_after_moving(
        cg_in * IN_TO_M,
        mass_kg=mass * to_kg,
        moved_kg=moved * to_kg,
        from_m=from_in * IN_TO_M,
        to_m=to_in * IN_TO_M,
    )
    assert new_m / IN_TO_M - cg_in == pytest.approx(shift_in, abs=printed_to)
    assert new_m / IN_TO_M == pytest.approx(new_cg_in, abs=printed_to)


def test_the_examination_question_truncates() -> None:
    """The same examination question prints 8.07 and 654.07 in (read): cut off, not rounded."""
    new_m = cg_after_moving(
        646 * IN_TO_M, mass_kg=57_600.0, moved_kg=900.0, from_m=0.0, to_m=517 * IN_TO_M
    )
    assert np.floor(100.0 * new_m / IN_TO_M) / 100.0 == 654.07
    assert round(new_m / IN_TO_M, 2) == 654.08


def test_knowledge_test_starts_on_its_chord() -> None:
    """FAA knowledge test (second-hand; MAC from memory): 25.5 % MAC, LEMAC -30.87, MAC 141.5 in."""
    start_m = chord(lemac_in=-30.87, mac_in=141.5).pct_to_arm(25.5)
    new_m = cg_after_moving(
        start_m,
        mass_kg=88_300 * LB_TO_KG,
        moved_kg=3_300 * LB_TO_KG,
        from_m=-227.9 * IN_TO_M,
        to_m=144.9 * IN_TO_M,
    )
    assert new_m / IN_TO_M == pytest.approx(19.15, abs=0.005)


def test_percent_of_chord_before_and_after_loading() -> None:
    """%MAC example (second-hand): chord 625.6 to 760.1 in; 41,000 kg at 663, +2,500 at 360."""
    balance = chord(lemac_in=625.6, mac_in=760.1 - 625.6)
    before_m = 663 * IN_TO_M
    assert balance.arm_to_pct(before_m) == pytest.approx(27.81, abs=0.005)
    after_m = cg_after_adding(before_m, mass_kg=41_000.0, added_kg=2_500.0, at_m=360 * IN_TO_M)
    assert after_m / IN_TO_M == pytest.approx(645.59, abs=0.005)
    assert balance.arm_to_pct(after_m) == pytest.approx(14.86, abs=0.005)


def test_percent_of_chord_in_the_handbook() -> None:
    """FAA-H-8083-1B (memory): LEMAC 144, MAC 62, CG 161 in."""
    balance = chord(lemac_in=144.0, mac_in=62.0)
    assert balance.arm_to_pct(161.0 * IN_TO_M) == pytest.approx(27.4, abs=0.05)
    assert balance.pct_to_arm(balance.arm_to_pct(161.0 * IN_TO_M)) == pytest.approx(161 * IN_TO_M)


def test_payload_limits_in_the_handbook() -> None:
    """FAA-H-8083-1B (read): payload 27,500 lb, set by the landing weight."""
    found = payload_limit(
        100_500 * LB_TO_KG,
        max_zero_fuel_kg=138_000 * LB_TO_KG,
        max_take_off_kg=184_200 * LB_TO_KG,
        max_landing_kg=142_000 * LB_TO_KG,
        take_off_fuel_kg=54_000 * LB_TO_KG,
        trip_fuel_kg=40_000 * LB_TO_KG,
    )
    assert found.payload_kg / LB_TO_KG == pytest.approx(27_500, rel=1e-12)
    assert found.limited_by == "landing"


def test_passenger_table_of_a_19_seat_aircraft() -> None:
    """FAA knowledge test, 19-seat rows (memory; computed): 170 lb each, moment / 100 by row."""
    arms = [200, 229, 259, 289, 319, 349, 379, 409, 436]
    table = [
        {"row": row, "letter": letter, "arm": float(arm), "position": "aisle"}
        for row, arm in enumerate(arms, start=1)
        for letter in ("A", "C")
    ]
    aircraft = small_aircraft(system="lb/in", cabin={"seat_table": table})
    plan = cabin_plan(small_scenario(aircraft, rows="1-9"))
    each = np.array([centre_of_gravity([170 * LB_TO_KG], arm_m=[arm]) for arm in plan.arm_m])
    moment_100_lb_in = each[:, 0] * each[:, 1] / LB_IN / 100.0
    printed = [340, 389, 440, 491, 542, 593, 644, 695, 741]
    assert np.rint(moment_100_lb_in[::2]).astype(int).tolist() == printed
    assert moment_100_lb_in[::2].tolist() == moment_100_lb_in[1::2].tolist()


def cabin_of(rows: int, *, letters: str, pitch_m: float = 1.0) -> Scenario:
    aircraft = small_aircraft(
        cabin={
            "first_row_arm": 5.0,
            "seats": letters,
            "rows": [{"rows": f"1-{rows}", "pitch": pitch_m}],
        }
    )
    return small_scenario(aircraft, rows=f"1-{rows}")


@pytest.mark.parametrize(("rows", "worst"), [(9, -10.0), (10, -12.5), (13, -21.0), (30, -112.5)])
@pytest.mark.parametrize("letters", ["A-B", "ABC-DEF"])
@pytest.mark.parametrize("pitch_m", [0.74, 0.8])
def test_running_moment_of_rows_filled_from_the_front(
    rows: int, worst: float, letters: str, pitch_m: float
) -> None:
    """Closed form -w p N^2/8 (N even) or -w p (N^2 - 1)/8 (N odd) for each column (computed).

    N rows at pitch p, a passenger of mass w in every seat, filled row by row from the front: the
    largest running moment about the centroid.
    """
    scenario = cabin_of(rows, letters=letters, pitch_m=pitch_m)
    plan = cabin_plan(scenario)
    w = 84.0
    about_centroid = plan.arm_m - zone_arms(scenario, plan)[0]
    running = np.cumsum(w * about_centroid)
    columns = len(letters.replace("-", ""))
    assert running.min() == pytest.approx(worst * w * pitch_m * columns, rel=1e-12)
    closed = -(rows**2 - rows % 2) / 8
    assert closed == worst
    # all seats taken: nothing left; filled from the rear: the mirror image
    assert running[-1] == pytest.approx(0.0, abs=1e-9)
    assert np.cumsum(w * about_centroid[::-1]).max() == pytest.approx(-running.min(), rel=1e-12)


def test_variance_of_random_seating_by_every_way_to_sit() -> None:
    """n passengers at random in N seats: w^2 n (N - n)/(N - 1) s_x^2 (computed): 9.28030...

    N = 12, n = 5, R = 6 rows, w = p = 1; s_x^2 = p^2 (R^2 - 1)/12, over all 792 ways to sit.
    """
    scenario = cabin_of(6, letters="A-B")
    plan = cabin_plan(scenario)
    about_centroid = plan.arm_m - zone_arms(scenario, plan)[0]
    assert np.mean(about_centroid**2) == pytest.approx((6**2 - 1) / 12, rel=1e-14)
    moments = [about_centroid[list(seats)].sum() for seats in combinations(range(plan.seats), 5)]
    assert len(moments) == 792
    assert np.mean(moments) == pytest.approx(0.0, abs=1e-12)
    assert np.var(moments) == pytest.approx(5 * (12 - 5) / (12 - 1) * (6**2 - 1) / 12, rel=1e-12)
    assert np.var(moments) == pytest.approx(9.28030, abs=5e-6)


@pytest.mark.parametrize(
    ("mass_kg", "over_m", "aircraft_kg", "mac_m", "shift_pct", "printed_to"),
    [
        (84.0, 20.0, 64_000.0, 4.19, 0.63, 0.005),
        (100.0, 20.0, 64_000.0, 4.19, 0.75, 0.005),
        (84.0, 6.0, 7_500.0, 1.8, 3.7, 0.05),
        (84.0, 40.0, 230_000.0, 7.2, 0.20, 0.005),
    ],
    ids=["passenger, single aisle", "cart, single aisle", "passenger, 19 seats", "twin aisle"],
)
def test_scale_of_one_that_moves(
    mass_kg: float,
    over_m: float,
    aircraft_kg: float,
    mac_m: float,
    shift_pct: float,
    printed_to: float,
) -> None:
    """Order of size of one passenger or cart that moves (all computed)."""
    balance = Balance(16.0, mac_m, 0.0, 1.0, 0.0)
    after = cg_after_moving(16.0, mass_kg=aircraft_kg, moved_kg=mass_kg, from_m=0.0, to_m=over_m)
    assert balance.arm_to_pct(after) == pytest.approx(shift_pct, abs=printed_to)
