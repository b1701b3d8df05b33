"""The cure of a refused load, before any seat is blocked: hold load moved, then ballast."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.decide.load_state import LoadState, scenario_with
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.decide.verdicts import SheetPoints, Verdict, by_envelope, by_path, planned_points
from cgrisk.errors import ComputationError
from cgrisk.flight import FlightModel, prepare

__all__ = ["BALLAST_STEP_KG", "Cure", "Move", "hold_cure"]

#: Ballast comes in pieces of this mass; an assumption.
BALLAST_STEP_KG: Final = 10.0
_BALLAST = "ballast"
Judge = Callable[[LoadState], Verdict]


@dataclass(frozen=True, slots=True)
class Move:
    """Load moved between holds, or ballast added: then ``source`` is empty.

    Attributes
    ----------
    source, target : str
        Names of holds.
    what : str
        bags, cargo or ballast.
    pieces : int
        Bags moved; 0 for what is not counted.
    mass_kg : float
        Mass by the load sheet's standard.
    """

    source: str
    target: str
    what: str
    pieces: int
    mass_kg: float


@dataclass(frozen=True, slots=True)
class Cure:
    """What brings a refused load inside.

    Attributes
    ----------
    kind : str
        none (the load is inside), move, ballast (with or without moves), or cabin: neither cures
        it, and only other passengers, other seats or another fuel load will.
    moves : tuple of Move
        In the order in which they are made.
    state : LoadState
        The load after them; the load itself where there is no cure.
    after : Verdict
        What the envelope says then.
    why : str
        Why neither cures it; empty otherwise.
    """

    kind: str
    moves: tuple[Move, ...]
    state: LoadState
    after: Verdict
    why: str = ""

    @property
    def moved_kg(self) -> float:
        """Mass moved between holds."""
        return sum(move.mass_kg for move in self.moves if move.source)

    @property
    def ballast_kg(self) -> float:
        """Ballast added."""
        return sum(move.mass_kg for move in self.moves if not move.source)


@dataclass(frozen=True, slots=True)
class _Leg:
    """Equal pieces that may be moved from one hold to another (-1: ballast from outside)."""

    source: int
    target: int
    what: str
    pieces: int
    piece_kg: float
    gain_kgm: float


def hold_cure(
    model: FlightModel, *, state: LoadState, envelope: OperatorEnvelope | None = None
) -> Cure:
    """Return the least hold load to be moved, else the least ballast, that brings a load inside.

    Hold load is moved from the hold furthest out on the wrong side to the one furthest out on the
    other, then from and to the next: for a moment asked for, no other order moves less mass. From
    each hold go bags, whole, and then cargo in steps of the load sheet's mass (at least 1 kg). If
    all of that is not enough, ballast in steps of :data:`BALLAST_STEP_KG` is added on top, furthest
    out first. No hold gets more than its maximum load, and no mass passes its maximum. How much is
    needed follows from the moment outside over the difference of arms; the load sheet is then made
    again, with its rounding, for some pieces fewer and more, and the fewest that it admits are the
    answer, which is proved once more on the load made ready to fly.

    Parameters
    ----------
    model : FlightModel
        The load, made ready to fly.
    state : LoadState
        The same load.
    envelope : OperatorEnvelope, optional
        What it must keep; the scenario's own curtailments, phase by phase, if not given.

    Raises
    ------
    ComputationError
        If the proof fails.
    """

    def says(flown: FlightModel) -> Verdict:
        if envelope is None:
            return by_path(flown.operational_margins)
        return by_envelope(envelope, points=planned_points(flown), mac_m=flown.balance.mac_m)

    quick = SheetPoints(model)

    def judge(there: LoadState) -> Verdict:
        if envelope is None:
            return says(prepare(scenario_with(model.scenario, there)))
        return by_envelope(envelope, points=quick.of(there), mac_m=model.balance.mac_m)

    before = judge(state)
    if not before.refused:
        return Cure("none", (), state, before)
    if before.side == "both":
        return Cure("cabin", (), state, before, "it is outside on both sides at once")
    found = _search(model, state, before, judge)
    if isinstance(found, str):
        return Cure("cabin", (), state, before, found)
    moves, there = found
    flown = prepare(scenario_with(model.scenario, there))
    after = says(flown)
    if after.refused:
        raise ComputationError(
            "the load sheet made again does not confirm the cure of a past load. Please report it."
        )
    certified = by_path(flown.planned_margins)
    if certified.refused:
        why = f"what the envelope admits is outside the certified limits in {certified.where}"
        return Cure("cabin", (), state, before, why)
    kind = "move" if all(move.source for move in moves) else _BALLAST
    return Cure(kind, moves, there, after)


def _search(
    model: FlightModel, state: LoadState, before: Verdict, judge: Judge
) -> tuple[tuple[Move, ...], LoadState] | str:
    """Return moves and the load after them, or why there are none."""
    aft = before.side == "aft"
    need = -(before.aft_kgm if aft else before.forward_kgm)
    legs = _legs(model, state, aft=aft)
    slack = _rounding_kgm(model)
    gains = _cumulative(legs)
    if legs and gains[-1] + slack >= need:
        last = min(int(np.searchsorted(gains, need + slack)) + 1, gains.size)
        for pieces in range(int(np.searchsorted(gains, max(need - slack, 0.0))) + 1, last + 1):
            there = _after(state, legs, pieces)
            if not judge(there).refused:
                return _moves(model, legs, pieces), there
        if gains[-1] > need + slack:
            return "the envelope is narrower here than one piece of hold load moves the CG"
    moved = _after(state, legs, gains.size)
    ballast = _ballast_legs(model, moved, aft=aft)
    most = sum(leg.pieces for leg in ballast)
    best = _fewest(lambda n: not judge(_after(moved, ballast, n)).refused, most)
    if best is None:
        return (
            f"the holds can move {gains[-1] if legs else 0.0:,.0f} of the {need:,.0f} kg m needed, "
            f"and ballast up to the maximum loads ({most * BALLAST_STEP_KG:,.0f} kg) does not "
            "give the rest"
        )
    moves = (*_moves(model, legs, gains.size), *_moves(model, ballast, best))
    return moves, _after(moved, ballast, best)


def _fewest(admits: Callable[[int], bool], most: int) -> int | None:
    """Return about the fewest pieces that are admitted, 1 to ``most``; None where none are."""
    tried = np.unique(np.linspace(1, most, min(most, 24)).astype(int)).tolist() if most else []
    high = next((n for n in tried if admits(n)), None)
    if high is None:
        return None
    low = max([n for n in tried if n < high], default=0)
    while high - low > 8:
        middle = (low + high) // 2
        low, high = (low, middle) if admits(middle) else (middle, high)
    # Rounding makes the last steps uneven: the fewest of them is looked for one by one.
    return next(n for n in range(max(low - 8, 0) + 1, high + 1) if admits(n))


def _rounding_kgm(model: FlightModel) -> float:
    """Return how far rounding may put the load sheet's moment from the unrounded shift (kg m)."""
    rules, sheet, balance = model.scenario.operation.load_sheet, model.sheet, model.balance
    arms = sheet.arms("hold")
    lines = arms.size * (
        rules.index_step * balance.index_scale_kgm
        + rules.mass_step * float(np.ptp(arms) if arms.size else 0.0)
    )
    return lines + rules.cg_step * sheet.zero_fuel_mass_kg * balance.mac_m / 100.0


