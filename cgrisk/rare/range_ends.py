"""The ends of the assumption range where the cloud runs out: their draws are split themselves.

Under the worst draws what comes far is not what came far before: a lavatory is closed, a party
walks that sat. Flights of the cloud that stand for more than the target then decide, a handful of
them. Under the best draws hardly any of the cloud's flights come far, and their risk is told too
low. There the draws of greatest and of least risk are flown anew by a small splitting each, with
all people dealt anew where an input asks for it: two or three times as many as make an end or lie
beyond it, and on until the last of them do not. The others are taken to lie no further out than the
middle of these, whatever single flights of the cloud say.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.rare.assumptions import QUANTILES, AssumptionRange, SplitEnd
from cgrisk.rare.pilot import Pilot, fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.redealing import asked_of, split_model
from cgrisk.rare.thresholds import threshold_at

__all__ = ["fly_range_ends"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Standard error over risk of those that make an end, beyond the last threshold with which it is
#: not told.
_ROUGHEST: Final = 0.7
#: Share of the target down to which the scenario as it stands must be exceeded for its lower end to
#: be told, and the standard error of the share of the risk above the lower end with which it is.
_DEEPEST_LOW, _ROUGHEST_SHARE = 0.1, 0.3


class _End(NamedTuple):
    """An end of the range, and how its draws are found and split.

    The cloud's order of the draws is rough, the more so where all have few flights: of 64 the five
    greatest were among its first seven, the five least among its first eight to eleven.
    """

    name: str
    sign: float
    """1 where the greatest risks make it, -1 where the least do."""
    span: int
    """Last thresholds that the cloud tells, by whose risk the draws are ordered."""
    over: int
    """Draws split at least, for each that makes the end or lies beyond it."""
    quiet: float
    """Share of as many that must not be among those that make it, if they were split last."""
    deeper: float
    """Share of the target that the split draws' curves go down to."""


_UPPER = _End("upper", 1.0, span=1, over=2, quiet=0.5, deeper=0.25)
#: What an end is short of, chance makes up for: the least of noisy risks are told too low.
_LOWER = _End("lower", -1.0, span=7, over=3, quiet=1.0, deeper=0.03)


@dataclass(slots=True)
class _Splitting:
    """Draws of a range that were split themselves, by number."""

    found: AssumptionRange
    question: Question
    side: str
    group: str
    meter: Meter
    curves: dict[int, Floats] = field(default_factory=dict)
    errors: dict[int, Floats] = field(default_factory=dict)
    flights: int = 0

    def split(self, end: _End, known: Bools, upto: float) -> list[int]:
        """Split draws until an end is settled; return those of the end."""
        order = _order(self.found, known, end)
        beyond = _making(order.size)
        wanted = self.question.no_deeper(end.deeper)
        pilot: Pilot | None = None
        chosen: list[int] = []
        while len(chosen) < order.size and not self._settled(end, chosen, beyond):
            number = int(order[len(chosen)])
            chosen.append(number)
            if number in self.curves:
                continue
            model = self.found.drawn.model(self.question.model, number)
            label = f"{model.scenario.digest()}/draw {number}"
            if pilot is None:
                other = asked_of(wanted, model, label=label, side=self.side, group=self.group)
                pilot = fly_pilot(other, upto=upto, meter=self.meter)
                self.flights += pilot.flights
            curve, error, flights = split_model(
                wanted,
                model=model,
                label=label,
                side=self.side,
                group=self.group,
                thresholds=self.found.thresholds,
                pilot=pilot,
                doing=f"{end.name} end of the assumption range, draw {len(chosen)}",
                meter=self.meter,
            )
            self.curves[number] = curve
            self.errors[number] = np.where(np.isnan(error), np.inf, error)
            self.flights += flights
        return chosen

    def _settled(self, end: _End, chosen: list[int], beyond: int) -> bool:
        """Return whether draws enough are split: the last of them do not make the end."""
        if len(chosen) < end.over * beyond:
            return False
        thresholds, target = self.found.thresholds, self.question.target
        curves = [self.curves[number] for number in chosen]
        at = np.array([threshold_at(target, thresholds=thresholds, curve=c) for c in curves])
        reach = np.where(np.isnan(at), np.inf, at)
        makes = np.argsort(-end.sign * reach, kind="stable")[:beyond]
        return bool(makes.max() < len(curves) - max(int(end.quiet * beyond), 1))

    def error(self, end: _End, chosen: list[int]) -> Floats:
        """Return the median relative error of those that make an end, at each threshold (n,)."""
        curves = np.array([self.curves[number] for number in chosen])
        errors = np.array([self.errors[number] for number in chosen])
        beyond = _making(len(self.found.drawn))
        makes = np.argsort(-end.sign * curves, axis=0, kind="stable")[:beyond]
        found: Floats = np.median(np.take_along_axis(errors, makes, axis=0), axis=0)
        return found


