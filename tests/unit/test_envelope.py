"""CG limits against mass: corners, steps, what lies beyond, margins, curtailments, outlines."""

from __future__ import annotations

import numpy as np
import pytest

from cgrisk.aircraft import Limits, certified_limits, curtailed, polygon
from cgrisk.errors import UsageError
from tests.aircraft_cases import shipped_scenario

SIDES = ("forward", "aft")


def limits(
    forward: list[tuple[float, float]], aft: list[tuple[float, float]], **more: tuple[str, ...]
) -> Limits:
    front, rear = np.array(forward), np.array(aft)
    return Limits(front[:, 0], front[:, 1], rear[:, 0], rear[:, 1], **more)


SLOPED = limits(
    [(40.0, 12.0), (58.0, 12.0), (70.0, 15.3)], [(40.0, 31.1), (52.0, 36.0), (70.0, 34.7)]
)
STEPPED = limits(
    [(40.0, 10.0), (50.0, 10.0), (50.0, 14.0), (60.0, 15.0)],
    [(40.0, 30.0), (50.0, 35.0), (50.0, 33.0), (60.0, 33.0)],
)


@pytest.mark.parametrize("side", SIDES)
def test_limit_is_the_point_itself_at_each_corner(side: str) -> None:
    mass, pct = SLOPED.points(side)
    assert SLOPED.limit(mass, side=side).tolist() == pct.tolist()
    assert SLOPED.margin(mass, pct, side=side).tolist() == [0.0] * mass.size


@pytest.mark.parametrize("side", SIDES)
def test_corners_are_exact_where_interpolation_would_not_be(side: str) -> None:
    points = [(3.0, 1.1), (10.0, 5.2), (17.0, 1.1), (24.0, 6.2)]
    assert 1.1 + 1.0 * (5.2 - 1.1) != 5.2
    assert limits(points, points).limit([3.0, 10.0, 17.0, 24.0], side=side).tolist() == [
        1.1, 5.2, 1.1, 6.2,
    ]  # fmt: skip


def test_limit_between_points_by_hand() -> None:
    assert SLOPED.limit(64.0, side="forward") == pytest.approx(13.65, rel=1e-15)
    assert SLOPED.limit(46.0, side="aft") == pytest.approx(33.55, rel=1e-15)
    assert SLOPED.limit([50.0, 61.0], side="aft") == pytest.approx([31.1 + 4.9 / 1.2, 35.35])


@pytest.mark.parametrize("side", SIDES)
def test_limit_is_constant_beyond_the_ends(side: str) -> None:
    _, pct = SLOPED.points(side)
    found = SLOPED.limit([-np.inf, 0.0, 39.9, 40.0, 70.0, 70.1, 1e6, np.inf], side=side)
    assert found.tolist() == [pct[0]] * 4 + [pct[-1]] * 4


def test_the_narrower_value_counts_at_a_step() -> None:
    step = [np.nextafter(50.0, 0.0), 50.0, np.nextafter(50.0, 60.0)]
    np.testing.assert_allclose(STEPPED.limit(step, side="forward"), [10.0, 14.0, 14.0], atol=1e-12)
    np.testing.assert_allclose(STEPPED.limit(step, side="aft"), [35.0, 33.0, 33.0], atol=1e-12)
    assert STEPPED.limit(50.0, side="forward") == 14.0
    assert STEPPED.limit(50.0, side="aft") == 33.0


@pytest.mark.parametrize("order", [(10.0, 14.0), (14.0, 10.0)])
def test_steps_at_the_ends(order: tuple[float, float]) -> None:
    first, second = order
    low = limits([(40.0, first), (40.0, second), (60.0, second)], [(40.0, 30.0)])
    high = limits([(30.0, first), (40.0, first), (40.0, second)], [(40.0, 30.0)])
    for case in (low, high):
        assert case.limit([39.0, 40.0, 41.0], side="forward").tolist() == [first, 14.0, second]


def test_one_point_is_a_constant_limit() -> None:
    single = limits([(40.0, 10.0)], [(50.0, 30.0)])
    assert single.limit([0.0, 40.0, 99.0], side="forward").tolist() == [10.0] * 3
    assert [part.tolist() for part in single.segments("aft")] == [
        [-np.inf, 50.0], [50.0, np.inf], [30.0, 30.0], [0.0, 0.0],
    ]  # fmt: skip