def _held_kg(model: FlightModel, state: LoadState) -> list[float]:
    bag = model.scenario.operation.load_sheet.bag_mass
    return [n * bag + c for n, c in zip(state.bags, state.cargo_kg, strict=True)]


def _legs(model: FlightModel, state: LoadState, *, aft: bool) -> list[_Leg]:
    """Return what may be moved, in the order in which a kilogram gains most."""
    holds, rules = model.scenario.aircraft.holds, model.scenario.operation.load_sheet
    arms = model.sheet.arms("hold")
    step = max(rules.mass_step, 1.0)
    bags, cargo = list(state.bags), list(state.cargo_kg)
    outermost = np.argsort(-arms if aft else arms, kind="stable").tolist()
    sources, targets = list(outermost), list(reversed(outermost))
    legs: list[_Leg] = []
    while sources and targets:
        source, target = sources[0], targets[0]
        per_kg = float((arms[source] - arms[target]) * (1.0 if aft else -1.0))
        if per_kg <= 0.0:
            break
        for what in ("bags", "cargo"):
            piece = rules.bag_mass if what == "bags" else step
            there = bags[source] if what == "bags" else math.floor(cargo[source] / piece + 1e-9)
            free = holds[target].max_load - bags[target] * rules.bag_mass - cargo[target]
            pieces = math.floor(min(there, free / piece + 1e-9)) if piece > 0.0 else 0
            while pieces > 0:
                more = (pieces, 0.0) if what == "bags" else (0, pieces * piece)
                mass = (bags[target] + more[0]) * rules.bag_mass + (cargo[target] + more[1])
                if mass <= holds[target].max_load:  # to the last bit, as the file's check has it
                    legs.append(_Leg(source, target, what, pieces, piece, piece * per_kg))
                    bags[target] += more[0]
                    bags[source] -= more[0]
                    cargo[target] += more[1]
                    cargo[source] = max(cargo[source] - more[1], 0.0)
                    break
                pieces -= 1
        if bags[source] == 0 and cargo[source] < step:
            sources.pop(0)
        else:
            targets.pop(0)
    return legs