def fly_range_ends(
    found: AssumptionRange,
    question: Question,
    *,
    side: str,
    group: str,
    factor: float = 1.0,
    meter: Meter | None = None,
) -> AssumptionRange:
    """Return the range with the draws of its ends flown themselves beyond where they are told.

    The upper end is left as it is where it comes down to the target, over a factor, before that;
    the lower end where the exceedance of the scenario as it stands does.

    Parameters
    ----------
    found : AssumptionRange
        Of the question.
    question : Question
    side, group : str
        Of the score, where it is an envelope's.
    factor : float
        By which the cloud's upper end must lie under the target, at least 1.
    meter : Meter, optional
        Told of the flights.
    """
    meter = Meter() if meter is None else meter
    splitting = _Splitting(found, question, side, group, meter)
    known_high, known_low = found.known_high(), found.known_low()
    upper: list[int] = []
    lower: list[int] = []
    if not known_high.all() and not _met(found, known_high, question.target / factor):
        upper = splitting.split(_UPPER, known_high, float(found.thresholds[-1]))
    if not known_low.all() and not (found.base[known_low] <= question.target).any():
        end = int(np.flatnonzero(found.base >= _DEEPEST_LOW * question.target).max(initial=0))
        lower = splitting.split(_LOWER, known_low, float(found.thresholds[end]))
    if upper:
        split, told = _ended(splitting, end=_UPPER, known=known_high, chosen=upper)
        found = replace(found, split_high=split, told_high=told)
    if lower:
        split, told = _ended(splitting, end=_LOWER, known=known_low, chosen=lower)
        found = replace(found, split_low=split)
        share = split.error * found.ends()[0] <= _ROUGHEST_SHARE * found.base
        told &= known_low | (share & (np.arange(told.size) <= end))
        found = replace(found, told_low=told)
    return replace(found, flights=found.flights + splitting.flights)


def _ended(
    splitting: _Splitting, *, end: _End, known: Bools, chosen: list[int]
) -> tuple[SplitEnd, Bools]:
    """Return an end by what was split in place of what the cloud does not tell, and where told."""
    middle = np.median([splitting.curves[number] for number in chosen], axis=0)
    draws = splitting.found.draws.copy()
    split = sorted(splitting.curves)  # for the other end too
    cloud = ~np.isin(np.arange(len(draws)), split)
    nearer = np.minimum if end.sign > 0.0 else np.maximum
    draws[cloud] = np.where(known, draws[cloud], nearer(draws[cloud], middle))
    draws[split] = np.where(known, draws[split], [splitting.curves[number] for number in split])
    draws[split] = np.maximum.accumulate(draws[split][:, ::-1], axis=1)[:, ::-1]
    error = np.where(known, 0.0, splitting.error(end, chosen))
    seen = np.isfinite(error)
    last = np.flatnonzero(error <= _ROUGHEST).max(initial=-1)
    told = known | (seen & (np.arange(error.size) <= last))
    return SplitEnd(tuple(chosen), np.where(seen, error, np.nan), draws), told


def _met(found: AssumptionRange, known: Bools, target: float) -> bool:
    """Return whether the upper end comes down to a target where it is told."""
    if not known.any():
        return False
    at = threshold_at(
        target, thresholds=found.thresholds[known], curve=found.ends()[1][known], open_end=True
    )
    return not np.isnan(at)


def _order(found: AssumptionRange, known: Bools, end: _End) -> NDArray[np.int64]:
    """Return the draws, those first that the cloud takes to lie furthest out."""
    count = max(int(known.sum()), 1)
    told = found.draws[:, max(count - end.span, 0) : count]
    logs = np.log(np.maximum(told, 1e-300)).mean(axis=1)
    return np.argsort(-end.sign * logs, kind="stable")


def _making(count: int) -> int:
    """Return how many of so many draws make an end, or lie beyond it."""
    return count - int(np.floor(QUANTILES[1] * (count - 1)))
