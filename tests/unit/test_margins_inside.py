"""Extremes and crossings inside a stretch, which the ends do not show: closed forms, by hand.

With mass ``m`` falling linearly and moment ``M = A + B m`` along it, the margin to the limit
``i + s m`` is ``i - B + s m - A / m``, and margin times mass the quadratic
``s m^2 + (i - B) m - A``. Both are turned on their heads for a forward limit.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest

from cgrisk.flight.kernel.margins import (
    error_extremes,
    least_margin,
    least_moment,
    seconds_outside,
)


class Fall(NamedTuple):
    """Masses from ``m0`` to ``m1``, with a mass between them, and what else a stretch has."""

    m0: float
    m1: float
    inside: float
    mu: float
    b: float
    slope: float

    @property
    def dt(self) -> float:
        return (self.m1 - self.m0) / self.mu

    def line(self, a: float, intercept: float, sign: float) -> tuple[float, ...]:
        """The arguments of the kernels."""
        moment0, nu = a + self.b * self.m0, self.b * self.mu
        return (self.m0, moment0, self.mu, nu, self.dt, intercept, self.slope, sign)


def falls(seed: int, count: int = 200) -> list[Fall]:
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        m0 = rng.uniform(4e4, 8e4)
        m1 = m0 * rng.uniform(0.6, 0.95)
        inside = m1 + (m0 - m1) * rng.uniform(0.1, 0.9)
        mu, slope = -rng.uniform(0.5, 4.0), rng.uniform(1e-5, 1e-3)
        out.append(Fall(m0, m1, inside, mu, rng.uniform(10.0, 20.0), slope))
    # The law knows no unit: less than a kilogram, in less than a second.
    out.append(Fall(0.9, 0.5, 0.7, -0.5, 15.0, 0.5))
    return out


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_least_margin_is_found_between_the_ends(sign: float) -> None:
    for fall in falls(1):
        turned = fall._replace(slope=sign * fall.slope)
        a, i = -turned.slope * fall.inside**2, fall.b + 3.0
        least, when = least_margin(*turned.line(a, i, sign))
        assert least == pytest.approx(sign * (3.0 + 2.0 * turned.slope * fall.inside), rel=1e-9)
        assert when == pytest.approx((fall.inside - fall.m0) / fall.mu, rel=1e-6)
        ends = [sign * (3.0 + turned.slope * m - a / m) for m in (fall.m0, fall.m1)]
        assert least < min(ends) * (1.0 - 1e-9) if min(ends) > 0 else least < min(ends)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_greatest_margin_between_the_ends_is_not_the_least(sign: float) -> None:
    for fall in falls(2):
        turned = fall._replace(slope=-sign * fall.slope)
        a, i = -turned.slope * fall.inside**2, fall.b + 3.0
        ends = [sign * (3.0 + turned.slope * m - a / m) for m in (fall.m0, fall.m1)]
        least, when = least_margin(*turned.line(a, i, sign))
        assert least == pytest.approx(min(ends), rel=1e-9)
        assert when == pytest.approx(0.0 if ends[0] < ends[1] else fall.dt)


def test_of_equal_margins_the_first_is_told() -> None:
    """A constant mass and CG: the margin is 2 m from start to end."""
    assert least_margin(100.0, 1_000.0, 0.0, 0.0, 50.0, 12.0, 0.0, 1.0) == (2.0, 0.0)
    assert least_margin(100.0, 1_000.0, 0.0, 0.0, 50.0, 12.0, 0.1, 1.0) == (12.0, 0.0)
    # A CG that moves aft at constant mass: the least margin is at the end.
    assert least_margin(100.0, 1_000.0, 0.0, 2.0, 50.0, 12.0, 0.1, 1.0) == (11.0, 50.0)
    assert least_margin(100.0, 1_000.0, 0.0, 2.0, 50.0, 12.0, 0.1, -1.0) == (-12.0, 0.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_least_moment_is_found_between_the_ends(sign: float) -> None:
    for fall in falls(3):
        turned = fall._replace(slope=sign * fall.slope)
        a, i = 5e4, fall.b - 2.0 * turned.slope * fall.inside
        least = least_moment(*turned.line(a, i, sign))
        assert least == pytest.approx(sign * (-turned.slope * fall.inside**2 - a), rel=1e-9)
        other = fall._replace(slope=-sign * fall.slope)
        i = fall.b - 2.0 * other.slope * fall.inside
        need = [sign * (m * (i - fall.b + other.slope * m) - a) for m in (fall.m0, fall.m1)]
        assert least_moment(*other.line(a, i, sign)) == pytest.approx(min(need), rel=1e-9)


def test_the_least_moment_where_nothing_bends() -> None:
    assert least_moment(100.0, 1_000.0, 0.0, 2.0, 50.0, 12.0, 0.1, 1.0) == 1_100.0
    assert least_moment(100.0, 1_000.0, 0.0, 2.0, 50.0, 12.0, 0.1, -1.0) == -1_200.0
    # 12 m x mass less the moment: 200 at the start, 90 x 12 - 1,000 = 80 after ten seconds.
    assert least_moment(100.0, 1_000.0, -1.0, 0.0, 10.0, 12.0, 0.0, 1.0) == 80.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("bend", [1.0, -1.0])
def test_time_outside_between_two_crossings(sign: float, bend: float) -> None:
    for fall in falls(4):
        turned = fall._replace(slope=bend * fall.slope)
        first, second = fall.inside, 0.5 * (fall.inside + fall.m1)
        a, i = -turned.slope * first * second, fall.b - turned.slope * (first + second)
        between = (second - first) / fall.mu
        wanted = between if sign * bend > 0.0 else fall.dt - between
        found = seconds_outside(*turned.line(a, i, sign))
        assert found == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("beyond", [1.3, 0.3])
def test_time_outside_from_one_crossing(sign: float, beyond: float) -> None:
    """The other crossing is at a mass above the first, or below the last."""
    for fall in falls(5):
        turned, other = fall._replace(slope=sign * fall.slope), beyond * fall.m0
        a, i = -turned.slope * fall.inside * other, fall.b - turned.slope * (fall.inside + other)
        until = (fall.inside - fall.m0) / fall.mu
        wanted = until if beyond > 1.0 else fall.dt - until
        assert seconds_outside(*turned.line(a, i, sign)) == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        # Constant mass of 100 kg, limit at 12 m: 1,200 kg m.
        ((100.0, 1_150.0, 0.0, 2.0, 50.0, 12.0, 0.0, 1.0), 25.0),  # out after 25 s
        ((100.0, 1_150.0, 0.0, 2.0, 50.0, 12.0, 0.0, -1.0), 25.0),  # in after 25 s
        ((100.0, 1_150.0, 0.0, 2.0, 20.0, 12.0, 0.0, 1.0), 0.0),
        ((100.0, 1_199.0, 0.0, 2.0, 20.0, 12.0, 0.0, 1.0), 19.5),
        ((100.0, 1_150.0, 0.0, 2.0, 25.5, 12.0, 0.0, 1.0), 0.5),
        # m^2 - 180 m + 8,075 again: from 95.25 kg outside after a quarter of a second.
        ((95.25, -8_075.0, -1.0, 0.0, 5.0, -180.0, 1.0, 1.0), 4.75),
        ((85.25, -8_075.0, -1.0, 0.0, 5.0, -180.0, 1.0, 1.0), 0.25),
        ((100.0, 1_250.0, 0.0, 2.0, 20.0, 12.0, 0.0, 1.0), 20.0),
        ((100.0, 1_250.0, 0.0, 0.0, 20.0, 12.0, 0.0, 1.0), 20.0),  # never moves: outside
        ((100.0, 1_200.0, 0.0, 0.0, 20.0, 12.0, 0.0, 1.0), 0.0),  # on the limit is inside
        ((100.0, 1_200.0, 0.0, 2.0, 20.0, 12.0, 0.0, 1.0), 20.0),  # leaves it at once
        ((100.0, 1_200.0, 0.0, -2.0, 20.0, 12.0, 0.0, 1.0), 0.0),
        ((100.0, 1_160.0, 0.0, 2.0, 20.0, 12.0, 0.0, 1.0), 0.0),  # reaches it at the end
        # A parabola that touches the limit and turns: m^2 - 180 m + 8,100 at 90 kg.
        ((100.0, -8_100.0, -1.0, 0.0, 16.0, -180.0, 1.0, 1.0), 0.0),
        ((100.0, -8_100.0, -1.0, 0.0, 16.0, -180.0, 1.0, -1.0), 16.0),
        # m^2 - 180 m + 8,075: crossed at 95 and 85 kg, after 5 and 15 s.
        ((100.0, -8_075.0, -1.0, 0.0, 20.0, -180.0, 1.0, 1.0), 10.0),
        ((100.0, -8_075.0, -1.0, 0.0, 20.0, -180.0, 1.0, -1.0), 10.0),
        ((100.0, -8_075.0, -1.0, 0.0, 12.0, -180.0, 1.0, 1.0), 7.0),
        ((100.0, -8_075.0, -1.0, 0.0, 5.0, -180.0, 1.0, 1.0), 0.0),
        # A limit that hardly bends: the far crossing must not spoil the near one.
        ((100.0, 1_150.0, -1.0, -10.0, 60.0, 12.0, 1e-17, 1.0), 35.0),
        ((10.0, -80.5, -1.0, -0.5, 2.0, -18.0, 1.0, 1.0), 0.5),  # (t - 1) (t - 1/2)
        # From the middle, at 90 kg: outside until 85 kg.
        ((90.0, -8_075.0, -1.0, 0.0, 20.0, -180.0, 1.0, 1.0), 5.0),
    ],
)
def test_time_outside_by_hand(line: tuple[float, ...], wanted: float) -> None:
    assert seconds_outside(*line) == pytest.approx(wanted, abs=1e-9)


def test_the_greatest_error_is_found_between_the_ends() -> None:
    rng = np.random.default_rng(6)
    for fall in falls(6):
        p0, pmu = fall.m0 * rng.uniform(0.7, 1.3), fall.mu * rng.uniform(0.2, 3.0)
        when = (fall.inside - fall.m0) / fall.mu
        if p0 + pmu * fall.dt < 0.2 * p0:
            continue
        m, p = fall.inside, p0 + pmu * when
        a = rng.choice([-1.0, 1.0]) * rng.uniform(1e3, 1e5) * fall.m0 / 6e4
        # The rates a mu / m^2 and c pmu / p^2 of the two CGs are equal there.
        c = a * fall.mu / m**2 * p**2 / pmu
        planned0, pnu = c + 11.0 * p0, 11.0 * pmu
        moment0, nu = a + fall.b * fall.m0, fall.b * fall.mu
        found = error_extremes(fall.m0, moment0, fall.mu, nu, p0, planned0, pmu, pnu, fall.dt)

        def error(t: float) -> float:
            here, there = fall.m0 + fall.mu * t, p0 + pmu * t  # noqa: B023
            return a / here - c / there + fall.b - 11.0  # noqa: B023

        wanted = [error(0.0), error(fall.dt), error(when)]
        assert found[0] == pytest.approx(min(wanted), abs=1e-9)
        assert found[1] == pytest.approx(max(wanted), abs=1e-9)


def test_errors_of_bodies_that_bend_apart_are_at_the_ends() -> None:
    """Arms of 10 + 100 / m and 10 - 100 / p: the error 200 / m grows as both masses fall."""
    found = error_extremes(100.0, 1_100.0, -1.0, -10.0, 100.0, 900.0, -1.0, -10.0, 50.0)
    assert found == pytest.approx((2.0, 4.0), rel=1e-14)
    turned = error_extremes(100.0, 900.0, -1.0, -10.0, 100.0, 1_100.0, -1.0, -10.0, 50.0)
    assert turned == pytest.approx((-4.0, -2.0), rel=1e-14)
    # The same body twice has no error, nowhere.
    same = (100.0, 1_100.0, -1.0, -10.0)
    assert error_extremes(*same, *same, 50.0) == (0.0, 0.0)
    assert math.isfinite(sum(error_extremes(*same, 200.0, 2_200.0, -2.0, -20.0, 40.0)))