@pytest.mark.parametrize("mass", [30.0, 40.0, 49.0, 50.0, 64.0, 80.0])
def test_on_the_limit_is_inside_and_the_next_number_is_not(mass: float) -> None:
    forward, aft = (float(SLOPED.limit(mass, side=side)) for side in SIDES)
    assert SLOPED.margin(mass, forward, side="forward") == 0.0
    assert SLOPED.margin(mass, np.nextafter(forward, -100.0), side="forward") < 0.0
    assert SLOPED.margin(mass, np.nextafter(forward, 100.0), side="forward") > 0.0
    assert SLOPED.margin(mass, aft, side="aft") == 0.0
    assert SLOPED.margin(mass, np.nextafter(aft, -100.0), side="aft") > 0.0
    assert SLOPED.margin(mass, np.nextafter(aft, 100.0), side="aft") < 0.0


def test_margins_broadcast() -> None:
    found = SLOPED.margin(np.array([[40.0], [70.0]]), np.array([12.0, 15.3, 20.0]), side="forward")
    np.testing.assert_allclose(found, [[0.0, 3.3, 8.0], [-3.3, 0.0, 4.7]], atol=1e-13)


@pytest.mark.parametrize("case", [SLOPED, STEPPED], ids=["sloped", "stepped"])
@pytest.mark.parametrize("side", SIDES)
def test_segments_say_the_same_as_the_limit(case: Limits, side: str) -> None:
    low, high, intercept, slope = case.segments(side)
    assert (low[0], high[-1]) == (-np.inf, np.inf)
    assert low[1:].tolist() == high[:-1].tolist()
    assert np.all(low < high)
    for a, b, i, s in zip(low, high, intercept, slope, strict=True):
        inside = np.linspace(max(a, 0.0), min(b, 200.0), 9)[1:-1]
        np.testing.assert_allclose(i + s * inside, case.limit(inside, side=side), rtol=1e-13)


def test_a_step_has_no_segment_of_its_own() -> None:
    low, _, intercept, slope = STEPPED.segments("forward")
    assert low.tolist() == [-np.inf, 40.0, 50.0, 60.0]
    np.testing.assert_allclose(intercept, [10.0, 10.0, 9.0, 15.0], rtol=1e-14)
    np.testing.assert_allclose(slope, [0.0, 0.0, 0.1, 0.0], rtol=1e-14)


def test_curtailed_limits_move_inward() -> None:
    narrower = curtailed(SLOPED, forward_pct=1.5, aft_pct=2.0)
    masses = np.linspace(30.0, 80.0, 51)
    np.testing.assert_allclose(
        narrower.limit(masses, side="forward"), SLOPED.limit(masses, side="forward") + 1.5
    )
    np.testing.assert_allclose(
        narrower.limit(masses, side="aft"), SLOPED.limit(masses, side="aft") - 2.0
    )
    same = curtailed(SLOPED, forward_pct=0.0, aft_pct=0.0)
    assert same.limit(masses, side="aft").tolist() == SLOPED.limit(masses, side="aft").tolist()


def test_curtailments_may_leave_no_room() -> None:
    crossed = curtailed(SLOPED, forward_pct=15.0, aft_pct=15.0)
    worst = [
        min(float(crossed.margin(50.0, cg, side=side)) for side in SIDES)
        for cg in np.linspace(0.0, 50.0, 101)
    ]
    assert max(worst) < 0.0


@pytest.mark.parametrize("value", [-0.1, float("nan"), float("inf")])
def test_a_curtailment_never_widens(value: float) -> None:
    with pytest.raises(UsageError, match="aft_pct: expected a curtailment of at least 0 % MAC"):
        curtailed(SLOPED, forward_pct=0.0, aft_pct=value)


def test_outline_of_a_chart() -> None:
    cg, mass = polygon(STEPPED, mass_range_kg=(45.0, 65.0))
    assert list(zip(cg.tolist(), mass.tolist(), strict=True)) == [
        (10.0, 45.0), (10.0, 50.0), (14.0, 50.0), (15.0, 60.0), (15.0, 65.0),
        (33.0, 65.0), (33.0, 60.0), (33.0, 50.0), (35.0, 50.0), (32.5, 45.0), (10.0, 45.0),
    ]  # fmt: skip


