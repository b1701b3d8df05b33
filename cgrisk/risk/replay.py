"""Which flight of a run to replay, where it came closest to the limits, and what happened on it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import certified_limits
from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import (
    GROUPS,
    SIDES,
    FlightReplay,
    group_phases,
    phase_column,
)
from cgrisk.risk.readings import nearest_flights
from cgrisk.runs import Run
from cgrisk.sampling import BLOCK

__all__ = [
    "Approach",
    "Happening",
    "check_as_flown",
    "chosen_flight",
    "closest_approaches",
    "happenings",
]

Floats = NDArray[np.float64]

_SITS, _OUT, _WAITS = 1, 2, 3  # states of a passenger in the diary
_PASSENGER, _CART, _CREW = 0, 1, 2  # kinds of the diary
_RESTS = 4  # state of a crew member
_SURGE = 2  # purpose
_SIGN_OFF, _SIGN_ON, _RECALL = 0, 1, 2  # kinds of a call
#: Halvings of an interval of time until it is a point.
_HALVINGS: Final = 60
#: Figures flown again on another processor may differ by rounding, by no more than this part.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Approach:
    """Where a flight came closest to a certified limit.

    Attributes
    ----------
    side, group : str
        Side of the envelope, group of phases (of :data:`cgrisk.flight.GROUPS`).
    phase : str
        Phase of the group in which it was.
    time_s : float
        From the start of taxi.
    stretch : int
        Stretch of the path at whose start, end or inside it was: at a jump it tells which side.
    mass_kg, cg_pct_mac, margin_pct_mac : float
        There; a negative margin is outside.
    """

    side: str
    group: str
    phase: str
    time_s: float
    stretch: int
    mass_kg: float
    cg_pct_mac: float
    margin_pct_mac: float


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that a reader may want to step to.

    Attributes
    ----------
    time_s : float
        When, from the start of taxi.
    kind : str
        phase, sign, recall, configuration, cart, fuel, crew, surge, crowd, approach or limit.
    text : str
        What, in plain words; it may hold names from the scenario as they stand there.
    stretch : int
        As for :class:`Approach`; -1 where the time says all.
    """

    time_s: float
    kind: str
    text: str
    stretch: int = -1


def chosen_flight(
    run: Run, *, flight: int | None = None, closest: str | None = None
) -> tuple[int, str]:
    """Return the number of the flight to replay, and why it was chosen.

    Parameters
    ----------
    run : Run
        A complete run.
    flight : int, optional
        Number of a flight of the run.
    closest : {"aft", "forward"}, optional
        Instead, the flight that came nearest to this certified limit; neither: to any.

    Raises
    ------
    UsageError
        If both are given, or the run has no such flight or side.
    """
    flown = run.manifest.flown
    if flight is not None and closest is not None:
        raise UsageError(
            argument="flight",
            expected="--flight or --closest",
            got="both",
            cure="Leave out one of them.",
        )
    if flight is not None:
        if not 0 <= flight < flown:
            raise UsageError(
                argument="flight",
                expected=f"a flight of the run, 0 to {flown - 1}",
                got=flight,
                cure="summaries/nearest_flights.csv of the run lists those nearest the limits.",
            )
        return flight, "the flight asked for"
    if closest not in (None, *SIDES):
        raise UsageError(
            argument="closest",
            expected=" or ".join(SIDES),
            got=closest,
            cure="Name a side of the envelope.",
        )
    near = nearest_flights(run.sample())
    near = near[(near["phase"] == GROUPS[-1]) & (near["flight"] >= 0)]
    if closest is not None:
        near = near[near["side"] == closest]
    row = near.iloc[int(near["margin_kgm"].to_numpy().argmin())]
    side = str(row["side"])
    return int(row["flight"]), f"of {flown:,} flights the nearest to the certified {side} limit"


