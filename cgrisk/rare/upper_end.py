"""The upper end of the assumption range where the cloud runs out: its draws are split themselves.

Under the worst draws what comes far is not what came far before: a lavatory is closed, a party
walks that sat. Flights of the cloud that stand for more than the target then decide, a handful of
them. There the draws of greatest risk are flown anew by a small splitting each, with all people
dealt anew where an input asks for it: twice as many as make or exceed the upper end, and on until
the last of them do not. The others are taken to lie no higher than the middle of these, whatever
single flights of the cloud say.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.rare.assumptions import QUANTILES, AssumptionRange
from cgrisk.rare.pilot import Pilot, fly_pilot
from cgrisk.rare.question import Meter, Question
from cgrisk.rare.redealing import asked_of, split_model
from cgrisk.rare.thresholds import threshold_at

__all__ = ["fly_upper_end"]

Floats = NDArray[np.float64]

#: Draws split at least, for each that makes the upper end or lies above it: the cloud's order of
#: them is rough (measured: the five greatest of 64 were among its first seven).
_OVER: Final = 2
#: Share of the target that the split draws' curves go down to.
_DEEPER: Final = 0.25
#: Standard error over risk of those that make the upper end, beyond the last threshold with which
#: it is not told.
_ROUGHEST: Final = 0.7


def fly_upper_end(
    found: AssumptionRange,
    question: Question,
    *,
    side: str,
    group: str,
    factor: float = 1.0,
    meter: Meter | None = None,
) -> AssumptionRange:
    """Return the range with its draws of greatest risk flown themselves beyond where it is told.

    As it is where the upper end, times a factor, comes down to the target before that.

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
    known, thresholds = found.known_high(), found.thresholds
    if known.all() or _met(found, known, question.target / factor):
        return found
    wanted = question.no_deeper(_DEEPER)
    pilot: Pilot | None = None
    curves: list[Floats] = []
    errors: list[Floats] = []
    chosen: list[int] = []
    flown = 0
    order, above = _greatest(found, known)
    while len(chosen) < order.size and not _settled(curves, thresholds, question.target, above):
        number = int(order[len(chosen)])
        model = found.drawn.model(question.model, number)
        label = f"{model.scenario.digest()}/draw {number}"
        if pilot is None:
            other = asked_of(wanted, model, label=label, side=side, group=group)
            pilot = fly_pilot(other, upto=float(thresholds[-1]), meter=meter)
            flown += pilot.flights
        curve, error, flights = split_model(
            wanted,
            model=model,
            label=label,
            side=side,
            group=group,
            thresholds=thresholds,
            pilot=pilot,
            doing=f"upper end of the assumption range, draw {len(chosen) + 1}",
            meter=meter,
        )
        chosen.append(number)
        curves.append(curve)
        errors.append(np.where(np.isnan(error), np.inf, error))
        flown += flights
    middle = np.where(known, np.inf, np.median(curves, axis=0))
    draws = np.minimum(found.draws, middle)
    draws[chosen] = np.where(known, found.draws[chosen], curves)
    draws[chosen] = np.maximum.accumulate(draws[chosen][:, ::-1], axis=1)[:, ::-1]
    error = np.where(known, 0.0, _error(np.array(curves), np.array(errors), above))
    seen = np.isfinite(error)
    last = np.flatnonzero(error <= _ROUGHEST).max(initial=-1)
    return replace(
        found,
        draws=draws,
        flights=found.flights + flown,
        told_high=known | (seen & (np.arange(error.size) <= last)),
        alone=tuple(chosen),
        alone_error=np.where(seen, error, 0.0),
    )


def _settled(curves: list[Floats], thresholds: Floats, target: float, above: int) -> bool:
    """Return whether draws enough are split: the last of them do not make the upper end."""
    if len(curves) < _OVER * above:
        return False
    at = np.array([threshold_at(target, thresholds=thresholds, curve=curve) for curve in curves])
    reach = np.where(np.isnan(at), np.inf, at)
    makes = np.argsort(-reach, kind="stable")[:above]
    return bool(makes.max() < len(curves) - max(above // 2, 1))


def _error(curves: Floats, errors: Floats, above: int) -> Floats:
    """Return the median relative error of those that make the upper end, at each threshold (n,)."""
    upper = np.argsort(-curves, axis=0, kind="stable")[:above]
    found: Floats = np.median(np.take_along_axis(errors, upper, axis=0), axis=0)
    return found


def _met(found: AssumptionRange, known: NDArray[np.bool_], target: float) -> bool:
    """Return whether the upper end comes down to a target where it is told."""
    if not known.any():
        return False
    at = threshold_at(
        target, thresholds=found.thresholds[known], curve=found.ends()[1][known], open_end=True
    )
    return not np.isnan(at)


def _greatest(found: AssumptionRange, known: NDArray[np.bool_]) -> tuple[NDArray[np.int64], int]:
    """Return the draws by their risk where the cloud tells it last, greatest first.

    With them how many make the upper end or lie above it.
    """
    count = len(found.drawn)
    above = count - int(np.floor(QUANTILES[1] * (count - 1)))
    place = max(int(known.sum()) - 1, 0)
    return np.argsort(-found.draws[:, place], kind="stable"), above
