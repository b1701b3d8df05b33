"""The risk of a mix of past loads: as they were, as an envelope admits them, and with cures."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cgrisk.decide.load_risk import SIDES, LoadRisk
from cgrisk.decide.load_state import LoadState
from cgrisk.decide.past_loads import LoadScores
from cgrisk.risk.intervals import Interval

__all__ = ["LoadRisks", "Mix", "mix_of_loads", "mixes_of", "states_to_fly"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mix:
    """Risk over a mix of loads, each sheet of the file equally likely.

    Attributes
    ----------
    by_side : dict of str to Interval
        Mean risk per flight on each side.
    either : Interval
        Sum of both sides, which counts a flight outside on both of them twice.
    worst_count : int
        Loads in the worst tenth, rounded up.
    worst_share : float or None
        Their part of the total; None where nothing was seen at all.
    """

    by_side: dict[str, Interval]
    either: Interval
    worst_count: int
    worst_share: float | None


@dataclass(frozen=True, slots=True)
class LoadRisks:
    """Risks of past loads, and what was asked.

    Attributes
    ----------
    target : float
        Risk per flight, both sides together, that the user accepts.
    reach : float
        Risk below which a bound was enough.
    seed : int
    by_load : mapping
        Forward and aft risk of each different load, cured ones among them.
    mixes : dict of str to Mix
        From :func:`mixes_of`.
    """

    target: float
    reach: float
    seed: int
    by_load: Mapping[LoadState, tuple[LoadRisk, LoadRisk]]
    mixes: dict[str, Mix]

    @property
    def flights(self) -> int:
        """Flights flown for them, those of loads taken from the shelf included."""
        return sum(risk.flights for pair in self.by_load.values() for risk in pair)

    def either(self, state: LoadState) -> tuple[float, float, float]:
        """Return (estimate, low, high) of both sides together: sums, at most 1."""
        pair = self.by_load[state]
        return (
            min(sum(risk.estimate for risk in pair), 1.0),
            min(max(risk.low for risk in pair), 1.0),
            min(sum(risk.high for risk in pair), 1.0),
        )


def _counted(states: Iterable[LoadState]) -> dict[LoadState, int]:
    counts: dict[LoadState, int] = {}
    for state in states:
        counts[state] = counts.get(state, 0) + 1
    return counts


def _groups(scores: LoadScores) -> dict[str, dict[LoadState, int]]:
    """Return the loads of each mix and how often each is among them."""
    groups = {"all": _counted(load.state for load in scores.loads)}
    for name in ("old",) if scores.envelope is None else ("old", "new"):
        out = {id(load) for load in scores.refused(name)}
        groups[f"admitted_{name}"] = _counted(
            load.state for load in scores.loads if id(load) not in out
        )
    groups["cured"] = _counted(
        load.state if load.cure is None else load.cure.state
        for load in scores.loads
        if load.cure is None or load.cure.kind != "cabin"
    )
    return {name: counts for name, counts in groups.items() if counts}


def states_to_fly(scores: LoadScores) -> dict[LoadState, int]:
    """Return the different loads of all mixes: those of the file, then those that cures make."""
    found: dict[LoadState, int] = {}
    for counts in _groups(scores).values():
        for state, count in counts.items():
            found.setdefault(state, count)
    return found


def mixes_of(
    scores: LoadScores, risks: Mapping[LoadState, tuple[LoadRisk, LoadRisk]]
) -> dict[str, Mix]:
    """Return the risk over the mixes that have any load.

    Parameters
    ----------
    scores : LoadScores
    risks : mapping
        Of :func:`states_to_fly`.

    Returns
    -------
    dict of str to Mix
        all (the file as it is), admitted_old and admitted_new (what that envelope admits), and
        cured (what the envelope that judges admits, and the refused loads with their cures; those
        without one are left out).
    """
    return {name: mix_of_loads(risks, counts=counts) for name, counts in _groups(scores).items()}


def mix_of_loads(
    risks: Mapping[LoadState, tuple[LoadRisk, LoadRisk]], *, counts: Mapping[LoadState, int]
) -> Mix:
    """Return the mean risk over loads that stand in a file so many times each.

    The interval recovers each load's error from its own interval: the squares of the distances of
    the estimates from their bounds add up (Zou and Donner, Statistics in Medicine 27 (2008)
    1693-1702, from memory). What is beyond reach adds its whole bound on top.

    Parameters
    ----------
    risks : mapping
        Forward and aft risk of each load, from :func:`cgrisk.decide.load_risk.risk_of_loads`.
    counts : mapping
        The loads of the mix, and how often each stands in it.
    """
    states = list(counts)
    weight = np.array([counts[state] for state in states], dtype=np.float64)
    total = float(weight.sum())
    share = weight / total

    def mean(parts: list[list[LoadRisk]], shares: Floats) -> Interval:
        flat = [risk for part in parts for risk in part]
        w = np.repeat(shares, [len(part) for part in parts])
        estimate = np.array([risk.estimate for risk in flat])
        low = np.array([risk.low for risk in flat])
        high = np.array([risk.high for risk in flat])
        bound = np.array([risk.bound_only for risk in flat])
        middle = float(w @ estimate)
        down = math.sqrt(float((w**2) @ (estimate - low) ** 2))
        up = math.sqrt(float((w[~bound] ** 2) @ (high - estimate)[~bound] ** 2))
        up += float(w[bound] @ high[bound])
        return Interval(
            min(middle, 1.0),
            max(middle - down, 0.0),
            min(middle + up, 1.0),
            0.95,
            "errors of the loads recovered from their intervals; bounds added whole",
        )

    by_side = {
        side: mean([[risks[state][place]] for state in states], share)
        for place, side in enumerate(SIDES)
    }
    sums = np.array([sum(risk.estimate for risk in risks[state]) for state in states])
    worst = math.ceil(total / 10.0 - 1e-9)
    left, borne = worst, 0.0
    for place in np.argsort(-sums, kind="stable").tolist():
        taken = min(left, int(weight[place]))
        borne += taken * float(sums[place])
        left -= taken
    everything = float(weight @ sums)
    return Mix(
        by_side=by_side,
        either=mean([list(risks[state]) for state in states], share),
        worst_count=worst,
        worst_share=borne / everything if everything > 0.0 else None,
    )