def check_as_flown(run: Run, replay: FlightReplay) -> None:
    """Check that a flight flown again does what it did in the run.

    Every figure is compared where the run kept rows, else those of the nearest flights.

    Raises
    ------
    ComputationError
        If it does otherwise.
    """
    now = replay.figures
    then: dict[str, float] = {}
    if run.inputs.rows:
        rows = run.block_rows(replay.flight // BLOCK)
        place = int(np.flatnonzero(rows.index.to_numpy() == replay.flight)[0])
        then = {name: float(rows[name].to_numpy()[place]) for name in now if name in rows}
    else:
        near = nearest_flights(run.sample())
        near = near[(near["flight"] == replay.flight) & (near["phase"] == GROUPS[-1])]
        margins = zip(near["side"].tolist(), near["margin_kgm"].tolist(), strict=True)
        for side, margin in margins:
            then[f"moment margin {side}"] = margin
            columns = [
                phase_column("moment_margin_kgm", phase=phase, side=side)
                for phase in replay.model.phases
            ]
            now = now | {f"moment margin {side}": min(now[name] for name in columns)}
    amiss = [
        name
        for name, value in then.items()
        if not np.isclose(value, now[name], rtol=_ROUNDING, atol=_ROUNDING, equal_nan=True)
    ]
    if amiss:
        raise ComputationError(
            f"{run.folder}: expected flight {replay.flight} to do again what it did in the run; "
            f"got other figures: {', '.join(amiss[:4])}{' ...' if len(amiss) > 4 else ''}. Replay "
            "with the version that made the run (manifest.json names it), or repeat the run."
        )


def closest_approaches(replay: FlightReplay) -> tuple[Approach, ...]:
    """Return where the flight came closest to each certified limit, in each group of phases.

    The times are those of the flight's own figures; groups without a phase are left out.
    """
    model, path, figures = replay.model, replay.path, replay.figures
    out = []
    for group, phases in group_phases(model).items():
        if group == GROUPS[-1] or not phases:
            continue
        for side in SIDES:
            margins = {
                phase: figures[phase_column("margin_pct_mac", phase=phase, side=side)]
                for phase in phases
            }
            phase = min(margins, key=lambda name: margins[name])
            time = figures[phase_column("time_of_least_s", phase=phase, side=side)]
            number = model.phases.index(phase)
            near = np.flatnonzero(
                (path.phase == number) & (path.start_s <= time) & (time <= path.end_s)
            )
            found = [(*_there(replay, int(i), time, side), int(i)) for i in near]
            margin, mass, cg, stretch = min(found)
            out.append(Approach(side, group, phase, time, stretch, mass, cg, margin))
    return tuple(out)


def _there(replay: FlightReplay, i: int, time_s: float, side: str) -> tuple[float, float, float]:
    """Return (margin in % MAC, mass, CG) on a stretch at an instant."""
    path, model = replay.path, replay.model
    share = (time_s - path.start_s[i]) / (path.end_s[i] - path.start_s[i])
    mass = path.mass_kg[i, 0] + share * (path.mass_kg[i, 1] - path.mass_kg[i, 0])
    moment = path.moment_kgm[i, 0] + share * (path.moment_kgm[i, 1] - path.moment_kgm[i, 0])
    cg = float(model.balance.cg_pct_mac(mass, moment))
    kind = model.scenario.operation.phases[int(path.phase[i])].kind
    limits = certified_limits(model.scenario.aircraft)[kind]
    return float(limits.margin(mass, cg, side=side)), float(mass), cg


def happenings(replay: FlightReplay) -> tuple[Happening, ...]:
    """Return what happened on a flight, in order of time: what a reader may want to step to."""
    found = [
        *_phases(replay),
        *_calls(replay),
        *_carts(replay),
        *_transfers(replay),
        *_crew_rest(replay),
        *_crowds(replay),
        *_limits_crossed(replay),
    ]
    for near in closest_approaches(replay):
        where = _said(near.group)
        state = "inside" if near.margin_pct_mac >= 0.0 else "OUTSIDE"
        text = (
            f"closest to the {near.side} limit, {where}: CG {near.cg_pct_mac:.2f} % MAC, "
            f"{abs(near.margin_pct_mac):.2f} % MAC {state}"
        )
        found.append(Happening(near.time_s, "approach", text, near.stretch))
    return tuple(sorted(found, key=lambda event: event.time_s))


def _said(name: str) -> str:
    return name.replace("take_off", "take-off").replace("_", " ")


def _phases(replay: FlightReplay) -> list[Happening]:
    """Return phases as they begin, with flaps; gear as it moves."""
    model, operation = replay.model, replay.model.scenario.operation
    ends = model.program.timeline.end_s
    starts = np.concatenate([[0.0], ends[:-1]])
    first = f"{_said(model.phases[0])} begins"
    out = [Happening(0.0, "phase", first)]
    for i, (before, after) in enumerate(pairwise(operation.phases), start=1):
        text = f"{_said(model.phases[i])} begins"
        if before.flaps != after.flaps:
            text += f"; flaps to {after.flaps or 'up'}"
        out.append(Happening(float(starts[i]), "phase", text))
        if before.gear != after.gear:
            travel = min(model.scenario.aircraft.gear.travel_s, float(ends[i] - starts[i]))
            moves = float(ends[i]) - travel
            out.append(Happening(moves, "configuration", f"gear goes {after.gear}"))
    return out


def _calls(replay: FlightReplay) -> list[Happening]:
    calls = replay.model.program.calls
    texts = {
        _SIGN_OFF: ("sign", "seat-belt sign goes off"),
        _SIGN_ON: ("sign", "seat-belt sign is lit"),
        _RECALL: ("recall", "everybody is called back to his seat"),
    }
    return [
        Happening(time, *texts[kind])
        for time, kind in zip(calls.time_s.tolist(), calls.kind.tolist(), strict=True)
    ]


def _carts(replay: FlightReplay) -> list[Happening]:
    diary, model = replay.diary, replay.model
    out = []
    for number, rows in diary[diary["kind"] == _CART].groupby("number"):
        file_place = int(model.program.service.number[int(str(number))])
        cart = model.scenario.operation.service.carts[file_place]
        name = f"cart {int(str(number)) + 1}"
        aboard = rows["time_s"].to_numpy()
        out.append(Happening(float(aboard[0]), "cart", f"{name} leaves the {cart.galley}"))
        out.append(Happening(float(aboard[-1]), "cart", f"{name} is back in the {cart.galley}"))
    return out


def _transfers(replay: FlightReplay) -> list[Happening]:
    """Return transfers of fuel as they start, with how late; those that never do when due."""
    out = []
    for transfer in replay.transfers:
        if not math.isfinite(transfer.due_s):
            continue
        name = f"fuel, {transfer.name}"
        if math.isfinite(transfer.start_s):
            late = (transfer.start_s - transfer.due_s) / 60.0
            said = f"{late:.1f} min late" if late >= 0.05 else "on time"
            out.append(Happening(transfer.start_s, "fuel", f"{name}: starts, {said}"))
        else:
            why = "is stuck and never starts" if transfer.stuck else "comes too late to start"
            out.append(Happening(transfer.due_s, "fuel", f"{name}: due, but {why}"))
    return out


def _crew_rest(replay: FlightReplay) -> list[Happening]:
    """Return when members of the crew go to their rest and come back."""
    crew = replay.diary[replay.diary["kind"] == _CREW]
    out, resting = [], set()
    for time, number, state in zip(crew["time_s"], crew["number"], crew["state"], strict=True):
        if state == _RESTS and number not in resting:
            resting.add(number)
            out.append(Happening(float(time), "crew", f"crew member {number + 1} rests"))
        elif state != _RESTS and number in resting:
            resting.remove(number)
            out.append(Happening(float(time), "crew", f"crew member {number + 1} leaves the rest"))
    return out


def _crowds(replay: FlightReplay) -> list[Happening]:
    """Return the surge, most people up at once, the longest queue."""
    rows = replay.diary[replay.diary["kind"] == _PASSENGER]
    out = []
    surge = rows[(rows["state"] == _OUT) & (rows["purpose"] == _SURGE)]
    if not surge.empty and replay.figures["surge"] > 0.0:
        first = surge.drop_duplicates("number")
        aft = float(first["speed_mps"].sum()) > 0.0
        text = f"surge: {len(first)} passengers set out {'aft' if aft else 'forward'}"
        out.append(Happening(float(first["time_s"].iloc[0]), "surge", text))
    for states, text in (
        (None, "most people up at once: {}"),
        (_WAITS, "longest queue: {} wait"),
    ):
        found = _greatest(rows, states)
        if found is not None:
            out.append(Happening(found[0], "crowd", text.format(found[1])))
    return out


def _greatest(rows: pd.DataFrame, state: int | None) -> tuple[float, int] | None:
    """Return (when, how many) most passengers are up (None), or wait at one place."""
    before = rows.groupby("number")["state"].shift(fill_value=_SITS)
    is_in = rows["state"] != _SITS if state is None else rows["state"] == state
    was_in = before != _SITS if state is None else before == state
    change = is_in.astype(np.int64) - was_in.astype(np.int64)
    count = change.cumsum() if state is None else change.groupby(rows["place"]).cumsum()
    if count.empty or int(count.max()) <= 0:
        return None
    at = int(count.to_numpy().argmax())
    return float(rows["time_s"].iloc[at]), int(count.iloc[at])


def _limits_crossed(replay: FlightReplay) -> list[Happening]:
    """Return every time the CG leaves the certified envelope, and comes back."""
    path, model = replay.path, replay.model
    by_kind = certified_limits(model.scenario.aircraft)
    kinds = [phase.kind for phase in model.scenario.operation.phases]
    out: list[Happening] = []
    for side in SIDES:
        if not any(
            replay.figures[phase_column("outside_s", phase=phase, side=side)] > 0.0
            for phase in model.phases
        ):
            continue
        outside = False
        for i in range(path.start_s.size):
            limits = by_kind[kinds[int(path.phase[i])]]
            start, end = limits.margin(path.mass_kg[i], replay.cg_pct_mac[i], side=side) < 0.0
            if bool(start) != outside:
                outside = bool(start)
                out.append(_crossing(float(path.start_s[i]), side, outside, i))
            if bool(end) != outside:
                low, high = float(path.start_s[i]), float(path.end_s[i])
                for _ in range(_HALVINGS):
                    middle = 0.5 * (low + high)
                    now = _there(replay, i, middle, side)[0] < 0.0
                    low, high = (middle, high) if now == outside else (low, middle)
                outside = bool(end)
                out.append(_crossing(high, side, outside, i))
    return out


def _crossing(time_s: float, side: str, outside: bool, stretch: int) -> Happening:
    text = "leaves the certified envelope" if outside else "is inside the certified envelope again"
    return Happening(time_s, "limit", f"CG {text}, {side} side", stretch)
