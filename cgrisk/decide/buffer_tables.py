"""Buffers as they are asked for and kept: one a side, group of phases and mass; tables of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.causes import TailShares
from cgrisk.decide.load_candidates import COUNTS, load_range
from cgrisk.decide.load_search import WorstLoad
from cgrisk.errors import UsageError
from cgrisk.flight import SIDES, FlightModel
from cgrisk.scenario import Scenario

__all__ = ["BUFFER_GROUPS", "Buffer", "BufferAsk", "Buffers"]

Floats = NDArray[np.float64]

#: Confidence of a bound, on its one side, that the methods go up to.
_MOST_CONFIDENCE: Final = 0.99995
#: Groups of phases with a buffer each.
BUFFER_GROUPS: Final = ("take_off_and_landing", "in_flight")


@dataclass(frozen=True, slots=True)
class BufferAsk:
    """What buffers are asked for.

    Attributes
    ----------
    scenario : Scenario
        Rules, behaviour, uncertainties; its own load is only one of those considered.
    risk : float
        Accepted probability per flight.
    confidence : float
        Of each bound (``together`` False) or of all of them at once, by Bonferroni.
    seed : int
    masses_kg : tuple of float
        Zero-fuel masses, rising.
    together : bool
    in_total : bool
        Whether the risk is that of all sides and groups together, shared out equally; else of
        each by itself.
    relative_error : float
        Wanted of the probability at each buffer; 0.3 at most where flights are counted or tilted.
    draws : int
        Joint draws of what has no source; 0 leaves the assumption range out.
    most_flights : int
        Of each quantile.
    counts : int
        Passenger counts that the search for the worst load tries at each mass.
    jobs : int
        Threads; changes no result.
    """

    scenario: Scenario
    risk: float
    confidence: float
    seed: int
    masses_kg: tuple[float, ...]
    together: bool = False
    in_total: bool = False
    relative_error: float = 0.4
    draws: int = 32
    most_flights: int = 5_000_000
    counts: int = COUNTS
    jobs: int = -1

    def __post_init__(self) -> None:
        """Check the numbers that no part of the work checks."""
        if not 0.5 < self.confidence < 1.0:
            raise UsageError(
                argument="confidence",
                expected="a number above 0.5 and below 1",
                got=self.confidence,
                cure="Give a fraction: 0.95 for 95 %.",
            )
        if self.counts < 2:
            raise UsageError(
                argument="counts",
                expected="at least 2",
                got=self.counts,
                cure="The fewest and the most passengers are always tried.",
            )
        if not self.masses_kg or not (np.diff(self.masses_kg) > 0.0).all():
            raise UsageError(
                argument="masses",
                expected="zero-fuel masses that rise, at least one",
                got=list(self.masses_kg),
                cure="Leave them out for some from empty to full.",
            )
        if self.each_confidence > _MOST_CONFIDENCE:
            raise UsageError(
                argument="confidence",
                expected=f"at most {_MOST_CONFIDENCE:g} for each bound",
                got=f"{self.each_confidence:.7g} for each of {self.bounds} bounds",
                cure="Ask for less, or for fewer masses together.",
            )
        for mass in self.masses_kg:
            load_range(self.scenario, mass_kg=mass)

    @property
    def groups(self) -> tuple[str, ...]:
        """Groups of phases that are flown."""
        return tuple(g for g in BUFFER_GROUPS if _flown(self.scenario, g))

    @property
    def bounds(self) -> int:
        """Number of bounds that are told at most: one more between each two masses."""
        return len(SIDES) * len(self.groups) * (2 * len(self.masses_kg) - 1)

    @property
    def each_risk(self) -> float:
        """Probability at each buffer."""
        return self.risk / (len(SIDES) * len(self.groups)) if self.in_total else self.risk

    @property
    def each_confidence(self) -> float:
        """Confidence of each bound, on its one side."""
        return 1.0 - (1.0 - self.confidence) / (self.bounds if self.together else 1)


def _flown(scenario: Scenario, group: str) -> bool:
    inside = {"climb", "cruise", "descent"}
    kinds = {phase.kind for phase in scenario.operation.phases}
    return bool(kinds & inside) if group == "in_flight" else bool(kinds - inside)


@dataclass(frozen=True, slots=True)
class Buffer:
    """The buffer of one side and group at one zero-fuel mass; moments toward the side, kg m.

    Attributes
    ----------
    side, group : str
    mass_kg : float
    scale_kgm : float
        Moment that shifts the planned zero-fuel CG by 1 % MAC (kg m).
    load : WorstLoad
        The load state it was found for.
    estimate_kgm : float
        Quantile of the excess.
    upper_kgm : float
        Its upper confidence bound: the simulation's error included.
    assumed_kgm : float
        How much further it lies at the upper end of the assumption range; nan where left out.
    assumed_at : float
        Probability at which that distance was told.
    assumed_from_kg : float
        Zero-fuel mass at which it was flown.
    curve : pandas.DataFrame
        Chance that the excess is above moments: moment_kgm (rising), estimate, low, high.
    shares : TailShares or None
        Split of the quantile by cause and by zone; None where flights were too few.
    method : str
    flights : int
    notes : tuple of str
    """

    side: str
    group: str
    mass_kg: float
    scale_kgm: float
    load: WorstLoad
    estimate_kgm: float
    upper_kgm: float
    assumed_kgm: float
    assumed_at: float
    assumed_from_kg: float
    curve: pd.DataFrame
    shares: TailShares | None
    method: str
    flights: int
    notes: tuple[str, ...]

    def risk_of(self, moment_kgm: float) -> tuple[float, float, float]:
        """Return (estimate, low, high) of the risk that another buffer leaves here.

        Straight on the logarithm between the moments of the curve. Before its start only a lower
        bound is known (the estimate there, and an upper bound of 1), beyond its end only an upper
        one (and an estimate of 0). Assumptions stand as the scenario has them.
        """
        at = self.curve["moment_kgm"].to_numpy()
        ends = self.curve[["estimate", "low", "high"]].to_numpy(dtype=np.float64)
        if moment_kgm > at[-1]:
            return 0.0, 0.0, float(ends[-1, 2])
        if moment_kgm < at[0]:
            return float(ends[0, 0]), float(ends[0, 1]), 1.0
        logs = np.log(np.maximum(ends, 1e-300))
        found = [float(np.exp(np.interp(moment_kgm, at, logs[:, k]))) for k in range(3)]
        estimate, low, high = (value if value > 1e-200 else 0.0 for value in found)
        return estimate, low, high

    @property
    def buffer_kgm(self) -> float:
        """What comes off the limit: upper bound plus assumptions, at least 0 (kg m)."""
        more = 0.0 if math.isnan(self.assumed_kgm) else self.assumed_kgm
        return max(self.upper_kgm + more, 0.0)


@dataclass(frozen=True, slots=True)
class Buffers:
    """All buffers that were asked for.

    Attributes
    ----------
    ask : BufferAsk
    found : tuple of Buffer
        By side, group and mass.
    model : FlightModel
        The scenario as it stands: for units, load sheet and certified limits.
    flights : int
    """

    ask: BufferAsk
    found: tuple[Buffer, ...]
    model: FlightModel
    flights: int

    @property
    def masses_kg(self) -> tuple[float, ...]:
        """Zero-fuel masses with a buffer of any side and group, rising."""
        return tuple(sorted({b.mass_kg for b in self.found}))

    def of(self, *, side: str, group: str) -> tuple[Buffer, ...]:
        """Return the buffers of a side and group, by rising mass."""
        return tuple(b for b in self.found if b.side == side and b.group == group)

    def moment_kgm(self, mass_kg: Floats, *, side: str, group: str) -> Floats:
        """Return the buffer at zero-fuel masses: between two of those asked for the larger.

        Buffers grow fast with the first passengers: straight lines between masses would lie below
        what is needed. Beyond the ends the end's own.

        Parameters
        ----------
        mass_kg : float64 array
        side, group : str
        """
        here = self.of(side=side, group=group)
        return _larger(here, mass_kg, np.array([b.buffer_kgm for b in here]))

    def assumed_kgm(self, mass_kg: Floats, *, side: str, group: str) -> Floats:
        """Return what assumptions add to the buffer that :meth:`moment_kgm` takes (kg m).

        Parameters
        ----------
        mass_kg : float64 array
        side, group : str
        """
        here = self.of(side=side, group=group)
        whole = np.array([b.buffer_kgm for b in here])
        bare = np.array([max(b.upper_kgm, 0.0) for b in here])
        # Of the buffer that is taken, not the larger distance.
        taken = _larger(here, mass_kg, whole)
        place = np.array([int(np.flatnonzero(whole == value)[0]) for value in taken])
        found: Floats = taken - bare[place]
        return found

    def table(self) -> pd.DataFrame:
        """Return a row a buffer.

        Columns: side, group, mass_kg, passengers, load, estimate_kgm, simulation_kgm (bound less
        estimate), assumptions_kgm, assumptions_at,
        assumptions_from_kg, buffer_kgm, buffer_pct_mac (at the zero-fuel
        mass), buffer_index, method, flights.
        """
        balance, rows = self.model.balance, []
        for b in self.found:
            rows.append(
                {
                    "side": b.side,
                    "group": b.group,
                    "mass_kg": b.mass_kg,
                    "passengers": b.load.state.passengers,
                    "load": b.load.how,
                    "estimate_kgm": b.estimate_kgm,
                    "simulation_kgm": b.upper_kgm - b.estimate_kgm,
                    "assumptions_kgm": b.assumed_kgm,
                    "assumptions_at": b.assumed_at,
                    "assumptions_from_kg": b.assumed_from_kg,
                    "buffer_kgm": b.buffer_kgm,
                    "buffer_pct_mac": 100.0 * b.buffer_kgm / (b.mass_kg * balance.mac_m),
                    "buffer_index": b.buffer_kgm / balance.index_scale_kgm,
                    "method": b.method,
                    "flights": b.flights,
                }
            )
        return pd.DataFrame(rows)

    def split(self, *, by: str) -> pd.DataFrame:
        """Return every buffer split by cause or by zone; the parts add up to it exactly.

        Parameters
        ----------
        by : {"cause", "zone"}

        Returns
        -------
        pandas.DataFrame
            side, group, mass_kg, part, moment_kgm, standard_error_kgm. Beside the parts of the
            quantile stand ``level`` (the quantile less the mean excess of the flights looked at),
            ``simulation`` (its bound less the estimate), ``assumptions``, and, where the sum is
            below 0, ``none below 0``.
        """
        rows = []
        for b in self.found:
            if b.shares is None:
                continue
            table = b.shares.table if by == "cause" else b.shares.zones
            mean = table["mean_pct_mac"].to_numpy(dtype=np.float64) * b.scale_kgm
            error = table["standard_error"].to_numpy(dtype=np.float64) * b.scale_kgm
            names = table["part"].astype(str).tolist()
            parts = list(zip(names, mean.tolist(), error.tolist(), strict=True))
            parts.append(("level", b.estimate_kgm - b.shares.mean * b.scale_kgm, 0.0))
            parts.append(("simulation", b.upper_kgm - b.estimate_kgm, 0.0))
            more = 0.0 if math.isnan(b.assumed_kgm) else b.assumed_kgm
            parts.append(("assumptions", more, 0.0))
            if b.upper_kgm + more < 0.0:
                parts.append(("none below 0", -(b.upper_kgm + more), 0.0))
            rows += [(b.side, b.group, b.mass_kg, *part) for part in parts]
        columns = ["side", "group", "mass_kg", "part", "moment_kgm", "standard_error_kgm"]
        return pd.DataFrame(rows, columns=columns)


def _larger(buffers: tuple[Buffer, ...], mass_kg: Floats, value: Floats) -> Floats:
    """Return the larger value of the two neighbours of each mass."""
    at = np.array([b.mass_kg for b in buffers])
    right = np.clip(np.searchsorted(at, mass_kg, side="left"), 0, at.size - 1)
    left = np.clip(np.searchsorted(at, mass_kg, side="right") - 1, 0, at.size - 1)
    found: Floats = np.maximum(value[left], value[right])
    return found
