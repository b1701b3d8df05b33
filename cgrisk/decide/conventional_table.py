"""What the conventional stack of worst cases is kept in: lines, totals, and moments as % MAC."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import Balance
from cgrisk.errors import UsageError

__all__ = [
    "CAUSES",
    "BufferLine",
    "ConventionalBuffers",
    "Reckoned",
    "moment_index",
    "moment_pct_mac",
]

Value = TypeVar("Value", float, NDArray[np.float64])

#: Causes of the stack, and the cause of the model of a flight that each belongs to.
CAUSES: Final = {
    "seating": "seating",
    "passenger mass": "mass",
    "lavatory walk": "movement",
    "carts and crew": "service",
    "water to waste": "movement",
    "fuel density": "fuel",
    "fuel gauges": "fuel",
    "landing gear": "configuration",
    "flaps": "configuration",
    "dry operating mass": "dry",
    "dry operating CG": "dry",
    "hold load position": "cargo",
    "misplaced bags": "cargo",
}


class Reckoned(NamedTuple):
    """A moment toward a side (kg m, at least 0) and how it was reckoned."""

    moment_kgm: float
    how: str


@dataclass(frozen=True, slots=True)
class BufferLine:
    """One cause on one side in one group of phases.

    Attributes
    ----------
    cause, side, group : str
        A key of :data:`CAUSES`; forward or aft; take_off_and_landing or in_flight.
    moment_kgm : float
        What the stack takes off the limit for it, at least 0; 0 where it is not counted.
    counted : bool
        Whether the conventional stack of this cabin counts it.
    if_counted_kgm : float
        What it would be if counted; the same as ``moment_kgm`` where it is.
    how : str
        How it was reckoned.
    """

    cause: str
    side: str
    group: str
    moment_kgm: float
    counted: bool
    if_counted_kgm: float
    how: str

    @property
    def family(self) -> str:
        """Cause of the model of a flight that this one belongs to."""
        return CAUSES.get(self.cause, self.cause)


@dataclass(frozen=True, slots=True, eq=False)
class ConventionalBuffers:
    """The conventional, deterministic stack of worst cases at one load state.

    Attributes
    ----------
    lines : tuple of BufferLine
        Every cause on both sides in every group that is flown.
    zones : pandas.DataFrame
        Seating by zone and side: zone, side, passengers, seats, arm_m, mass_kg, classic_kgm,
        classic_count, state_kgm, extreme_kgm.
    omitted : tuple of (str, str)
        What the stack does not count at all, and why.
    reckoning : str
        Which reckoning of the seating counts: classic or state.
    lowest_mass_kg : dict of str to float
        Least planned mass in each group: where a moment is most % MAC.
    balance : Balance
        Chord and index formula.
    """

    lines: tuple[BufferLine, ...]
    zones: pd.DataFrame
    omitted: tuple[tuple[str, str], ...]
    reckoning: str
    lowest_mass_kg: dict[str, float]
    balance: Balance

    @property
    def groups(self) -> tuple[str, ...]:
        """Groups of phases that are flown, in order."""
        return tuple(dict.fromkeys(line.group for line in self.lines))

    @property
    def table(self) -> pd.DataFrame:
        """The lines: cause, family, side, group, moment_kgm, counted, if_counted_kgm, how."""
        names = ["cause", "family", "side", "group", "moment_kgm", "counted", "if_counted_kgm"]
        rows = [[getattr(line, name) for name in (*names, "how")] for line in self.lines]
        return pd.DataFrame(rows, columns=[*names, "how"])

    def _moments(self, side: str, group: str) -> list[float]:
        found = [x.moment_kgm for x in self.lines if x.side == side and x.group == group]
        if not found:
            raise UsageError(
                argument="side, group",
                expected=f"forward or aft, and one of {', '.join(self.groups)}",
                got=f"{side}, {group}",
                cure="Name a side and a group of phases that is flown.",
            )
        return found

    def straight_kgm(self, *, side: str, group: str) -> float:
        """Return the straight sum of the causes: all at their worst at once (kg m).

        Raises
        ------
        UsageError
            If there is no such side or group.
        """
        return math.fsum(self._moments(side, group))

    def rss_kgm(self, *, side: str, group: str) -> float:
        """Return the root of the sum of the causes' squares, as if they were independent (kg m).

        Raises
        ------
        UsageError
            If there is no such side or group.
        """
        return math.hypot(*self._moments(side, group))

    def totals(self, *, mass_kg: float | None = None) -> pd.DataFrame:
        """Return both totals of every side and group, as moments, % MAC and index units.

        Parameters
        ----------
        mass_kg : float, optional
            Mass at which the % MAC are told; the lowest planned mass of each group if not given.

        Returns
        -------
        pandas.DataFrame
            side, group, mass_kg, and straight and rss each as _kgm, _pct_mac, _index.

        Raises
        ------
        UsageError
            If the mass is not above 0.
        """
        rows = []
        for group in self.groups:
            mass = self.lowest_mass_kg[group] if mass_kg is None else mass_kg
            for side in ("forward", "aft"):
                row: dict[str, object] = {"side": side, "group": group, "mass_kg": mass}
                for name, moment in (
                    ("straight", self.straight_kgm(side=side, group=group)),
                    ("rss", self.rss_kgm(side=side, group=group)),
                ):
                    row[f"{name}_kgm"] = moment
                    row[f"{name}_pct_mac"] = moment_pct_mac(
                        moment, mass_kg=mass, balance=self.balance
                    )
                    row[f"{name}_index"] = moment_index(moment, balance=self.balance)
                rows.append(row)
        return pd.DataFrame(rows)


def moment_pct_mac(moment_kgm: Value, *, mass_kg: float, balance: Balance) -> Value:
    """Return by how much a moment moves the CG of a mass, in % MAC.

    Parameters
    ----------
    moment_kgm : float or float64 array
        Moments (kg m).
    mass_kg : float
        Mass of the aircraft, above 0.
    balance : Balance
        Its chord.

    Raises
    ------
    UsageError
        If the mass is not above 0.
    """
    if not (mass_kg > 0.0 and math.isfinite(mass_kg)):
        raise UsageError(
            argument="mass_kg",
            expected="a mass above 0 kg",
            got=mass_kg,
            cure="Give the mass at which the buffer is to hold.",
        )
    return 100.0 * moment_kgm / (mass_kg * balance.mac_m)


def moment_index(moment_kgm: Value, *, balance: Balance) -> Value:
    """Return a moment in index units of the aircraft's index formula, without its constant."""
    return moment_kgm / balance.index_scale_kgm
