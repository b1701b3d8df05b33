"""What the page of a replay is given: numbers and names, as plain data.

Motion is straight between breakpoints, so breakpoints are given, not frames. The path is given to
the last bit; what is only drawn is rounded to a millimetre and a millisecond.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import Limits, certified_limits
from cgrisk.flight import IN_FLIGHT, PARTS, SIDES, FlightModel, FlightReplay
from cgrisk.report.replay.drawing import CabinDrawing, cabin_drawing
from cgrisk.risk.replay import closest_approaches, happenings

__all__ = ["PART_NAMES", "page_data", "spoken"]

#: Parts of the moment error in words.
PART_NAMES: Final = {
    "dry": "empty aircraft",
    "count": "passengers counted",
    "seating": "who sits where",
    "mass": "masses of people",
    "cargo": "holds",
    "fuel": "fuel",
    "passengers": "people who are up",
    "service": "carts and crew",
    "configuration": "gear and flaps",
    "rounding": "rounding on the load sheet",
}
_PASSENGER, _CART, _CREW = 0, 1, 2  # kinds of the diary
_INSIDE, _STANDS = 4, 5  # states of a passenger


def spoken(name: str) -> str:
    """Return a name from a scenario or a column as people say it, without control characters."""
    plain = name.replace("take_off", "take-off").replace("_", " ")
    return "".join(c for c in plain if c.isprintable())


def _rounded(values: Any, digits: int = 3) -> list[float]:
    return [float(v) for v in np.round(np.asarray(values, dtype=np.float64), digits)]


def page_data(replay: FlightReplay) -> dict[str, Any]:
    """Return all that the page needs, as plain data for JSON.

    Parameters
    ----------
    replay : FlightReplay
        From :func:`cgrisk.flight.replay_flight`.
    """
    model = replay.model
    drawing = cabin_drawing(model.plan)
    return {
        "end_s": float(model.program.timeline.end_s[-1]),
        "lemac_m": model.balance.lemac_m,
        "mac_m": model.balance.mac_m,
        "phases": _phases(model),
        "calls": _calls(model),
        "path": _path(replay),
        "parts": _parts(replay),
        "planned": _planned(model),
        "cabin": _cabin(model, drawing),
        "people": _people(replay),
        "carts": _movers(replay, _CART, len(model.program.service.number)),
        "crew": _movers(replay, _CREW, int(model.plan.crew_seats.crew.sum())),
        "trim": _trim(model),
        "events": [
            {"t": e.time_s, "kind": e.kind, "text": spoken(e.text), "stretch": e.stretch}
            for e in happenings(replay)
        ],
        "marks": [
            {
                "t": a.time_s,
                "stretch": a.stretch,
                "side": a.side,
                "group": spoken(a.group),
                "phase": spoken(a.phase),
                "cg": a.cg_pct_mac,
                "mass": a.mass_kg,
                "margin": a.margin_pct_mac,
            }
            for a in sorted(closest_approaches(replay), key=lambda a: a.time_s)
        ],
    }


def _points(limits: Limits) -> dict[str, list[list[float]]]:
    return {side: np.stack(limits.points(side), axis=1).tolist() for side in SIDES}  # [mass, % MAC]


def _phases(model: FlightModel) -> list[dict[str, Any]]:
    operation = model.scenario.operation
    limits = certified_limits(model.scenario.aircraft)
    inner, out = operation.operational_envelope, []
    start = 0.0
    slots = model.program.trim.slot
    for i, (name, phase) in enumerate(zip(model.phases, operation.phases, strict=True)):
        curtailed = None
        if inner is not None:
            group = inner.in_flight if phase.kind in IN_FLIGHT else inner.take_off_and_landing
            curtailed = {"forward": group.forward, "aft": group.aft}
        end = float(model.program.timeline.end_s[i])
        out.append(
            {
                "name": spoken(name),
                "start": start,
                "end": end,
                "sign": phase.sign,
                "limits": _points(limits[phase.kind]),
                "curtailed": curtailed,
                "air": bool(slots[i] >= 0) and not model.planned_trim.empty,
            }
        )
        start = end
    return out


def _calls(model: FlightModel) -> dict[str, list[float]]:
    calls = model.program.calls
    return {"t": calls.time_s.tolist(), "kind": calls.kind.tolist()}


def _path(replay: FlightReplay) -> dict[str, list[float]]:
    path = replay.path
    return {
        "t0": path.start_s.tolist(),
        "t1": path.end_s.tolist(),
        "phase": path.phase.tolist(),
        "m0": path.mass_kg[:, 0].tolist(),
        "m1": path.mass_kg[:, 1].tolist(),
        "M0": path.moment_kgm[:, 0].tolist(),
        "M1": path.moment_kgm[:, 1].tolist(),
    }


def _parts(replay: FlightReplay) -> list[dict[str, Any]]:
    """Return parts of the error: mass and moment less planned; once where they never change.

    What is left of the whole is the fuel's part, which the page reckons itself.
    """
    out = []
    for i, name in enumerate(PARTS):
        mass, moment = replay.part_mass_kg[i], replay.part_moment_kgm[i]
        entry: dict[str, Any] = {"key": name, "name": PART_NAMES[name]}
        if name == "fuel":
            entry["rest"] = True
        elif np.ptp(mass) == 0.0 and np.ptp(moment) == 0.0:
            entry |= {"mass": float(mass[0, 0]), "moment": float(moment[0, 0])}
        else:  # mass stays the same
            entry |= {"M0": _rounded(moment[:, 0]), "M1": _rounded(moment[:, 1])}
        out.append(entry)
    return out


def _planned(model: FlightModel) -> dict[str, list[float]]:
    """Return the planned path, straight between its rows."""
    path = model.planned
    keep = np.append(np.diff(path["time_s"].to_numpy()) > 0.0, True)
    return {
        "t": path["time_s"].to_numpy()[keep].tolist(),
        "mass": path["mass_kg"].to_numpy()[keep].tolist(),
        "moment": path["moment_kgm"].to_numpy()[keep].tolist(),
    }


def _cabin(model: FlightModel, drawing: CabinDrawing) -> dict[str, Any]:
    plan = model.plan
    lavatories, galleys = plan.lavatories, plan.galleys
    zones = []
    for number, name in enumerate(plan.zones):
        arms = plan.arm_m[plan.zone == number]
        if arms.size:
            zones.append({"name": spoken(name), "from": arms.min(), "to": arms.max()})
    return {
        "seats": {
            "arm": _rounded(plan.arm_m),
            "side": _rounded(drawing.seat_side_m),
            "label": [plan.seat_label(i) for i in range(plan.seats)],
            "row": plan.row.tolist(),
            "blocked": np.flatnonzero(plan.blocked).tolist(),
        },
        "aisles": _rounded(drawing.aisle_side_m),
        "half_width": drawing.half_width_m,
        "arms": list(drawing.arms_m),
        "box": list(drawing.box_m),
        "lavatories": {
            "name": [spoken(n) for n in lavatories.name],
            "arm": lavatories.arm_m.tolist(),
            "boxes": [[b.place, b.arm_m, b.side_m] for b in drawing.lavatories],
        },
        "galleys": {
            "name": [spoken(n) for n in galleys.name],
            "arm": galleys.arm_m.tolist(),
            "boxes": [[b.place, b.arm_m, b.side_m] for b in drawing.galleys],
        },
        "crew": {
            "arm": np.repeat(plan.crew_seats.arm_m, plan.crew_seats.crew).tolist(),
            "side": _rounded(drawing.crew_side_m),
        },
        "zones": [
            {"name": z["name"], "from": float(z["from"]), "to": float(z["to"])} for z in zones
        ],
    }


def _people(replay: FlightReplay) -> dict[str, Any]:
    """Return everybody aboard, and his breakpoints in order of person and time."""
    aboard = np.flatnonzero(replay.seat >= 0)
    number = np.full(replay.seat.size, -1)
    number[aboard] = np.arange(aboard.size)
    rows = replay.diary[replay.diary["kind"] == _PASSENGER].copy()
    rows["slot"] = _slots(rows)
    rows["number"] = number[rows["number"].to_numpy()]
    rows = rows.sort_values(["number", "time_s"], kind="stable")
    return {
        "seat": replay.seat[aboard].tolist(),
        "child": np.flatnonzero(replay.child[aboard]).tolist(),
        "first": _first(rows["number"].to_numpy(), aboard.size),
        **_columns(rows),
        "purpose": rows["purpose"].tolist(),
        "slot": rows["slot"].tolist(),
    }


def _movers(replay: FlightReplay, kind: int, count: int) -> dict[str, Any]:
    rows = replay.diary[replay.diary["kind"] == kind]
    rows = rows.sort_values(["number", "time_s"], kind="stable")
    out = {"first": _first(rows["number"].to_numpy(), count), **_columns(rows)}
    if kind == _CART:
        service = replay.model.program.service
        galleys = replay.model.plan.galleys.name
        carts = replay.model.scenario.operation.service.carts
        out["galley"] = [galleys.index(carts[int(k)].galley) for k in service.number]
    return out


def _first(number: NDArray[np.int64], count: int) -> list[int]:
    """Return where the rows of each number begin, and where the last one's end."""
    places: list[int] = np.searchsorted(number, np.arange(count + 1)).tolist()
    return places


