"""The least seating restriction that keeps the risk under a target, by number of passengers."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cgrisk.decide.policies import capacity_under, checked_counts, default_counts
from cgrisk.decide.policy_cells import RARE, Cell, Task, flights_flown
from cgrisk.decide.restriction import Family, Restriction
from cgrisk.decide.restriction_cells import Screen
from cgrisk.decide.restriction_draft import Answer, DraftLine, draft_lines
from cgrisk.decide.restriction_proof import confirm
from cgrisk.errors import UsageError
from cgrisk.flight import SIDES
from cgrisk.rare import Meter
from cgrisk.risk.sequential import any_time_intervals
from cgrisk.scenario.policies_file import PoliciesFile

__all__ = ["RestrictionStudy", "flights_for", "least_restriction"]

Ints = NDArray[np.int64]

#: Flights expected of a number of passengers, in multiples of a cell's most, for the progress.
_EXPECTED = 8
#: Flights that usually tell half the target from the target, in multiples of one over the target.
_ENOUGH = 30.0
_FEWEST = 10_000


def flights_for(target: float) -> int:
    """Return how many flights of a restriction serve a target: 30 over it, at least 10,000."""
    return max(_FEWEST, math.ceil(_ENOUGH / target)) if target >= RARE else _FEWEST


@dataclass(frozen=True, slots=True, eq=False)
class RestrictionStudy:
    """The least restriction for each number of passengers, and all that was tried.

    Attributes
    ----------
    task : Task
    family : Family
    counts : int64 array, shape (counts,)
        Numbers of passengers, rising.
    answers : tuple of Answer
        By number of passengers.
    draft : tuple of DraftLine
    table : pandas.DataFrame
        passengers, status, restriction, seats_blocked, seats_left, moved_kg, flights, risk, low,
        high (worse side, among all that was tried), side, attempts, confirmed_from, confirmed_to,
        confirmed_high (greatest upper bound of the fresh flights; nan unless confirmed).
    tried : pandas.DataFrame
        passengers, restriction, seats_blocked, seats_left, moved_kg, side, flights, risk, low,
        high, standing, outcome (confirmed, refused, nearest, or empty).
    proofs : pandas.DataFrame
        for_passengers, attempt, restriction, holds, each, passengers, side, fits, flights, hits,
        risk, high, seed.
    flights : int
        Flights flown for all of it.
    """

    task: Task
    family: Family
    counts: Ints
    answers: tuple[Answer, ...]
    draft: tuple[DraftLine, ...]
    table: pd.DataFrame
    tried: pd.DataFrame
    proofs: pd.DataFrame
    flights: int


def least_restriction(
    task: Task, file: PoliciesFile, *, counts: Ints | None = None, meter: Meter | None = None
) -> RestrictionStudy:
    """Look for the least restriction that meets the target, for each number of passengers.

    The target holds for each side by itself, and a restriction meets it where both sides are under
    it. Nothing is tried first, then hold load moved, then the families that the file declares, on
    common random numbers, each cell until it is decided; see :class:`Screen`. The least is then
    flown afresh at its number of passengers and those around it (:func:`confirm`), and so is the
    next one if it is not confirmed, until one is or the attempts are used up.

    The confidence holds for what is said of one number of passengers: whatever the number of
    restrictions looked at, one that does not meet the target there, or at a number around it that
    the draft names, is confirmed with at most the probability left.

    Parameters
    ----------
    task : Task
        Its flights are the most of a restriction at a number of passengers.
    file : PoliciesFile
        Checked against the scenario.
    counts : int64 array, optional
        Numbers of passengers; the file's, else thirty, if not given.
    meter : Meter, optional
        Told of the flights; keeps finished pieces.

    Raises
    ------
    UsageError
        If a number of passengers does not fit under the base policy, or the flights could not show
        a risk to be under the target even without an event; with the numbers.
    """
    meter = Meter() if meter is None else meter
    task = replace(task, both_sides=False)
    _enough(task)
    family = Family.of(task.scenario, file)
    numbers = checked_counts(file, counts, family.plan.seats)
    if counts is None and not file.counts:
        numbers = default_counts(capacity_under(task.scenario, family.base))
    for n in numbers:
        family.under_base(int(n))
    meter.begin("restrictions", expected=_EXPECTED * task.flights * numbers.size)
    answers: list[Answer] = []
    tried: list[pd.DataFrame] = []
    flights = 0
    for k, n in enumerate(numbers):
        meter.doing = f"{n} passengers, {k + 1} of {numbers.size}"
        screen = Screen(task, family, int(n), meter)
        answer = _answer(screen)
        answers.append(answer)
        tried.append(_tried(screen, answer))
        flights += flights_flown(screen.cells.values()) + sum(p.flights for p in answer.proofs)
    return RestrictionStudy(
        task=task,
        family=family,
        counts=numbers,
        answers=tuple(answers),
        draft=draft_lines(answers, seats=family.plan.seats, near=family.search.near),
        table=pd.DataFrame([_row(answer) for answer in answers]),
        tried=pd.concat(tried, ignore_index=True),
        proofs=_proofs(answers, family),
        flights=flights,
    )


def _enough(task: Task) -> None:
    """Refuse flights that cannot decide anything in favour of a restriction."""
    if task.target < RARE:
        return
    bound = float(
        any_time_intervals([0], flights=task.flights, confidence=task.confidence, near=task.target)[
            1
        ][0]
    )
    if bound >= task.target:
        raise UsageError(
            argument="flights",
            expected=f"enough to show a risk under {task.target:g}: without an event "
            f"{task.flights:,} flights show no more than a risk under {bound:.2g}",
            got=task.flights,
            cure=f"Allow more; {flights_for(task.target):,} usually serve.",
        )


def _answer(screen: Screen) -> Answer:
    family, n = screen.family, screen.passengers
    proofs = []
    status = ""
    chosen: Restriction | None = None
    for attempt in range(1, family.search.attempts + 1):
        chosen = screen.least()
        if chosen is None:
            break
        proof = confirm(
            family,
            chosen,
            task=screen.task,
            cell=screen.cells[chosen],
            attempt=attempt,
            meter=screen.meter,
        )
        proofs.append(proof)
        if proof.holds:
            status = "confirmed"
            break
        screen.refused[chosen] = float(proof.table["high"].max())
    if status != "confirmed":
        if chosen is not None:
            screen.least()  # what comes after the last one refused is looked at too
        chosen = screen.nearest()
        open_ = any(screen.standing(one) in ("undecided", "close") for one in screen.cells)
        status = "not confirmed" if proofs else "undecided" if open_ else "none"
    assert chosen is not None
    return Answer(
        passengers=n,
        status=status,
        restriction=chosen,
        words=family.words(chosen),
        cell=screen.cells[chosen],
        seats_blocked=family.blocked(chosen, passengers=n),
        seats_left=family.left(chosen, passengers=n),
        moved_kg=family.moved_kg(chosen, passengers=n),
        proofs=tuple(proofs),
    )


def _worse(cell: Cell) -> int:
    return int(np.lexsort((cell.risk, cell.high))[-1])


def _row(answer: Answer) -> dict[str, object]:
    cell, proof = answer.cell, answer.proof
    s = _worse(cell)
    at = () if proof is None else proof.confirmed_at
    return {
        "passengers": answer.passengers,
        "status": answer.status,
        "restriction": answer.words,
        "seats_blocked": answer.seats_blocked,
        "seats_left": answer.seats_left,
        "moved_kg": answer.moved_kg,
        "flights": cell.flights + cell.more_flights,
        "risk": float(cell.risk[s]),
        "low": float(cell.low[s]),
        "high": float(cell.high[s]),
        "side": SIDES[s],
        "attempts": len(answer.proofs),
        "confirmed_from": at[0] if at else None,
        "confirmed_to": at[-1] if at else None,
        "confirmed_high": np.nan if proof is None else float(proof.table["high"].max()),
    }


def _tried(screen: Screen, answer: Answer) -> pd.DataFrame:
    family, n = screen.family, screen.passengers
    rows: list[tuple[object, ...]] = []
    for one, cell in screen.cells.items():
        outcome = "refused" if one in screen.refused else ""
        if one == answer.restriction:
            outcome = "confirmed" if answer.status == "confirmed" else "nearest"
        standing = cell.standing(screen.task.target)
        seats = family.blocked(one, passengers=n), family.left(one, passengers=n)
        moved = family.moved_kg(one, passengers=n)
        for s, side in enumerate(SIDES):
            figures = float(cell.risk[s]), float(cell.low[s]), float(cell.high[s])
            flights = cell.flights + cell.more_flights
            which = n, family.words(one), *seats, moved, side, flights
            rows.append((*which, *figures, standing[s], outcome))
    columns = ["passengers", "restriction", "seats_blocked", "seats_left", "moved_kg", "side"]
    columns += ["flights", "risk", "low", "high", "standing", "outcome"]
    return pd.DataFrame(rows, columns=columns)


def _proofs(answers: list[Answer], family: Family) -> pd.DataFrame:
    frames = []
    for answer in answers:
        for proof in answer.proofs:
            frame = proof.table.copy()
            frame.insert(0, "for_passengers", answer.passengers)
            frame.insert(1, "attempt", proof.attempt)
            frame.insert(2, "restriction", family.words(proof.restriction))
            frame.insert(3, "holds", proof.holds)
            frame.insert(4, "each", proof.each)
            frames.append(frame)
    if not frames:
        columns = ["for_passengers", "attempt", "restriction", "holds", "each", "passengers"]
        columns += ["side", "fits", "flights", "hits", "risk", "high", "seed"]
        return pd.DataFrame(columns=columns)
    return pd.concat(frames, ignore_index=True)
