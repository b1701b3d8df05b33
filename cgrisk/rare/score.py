"""Scores: one number a flight that says how far past its limit it went, or how near it came."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import FlightModel, group_phases, phase_column, zero_fuel_scale
from cgrisk.sampling.layout import Limit, layout_of

__all__ = [
    "ENVELOPE",
    "Score",
    "envelope_score",
    "finite_scores",
    "limit_score",
    "score_named",
    "score_names",
]

Floats = NDArray[np.float64]

#: Name of the score that measures the distance past the certified envelope.
ENVELOPE: Final = "envelope"


@dataclass(frozen=True, slots=True)
class Score:
    """The greatest of some figures of a flight, each times a factor, plus a constant.

    Attributes
    ----------
    name, unit : str
        What it measures, and in what.
    meaning : str
        What a flight above a threshold has done, in words, for a threshold ``{x}``.
    columns : tuple of int
        Places of the figures in a flight's row.
    factor : tuple of float
        One for each figure: negative for margins, which are small where things go wrong.
    constant : tuple of float
        Added to each figure after its factor.
    as_planned, at_limit : float
        Thresholds at which the event is the one of the planned load, and of a load planned on the
        operational limit.
    offset_sign : float
        How the planned CG's distance to the certified limit enters: +1 where the threshold is that
        distance (of the zero-fuel CG, % MAC), 0 where the threshold has nothing to do with it.
    side : str or None
        Forward or aft, where the score counts the CG's way to that side alone.
    """

    name: str
    unit: str
    meaning: str
    columns: tuple[int, ...]
    factor: tuple[float, ...]
    constant: tuple[float, ...]
    as_planned: float
    at_limit: float
    offset_sign: float
    side: str | None = None

    def of(self, rows: Floats) -> Floats:
        """Return the scores of flights.

        Parameters
        ----------
        rows : float64 array, shape (n, columns)
            From :func:`cgrisk.flight.fly_block`.

        Returns
        -------
        float64 array, shape (n,)
            A flight beyond the certified limit of the planned load scores more than
            ``as_planned``.
        """
        figures = rows[:, list(self.columns)] * np.array(self.factor) + np.array(self.constant)
        scores: Floats = figures.max(axis=1)
        return scores


def finite_scores(score: Score, rows: Floats) -> Floats:
    """Return the scores of flights, all of which must have one.

    Raises
    ------
    ComputationError
        If some have none.
    """
    found = score.of(rows)
    if not np.isfinite(found).all():
        raise ComputationError(
            f"the score {score.name!r} has no value on some flights; it cannot be used "
            "for rare events. Choose another event."
        )
    return found


def envelope_score(model: FlightModel, *, side: str, group: str = "any") -> Score:
    """Return the excess D over the planned path's least margin, toward a side.

    D is the planned path's least moment margin to the certified limit less the flight's, over the
    phases of the group, as a shift of the planned zero-fuel CG in % MAC. Moving the planned load
    by a moment at constant mass moves every instant of every flight by that moment, so the chance
    that D exceeds x is the chance of leaving the certified envelope when the load is planned x
    from it.

    Parameters
    ----------
    model : FlightModel
        Scenario made ready to fly.
    side : str
        Forward or aft.
    group : str
        take_off_and_landing, in_flight, or any.

    Raises
    ------
    UsageError
        If the side or the group does not exist, or no phase of the group is flown.
    """
    phases = group_phases(model)
    if side not in ("forward", "aft"):
        raise UsageError(argument="side", expected="forward or aft", got=side, cure="Name a side.")
    if not phases.get(group):
        flown = [name for name, of in phases.items() if of]
        raise UsageError(
            argument="phases",
            expected=f"a group of phases that is flown, out of {', '.join(flown)}",
            got=group,
            cure="Name one of them.",
        )
    scale = zero_fuel_scale(model)
    columns = [
        model.columns.index(phase_column("moment_margin_kgm", phase=phase, side=side))
        for phase in phases[group]
    ]

    def planned(frame: str) -> float:
        margins = getattr(model, frame)
        here = (margins["side"] == side) & margins["phase"].isin(phases[group])
        return float(margins.loc[here, "moment_margin_kgm"].min())

    least = planned("planned_margins")
    return Score(
        name=ENVELOPE,
        unit="% MAC",
        meaning=f"leaves the certified envelope {side} when planned {{x}} % MAC from it",
        columns=tuple(columns),
        factor=(-1.0 / scale,) * len(columns),
        constant=(least / scale,) * len(columns),
        as_planned=least / scale,
        at_limit=(least - planned("operational_margins")) / scale,
        offset_sign=1.0,
        side=side,
    )


def reference_arm(model: FlightModel, *, score: Score) -> float:
    """Return the arm about which mass counts for an envelope's score (m).

    The margin is ``m lim(m) - M``: a mass ``dm`` at arm ``x`` changes it by ``d(m lim)/dm - x``;
    the derivative is that where the planned path is nearest to the limit.

    Parameters
    ----------
    model : FlightModel
    score : Score
        From :func:`envelope_score`.
    """
    names = [model.columns[column].split(".") for column in score.columns]
    return _arm(model, names[0][-1], [".".join(name[1:-1]) for name in names])


def group_arm(model: FlightModel, *, side: str, group: str) -> float:
    """Return :func:`reference_arm` of the envelope's score of a side and group (m)."""
    return _arm(model, side, group_phases(model)[group])


