"""Who sits where and how heavy: the passengers of flights, without flying them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cgrisk.flight.kernel.loading import seat_up
from cgrisk.flight.model import FlightModel, keys_of

__all__ = ["passengers_aboard", "zone_errors_kgm"]

Floats = NDArray[np.float64]


def passengers_aboard(
    model: FlightModel,
    *,
    seed: int,
    flights: NDArray[np.uint32],
    versions: NDArray[np.uint32] | None = None,
) -> tuple[NDArray[np.int64], Floats, NDArray[np.bool_]]:
    """Return seat, mass and age group of everybody: the same people as :func:`fly_block` flies.

    Parameters
    ----------
    model, seed, flights, versions
        As for :func:`cgrisk.flight.fly_block`.

    Returns
    -------
    seat : int64 array, shape (n, persons)
        Index of the seat; -1 where nobody has that number.
    mass_kg : float64 array, shape (n, persons)
        Body and cabin bag; 0 where there is nobody.
    child : bool array, shape (n, persons)
    """
    keys = keys_of(model, seed, flights.reshape(-1, 1), versions)
    persons = model.program.cabin.arm_m.size
    seat = np.empty((flights.size, persons), dtype=np.int64)
    mass = np.empty((flights.size, persons))
    child = np.empty((flights.size, persons), dtype=np.bool_)
    seat_up(model.program, keys, seat, mass, child)
    return seat, mass, child


def zone_errors_kgm(
    model: FlightModel,
    *,
    seed: int,
    flights: NDArray[np.uint32],
    versions: NDArray[np.uint32] | None = None,
) -> Floats:
    """Return by how much the passengers' moment differs from the load sheet's, zone by zone.

    Moments are about the planned take-off CG, so that the zones add up to the parts ``count``,
    ``seating`` and ``mass`` of the error at take-off. One who changed seats counts where he sits.

    Parameters
    ----------
    model, seed, flights, versions
        As for :func:`cgrisk.flight.fly_block`.

    Returns
    -------
    float64 array, shape (n, zones + 1)
        kg m; the last column is of seats in no zone.
    """
    seat, mass, _ = passengers_aboard(model, seed=seed, flights=flights, versions=versions)
    cabin, reference = model.program.cabin, model.program.sheet.take_off_arm_m
    zones = cabin.zone_region.size
    zone = np.where(model.plan.zone < 0, zones, model.plan.zone)
    moment = np.where(seat >= 0, mass * (cabin.arm_m[seat] - reference), 0.0)
    out = np.zeros((flights.size, zones + 1))
    rows = np.broadcast_to(np.arange(flights.size)[:, None], seat.shape)
    aboard = seat >= 0
    np.add.at(out, (rows[aboard], zone[seat[aboard]]), moment[aboard])
    out[:, :zones] -= cabin.zone_standard_kg * (cabin.zone_arm_m - reference)
    return out
