"""The stabilizer setting that trims an aircraft, followed along its path.

At fixed speed, altitude, flaps and thrust the setting is linear in mass and moment. Its three
coefficients are laid down at nodes in time and are straight between them, so that over a stretch
with linear mass and moment the setting is a quadratic in time, whose extremes are exact.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cgrisk.compiled import inlined_kernel, kernel
from cgrisk.flight.kernel.data import TrimData

__all__ = ["follow_trim", "start_trim"]

#: Figures of a phase in the air: most nose-up and most nose-down setting (rad), greatest distance
#: of the stabilizer from it (rad), most aft CG (m).
_LEAST, _MOST, _LAG, _AFT = 0, 1, 2, 3


@kernel
def start_trim(
    trim: TrimData, figures: NDArray[np.float64], stabilizer: NDArray[np.float64]
) -> None:
    """Forget the last flight: the next one takes the air with the take-off setting, if known."""
    figures[:, _LEAST] = math.inf
    figures[:, _MOST] = -math.inf
    figures[:, _LAG] = 0.0
    figures[:, _AFT] = -math.inf
    stabilizer[0] = trim.start_rad


@inlined_kernel
def follow_trim(
    trim: TrimData,
    node: int,
    stabilizer: NDArray[np.float64],
    t: float,
    dt: float,
    mass: float,
    moment: float,
    mu: float,
    nu: float,
    figures: NDArray[np.float64],
) -> int:
    """Follow the setting over a stretch of a phase in the air; return the node reached.

    Parameters
    ----------
    trim : TrimData
        Coefficients of the setting at nodes in time.
    node : int
        Last node passed.
    stabilizer : float64 array, shape (1,)
        Where the stabilizer is (rad); nan before the first stretch. Updated.
    t, dt : float
        Start and length of the stretch (s).
    mass, moment, mu, nu : float
        Mass and moment at the start, and their rates.
    figures : float64 array, shape (4,)
        Of the phase; updated.
    """
    last = trim.time_s.size - 2
    done = 0.0
    while done < dt:
        while node < last and trim.time_s[node + 1] <= t + done:
            node += 1
        step = dt - done
        if node < last and trim.time_s[node + 1] - (t + done) < step:
            step = trim.time_s[node + 1] - (t + done)
        span = trim.time_s[node + 1] - trim.time_s[node]
        part = (t + done - trim.time_s[node]) / span
        a1 = (trim.base_rad[node + 1] - trim.base_rad[node]) / span
        b1 = (trim.by_mass[node + 1] - trim.by_mass[node]) / span
        c1 = (trim.by_moment[node + 1] - trim.by_moment[node]) / span
        a0 = trim.base_rad[node] + a1 * span * part
        b0 = trim.by_mass[node] + b1 * span * part
        c0 = trim.by_moment[node] + c1 * span * part
        m0, moment0 = mass + mu * done, moment + nu * done
        start = a0 + b0 * m0 + c0 * moment0
        slope = a1 + b0 * mu + b1 * m0 + c0 * nu + c1 * moment0
        curve = b1 * mu + c1 * nu
        end = start + (slope + curve * step) * step
        figures[_LEAST] = min(figures[_LEAST], start, end)
        figures[_MOST] = max(figures[_MOST], start, end)
        if curve != 0.0:
            when = -0.5 * slope / curve
            if 0.0 < when < step:
                inner = start + (slope + curve * when) * when
                figures[_LEAST] = min(figures[_LEAST], inner)
                figures[_MOST] = max(figures[_MOST], inner)
        # The stabilizer goes after it as fast as it may.
        at = start if math.isnan(stabilizer[0]) else stabilizer[0]
        figures[_LAG] = max(figures[_LAG], abs(start - at))
        reach = trim.rate_radps[node] * step
        at = min(max(end, at - reach), at + reach)
        figures[_LAG] = max(figures[_LAG], abs(end - at))
        stabilizer[0] = at
        done = dt if step >= dt - done else done + step
    figures[_AFT] = max(figures[_AFT], moment / mass, (moment + nu * dt) / (mass + mu * dt))
    return node