def _columns(rows: pd.DataFrame) -> dict[str, list[float]]:
    return {
        "t": _rounded(rows["time_s"], 6),
        "state": rows["state"].tolist(),
        "arm": _rounded(rows["arm_m"]),
        "speed": _rounded(rows["speed_mps"], 6),
        "aisle": rows["aisle"].tolist(),
        "place": rows["place"].tolist(),
    }


def _slots(rows: pd.DataFrame) -> list[int]:
    """Return which lavatory of its group, or which place in a galley, each row stands for."""
    free: dict[tuple[int, int], set[int]] = {}
    held: dict[int, tuple[tuple[int, int], int]] = {}
    out = []
    columns = (rows[name].tolist() for name in ("number", "state", "place"))
    for person, state, place in zip(*columns, strict=True):
        staying = state in (_INSIDE, _STANDS)
        if person in held and not staying:
            where, slot = held.pop(person)
            free[where].discard(slot)
        if not staying:
            out.append(0)
            continue
        if person not in held:
            where = (state, place)
            taken = free.setdefault(where, set())
            slot = next(i for i in range(len(taken) + 1) if i not in taken)
            taken.add(slot)
            held[person] = (where, slot)
        out.append(held[person][1])
    return out


def _trim(model: FlightModel) -> dict[str, Any] | None:
    """Return the setting that trims, deg = base + by_mass mass + by_moment moment, or None."""
    stabilizer = model.scenario.aircraft.stabilizer
    if model.planned_trim.empty or stabilizer is None:
        return None
    trim, to_deg = model.program.trim, 180.0 / np.pi
    return {
        "t": trim.time_s.tolist(),
        "base": (to_deg * trim.base_rad).tolist(),
        "by_mass": (to_deg * trim.by_mass).tolist(),
        "by_moment": (to_deg * trim.by_moment).tolist(),
        "stops": [stabilizer.nose_up_stop, stabilizer.nose_down_stop],
    }