def test_an_outline_that_ends_at_points_has_each_once() -> None:
    """At a step only the narrower value is inside."""
    cg, mass = polygon(STEPPED, mass_range_kg=(50.0, 60.0))
    assert list(zip(cg.tolist(), mass.tolist(), strict=True)) == [
        (14.0, 50.0), (15.0, 60.0), (33.0, 60.0), (33.0, 50.0), (14.0, 50.0),
    ]  # fmt: skip


def test_outline_refuses_a_range_that_does_not_rise() -> None:
    with pytest.raises(UsageError, match="expected a lower mass, then a higher one"):
        polygon(SLOPED, mass_range_kg=(50.0, 50.0))


def test_sides_have_two_names() -> None:
    with pytest.raises(UsageError, match='side: expected "forward" or "aft"; got \'rear\''):
        SLOPED.limit(50.0, side="rear")


@pytest.mark.parametrize(
    ("forward", "message"),
    [
        ([(50.0, 10.0), (40.0, 10.0)], "expected masses that do not decrease"),
        ([(40.0, 10.0), (40.0, 11.0), (40.0, 12.0)], "at most two points at one mass"),
        ([(40.0, float("nan"))], "finite numbers"),
    ],
)
def test_points_that_make_no_limit(forward: list[tuple[float, float]], message: str) -> None:
    with pytest.raises(UsageError, match=f"forward limit: .*{message}"):
        limits(forward, [(40.0, 30.0)])


@pytest.mark.parametrize("place", range(2))
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_one_number_that_is_none_among_others_is_refused(place: int, value: float) -> None:
    points = np.array([[40.0, 12.0], [50.0, 13.0], [60.0, 14.0]])
    points[-1 if value > 0.0 else 0, place] = value
    with pytest.raises(UsageError, match="finite numbers"):
        Limits(points[:, 0], points[:, 1], np.array([40.0]), np.array([30.0]))


def test_single_numbers_are_one_point() -> None:
    one = Limits(40.0, 12.0, 40.0, 30.0)  # type: ignore[arg-type]
    assert one.forward_mass_kg.shape == (1,)
    assert one.limit([1.0, 1e6], side="aft").tolist() == [30.0, 30.0]


@pytest.mark.parametrize("side", SIDES)
def test_points_less_than_a_kilogram_apart_by_hand(side: str) -> None:
    near = [(10.0, 20.0), (10.5, 22.0), (11.0, 21.0)]
    case = limits(near, near)
    assert case.limit([10.125, 10.25, 10.75], side=side).tolist() == [20.5, 21.0, 21.5]
    low, high, intercept, slope = case.segments(side)
    assert low.tolist() == [-np.inf, 10.0, 10.5, 11.0]
    assert high.tolist() == [10.0, 10.5, 11.0, np.inf]
    assert slope.tolist() == [0.0, 4.0, -2.0, 0.0]
    assert intercept.tolist() == [20.0, -20.0, 43.0, 21.0]


def test_a_side_without_points_is_refused() -> None:
    nothing = np.empty(0)
    with pytest.raises(UsageError, match="aft limit: expected one % MAC for each mass"):
        Limits(np.array([40.0]), np.array([10.0]), nothing, nothing)


def test_arrays_are_copies_and_read_only() -> None:
    own = np.array([40.0, 50.0])
    case = Limits(own, np.array([10.0, 11.0]), own, np.array([30.0, 30.0]))
    own[0] = 0.0
    assert case.forward_mass_kg[0] == 40.0
    with pytest.raises(ValueError, match="read-only"):
        case.aft_pct[0] = 99.0


def test_shipped_limits_by_phase() -> None:
    found = certified_limits(shipped_scenario().aircraft)
    assert set(found) == {
        "taxi_out", "take_off", "climb", "cruise", "descent", "approach", "landing", "taxi_in",
    }  # fmt: skip
    assert found["take_off"].phases == (
        "taxi_out", "take_off", "approach", "landing", "taxi_in",
    )  # fmt: skip
    assert found["take_off"].limit(66_000.0, side="aft") == 36.0
    assert found["take_off"].limit(69_950.0, side="aft") == pytest.approx(35.0, rel=1e-14)
    assert found["cruise"].limit(66_000.0, side="aft") == 38.0
    assert found["cruise"].limit(30_000.0, side="forward") == 10.0
