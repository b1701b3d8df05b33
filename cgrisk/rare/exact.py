"""Exact law of the seating moment, and exact tails where nothing but the seating varies.

People who travel alone take the seat with the lowest score that is left: under every rule some
seats are taken for certain, and among the seats of one turn those taken are a random set, drawn
with equal chances or by preference. The law of the sum of their arms is counted exactly
(:mod:`cgrisk.rare.seat_sums`); regions are independent, and their laws are added. Ties of the
32-bit numbers behind the scores are neglected: they are not told from rounding down to a
probability of about 1e-9 for a single seat.

Moments grow aft: a positive seating moment error means that people sit further aft than the load
sheet has it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cgrisk.errors import ComputationError, UsageError
from cgrisk.flight import SIDES, FlightModel, fly_block, phase_column
from cgrisk.rare.estimate import TailEstimate
from cgrisk.rare.score import Score
from cgrisk.rare.seat_doubt import kinds_in_play, sum_plans, what_else_varies, why_coupled
from cgrisk.rare.seat_sums import MERGED_M, LatticeLaw, add_laws, law_of_plan
from cgrisk.risk._checks import checked_values

__all__ = ["SeatingLaw", "exact_tail", "seating_law", "why_not_exact"]

Floats = NDArray[np.float64]

#: A threshold this near to a moment that flights have is on it (kg m): a margin of a flight is
#: rounded at about 1e-8 kg m, and moments of different seatings lie some kg m apart.
_ON_IT_KGM = 1e-5
#: As in :mod:`cgrisk.flight.kernel.people`.
_LIGHTEST_KG = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class SeatingLaw:
    """Every moment error that the seating may give, and how likely it is.

    Attributes
    ----------
    moment_kgm : float64 array, shape (n,)
        Rising. As ``take_off_error_kgm.seating``: standard mass times (arm of the seat less arm of
        the zone on the load sheet), over the passengers.
    probability : float64 array, shape (n,)
        Above 0; they sum up to 1.
    nodes : int
        Nodes of the integral over time for seats by preference; 0 where none was needed.
    """

    moment_kgm: Floats
    probability: Floats
    nodes: int = 0

    def __post_init__(self) -> None:
        self.moment_kgm.setflags(write=False)
        self.probability.setflags(write=False)

    def tail(self, thresholds: ArrayLike) -> Floats:
        """Return the probabilities of a moment strictly above thresholds (kg m).

        The smaller of the two tails is summed itself, so that neither loses its digits.
        """
        where = np.searchsorted(self.moment_kgm, _numbers(thresholds), side="right")
        return self._beyond(where, aft=True)

    def tail_below(self, thresholds: ArrayLike) -> Floats:
        """Return the probabilities of a moment strictly below thresholds (kg m)."""
        where = np.searchsorted(self.moment_kgm, _numbers(thresholds), side="left")
        return self._beyond(where, aft=False)

    def _beyond(self, where: NDArray[np.intp], *, aft: bool) -> Floats:
        """Return the probability of the points from a place on, or of those before it."""
        below = np.concatenate([[0.0], np.cumsum(self.probability)])[where]
        above = np.concatenate([np.cumsum(self.probability[::-1])[::-1], [0.0]])[where]
        wanted, other = (above, below) if aft else (below, above)
        tail: Floats = np.where(wanted <= other, wanted, np.maximum(1.0 - other, 0.0))
        return tail


def _numbers(thresholds: ArrayLike) -> Floats:
    return checked_values(np.atleast_1d(np.asarray(thresholds)), argument="thresholds")


def _moment_law(
    model: FlightModel, *, adult_kg: float, child_kg: float, less_kgm: float
) -> SeatingLaw:
    """Return the law of the people's moment less ``less_kgm``."""
    terms: list[LatticeLaw] = []
    for region, plan in sum_plans(model):
        terms.append(law_of_plan(plan).times(child_kg if region.children > 0 else adult_kg))
    total = add_laws(terms, tolerance=MERGED_M * max(adult_kg, child_kg, 1.0))
    there = np.flatnonzero(total.probability > 0.0)
    moment = (total.start - less_kgm) + total.step * there.astype(np.float64)
    return SeatingLaw(moment, total.probability[there], total.nodes)


