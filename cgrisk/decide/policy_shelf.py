"""Finished numbers of passengers, kept so that a comparison can be interrupted and taken up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from cgrisk.decide.policy import room_under
from cgrisk.decide.policy_cells import Cell, Task, fly_count
from cgrisk.rare import Meter
from cgrisk.scenario.policies_file import Policy

__all__ = ["kept_count"]

_ARRAYS = (
    "planned_hits",
    "error_pct",
    "figures",
    "at_limit",
    "as_planned",
    "risk",
    "low",
    "high",
)


def kept_count(
    task: Task,
    policies: Sequence[Policy],
    *,
    passengers: int,
    movers_share: Sequence[float | None] | None = None,
    meter: Meter,
    piece: str | None = None,
) -> list[Cell]:
    """Return the cells of one number of passengers from the shelf, or fly them and put them there.

    Parameters
    ----------
    task, policies, passengers, movers_share
        As in :func:`cgrisk.decide.policy_cells.fly_count`.
    meter : Meter
        With the shelf, if there is one; its key says which scenario, policies, target, seed and
        number of flights the pieces are of.
    piece : str, optional
        Name of the piece, where the key does not say which policies they are.
    """
    made: list[Cell] = []

    def make() -> dict[str, NDArray[np.generic]]:
        made.extend(
            fly_count(task, policies, passengers=passengers, movers_share=movers_share, meter=meter)
        )
        return _arrays(made)

    own = f"{passengers}/{'' if movers_share is None else repr(list(movers_share))}"
    found = meter.kept(own if piece is None else piece, make)
    if made:
        return made
    cells = []
    rooms = [room_under(task.scenario, policy, passengers=passengers) for policy in policies]
    for i, room in enumerate(rooms):
        flights, more = (int(x) for x in found[f"{i}.flights"])
        beyond = np.unpackbits(found[f"{i}.beyond"].astype(np.uint8), axis=1, count=flights).astype(
            bool
        )
        values = {key: found[f"{i}.{key}"] for key in _ARRAYS}
        method = str(found[f"{i}.method"])
        cells.append(
            Cell(
                passengers=passengers,
                room=room,
                digest=str(found[f"{i}.digest"]),
                flights=flights,
                beyond=beyond,
                method=method,
                more_flights=more,
                **values,  # type: ignore[arg-type]
            )
        )
    return cells


def _arrays(cells: Sequence[Cell]) -> dict[str, NDArray[np.generic]]:
    out: dict[str, NDArray[np.generic]] = {}
    for i, cell in enumerate(cells):
        out[f"{i}.flights"] = np.array([cell.flights, cell.more_flights])
        out[f"{i}.beyond"] = np.packbits(cell.beyond, axis=1)
        out[f"{i}.digest"] = np.array(cell.digest)
        out[f"{i}.method"] = np.array(cell.method)
        out |= {f"{i}.{key}": getattr(cell, key) for key in _ARRAYS}
    return out
