"""The operational envelope: the certified one less the buffers, by kind of mass.

The zero-fuel envelope holds for every fuel load and density: a zero-fuel point inside it keeps the
planned path at least the buffer away from the certified limits whatever fuel is aboard. Take-off
and landing envelopes are the certified limits of those phases less the largest buffer of any
zero-fuel mass that the mass may have.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import Limits, certified_limits
from cgrisk.decide.buffers import BUFFER_GROUPS, Buffers
from cgrisk.decide.fuel_states import FuelStates, fuel_states
from cgrisk.decide.operator_envelope import OperatorEnvelope
from cgrisk.flight import IN_FLIGHT, SIDES
from cgrisk.scenario import Scenario

__all__ = ["Crossing", "OperatingEnvelope", "operating_envelope", "zero_fuel_limit_kgm"]

Floats = NDArray[np.float64]

#: Points of each envelope along the mass.
_POINTS: Final = 121
_ABOVE_KG: Final = 1.0
_KINDS: Final = {
    "take_off": ("taxi_out", "take_off"),
    "landing": ("approach", "landing", "taxi_in"),
}


@dataclass(frozen=True, slots=True)
class Crossing:
    """Masses at which the buffers leave no room between the limits, and why.

    Attributes
    ----------
    kind : str
        zero_fuel, take_off or landing.
    lowest_kg, highest_kg : float
    missing_pct_mac : float
        By how much the sides cross at the worst of these masses (% MAC).
    why : str
    """

    kind: str
    lowest_kg: float
    highest_kg: float
    missing_pct_mac: float
    why: str


@dataclass(frozen=True, slots=True)
class OperatingEnvelope:
    """An operational envelope made from buffers.

    Attributes
    ----------
    envelope : OperatorEnvelope
        Limits by kind of mass.
    crossings : tuple of Crossing
        Where there is no room; an envelope without room is a finding, not an error.
    fuel : FuelStates
        Fuel states the zero-fuel limits hold for.
    """

    envelope: OperatorEnvelope
    crossings: tuple[Crossing, ...]
    fuel: FuelStates

    def table(self) -> pd.DataFrame:
        """Return mass_kind, mass (kg), forward, aft (% MAC)."""
        return self.envelope.frame()


def _flown_kinds(scenario: Scenario) -> tuple[str, ...]:
    return tuple(dict.fromkeys(phase.kind for phase in scenario.operation.phases))


def _highest_kg(scenario: Scenario, kind: str) -> float:
    masses = scenario.aircraft.masses
    if kind == "taxi_out":
        return float(masses.max_taxi)
    return float(masses.max_landing if kind in _KINDS["landing"] else masses.max_take_off)


def zero_fuel_limit_kgm(
    buffers: Buffers, *, mass_kg: Floats, side: str, fuel: FuelStates
) -> Floats:
    """Return the moment a zero-fuel point may have at most (aft) or at least (forward), kg m.

    The tightest over all fuel states, however they came about, with which the mass stays at or
    under the maximum of the phase, and over the phases that are flown: certified limit times mass,
    less fuel moment, less the buffer.

    Parameters
    ----------
    buffers : Buffers
    mass_kg : float64 array, shape (n,)
        Zero-fuel masses.
    side : str
    fuel : FuelStates

    Returns
    -------
    float64 array, shape (n,)
    """
    scenario, balance = buffers.ask.scenario, buffers.model.balance
    certified = certified_limits(scenario.aircraft)
    toward = 1.0 if side == "aft" else -1.0
    out = np.full(mass_kg.size, np.inf)
    for kind in _flown_kinds(scenario):
        group = BUFFER_GROUPS[1] if kind in IN_FLIGHT else BUFFER_GROUPS[0]
        buffer = buffers.moment_kgm(mass_kg, side=side, group=group)
        gross = mass_kg[:, None] + fuel.mass_kg
        arm = balance.pct_to_arm(certified[kind].limit(gross, side=side))
        room = toward * (arm * gross - fuel.moment_kgm) - buffer[:, None]
        # One step of the states more, so that the state at the very maximum is within.
        allowed = gross <= _highest_kg(scenario, kind) + fuel.step_kg
        out = np.minimum(out, np.where(allowed, room, np.inf).min(axis=1))
    return toward * out


def _gross_limits(buffers: Buffers, kind: str, mass_kg: Floats, side: str) -> Floats:
    """Return the limit (% MAC) of take-off or landing mass."""
    scenario, balance = buffers.ask.scenario, buffers.model.balance
    certified = certified_limits(scenario.aircraft)
    zero_fuel = np.array(buffers.masses_kg)
    grid = np.unique(
        [*zero_fuel, *(zero_fuel[:-1] + _ABOVE_KG), *np.linspace(zero_fuel[0], zero_fuel[-1], 400)]
    )
    moment = buffers.moment_kgm(grid, side=side, group=BUFFER_GROUPS[0])
    toward = 1.0 if side == "aft" else -1.0
    # Any zero-fuel mass up to the mass itself may be below it.
    own = buffers.moment_kgm(mass_kg, side=side, group=BUFFER_GROUPS[0])
    lighter = np.array([moment[grid <= m].max(initial=moment[0]) for m in mass_kg])
    worst = np.maximum(own, lighter)
    limits = [
        toward * certified[phase].limit(mass_kg, side=side)
        for phase in _KINDS[kind]
        if phase in _flown_kinds(scenario)
    ]
    found: Floats = toward * (np.min(limits, axis=0) - 100.0 * worst / (mass_kg * balance.mac_m))
    return found


def _why(buffers: Buffers, mass_kg: float) -> str:
    """Return which buffers take the room, and their largest cause."""
    parts = []
    for side in SIDES:
        for group in buffers.ask.groups:
            here = buffers.of(side=side, group=group)
            nearest = min(here, key=lambda b: abs(b.mass_kg - mass_kg))
            text = f"{side} {group.replace('_', ' ')} {nearest.buffer_kgm:,.0f} kg m"
            if nearest.shares is not None:
                table = nearest.shares.table
                top = str(table["part"].iloc[int(table["mean_pct_mac"].to_numpy().argmax())])
                text += f" (mostly {top})"
            parts.append(text)
    return "buffers: " + ", ".join(parts)


def _crossings(
    buffers: Buffers, kind: str, mass: Floats, forward: Floats, aft: Floats
) -> list[Crossing]:
    missing = forward - aft
    crossed = missing > 0.0
    if not crossed.any():
        return []
    worst = float(mass[int(missing.argmax())])
    return [
        Crossing(
            kind,
            float(mass[crossed].min()),
            float(mass[crossed].max()),
            float(missing.max()),
            _why(buffers, worst),
        )
    ]


def operating_envelope(buffers: Buffers, *, name: str = "new envelope") -> OperatingEnvelope:
    """Return the operational envelope that the buffers make.

    Parameters
    ----------
    buffers : Buffers
        Between two zero-fuel masses that have a buffer the larger of both holds.
    name : str
        Of the envelope.
    """
    scenario, balance = buffers.ask.scenario, buffers.model.balance
    fuel = fuel_states(scenario)
    kinds: dict[str, Limits] = {}
    crossings: list[Crossing] = []
    asked = np.array(buffers.masses_kg)
    flown = _flown_kinds(scenario)
    for kind in ("zero_fuel", "take_off", "landing"):
        if kind != "zero_fuel" and not set(_KINDS[kind]) & set(flown):
            continue
        if kind == "zero_fuel":
            # Buffers step up just above a mass that was asked for.
            above = asked[:-1] + _ABOVE_KG
            mass = np.unique([*asked, *above, *np.linspace(asked[0], asked[-1], _POINTS)])
            sides = [
                balance.cg_pct_mac(
                    mass, zero_fuel_limit_kgm(buffers, mass_kg=mass, side=side, fuel=fuel)
                )
                for side in SIDES
            ]
        else:
            highest = _highest_kg(scenario, _KINDS[kind][0])
            mass = np.linspace(asked[0], max(highest, asked[0] + 1.0), _POINTS)
            own = certified_limits(scenario.aircraft)
            corners = [
                own[phase].points(side)[0]
                for phase in _KINDS[kind]
                if phase in flown
                for side in SIDES
            ]
            inside = np.concatenate(corners)
            steps = np.concatenate([inside, asked, asked + _ABOVE_KG])
            mass = np.unique([*mass, *steps[(steps > mass[0]) & (steps < mass[-1])]])
            sides = [_gross_limits(buffers, kind, mass, side) for side in SIDES]
        forward, aft = (np.asarray(side, dtype=np.float64) for side in sides)
        kinds[kind] = Limits(
            forward_mass_kg=mass, forward_pct=forward, aft_mass_kg=mass, aft_pct=aft
        )
        crossings += _crossings(buffers, kind, mass, forward, aft)
    return OperatingEnvelope(OperatorEnvelope(name, **kinds), tuple(crossings), fuel)
