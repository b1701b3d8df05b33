"""Movement leaned toward one side of the envelope: who takes his party along.

The law and its proof are in ``flight.kernel.tilt_calls``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import poisson

from cgrisk.flight.kernel.tilt_calls import CallTilt, lean_calls
from cgrisk.flight.kernel.told_calls import ATTEMPTS
from cgrisk.flight.model import FlightModel, keys_of
from cgrisk.randomness.keys import split_seed

__all__ = ["CallTilt", "call_tilt", "lean_movement"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flights = NDArray[np.uint32]

#: Exponent of an adult who walks half the cabin toward the side; of all members of a party, most.
_HALF_CABIN, _MOST = 1.5, 9.0
#: Shares of ordinary flights, of those with an early call, a later one, two later ones.
_SHARES = (0.3, 0.25, 0.2, 0.25)


def call_tilt(model: FlightModel, *, toward: float) -> CallTilt | None:
    """Return how calls are leaned; None where nobody takes anybody along.

    Parameters
    ----------
    model : FlightModel
        A scenario made ready to fly.
    toward : float
        1 toward the tail, -1 forward.
    """
    urge, party, cabin = model.program.urge, model.program.party, model.program.cabin
    if not urge.companion_share > 0.0 or party.adult_cumulative.size < 2:
        return None
    calls = float(urge.seat_rate_per_s.mean()) * urge.total_s + model.program.crowd.sign_off_share
    if not calls > 0.0:
        return None
    first = int(np.argmax(urge.barred)) if urge.barred.any() else 0
    early_s = float((urge.factor[:first] * np.diff(urge.node_s)[:first]).sum())
    half_m = 0.5 * max(float(np.ptp(cabin.arm_m)), 1.0)
    attempts = np.sqrt(poisson.sf(np.arange(ATTEMPTS), calls))
    return CallTilt(
        toward=toward,
        per_m=_HALF_CABIN / half_m,
        most=_MOST,
        early_s=early_s,
        attempts=attempts,
        shares=np.array(_SHARES),
    )


def lean_movement(
    model: FlightModel,
    data: CallTilt,
    *,
    seed: int,
    choice_seed: int,
    flights: Flights,
    versions: NDArray[np.uint32],
    load: Ints,
    walk: Ints,
) -> Floats:
    """Lean the movement of flights; change the versions of those who call, return log weights.

    The mean of ``exp(log_weight) * f`` is that of ``f`` over all movement of the flights' loads,
    for every figure ``f``.

    Parameters
    ----------
    model : FlightModel
    data : CallTilt
        From :func:`call_tilt`.
    seed : int
        Resolved seed of the flights.
    choice_seed : int
        Seed of the choices, other than the flights' own.
    flights : uint32 array, shape (n,)
    versions : uint32 array, shape (n, entities)
        Those of movement are below 2**31; changed in place.
    load, walk : int64 arrays, shape (n,)
        Flights of one load follow one another; the walk, from 0 to 63, tells them apart.

    Returns
    -------
    float64 array, shape (n,)
    """
    keys = keys_of(model, seed, flights.reshape(-1, 1), versions)
    log_weight = np.empty(flights.size)
    k0, k1 = split_seed(choice_seed)
    lean_calls(model.program, keys, data, k0, k1, load, walk, log_weight)
    return log_weight