def seating_law(model: FlightModel) -> SeatingLaw:
    """Return the exact law of the seating moment error, by counting seats row by row.

    All that decides who sits where must be the seating rule: nobody travels in a party, no child
    beside an adult, no last-minute changes, nobody changes seats. Masses, loads and life in the
    cabin may vary: the seating moment error does not depend on them.

    Parameters
    ----------
    model : FlightModel
        From :func:`cgrisk.flight.prepare`.

    Raises
    ------
    ComputationError
        If seats are coupled, or the arms of the seats give too many different sums; the message
        says which.
    """
    reason = why_coupled(model)
    if reason:
        raise ComputationError(f"No exact law of the seating. {reason}")
    adult, child = _standard_masses(model)
    sheet_kgm = float(_on_sheet(model) @ model.program.cabin.zone_arm_m)
    return _moment_law(model, adult_kg=adult, child_kg=child, less_kgm=sheet_kgm)


def _standard_masses(model: FlightModel) -> tuple[float, float]:
    mass = model.program.mass
    return mass.adult_standard_kg, mass.child_standard_kg


def _on_sheet(model: FlightModel) -> Floats:
    """Return the load sheet's mass of each zone's people."""
    return model.program.cabin.zone_standard_kg


def _real_masses(model: FlightModel) -> tuple[float, float]:
    """Return the masses of an adult with bag and of a child, where all adults are alike."""
    mass, party = model.program.mass, model.program.party
    population = 0 if mass.male_share > 0.0 else 1
    shift = float(party.shift_kg[kinds_in_play(model, with_children=False)].max())
    adult = max(float(mass.shift_kg[population]) + shift, _LIGHTEST_KG)
    adult += mass.bag_scale_kg if mass.bag_none < 1.0 else 0.0
    return adult, max(float(mass.shift_kg[2]), _LIGHTEST_KG)


def _real_law(model: FlightModel) -> SeatingLaw:
    """Return the law of the moment error of seating and mass together, at the real masses.

    The two columns of the flight add up to the real moment of the people less that on the load
    sheet, less the difference of the two masses at the planned take-off CG.
    """
    cabin = model.program.cabin
    adult, child = _real_masses(model)
    mass = float(adult * cabin.zone_adults.sum() + child * cabin.zone_children.sum())
    on_sheet = _on_sheet(model)
    less = float(on_sheet @ cabin.zone_arm_m)
    less += model.program.sheet.take_off_arm_m * (mass - float(on_sheet.sum()))
    return _moment_law(model, adult_kg=adult, child_kg=child, less_kgm=less)


def why_not_exact(model: FlightModel) -> str:
    """Return why :func:`exact_tail` cannot answer for a scenario; empty where it can.

    It can where the seating is all that varies, people sit down one by one, and the sums of their
    arms can be counted.
    """
    reason = why_coupled(model)
    if reason:
        return reason
    varying = list(what_else_varies(model))
    if varying:
        return f"Besides the seating, these vary: {', '.join(varying)}."
    try:
        sum_plans(model)
    except ComputationError as error:
        return str(error)
    return ""


