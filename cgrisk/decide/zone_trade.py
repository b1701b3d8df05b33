"""What more curtains bring: the buffer that seating needs, and the room it leaves, by zones.

Every division is loaded with the same people in the same proportion to seats, flown on the same
flight numbers of one seed that no search has used, and told beside the closed forms. Rounding of
the load sheet is left out: it shifts each division by an accident of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.decide.zone_division import Division, conventional_cost
from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, fly_block, zero_fuel_scale
from cgrisk.flight.paper_masses import adult_standard_kg, child_standard_kg
from cgrisk.randomness import MAX_FLIGHTS
from cgrisk.rare.score import Score, envelope_score
from cgrisk.rare.seeds import generator
from cgrisk.risk import Interval, quantile_interval

__all__ = [
    "FIELDS",
    "SIDES",
    "Flown",
    "Step",
    "TradeRow",
    "check_level",
    "fly_zones",
    "seating_sd_kgm",
    "trade",
]

Floats = NDArray[np.float64]
Watch = Callable[[int, int], None]

SIDES: Final = ("forward", "aft")
#: What is kept of a flight: seating error (kg m), error of the zero-fuel CG (% MAC), excess over
#: the planned path's least margin by side (% MAC of the zero-fuel CG).
FIELDS: Final = ("seating_kgm", "zero_fuel_pct", "excess_forward_pct", "excess_aft_pct")
_BATCH: Final = 2048
_RESAMPLES: Final = 200


@dataclass(frozen=True, slots=True, eq=False)
class Flown:
    """A division, the scenario with it, and its flights.

    Attributes
    ----------
    label : str
        What it is.
    division : Division or None
        None where its zones are no blocks of rows (the scenario's own may be scattered).
    model : FlightModel
    figures : float64 array, shape (flights, len(FIELDS))
    """

    label: str
    division: Division | None
    model: FlightModel
    figures: Floats


@dataclass(frozen=True, slots=True)
class TradeRow:
    """What one division needs and leaves.

    Attributes
    ----------
    label : str
    zones : int
    boundaries : tuple of int or None
        Rows after which a curtain stands.
    rows : tuple of str
        Rows of each zone.
    counts : tuple of int
        Passengers planned in each.
    cost : float or None
        Of the objective; None for zones that are no blocks of rows.
    closed_sd_kgm : float
        Standard deviation of the seating error, seats at random, everyone alone.
    sampled_sd_kgm, sampled_sd_se_kgm, bias_kgm : float
        The same and its mean under the operation's rule, sampled, with zone arms as told.
    conventional_kgm : float
        Sum over the zones of the largest running deviation, worst side of each, times the adult
        standard mass.
    scale_kgm : float
        Moment that shifts the planned zero-fuel CG by 1 % MAC.
    zero_fuel_sd_pct, zero_fuel_sd_se_pct : float
        Standard deviation of the error of the zero-fuel CG, all causes.
    zero_fuel : tuple of Interval
        Quantile at the level of that error, forward and aft (% MAC, toward the side).
    excess : tuple of Interval
        Quantile at the level of the excess over the whole flight, forward and aft.
    width_pct : float
        Room for the planned zero-fuel CG between the certified limits, at the planned masses.
    usable_pct : float
        The same less the two excesses.
    """

    label: str
    zones: int
    boundaries: tuple[int, ...] | None
    rows: tuple[str, ...]
    counts: tuple[int, ...]
    cost: float | None
    closed_sd_kgm: float
    sampled_sd_kgm: float
    sampled_sd_se_kgm: float
    bias_kgm: float
    conventional_kgm: float
    scale_kgm: float
    zero_fuel_sd_pct: float
    zero_fuel_sd_se_pct: float
    zero_fuel: tuple[Interval, Interval]
    excess: tuple[Interval, Interval]
    width_pct: float
    usable_pct: float

    @property
    def conventional_pct(self) -> float:
        """The conventional sum as a shift of the planned zero-fuel CG, % MAC."""
        return self.conventional_kgm / self.scale_kgm


@dataclass(frozen=True, slots=True)
class Step:
    """What one division brings against another.

    Attributes
    ----------
    here, against : str
        Their labels.
    conventional_kgm, conventional_pct : float
        Conventional sum that is freed, each side.
    sd_kgm, sd_se_kgm : float
        How much smaller the sampled deviation of the seating error is, paired by flight.
    usable_pct, usable_se_pct : float
        How much wider the usable envelope is, with a standard error by resampling flights.
    """

    here: str
    against: str
    conventional_kgm: float
    conventional_pct: float
    sd_kgm: float
    sd_se_kgm: float
    usable_pct: float
    usable_se_pct: float


def check_level(level: float) -> None:
    """Refuse a level that is not over 0 and under 0.5.

    Raises
    ------
    UsageError
        If it is not.
    """
    if not 0.0 < level < 0.5:
        raise UsageError(
            argument="level",
            expected="over 0 and under 0.5",
            got=level,
            cure="Give a chance per flight and side, for instance 0.001.",
        )


def seating_sd_kgm(model: FlightModel) -> float:
    """Return the standard deviation of the seating error, seats of each zone taken at random.

    With passengers of standard masses w_i on a random set of a zone's N open seats, the variance of
    the moment is ``s**2 N / (N - 1) (sum w_i**2 - (sum w_i)**2 / N)``: that of a random
    permutation of the seats' arms among the passengers and empty seats (mass 0).
    """
    plan, operation = model.plan, model.scenario.operation
    adult, child = adult_standard_kg(operation), child_standard_kg(operation)
    variance = 0.0
    for number, zone in enumerate(operation.zones):
        arm = plan.arm_m[(plan.zone == number) & ~plan.blocked]
        if arm.size > 1:
            total = zone.adults * adult + zone.children * child
            squares = zone.adults * adult**2 + zone.children * child**2
            spread = max(squares - total**2 / arm.size, 0.0)
            variance += float(arm.var()) * arm.size / (arm.size - 1) * spread
    return math.sqrt(variance)


def _conventional_kgm(model: FlightModel) -> float:
    """Return the conventional sum of a scenario's zones at the adult standard mass."""
    plan = model.plan
    found = 0.0
    for number in range(len(plan.zones)):
        here = plan.zone == number
        seats = here & ~plan.blocked
        about = float(plan.arm_m[here].mean())
        found += conventional_cost(plan.arm_m[seats], plan.position[seats], about_m=about)
    return found * adult_standard_kg(model.scenario.operation)


def _figures(model: FlightModel, scores: Sequence[Score], rows: Floats) -> Floats:
    at = model.columns.index
    error = rows[:, at("zero_fuel_cg_pct_mac")] - model.sheet.zero_fuel_cg_pct_mac
    return np.column_stack(
        [rows[:, at("take_off_error_kgm.seating")], error, *(score.of(rows) for score in scores)]
    )


def fly_zones(
    model: FlightModel, *, seed: int, flights: int, jobs: int = -1, watch: Watch | None = None
) -> Floats:
    """Fly a division and return :data:`FIELDS` of its flights, shape (flights, 4).

    Parameters
    ----------
    model : FlightModel
    seed : int
        Resolved seed; flights 0 to ``flights - 1`` of it.
    flights : int
        At least 2.
    jobs : int
        Threads; changes no result.
    watch : callable, optional
        Told how many flights of how many are done.

    Raises
    ------
    UsageError
        If the number of flights is out of range.
    """
    if not 2 <= flights <= MAX_FLIGHTS:
        raise UsageError(
            argument="flights",
            expected=f"a whole number from 2 to {MAX_FLIGHTS}",
            got=flights,
            cure="Give how many flights confirm each division; 20000 is usual.",
        )
    scores = [envelope_score(model, side=side) for side in SIDES]

    def fly(start: int) -> Floats:
        numbers = np.arange(start, min(start + _BATCH, flights), dtype=np.uint32)
        return _figures(model, scores, fly_block(model, seed=seed, flights=numbers))

    starts = range(0, flights, _BATCH)
    parts: list[Floats] = []

    def keep(part: Floats) -> None:
        parts.append(part)
        if watch is not None:
            watch(sum(len(one) for one in parts), flights)

    keep(fly(0))  # alone: threads would wait on each other for the compiler
    with Parallel(n_jobs=jobs, backend="threading", return_as="generator") as pool:
        for part in pool(delayed(fly)(start) for start in starts[1:]):
            keep(part)
    return np.concatenate(parts)


def _sd(values: Floats) -> tuple[float, float]:
    """Return a standard deviation and its standard error, from the fourth moment."""
    away = values - values.mean()
    variance = float((away**2).mean())
    if variance == 0.0:
        return 0.0, 0.0
    fourth = float((away**4).mean())
    sd = math.sqrt(variance)
    return sd, math.sqrt(max(fourth - variance**2, 0.0) / values.size) / (2.0 * sd)


def _row(flown: Flown, *, level: float) -> TradeRow:
    model, figures = flown.model, flown.figures
    operation = model.scenario.operation
    seating, error = figures[:, 0], figures[:, 1]
    sd, sd_se = _sd(seating)
    zero_sd, zero_se = _sd(error)
    excess = tuple(quantile_interval(figures[:, 2 + k], 1.0 - level) for k in range(2))
    width = sum(envelope_score(model, side=side).as_planned for side in SIDES)
    return TradeRow(
        label=flown.label,
        zones=len(operation.zones),
        boundaries=None if flown.division is None else flown.division.boundaries,
        rows=tuple(zone.rows for zone in operation.zones),
        counts=tuple(zone.adults + zone.children for zone in operation.zones),
        cost=None if flown.division is None else flown.division.cost,
        closed_sd_kgm=seating_sd_kgm(model),
        sampled_sd_kgm=sd,
        sampled_sd_se_kgm=sd_se,
        bias_kgm=float(seating.mean()),
        conventional_kgm=_conventional_kgm(model),
        scale_kgm=zero_fuel_scale(model),
        zero_fuel_sd_pct=zero_sd,
        zero_fuel_sd_se_pct=zero_se,
        zero_fuel=(
            quantile_interval(-error, 1.0 - level),
            quantile_interval(error, 1.0 - level),
        ),
        excess=(excess[0], excess[1]),
        width_pct=width,
        usable_pct=width - excess[0].estimate - excess[1].estimate,
    )


def _step(here: Flown, there: Flown, *, rows: dict[str, TradeRow], level: float, seed: int) -> Step:
    """Compare two divisions flight by flight."""
    mine, other = rows[here.label], rows[there.label]
    influence = np.zeros(len(here.figures))
    for flown, row, sign in ((there, other, 1.0), (here, mine, -1.0)):
        away = flown.figures[:, 0] - row.bias_kgm
        if row.sampled_sd_kgm > 0.0:
            influence += sign * away**2 / (2.0 * row.sampled_sd_kgm)
    random = generator(seed, "zones", here.label, there.label)
    flights = len(influence)
    rank = min(max(math.ceil(flights * (1.0 - level) - 1e-9), 1), flights) - 1
    gains = []
    for _ in range(_RESAMPLES):
        picked = random.integers(0, flights, flights)
        both = [
            float(np.partition(flown.figures[picked, 2 + side], rank)[rank])
            for flown in (there, here)
            for side in range(2)
        ]
        gains.append(both[0] + both[1] - both[2] - both[3])
    return Step(
        here=here.label,
        against=there.label,
        conventional_kgm=other.conventional_kgm - mine.conventional_kgm,
        conventional_pct=other.conventional_pct - mine.conventional_pct,
        sd_kgm=other.sampled_sd_kgm - mine.sampled_sd_kgm,
        sd_se_kgm=float(influence.std(ddof=1)) / math.sqrt(flights),
        usable_pct=mine.usable_pct - other.usable_pct,
        usable_se_pct=float(np.std(gains, ddof=1)),
    )


def trade(
    flown: Sequence[Flown], *, level: float, seed: int, existing: str | None = None
) -> tuple[tuple[TradeRow, ...], tuple[Step, ...]]:
    """Return what each division needs and leaves, and what each brings against others.

    Each of the best is compared with the one of fewer zones, with the one of most zones, and with
    the scenario's own.

    Parameters
    ----------
    flown : sequence of Flown
        Divisions on the same flights, by the number of zones.
    level : float
        Chance per flight and side at which excesses are compared, over 0 and under 0.5.
    seed : int
        Of the resampling.
    existing : str, optional
        Label of the scenario's own division.

    Raises
    ------
    UsageError
        If the level is out of range.
    """
    check_level(level)
    rows = {one.label: _row(one, level=level) for one in flown}
    named = {one.label: one for one in flown}
    best = [one for one in flown if one.label != existing]
    pairs = list(zip(best[1:], best[:-1], strict=True))
    pairs += [(one, best[-1]) for one in best[:-1]]
    if existing is not None:
        pairs += [(one, named[existing]) for one in best]
    steps = tuple(_step(a, b, rows=rows, level=level, seed=seed) for a, b in pairs)
    return tuple(rows.values()), steps
