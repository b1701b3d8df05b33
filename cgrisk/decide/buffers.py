"""Buffers by sampling: what must come off the certified envelope for a stated risk.

For each zero-fuel mass, side and group of phases: the worst load state is searched for, then the
(1 - a) quantile of the excess D there, by whatever method reaches that deep, with its upper
confidence bound; then how much further it lies at the upper end of the assumption range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import dry_operating
from cgrisk.causes import TailShares, tail_shares
from cgrisk.decide.assumed import AssumedDistance, assumed_distance
from cgrisk.decide.load_search import WorstLoad, load_range, worst_load
from cgrisk.decide.load_state import scenario_with, zone_seat_counts
from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import SIDES, FlightModel, prepare, zero_fuel_scale
from cgrisk.rare import (
    Meter,
    Question,
    SplitTail,
    assumption_range,
    cloud_of,
    envelope_score,
    fly_rows,
    split_tail,
    strata_of,
)
from cgrisk.rare.assumptions import wide_cloud
from cgrisk.rare.quantile import TailQuantile, tail_quantile
from cgrisk.rare.seeds import derived_seed
from cgrisk.scenario import Scenario

__all__ = ["BUFFER_GROUPS", "Buffer", "BufferAsk", "Buffers", "default_masses", "find_buffers"]

Floats = NDArray[np.float64]

#: Groups of phases with a buffer each.
BUFFER_GROUPS: Final = ("take_off_and_landing", "in_flight")
#: The curve goes this much deeper than the risk, so that its upper bound is within it.
_DEEPER: Final = 0.1
#: Flights of a stage where only the flights themselves are wanted.
_CLOUD_PARTICLES: Final = 300


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
        Wanted of the probability at each buffer.
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
    relative_error: float = 0.3
    draws: int = 32
    most_flights: int = 5_000_000
    counts: int = 9
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
        for mass in self.masses_kg:
            load_range(self.scenario, mass_kg=mass)

    @property
    def groups(self) -> tuple[str, ...]:
        """Groups of phases that are flown."""
        return tuple(g for g in BUFFER_GROUPS if _flown(self.scenario, g))

    @property
    def bounds(self) -> int:
        """Number of bounds that are told."""
        return len(SIDES) * len(self.groups) * len(self.masses_kg)

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

    def of(self, *, side: str, group: str) -> tuple[Buffer, ...]:
        """Return the buffers of a side and group, by rising mass."""
        return tuple(b for b in self.found if b.side == side and b.group == group)

    def moment_kgm(self, mass_kg: Floats, *, side: str, group: str) -> Floats:
        """Return the buffer at zero-fuel masses: straight between those asked for, then constant.

        Parameters
        ----------
        mass_kg : float64 array
        side, group : str
        """
        here = self.of(side=side, group=group)
        values: Floats = np.interp(mass_kg, [b.mass_kg for b in here], [b.buffer_kgm for b in here])
        return values

    def table(self) -> pd.DataFrame:
        """Return a row a buffer.

        Columns: side, group, mass_kg, passengers, load, estimate_kgm, simulation_kgm (bound less
        estimate), assumptions_kgm, assumptions_at, buffer_kgm, buffer_pct_mac (at the zero-fuel
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


def default_masses(scenario: Scenario, *, count: int = 4) -> tuple[float, ...]:
    """Return zero-fuel masses from empty (dry operating mass) to the highest possible, evenly."""
    dry, _ = dry_operating(scenario.aircraft)
    room = sum(hold.max_load for hold in scenario.aircraft.holds)
    seats = int(zone_seat_counts(scenario).sum()) * scenario.operation.load_sheet.adult_mass
    highest = min(scenario.aircraft.masses.max_zero_fuel, dry + room + seats)
    return tuple(float(m) for m in np.round(np.linspace(dry, highest, count), 1))


def _question(ask: BufferAsk, load: WorstLoad, *, side: str, group: str) -> Question:
    model = prepare(scenario_with(ask.scenario, load.state))
    return Question(
        model=model,
        score=envelope_score(model, side=side, group=group),
        target=ask.each_risk,
        seed=derived_seed(ask.seed, "buffer", side, group, f"{model.sheet.zero_fuel_mass_kg:.3f}"),
        deepest=max(_DEEPER * ask.each_risk, 1e-12),
        relative_error=ask.relative_error,
        confidence=min(2.0 * ask.each_confidence - 1.0, 0.9999),
        most_flights=ask.most_flights,
        jobs=ask.jobs,
    )


def _curve(found: TailQuantile, scale: float) -> pd.DataFrame:
    columns = {
        "moment_kgm": np.concatenate([e.thresholds for e in found.curve]) * scale,
        "estimate": np.concatenate([e.estimate for e in found.curve]),
        "low": np.concatenate([e.low for e in found.curve]),
        "high": np.concatenate([e.high for e in found.curve]),
    }
    return pd.DataFrame(columns).sort_values("moment_kgm", ignore_index=True)


def _flights_kept(question: Question, found: TailQuantile, meter: Meter) -> tuple[SplitTail, int]:
    if found.tail is not None and found.tail.replicates[0][0].kept:
        return found.tail, 0
    small = split_tail(question, pilot=found.pilot, particles=_CLOUD_PARTICLES, meter=meter)
    return small, small.flights - small.pilot_flights


def _shares(question: Question, tail: SplitTail, level: float, group: str) -> TailShares | None:
    model, score = question.model, question.score
    cloud, strata = cloud_of([tail]), strata_of(model)
    rows = fly_rows(cloud, strata=strata, jobs=question.jobs)
    side = model.columns[score.columns[0]].rsplit(".", 1)[-1]
    try:
        return tail_shares(
            model,
            side=side,
            group=group,
            cloud=cloud,
            strata=strata,
            rows=rows,
            scores=score.of(rows),
            level=level,
        )
    except ComputationError:
        return None


def _one(
    ask: BufferAsk, *, side: str, group: str, mass_kg: float, meter: Meter
) -> tuple[Buffer, Question, SplitTail]:
    load = worst_load(
        ask.scenario,
        mass_kg=mass_kg,
        side=side,
        group=group,
        seed=derived_seed(ask.seed, "worst load"),
        counts=ask.counts,
        jobs=ask.jobs,
        meter=meter,
    )
    question = _question(ask, load, side=side, group=group)
    found = tail_quantile(question, meter=meter)
    if not math.isfinite(found.upper) or not math.isfinite(found.estimate):
        raise ComputationError(
            f"the curve of the {side} excess at {mass_kg:,.0f} kg does not settle a risk of "
            f"{ask.each_risk:g}: its upper bound stays above it. Ask for a smaller relative error, "
            "or a higher risk."
        )
    tail, more = _flights_kept(question, found, meter)
    scale = zero_fuel_scale(question.model)
    buffer = Buffer(
        side=side,
        group=group,
        mass_kg=mass_kg,
        scale_kgm=scale,
        load=load,
        estimate_kgm=found.estimate * scale,
        upper_kgm=found.upper * scale,
        assumed_kgm=math.nan,
        assumed_at=math.nan,
        curve=_curve(found, scale),
        shares=_shares(question, tail, found.estimate, group),
        method=found.method,
        flights=load.flights + found.flights + more,
        notes=found.notes,
    )
    return buffer, question, tail


def _assumed(
    ask: BufferAsk, buffer: Buffer, question: Question, tail: SplitTail, meter: Meter
) -> tuple[AssumedDistance, int]:
    """Return the distance (kg m) for a side and group, from the mass that governs."""
    cloud, flown = wide_cloud(question, tail=tail, meter=meter)
    scale = zero_fuel_scale(question.model)
    level = buffer.estimate_kgm / scale
    reach = max(abs(level), 1.0)
    thresholds = level + reach * np.linspace(-0.75, 1.0, 71)
    found = assumption_range(
        question,
        side=buffer.side,
        group=buffer.group,
        cloud=cloud,
        thresholds=thresholds,
        draws=ask.draws,
        meter=meter,
    )
    distance = assumed_distance(found, target=ask.each_risk)
    return AssumedDistance(distance.distance * scale, distance.probability), flown + found.flights


def find_buffers(ask: BufferAsk, *, meter: Meter | None = None) -> Buffers:
    """Find all buffers that are asked for.

    The assumption range is flown at the mass with the largest bound of each side and group, and
    the distance it adds there (kg m) is added at all masses of that side and group.

    Parameters
    ----------
    ask : BufferAsk
    meter : Meter, optional
        Told of the flights; its shelf keeps what is finished.

    Raises
    ------
    ComputationError
        If a curve does not come down to the risk.
    """
    meter = Meter() if meter is None else meter
    found: list[Buffer] = []
    for side in SIDES:
        for group in ask.groups:
            parts = [
                _one(ask, side=side, group=group, mass_kg=mass, meter=meter)
                for mass in ask.masses_kg
            ]
            buffers = [buffer for buffer, _, _ in parts]
            if ask.draws > 0:
                place = int(np.argmax([buffer.upper_kgm for buffer in buffers]))
                distance, flown = _assumed(ask, *parts[place], meter)
                buffers = [
                    replace(b, assumed_kgm=distance.distance, assumed_at=distance.probability)
                    for b in buffers
                ]
                buffers[place] = replace(buffers[place], flights=buffers[place].flights + flown)
            found += buffers
    return Buffers(ask, tuple(found), prepare(ask.scenario), sum(b.flights for b in found))