def _ballast_legs(model: FlightModel, state: LoadState, *, aft: bool) -> list[_Leg]:
    """Return where ballast may go, furthest out on the other side first, within all maxima."""
    aircraft, arms = model.scenario.aircraft, model.sheet.arms("hold")
    held = _held_kg(model, state)
    points = planned_points(model)
    most = {
        "zero_fuel": aircraft.masses.max_zero_fuel,
        "take_off": aircraft.masses.max_take_off,
        "landing": aircraft.masses.max_landing,
    }
    left = min(most[kind] - mass for kind, (mass, _) in points.items())
    left = min(left, aircraft.masses.max_taxi - float(model.planned["mass_kg"].iloc[0]))
    zero_fuel_arm = float(model.balance.pct_to_arm(model.sheet.zero_fuel_cg_pct_mac))
    legs = []
    for place in np.argsort(arms if aft else -arms, kind="stable").tolist():
        per_kg = (zero_fuel_arm - float(arms[place])) * (1.0 if aft else -1.0)
        free = min(aircraft.holds[place].max_load - held[place], left)
        pieces = math.floor(free / BALLAST_STEP_KG)
        if pieces > 0 and per_kg > 0.0:
            gain = BALLAST_STEP_KG * per_kg
            legs.append(_Leg(-1, place, _BALLAST, pieces, BALLAST_STEP_KG, gain))
            left -= pieces * BALLAST_STEP_KG
    return legs


def _cumulative(legs: list[_Leg]) -> NDArray[np.float64]:
    """Return the moment gained by the first 1, 2, ... pieces (kg m)."""
    return np.cumsum(np.concatenate([np.empty(0), *(np.full(x.pieces, x.gain_kgm) for x in legs)]))


def _parts(legs: list[_Leg], pieces: int) -> list[tuple[_Leg, int]]:
    """Return how many of the first pieces belong to each leg."""
    parts = []
    for leg in legs:
        taken = min(leg.pieces, pieces)
        pieces -= taken
        if taken:
            parts.append((leg, taken))
    return parts


def _after(state: LoadState, legs: list[_Leg], pieces: int) -> LoadState:
    """Return the load after the first pieces have been moved or added."""
    bags, cargo = list(state.bags), list(state.cargo_kg)
    for leg, taken in _parts(legs, pieces):
        if leg.what == "bags":
            bags[leg.source] -= taken
            bags[leg.target] += taken
            continue
        mass = taken * leg.piece_kg
        cargo[leg.target] += mass
        if leg.source >= 0:
            cargo[leg.source] = max(cargo[leg.source] - mass, 0.0)
    return replace(state, bags=tuple(bags), cargo_kg=tuple(cargo))


def _moves(model: FlightModel, legs: list[_Leg], pieces: int) -> tuple[Move, ...]:
    names = [hold.name for hold in model.scenario.aircraft.holds]
    return tuple(
        Move(
            "" if leg.source < 0 else names[leg.source],
            names[leg.target],
            leg.what,
            taken if leg.what == "bags" else 0,
            taken * leg.piece_kg,
        )
        for leg, taken in _parts(legs, pieces)
    )
