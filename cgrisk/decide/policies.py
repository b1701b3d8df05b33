"""Policies compared: risk, trim and seats over the numbers of passengers, ranked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.aircraft import cabin_plan
from cgrisk.decide.compliance import Compliance, fly_compliance
from cgrisk.decide.demand import DemandLaw, demand_law
from cgrisk.decide.policy import meaning, room_under
from cgrisk.decide.policy_cells import FIGURES, Cell, Task, count_seed, flights_flown
from cgrisk.decide.policy_errors import mean_errors
from cgrisk.decide.policy_pairs import contrasts, pair_table
from cgrisk.decide.policy_shelf import kept_count
from cgrisk.errors import UsageError
from cgrisk.flight import SIDES
from cgrisk.rare import Meter
from cgrisk.risk.sequential import any_time_intervals
from cgrisk.scenario import Scenario
from cgrisk.scenario.policies_file import PoliciesFile, Policy

__all__ = ["PolicyStudy", "capacity_under", "checked_counts", "default_counts", "evaluate"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_COUNTS = 30
#: Quantiles of the demand at whose numbers of passengers the compliance is looked at.
_COMPLIANCE_AT = (1 / 6, 1 / 2, 5 / 6)
#: Flights of a policy at a number of passengers for the compliance, decided or not.
_COMPLIANCE_FLIGHTS = 3072


@dataclass(frozen=True, slots=True, eq=False)
class PolicyStudy:
    """All that is known of a set of policies.

    Attributes
    ----------
    task : Task
    file : PoliciesFile
    counts : int64 array, shape (counts,)
        Numbers of passengers, rising.
    cells : tuple of tuple of Cell
        By number of passengers, then policy.
    demand : DemandLaw
    table : pandas.DataFrame
        policy, passengers, side, fits, seats_blocked, seats_open, flights, risk, low, high,
        standing, as_planned, as_planned_low, as_planned_high, at_limit_pct_mac,
        planned_pct_mac, seed, method.
    trim : pandas.DataFrame
        policy, passengers, and :data:`cgrisk.decide.policy_cells.FIGURES`.
    pairs : pandas.DataFrame
        From :func:`cgrisk.decide.policy_pairs.pair_table`.
    contrasts : pandas.DataFrame
        From :func:`cgrisk.decide.policy_pairs.contrasts`.
    mean_errors : pandas.DataFrame
        From :func:`cgrisk.decide.policy_errors.mean_errors`.
    ranking : pandas.DataFrame
        rank, policy, meaning, verdict (meets, undecided, fails), risk (over the demand, on the
        worse side), side, low, high, worst_risk, worst_passengers, worst_side, seats_blocked (mean
        over the demand), capacity, turned_away, undecided_cells, pareto, pareto_possible,
        not_apart_from.
    compliance : Compliance or None
    flights : int
        Flights flown for all of it.
    """

    task: Task
    file: PoliciesFile
    counts: Ints
    cells: tuple[tuple[Cell, ...], ...]
    demand: DemandLaw
    table: pd.DataFrame
    trim: pd.DataFrame
    pairs: pd.DataFrame
    contrasts: pd.DataFrame
    mean_errors: pd.DataFrame
    ranking: pd.DataFrame
    compliance: Compliance | None
    flights: int


def default_counts(seats: int, *, number: int = _COUNTS) -> Ints:
    """Return numbers of passengers from a sixth of the seats to all of them, evenly."""
    return np.unique(np.rint(np.linspace(max(seats / 6.0, 1.0), seats, number)).astype(np.int64))


def capacity_under(scenario: Scenario, policy: Policy, *, file: str | None = None) -> int:
    """Return the most passengers a policy lets aboard.

    Parameters
    ----------
    scenario : Scenario
    policy : Policy
    file : str, optional
        The policies file, as a message names it.

    Raises
    ------
    UsageError
        If it takes more passengers but not some fewer ones: it blocks, below a number of
        passengers, so many seats that they do not all find one.
    """
    plan = cabin_plan(scenario)
    # What is blocked changes only where a number of passengers is reached.
    turns = sorted({1, *(b.below for b in policy.block if b.below and b.below <= plan.seats)})
    left: dict[int, int] = {}
    for first, after in pairwise([*turns, plan.seats + 1]):
        room = room_under(scenario, policy, passengers=first, plan=plan).left
        left |= dict.fromkeys(range(first, after), room)
    fitting = [n for n, room in left.items() if n <= room]
    capacity = max(fitting, default=0)
    lost = [n for n, room in left.items() if room < n < capacity]
    if lost or not fitting:
        number = lost[0] if lost else 1
        raise UsageError(
            argument=f"{file}: policy {policy.name!r}" if file else f"policy {policy.name!r}",
            expected=f"a seat for each of {number} passengers" if lost else "a seat left open",
            got=f"{left[number]} seats left open at that number, "
            f"and {capacity} passengers allowed above it"
            if lost
            else "0 seats left open, whatever the number of passengers",
            cure="Block fewer seats, or lower the number below which they are blocked.",
        )
    return capacity


def checked_counts(file: PoliciesFile, counts: Ints | None, seats: int) -> Ints:
    """Return numbers of passengers, rising: those given, the file's, or thirty.

    Raises
    ------
    UsageError
        If there are none, or one is not from 1 to the seats.
    """
    if counts is None:
        counts = np.array(file.counts, dtype=np.int64) if file.counts else default_counts(seats)
    found = np.unique(counts)
    if found.size == 0 or found[0] < 1 or found[-1] > seats:
        raise UsageError(
            argument="counts",
            expected=f"numbers of passengers from 1 to the {seats} seats of the cabin",
            got=found.tolist(),
            cure="Leave out those that are not.",
        )
    return found


def evaluate(
    task: Task,
    file: PoliciesFile,
    *,
    counts: Ints | None = None,
    compliance: bool = True,
    meter: Meter | None = None,
) -> PolicyStudy:
    """Compare policies over numbers of passengers, on common random numbers.

    The risk is that of leaving the certified envelope when the load is planned on the operational
    limit: what a policy changes moves the planned load too, and a flight planned far inside says
    nothing of the policy. The risk of the loads as planned stands beside it.

    Parameters
    ----------
    task : Task
    file : PoliciesFile
        Checked against the scenario.
    counts : int64 array, optional
        Numbers of passengers; the file's, else thirty, if not given.
    compliance : bool
        Also fly the policies with nobody and with many changing seats.
    meter : Meter, optional
        Told of the flights; keeps finished numbers of passengers.

    Raises
    ------
    UsageError
        If a policy contradicts itself or the numbers of passengers; the message gives the numbers.
    """
    meter = Meter() if meter is None else meter
    scenario, policies = task.scenario, file.policies
    seats = cabin_plan(scenario).seats
    numbers = checked_counts(file, counts, seats)
    capacity = np.array([capacity_under(scenario, policy) for policy in policies])
    meter.begin("policies", expected=6000 * len(policies) * numbers.size)
    cells = []
    for k, n in enumerate(numbers):
        meter.doing = f"{n} passengers, {k + 1} of {numbers.size}"
        cells.append(tuple(kept_count(task, policies, passengers=int(n), meter=meter)))
    demand = demand_law(file.demand, counts=numbers)
    names = [policy.name for policy in policies]
    common = demand.weights(numbers, seats=seats)
    between = contrasts(
        names, cells, weights=common, confidence=task.confidence, flights=task.compared
    )
    errors = mean_errors(task, policies, cells, weights=common, meter=meter)
    ranking = _ranking(task, policies, numbers, cells, demand, capacity, between)
    obeyed = None
    if compliance:
        chosen = np.searchsorted(np.cumsum(common), _COMPLIANCE_AT)
        chosen = np.unique(np.minimum(chosen, numbers.size - 1))
        obeyed = fly_compliance(
            replace(task, flights=min(task.flights, _COMPLIANCE_FLIGHTS), to_the_end=True),
            file,
            counts=numbers[chosen],
            meter=meter,
        )
    flown = sum(flights_flown(here) for here in cells)
    return PolicyStudy(
        task=task,
        file=file,
        counts=numbers,
        cells=tuple(cells),
        demand=demand,
        table=_table(task, names, cells),
        trim=_trim(names, cells),
        pairs=pair_table(names, cells, confidence=task.confidence),
        contrasts=between,
        mean_errors=errors,
        ranking=ranking,
        compliance=obeyed,
        flights=flown + (0 if obeyed is None else obeyed.flights),
    )


def _worst(cell: Cell) -> float:
    return float(cell.risk.max()) if cell.flights else -1.0


def _table(task: Task, names: list[str], cells: list[tuple[Cell, ...]]) -> pd.DataFrame:
    rows: list[tuple[object, ...]] = []
    for here in cells:
        for name, cell in zip(names, here, strict=True):
            fits = cell.flights > 0
            standing = cell.standing(task.target) if fits else ("no room", "no room")
            low = high = planned = np.full(2, np.nan)
            if fits:
                planned = cell.planned_hits / cell.flights
                low, high = any_time_intervals(
                    cell.planned_hits,
                    flights=cell.flights,
                    confidence=task.confidence,
                    near=task.target,
                )
            for s, side in enumerate(SIDES):
                rows.append(
                    (
                        *(name, cell.passengers, side, fits, cell.room.lost, cell.room.left),
                        *(cell.flights + cell.more_flights, cell.risk[s], cell.low[s]),
                        *(cell.high[s], standing[s], planned[s], low[s], high[s]),
                        *(cell.at_limit[s], cell.as_planned[s]),
                        *(count_seed(task.seed, cell.passengers), cell.method),
                    )
                )
    columns = ["policy", "passengers", "side", "fits", "seats_blocked", "seats_open", "flights"]
    columns += ["risk", "low", "high", "standing", "as_planned", "as_planned_low"]
    columns += ["as_planned_high", "at_limit_pct_mac", "planned_pct_mac", "seed", "method"]
    return pd.DataFrame(rows, columns=columns)


def _trim(names: list[str], cells: list[tuple[Cell, ...]]) -> pd.DataFrame:
    rows = [
        (name, cell.passengers, *cell.figures)
        for here in cells
        for name, cell in zip(names, here, strict=True)
        if cell.flights
    ]
    return pd.DataFrame(rows, columns=["policy", "passengers", *FIGURES])


def _ranking(
    task: Task,
    policies: tuple[Policy, ...],
    counts: Ints,
    cells: list[tuple[Cell, ...]],
    demand: DemandLaw,
    capacity: Ints,
    between: pd.DataFrame,
) -> pd.DataFrame:
    seats = int(cells[0][0].room.seats)
    unavoidable = demand.turned_away(seats)
    rows = []
    for i, policy in enumerate(policies):
        own = [(n, here[i]) for n, here in zip(counts, cells, strict=True) if here[i].flights]
        if not own:
            raise UsageError(
                argument=f"policy {policy.name!r}",
                expected=f"a number of passengers it has seats for, at most {capacity[i]}",
                got=counts.tolist(),
                cure="Look at fewer passengers, or block fewer seats.",
            )
        share = demand.weights(np.array([n for n, _ in own]), seats=int(capacity[i]))
        risk, low, high = (
            share @ np.array([getattr(cell, name) for _, cell in own])
            for name in ("risk", "low", "high")
        )
        side = int(risk.argmax())
        standing = [s for _, cell in own for s in cell.standing(task.target)]
        peak = max(own, key=lambda pair: _worst(pair[1]))[1]
        rows.append(
            {
                "policy": policy.name,
                "meaning": meaning(policy),
                "verdict": _verdict(standing),
                "risk": float(risk[side]),
                "side": SIDES[side],
                "low": float(low[side]),
                "high": float(high[side]),
                "worst_risk": _worst(peak),
                "worst_passengers": peak.passengers,
                "worst_side": SIDES[int(peak.risk.argmax())],
                "seats_blocked": float(share @ np.array([cell.room.lost for _, cell in own])),
                "capacity": int(capacity[i]),
                "turned_away": demand.turned_away(int(capacity[i])) - unavoidable,
                "undecided_cells": standing.count("undecided"),
            }
        )
    frame = pd.DataFrame(rows)
    three = frame[["risk", "seats_blocked", "turned_away"]].to_numpy(dtype=np.float64)
    frame["pareto"] = [not beaten.any() for beaten in _beaten(three)]
    frame["not_apart_from"] = [
        _alike(name, str(side), between)
        for name, side in zip(frame["policy"], frame["side"], strict=True)
    ]
    frame.insert(
        list(frame).index("pareto") + 1,
        "pareto_possible",
        _possible(frame, three, between),
    )
    # What meets the target goes by its cost, people left behind before seats, all else by its risk.
    meets = frame["verdict"] == "meets"
    frame["_verdict"] = frame["verdict"].map({"meets": 0, "undecided": 1, "fails": 2})
    frame["_left"] = np.where(meets, frame["turned_away"], 0.0)
    frame["_seats"] = np.where(meets, frame["seats_blocked"], 0.0)
    order = ["_verdict", "_left", "_seats", "risk"]
    frame = frame.sort_values(order, kind="stable", ignore_index=True)
    frame = frame.drop(columns=order[:-1])
    frame.insert(0, "rank", np.arange(1, len(frame) + 1))
    return frame


def _verdict(standing: list[str]) -> str:
    """Return meets where every number of passengers and side does, fails where one does not."""
    if "above" in standing:
        return "fails"
    return "meets" if all(s == "below" for s in standing) else "undecided"


def _beaten(points: Floats) -> NDArray[np.bool_]:
    """Return, row by row, which points are no worse in anything and better in something."""
    other, own = points[None, :, :], points[:, None, :]
    return np.asarray((other <= own).all(axis=2) & (other < own).any(axis=2))


def _possible(frame: pd.DataFrame, points: Floats, between: pd.DataFrame) -> list[bool]:
    """Return which points may be of the Pareto set: none that beats them is told apart from them.

    Told apart: in risk, on the worse side of the one beaten.
    """
    apart = between[between["told_apart"]]
    sure = set(zip(apart["first"], apart["second"], apart["side"], strict=True))
    names, sides = list(frame["policy"]), list(frame["side"])
    found = []
    for i, beaten in enumerate(_beaten(points)):
        better = [names[j] for j in np.flatnonzero(beaten)]
        found.append(
            not any(
                (names[i], name, sides[i]) in sure or (name, names[i], sides[i]) in sure
                for name in better
            )
        )
    return found


def _alike(name: str, side: str, between: pd.DataFrame) -> str:
    """Return the policies that cannot be told from one on its worse side, in words."""
    here = between[(between["side"] == side) & ~between["told_apart"]]
    others = [
        *here.loc[here["first"] == name, "second"],
        *here.loc[here["second"] == name, "first"],
    ]
    return ", ".join(str(other) for other in others)
