"""Exact extremes of CG margins and CG error while mass and moment change linearly.

Over a stretch of time tau in [0, dt] mass is m = m0 + mu tau and moment M = M0 + nu tau. The CG,
M / m, is then monotone, but its distance from a sloping limit, or from a second moving CG, may
have one extreme inside: it is solved for, not searched.
"""

from __future__ import annotations

import math

from cgrisk.compiled import kernel

__all__ = ["error_extremes", "least_margin", "least_moment", "seconds_outside"]


@kernel
def least_margin(
    m0: float,
    moment0: float,
    mu: float,
    nu: float,
    dt: float,
    intercept: float,
    slope: float,
    sign: float,
) -> tuple[float, float]:
    """Return the least margin to the limit (m, positive inside) and when it is reached (s).

    The limit is the arm ``intercept + slope * mass``; ``sign`` is +1 for an aft limit and -1 for
    a forward one.
    """
    least = sign * (intercept + slope * m0 - moment0 / m0)
    when = 0.0
    m1 = m0 + mu * dt
    end = sign * (intercept + slope * m1 - (moment0 + nu * dt) / m1)
    if end < least:
        least, when = end, dt
    if slope != 0.0 and mu != 0.0:
        # d/dtau (intercept + slope m - M/m) = slope mu - (nu m0 - M0 mu) / m^2
        square = (nu * m0 - moment0 * mu) / (slope * mu)
        if square > 0.0:
            tau = (math.sqrt(square) - m0) / mu
            if 0.0 < tau < dt:
                m = m0 + mu * tau
                inner = sign * (intercept + slope * m - (moment0 + nu * tau) / m)
                if inner < least:
                    least, when = inner, tau
    return least, when


@kernel
def least_moment(
    m0: float,
    moment0: float,
    mu: float,
    nu: float,
    dt: float,
    intercept: float,
    slope: float,
    sign: float,
) -> float:
    """Return the least moment (kg m) that would put the CG on the limit: margin times mass."""
    m1 = m0 + mu * dt
    start = sign * (m0 * (intercept + slope * m0) - moment0)
    end = sign * (m1 * (intercept + slope * m1) - moment0 - nu * dt)
    least = min(start, end)
    if slope != 0.0 and mu != 0.0:
        m = (nu / mu - intercept) / (2.0 * slope)
        tau = (m - m0) / mu
        if 0.0 < tau < dt:
            least = min(least, sign * (m * (intercept + slope * m) - moment0 - nu * tau))
    return least


@kernel
def seconds_outside(
    m0: float,
    moment0: float,
    mu: float,
    nu: float,
    dt: float,
    intercept: float,
    slope: float,
    sign: float,
) -> float:
    """Return how long within [0, dt] the CG is beyond the limit (s).

    The sign of the margin is that of a quadratic in tau, whose roots are solved for.
    """
    a = sign * slope * mu * mu
    b = sign * (mu * intercept + 2.0 * slope * mu * m0 - nu)
    c = sign * (m0 * (intercept + slope * m0) - moment0)
    first, second = dt, dt  # roots inside (0, dt), in order; dt where there is none
    if a == 0.0:
        if b != 0.0:
            root = -c / b
            first = root if 0.0 < root < dt else dt
    else:
        discriminant = b * b - 4.0 * a * c
        if discriminant > 0.0:
            q = -0.5 * (b + math.copysign(math.sqrt(discriminant), b))
            r1 = q / a
            r2 = c / q if q != 0.0 else r1
            low, high = min(r1, r2), max(r1, r2)
            if 0.0 < low < dt:
                first = low
            if 0.0 < high < dt:
                if first == dt:
                    first = high
                else:
                    second = high
    outside = 0.0
    left = 0.0
    for piece in range(3):
        right = first if piece == 0 else second if piece == 1 else dt
        if right > left:
            middle = 0.5 * (left + right)
            if (a * middle + b) * middle + c < 0.0:
                outside += right - left
            left = right
    return outside


@kernel
def error_extremes(
    m0: float,
    moment0: float,
    mu: float,
    nu: float,
    p0: float,
    planned0: float,
    pmu: float,
    pnu: float,
    dt: float,
) -> tuple[float, float]:
    """Return least and greatest arm error (m): CG of the first body less CG of the second."""
    m1, p1 = m0 + mu * dt, p0 + pmu * dt
    start = moment0 / m0 - planned0 / p0
    end = (moment0 + nu * dt) / m1 - (planned0 + pnu * dt) / p1
    least, greatest = min(start, end), max(start, end)
    # The rates (nu m0 - M0 mu) / m^2 of the two CGs are equal where m sqrt(B) = p sqrt(A).
    a = nu * m0 - moment0 * mu
    b = pnu * p0 - planned0 * pmu
    if a * b > 0.0:
        root_a, root_b = math.sqrt(abs(a)), math.sqrt(abs(b))
        below = mu * root_b - pmu * root_a
        if below != 0.0:
            tau = (p0 * root_a - m0 * root_b) / below
            if 0.0 < tau < dt:
                inner = (moment0 + nu * tau) / (m0 + mu * tau) - (planned0 + pnu * tau) / (
                    p0 + pmu * tau
                )
                least, greatest = min(least, inner), max(greatest, inner)
    return least, greatest