def _slopes(model: FlightModel, score: Score) -> Floats:
    """Return how each figure of a score grows with the people's moment, per kg m.

    Raises
    ------
    ComputationError
        If a figure is no moment margin, or some grow and others fall.
    """
    # A moment margin is how far the moment may go toward the side: aft moment uses up the aft one.
    toward = {
        phase_column("moment_margin_kgm", phase=phase, side=side): 1.0 if side == "forward" else -1
        for phase in model.phases
        for side in SIDES
    }
    names = [model.columns[column] for column in score.columns]
    strange = [name for name in names if name not in toward]
    slopes = np.array([f * toward.get(n, 0.0) for f, n in zip(score.factor, names, strict=True)])
    if strange or slopes.min() * slopes.max() <= 0.0:
        what = f"it looks at {strange[0]}" if strange else "its margins are of different sides"
        raise ComputationError(
            f"The exact law is one of moment margins to one side, and the score {score.name!r} is "
            f"none: {what}. Use the score of the envelope, or count flights."
        )
    return slopes


def _checked_thresholds(thresholds: ArrayLike) -> Floats:
    numbers = _numbers(thresholds)
    if (np.diff(numbers) <= 0.0).any():
        raise UsageError(
            argument="thresholds",
            expected="rising numbers",
            got=numbers.tolist(),
            cure="Sort them and leave out what stands twice.",
        )
    return numbers


def exact_tail(model: FlightModel, *, score: Score, thresholds: ArrayLike) -> TailEstimate:
    """Return the exact probabilities that a score exceeds thresholds.

    Where the seating alone varies, the mass of a flight is always the same, and every moment
    margin is that of any one flight plus or minus the difference of the two people's moments. So
    one flight is flown, and the rest is counted.

    Parameters
    ----------
    model : FlightModel
        For which :func:`why_not_exact` is empty.
    score : Score
        Of moment margins to one side.
    thresholds : array_like of float, shape (n,)
        Rising, in the unit of the score.

    Returns
    -------
    TailEstimate
        Confidence 1, bounds equal to the estimate. A threshold on a score that flights have
        counts as not exceeded by it, and a warning says so: flights differ there by rounding.

    Raises
    ------
    ComputationError
        If something else varies, or the score is not of moment margins to one side.
    UsageError
        If the thresholds are not finite and rising.
    """
    levels = _checked_thresholds(thresholds)
    slopes = _slopes(model, score)
    reason = why_not_exact(model)
    if reason:
        raise ComputationError(f"No exact law of the score. {reason}")
    law = _real_law(model)
    row = fly_block(model, seed=0, flights=np.zeros(1, dtype=np.uint32))
    flown = row[0, list(score.columns)] * np.array(score.factor) + np.array(score.constant)
    # Moments, less that of the flight flown, at which the score meets each threshold.
    needed = (levels[:, None] - flown) / slopes
    aft = slopes[0] > 0.0
    parts = [model.columns.index(f"take_off_error_kgm.{name}") for name in ("seating", "mass")]
    edge = row[0, parts].sum() + (needed.min(axis=1) if aft else needed.max(axis=1))
    near = np.abs(law.moment_kgm[_nearest(law.moment_kgm, edge)] - edge) < _ON_IT_KGM
    edge = np.where(near, law.moment_kgm[_nearest(law.moment_kgm, edge)], edge)
    tail = law.tail(edge) if aft else law.tail_below(edge)
    warnings = [
        f"The threshold {level:g} stands on a score that flights have: not counted as exceeded."
        for level in levels[near]
    ]
    return TailEstimate(
        thresholds=levels,
        estimate=tail,
        low=tail.copy(),
        high=tail.copy(),
        confidence=1.0,
        method="exact: counting seats row by row (dynamic programming)",
        flights=1,
        diagnostics={
            "support_points": float(law.moment_kgm.size),
            "probability_sum": math.fsum(law.probability.tolist()),
            "quadrature_nodes": float(law.nodes),
        },
        warnings=tuple(warnings),
    )


def _nearest(points: Floats, values: Floats) -> NDArray[np.intp]:
    after = np.clip(np.searchsorted(points, values), 1, max(points.size - 1, 1))
    after = np.minimum(after, points.size - 1)
    before = np.maximum(after - 1, 0)
    closer = np.abs(points[before] - values) < np.abs(points[after] - values)
    return np.where(closer, before, after)