def _arm(model: FlightModel, side: str, phases: Sequence[str]) -> float:
    margins = model.planned_margins
    here = (margins["side"] == side) & margins["phase"].isin(phases)
    nearest = margins.iloc[
        int(np.where(here, margins["moment_margin_kgm"].to_numpy(), np.inf).argmin())
    ]
    mass, limit = float(nearest["mass_at_least_kg"]), model.program.limit
    place = 2 * model.phases.index(str(nearest["phase"])) + (side == "aft")
    first, count = int(limit.start[place]), int(limit.pieces[place])
    low = limit.mass_low_kg[first : first + count]
    piece = first + max(int(np.searchsorted(low, mass, side="right")) - 1, 0)
    return float(limit.intercept_m[piece] + 2.0 * limit.slope_m[piece] * mass)


def limit_score(model: FlightModel, *, limit: Limit) -> Score:
    """Return how far a figure went past its limit: trim at a stop, nose wheel without load.

    Scores above 0 are the event itself.
    """
    columns, factor, constant = [], [], []
    for name in limit.columns:
        for bound, sign in ((limit.low, -1.0), (limit.high, 1.0)):
            if math.isfinite(bound):
                columns.append(model.columns.index(name))
                factor.append(sign)
                constant.append(-sign * bound)
    unit = {"deg": "deg", "kn": "kN", "degps2": "deg/s2", "units": "trim units"}
    ends = limit.columns[0].split(".")[0].rsplit("_", 1)[-1]
    return Score(
        name=limit.outcome,
        unit=unit.get(ends, ""),
        meaning=f"{limit.outcome.replace('_', ' ').replace('.', ', ')}, past its limit by {{x}}",
        columns=tuple(columns),
        factor=tuple(factor),
        constant=tuple(constant),
        as_planned=0.0,
        at_limit=0.0,
        offset_sign=0.0,
    )


def score_names(model: FlightModel) -> tuple[str, ...]:
    """Return the names of the scores a scenario has."""
    return (ENVELOPE, *(limit.outcome for limit in layout_of(model).limits))


def score_named(model: FlightModel, *, name: str, side: str = "aft", group: str = "any") -> Score:
    """Return a score by its name; side and group are those of the envelope's.

    Raises
    ------
    UsageError
        If there is none of that name.
    """
    if name == ENVELOPE:
        return envelope_score(model, side=side, group=group)
    for limit in layout_of(model).limits:
        if limit.outcome == name:
            return limit_score(model, limit=limit)
    raise UsageError(
        argument="event",
        expected=f"one of {', '.join(score_names(model))}",
        got=name,
        cure="Name one of them.",
    )
