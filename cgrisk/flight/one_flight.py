"""One flight played back: its path, and who is where in the cabin."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight.kernel.fly import fly
from cgrisk.flight.kernel.moves import DIARY_COLUMNS, Diary
from cgrisk.flight.model import MOST_RECORDED, FlightModel, keys_of, path_frame
from cgrisk.randomness.keys import MAX_FLIGHTS

__all__ = ["cabin_diary", "diary_record", "path_record", "trace"]


def _one_flight(
    model: FlightModel, seed: int, flight: int, versions: NDArray[np.uint32] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (path record, diary) of one flight, each with all its rows."""
    if not 0 <= flight < MAX_FLIGHTS:
        raise UsageError(
            argument="flight",
            expected=f"a whole number from 0 to {MAX_FLIGHTS - 1}",
            got=flight,
            cure="Give a flight number of the run.",
        )
    keys = keys_of(model, seed, np.array([[flight]], dtype=np.uint32), versions)
    out = np.empty((1, len(model.columns)))
    room, pages = MOST_RECORDED, MOST_RECORDED
    while True:
        record = np.empty((room, 4))
        diary = Diary(np.empty((pages, DIARY_COLUMNS)), np.zeros(1, dtype=np.int64))
        rows = fly(model.program, keys, out, record, diary)
        written = int(diary.filled[0])
        if rows <= room and written <= pages:
            return record[:rows], diary.rows[:written]
        room, pages = max(room, rows), max(pages, written)


def cabin_diary(model: FlightModel, *, seed: int, flight: int) -> pd.DataFrame:
    """Replay one flight and return where passengers, carts and crew are in the cabin.

    Returns
    -------
    pandas.DataFrame
        A row whenever one starts to move otherwise, in order of time: time_s, kind (0 passenger,
        1 cart, 2 crew member), number, state, arm_m, speed_mps (until his next row). States of a
        passenger: 1 sits, 2 on the way out, 3 in a queue, 4 in a lavatory, 5 stands about, 6 on
        the way back; of a cart: 0 in its galley, 1 out; of a crew member: 0 at his station, 1 and
        2 walking out and back, 3 at the cart ``place``, wherever it is, 4 in the crew rest. One
        without a row has not moved. Carts are numbered by their start.

        Also aisle (of one who walks; from 0), purpose (of a passenger: 0 galley, 1 lavatory, 2
        surge) and place (his galley or lavatory group); -1 elsewhere.

    Raises
    ------
    UsageError
        If the flight number is out of range.
    """
    rows = diary_record(model, seed=seed, flight=flight)
    whole = {"kind": 1, "number": 2, "state": 3}
    frame = pd.DataFrame({"time_s": rows[:, 0]})
    for name, column in whole.items():
        frame[name] = rows[:, column].astype(np.int64)
    frame["arm_m"] = rows[:, 4]
    frame["speed_mps"] = rows[:, 5]
    for column, name in enumerate(("aisle", "purpose", "place"), start=6):
        frame[name] = rows[:, column].astype(np.int64)
    return frame


def diary_record(model: FlightModel, *, seed: int, flight: int) -> NDArray[np.float64]:
    """Replay one flight and return its cabin's diary as numbers, for those who ask for many.

    Parameters
    ----------
    model, seed, flight
        As in :func:`cabin_diary`.

    Returns
    -------
    float64 array, shape (rows, 9)
        In order of time: time (s), kind, number, state, arm (m), speed (m/s), aisle, purpose and
        place, as in :func:`cabin_diary`.

    Raises
    ------
    UsageError
        If the flight number is out of range.
    """
    _, rows = _one_flight(model, seed, flight)
    return rows[np.argsort(rows[:, 0], kind="stable")]


def path_record(
    model: FlightModel, *, seed: int, flight: int, versions: NDArray[np.uint32] | None = None
) -> NDArray[np.float64]:
    """Replay one flight and return its path as numbers, for those who ask for many.

    Parameters
    ----------
    model, seed, flight, versions
        As in :func:`trace`.

    Returns
    -------
    float64 array, shape (rows, 4)
        Time (s), mass (kg), moment (kg m) and number of the phase, row by row as in
        :func:`trace`.

    Raises
    ------
    UsageError
        If the flight number is out of range.
    """
    return _one_flight(model, seed, flight, versions)[0]


def trace(
    model: FlightModel, *, seed: int, flight: int, versions: NDArray[np.uint32] | None = None
) -> pd.DataFrame:
    """Replay one flight and return its exact CG path.

    Parameters
    ----------
    model, seed, flight
        As in :func:`fly_block`.
    versions : uint32 array, shape (1, entities), optional
        Versions of the entities' keys; none means 0 throughout.

    Returns
    -------
    pandas.DataFrame
        time_s, mass_kg, moment_kgm, cg_pct_mac, phase at both ends of every stretch over which
        mass and moment are linear in time.

    Raises
    ------
    UsageError
        If the flight number is out of range.
    """
    record, _ = _one_flight(model, seed, flight, versions)
    return path_frame(record, model.balance, model.phases)
