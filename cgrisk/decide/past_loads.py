"""Past loads scored: planned points, verdicts of the envelopes, and the cures of refused ones."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from cgrisk.decide.hold_cure import Cure, hold_cure
from cgrisk.decide.load_state import LoadState, scenario_with
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.decide.verdicts import Points, Verdict, by_envelope, by_path, planned_points
from cgrisk.errors import Fault, UsageError
from cgrisk.flight import FlightModel, prepare
from cgrisk.scenario import Scenario
from cgrisk.scenario.loads_file import PastLoad, PastLoads, told_faults
from cgrisk.units import UnitSystem, mass_text

__all__ = ["LoadScores", "ScoredLoad", "cure_text", "load_state_of", "score_loads"]

_KINDS: Final = ("zero_fuel", "take_off", "landing")


@dataclass(frozen=True, slots=True)
class ScoredLoad:
    """A past load and what is said of it.

    Attributes
    ----------
    load : PastLoad
    state : LoadState
    points : dict
        Planned mass (kg) and CG (% MAC) by kind of mass.
    certified : Verdict
        Of the certified limits, phase by phase, without any buffer.
    old : Verdict
        Of the scenario's curtailments, phase by phase.
    new : Verdict or None
        Of the operator's own envelope, where one is given.
    over_mass : tuple of str
        Maximum masses that are passed.
    cure : Cure or None
        For the new envelope, or for the old one where there is no new one; None where the load is
        inside it.
    """

    load: PastLoad
    state: LoadState
    points: Points
    certified: Verdict
    old: Verdict
    new: Verdict | None
    over_mass: tuple[str, ...]
    cure: Cure | None

    def verdict(self, envelope: str) -> Verdict | None:
        """Return the verdict of the certified, old or new envelope."""
        found: Verdict | None = getattr(self, envelope)
        return found


@dataclass(frozen=True, slots=True)
class LoadScores:
    """All loads of a file, scored.

    Attributes
    ----------
    scenario : Scenario
        What all but the load is taken from.
    envelope : OperatorEnvelope or None
        The new envelope.
    file : str
        Where the loads come from.
    loads : tuple of ScoredLoad
        In the order of the file.
    """

    scenario: Scenario
    envelope: OperatorEnvelope | None
    file: str
    loads: tuple[ScoredLoad, ...]

    @property
    def judged_by(self) -> str:
        """Envelope for which cures are sought: new where one is given, else old."""
        return "old" if self.envelope is None else "new"

    def refused(self, envelope: str) -> tuple[ScoredLoad, ...]:
        """Return the loads that an envelope (certified, old, new) refuses."""
        out = []
        for load in self.loads:
            verdict = load.verdict(envelope)
            if verdict is not None and verdict.refused:
                out.append(load)
        return tuple(out)

    def distinct(self) -> dict[LoadState, int]:
        """Return the different loads and how often each stands in the file."""
        counts: dict[LoadState, int] = {}
        for load in self.loads:
            counts[load.state] = counts.get(load.state, 0) + 1
        return counts

    def frame(self) -> pd.DataFrame:
        """Return a row a load: masses and CGs, margins (% MAC), verdicts, cure."""
        return pd.DataFrame([_row(load, self.scenario.operation.units) for load in self.loads])


def load_state_of(load: PastLoad) -> LoadState:
    """Return the load state of a past load sheet."""
    return LoadState(load.adults, load.children, load.bags, load.cargo_kg, load.fuel_kg)


def score_loads(
    scenario: Scenario,
    *,
    loads: PastLoads,
    envelope: OperatorEnvelope | None = None,
    watch: Callable[[int, int], None] | None = None,
) -> LoadScores:
    """Score past loads without flying any of them; equal loads are scored once.

    Parameters
    ----------
    scenario : Scenario
        What all but the load is taken from.
    loads : PastLoads
        From :func:`cgrisk.scenario.loads_file.read_loads`.
    envelope : OperatorEnvelope, optional
        The operator's new envelope.
    watch : callable, optional
        Told (loads done, loads in all).

    Raises
    ------
    InputError
        With all loads that do not fit the scenario.
    """
    known: dict[LoadState, dict[str, Any]] = {}
    faults: list[Fault] = []
    scored: list[ScoredLoad] = []
    for number, load in enumerate(loads.loads):
        state = load_state_of(load)
        if state not in known:
            try:
                there = scenario_with(scenario, state)
            except UsageError as error:
                faults.append(
                    Fault(loads.file, load.line, "", error.expected, str(error.got), error.cure)
                )
                continue
            known[state] = _say(prepare(there), state, envelope)
        if not faults:
            scored.append(ScoredLoad(load=load, state=state, **known[state]))
        if watch is not None:
            watch(number + 1, len(loads.loads))
    if faults:
        raise told_faults(faults, file=loads.file)
    return LoadScores(scenario, envelope, loads.file, tuple(scored))


def _say(model: FlightModel, state: LoadState, envelope: OperatorEnvelope | None) -> dict[str, Any]:
    points = planned_points(model)
    old, new = by_path(model.operational_margins), None
    if envelope is not None:
        new = by_envelope(envelope, points=points, mac_m=model.balance.mac_m)
    cure = None
    if (old if new is None else new).refused:
        cure = hold_cure(model, state=state, envelope=envelope)
    return {
        "points": points,
        "certified": by_path(model.planned_margins),
        "old": old,
        "new": new,
        "over_mass": _over_mass(model, points),
        "cure": cure,
    }


def _over_mass(model: FlightModel, points: Points) -> tuple[str, ...]:
    masses = model.scenario.aircraft.masses
    most = {
        "zero_fuel": masses.max_zero_fuel,
        "take_off": masses.max_take_off,
        "landing": masses.max_landing,
    }
    over = [kind for kind, (mass, _) in points.items() if mass > most[kind] * (1.0 + 1e-12)]
    if float(model.planned["mass_kg"].iloc[0]) > masses.max_taxi * (1.0 + 1e-12):
        over.append("taxi")
    return tuple(over)


def _row(scored: ScoredLoad, system: UnitSystem) -> dict[str, Any]:
    load = scored.load
    row: dict[str, Any] = {
        "line": load.line,
        "name": load.name,
        "passengers": scored.state.passengers,
        "fuel_kg": load.fuel_kg,
    }
    for kind in _KINDS:
        if kind in scored.points:
            row[f"{kind}_mass_kg"], row[f"{kind}_cg_pct_mac"] = scored.points[kind]
    for kind, said in (("zero_fuel", load.zero_fuel_mass_kg), ("take_off", load.take_off_mass_kg)):
        if kind in scored.points:
            known = said is not None
            row[f"sheet_less_scenario_{kind}_kg"] = (
                said - scored.points[kind][0] if known and said is not None else None
            )
    row["over_mass"] = ", ".join(scored.over_mass)
    for name in ("certified", "old", "new"):
        verdict = scored.verdict(name)
        if verdict is not None:
            row |= {
                f"{name}_forward_margin_pct_mac": verdict.forward_pct,
                f"{name}_aft_margin_pct_mac": verdict.aft_pct,
                f"{name}_refused": verdict.refused,
                f"{name}_side": verdict.side,
                f"{name}_where": verdict.where,
            }
    cure = scored.cure
    row["cure"] = "" if cure is None else cure.kind
    row["moved_kg"] = 0.0 if cure is None else cure.moved_kg
    row["ballast_kg"] = 0.0 if cure is None else cure.ballast_kg
    row["cure_moves"] = "" if cure is None else cure_text(cure, system=system)
    return row


def cure_text(cure: Cure, *, system: UnitSystem = "kg/m") -> str:
    """Return the moves of a cure as an instruction in a file's units, or why there are none."""
    if cure.kind == "cabin":
        return f"passengers, seats or fuel: {cure.why}"
    parts = []
    for move in cure.moves:
        noun = "bag" if move.pieces == 1 else "bags"
        mass = mass_text(move.mass_kg, system=system)
        count = f"{move.pieces} {noun} ({mass})"
        what = count if move.what == "bags" else f"{mass} of {move.what}"
        where = f"from {move.source} to {move.target}" if move.source else f"in {move.target}"
        parts.append(f"{what} {where}")
    return "; ".join(parts)
