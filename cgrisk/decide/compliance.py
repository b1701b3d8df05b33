"""What becomes of the ranking where people do not keep to their seats."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from cgrisk.decide.policy_cells import Cell, Task, flights_flown
from cgrisk.decide.policy_shelf import kept_count
from cgrisk.flight import SIDES
from cgrisk.rare import Meter
from cgrisk.risk.sequential import any_time_intervals
from cgrisk.scenario.policies_file import PoliciesFile

__all__ = ["LEVELS", "Compliance", "fly_compliance"]

Ints = NDArray[np.int64]

#: Nobody changes seats; as stated; as many as under poor compliance.
LEVELS: Final = ("full", "stated", "poor")


@dataclass(frozen=True, slots=True, eq=False)
class Compliance:
    """Risks where nobody, some, and many change seats.

    Attributes
    ----------
    counts : int64 array
        Numbers of passengers looked at, spread over the demand.
    table : pandas.DataFrame
        policy, level (of :data:`LEVELS`), movers_share, counts (at how many of the numbers it
        fits), side (the worse), risk (mean over these), low, high, rank (among those that fit at
        every number; 0: not ranked, its mean is over others).
    swaps : pandas.DataFrame
        first, second, full, poor (difference, second less first, on the worse side), told_apart:
        pairs whose order turns round from full to poor compliance, and whether both differences
        are told from none (approximate, normal).
    flights : int
    """

    counts: Ints
    table: pd.DataFrame
    swaps: pd.DataFrame
    flights: int


def fly_compliance(task: Task, file: PoliciesFile, *, counts: Ints, meter: Meter) -> Compliance:
    """Fly the policies with nobody, the stated share, and many changing seats.

    Parameters
    ----------
    task : Task
        Its flights are flown to the end.
    file : PoliciesFile
    counts : int64 array
        Numbers of passengers.
    meter : Meter
    """
    own = task.scenario.operation.seating.movers_share
    stated = [own if p.movers_share is None else p.movers_share for p in file.policies]
    shares = {
        "full": [0.0] * len(stated),
        "stated": stated,
        "poor": [max(file.poor_compliance, s) for s in stated],
    }
    cells: dict[str, list[list[Cell]]] = {}
    rows: list[dict[str, object]] = []
    names = [policy.name for policy in file.policies]
    flights = 0
    for level in LEVELS:
        meter.doing = f"{level} compliance"
        cells[level] = [
            kept_count(
                task, file.policies, passengers=int(n), movers_share=shares[level], meter=meter
            )
            for n in counts
        ]
        flights += sum(flights_flown(here) for here in cells[level])
        found = [
            _risk(name, level, shares[level][i], [here[i] for here in cells[level]], task)
            for i, name in enumerate(names)
        ]
        # A mean over other numbers of passengers is no rank.
        ranked = [i for i, row in enumerate(found) if row["counts"] == counts.size]
        risks = np.array([found[i]["risk"] for i in ranked], dtype=np.float64)
        place = dict.fromkeys(range(len(found)), 0)
        place |= {ranked[k]: n + 1 for n, k in enumerate(np.argsort(risks, kind="stable"))}
        rows += [row | {"rank": place[i]} for i, row in enumerate(found)]
    return Compliance(counts, pd.DataFrame(rows), _swaps(names, cells, task.confidence), flights)


def _risk(name: str, level: str, share: float, cells: list[Cell], task: Task) -> dict[str, object]:
    flown = [cell for cell in cells if cell.flights]
    row: dict[str, object] = {"policy": name, "level": level, "movers_share": share}
    row["counts"] = len(flown)
    if not flown:
        return row | {"side": "", "risk": math.nan, "low": math.nan, "high": math.nan}
    hits = np.sum([cell.beyond.sum(axis=1) for cell in flown], axis=0)
    total = sum(cell.flights for cell in flown)
    side = int(hits.argmax())
    # All numbers of passengers have the same flights: the mean risk is the pooled share.
    low, high = any_time_intervals([hits[side]], flights=total, confidence=task.confidence)
    p = float(hits[side] / total)
    return row | {"side": SIDES[side], "risk": p, "low": float(low[0]), "high": float(high[0])}


def _swaps(names: list[str], cells: dict[str, list[list[Cell]]], confidence: float) -> pd.DataFrame:
    z = float(special.ndtri(0.5 * (1.0 + confidence)))
    rows: list[tuple[object, ...]] = []
    for i, j in combinations(range(len(names)), 2):
        for s, side in enumerate(SIDES):
            gaps, sure = [], []
            for level in ("full", "poor"):
                parts = [(h[i], h[j]) for h in cells[level] if h[i].flights and h[j].flights]
                if not parts:
                    break
                change = np.concatenate(
                    [b.beyond[s].astype(np.int64) - a.beyond[s] for a, b in parts]
                )
                gaps.append(float(change.mean()))
                sure.append(abs(gaps[-1]) > z * float(change.std()) / math.sqrt(change.size))
            if len(gaps) == 2 and gaps[0] * gaps[1] < 0.0:
                rows.append((names[i], names[j], side, *gaps, all(sure)))
    columns = ["first", "second", "side", "full", "poor", "told_apart"]
    return pd.DataFrame(rows, columns=columns)
