"""Flights of many strengths taken as one sample.

A load far out asks for a strong tilt, one not so far out whose people move a long way for a weaker
one, and nobody knows beforehand which of them make up a tail. So flights of several strengths are
flown, and each flight of strength ``k`` counts for the share

    s_k(L) = a_k q_k(L) exp(-d_k^2) / sum_j a_j q_j(L) exp(-d_j^2)

of its weight, with ``L`` the moment error of its load, ``a`` the shares of the flights, ``q`` how
many times as likely each strength makes such a load and ``d`` the standard deviation of the
logarithms of its weights among like loads. Shares add up to 1 whatever ``a``, ``q`` and ``d`` are,
so that the sum over strengths of the mean of ``s_k weight f`` is the mean of ``f`` over ordinary
flights; the better they are, the less it scatters. Without ``d`` this is the balance heuristic
(E. Veach, L. J. Guibas, SIGGRAPH 95, 419; from memory), best where like loads weigh the same. Where
their weights scatter log-normally, by ``exp(d^2)`` in the mean square, shares in proportion to
``a q exp(-d^2)`` make the sum of the variances least: without them a strong tilt, which reaches the
same load along many ways, claims loads that a weaker one makes with steadier weights.

``q`` and ``d`` come from a pilot (:mod:`cgrisk.rare.tilt_pilot`), ``q`` as normal laws of the loads
that each strength makes: what a strength never makes then falls to one that does. (By a straight
line through the logarithms of the weights, which scatter beyond some five standard deviations,
strong tilts would claim ordinary loads.) Where weights hang on the load alone, as with seats alone
and no parties, that line is exact and ``q`` is known: a load then counts for the same whatever
strength made it, while a normal law would have a weak strength claim what it hardly ever makes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.tilt_aim import Leaned, Leaner, leans_all
from cgrisk.rare.tilt_walks import Walks

__all__ = ["BATCHES", "Mixture", "Plan", "Round", "fly_mixture", "off_one"]

Floats = NDArray[np.float64]

#: Batches of the flights of every strength.
BATCHES: Final = 20
#: Room on all flights, since the interval, lengthened upward, tells half as large an error again.
_ROOM: Final = 1.5
#: First round, over what the pilot asks for with room. More than all of it: the fewer flights are
#: added for their own scatter, the less low an estimate is that stops where they scatter little.
_FIRST_ROUND: Final = 1.5
#: Loads of the first round at most, since a pilot's doubt can be great: where tilting leans all
#: that varies, so that flights tell their own scatter well, and elsewhere.
_FIRST, _FIRST_MOVING = 10_000.0, 50_000.0
#: What a step may multiply, and multiplies at least.
_GROWTH, _LEAST_GROWTH = 4.0, 1.1
#: Times what the pilot asked for after which flights go on only where as many as are allowed are
#: expected to do: else weights scatter too much for this method.
_HOPELESS: Final = 20.0
#: Standard error of the mean of the weights below which they are all the same.
_SAME: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Mixture:
    """Strengths, their shares of the flights, and how much likelier each makes a load.

    Attributes
    ----------
    strengths : float64 array, shape (K,)
        In standard deviations of the score, from 0.
    centre, spread : float64 arrays, shape (K,)
        Of the normal law of the load's error that each strength makes.
    scatter : float64 array, shape (K,)
        Standard deviation of the logarithms of its weights among like loads.
    share : float64 array, shape (K,)
        Of the flights; their sum is 1.
    lines : float64 array, shape (K, 2), optional
        Slope, and value at the centre, of the straight lines by which ``log q`` goes with the load,
        where they are known; they take the place of the normal laws.
    """

    strengths: Floats
    centre: Floats
    spread: Floats
    scatter: Floats
    share: Floats
    lines: Floats | None = None

    def log_times(self, loads: Floats) -> Floats:
        """Return ``log q`` of loads (n,), shape (K, n); strength 0 makes them once as likely."""
        if self.lines is not None:
            slope, level = self.lines.T[:, :, None]
            known: Floats = slope * (loads - self.centre[:, None]) + level
            return known
        off = (loads - self.centre[:, None]) / self.spread[:, None]
        laws: Floats = -0.5 * off**2 - np.log(self.spread)[:, None]
        times: Floats = laws - laws[0]
        return times

    def log_worth(self, loads: Floats) -> Floats:
        """Return ``log q - d^2`` of loads (n,), shape (K, n).

        With ``W = sum a q exp(-d^2)`` the mean square of what flights count for is the mean of
        ``1 / W`` over ordinary loads.
        """
        worth: Floats = self.log_times(loads) - self.scatter[:, None] ** 2
        return worth

    def counts_for(self, rung: int, loads: Floats) -> Floats:
        """Return the share of its weight that each flight of a strength counts for, (n,)."""
        with np.errstate(divide="ignore"):
            each = np.log(self.share)[:, None] + self.log_worth(loads)
        counts: Floats = np.exp(each[rung] - logsumexp(each, axis=0))
        return counts


@dataclass(frozen=True, slots=True)
class Plan:
    """How a tail is to be flown.

    Attributes
    ----------
    mixture : Mixture
    walks : Walks
    loads : float
        How many the errors asked for take, by what a pilot saw, without room; 0 where nothing was
        seen.
    flights_a_load : float
        How often a load is flown on average.
    """

    mixture: Mixture
    walks: Walks
    loads: float
    flights_a_load: float

    @property
    def flights(self) -> float:
        """Flights that the errors take."""
        return self.loads * self.flights_a_load


@dataclass(frozen=True, slots=True)
class Round:
    """The flights of one strength, as parts of estimates.

    Attributes
    ----------
    strength : float
    seed : int
        Of its flights, which have the numbers 0, 1, 2 and so on.
    batch : int
        Loads of each of the 20 batches, in the order of their flights' numbers.
    scores : float64 array, shape (20 batch, most)
        Of the flights with each load; of those flown less often, several times.
    weights : float64 array, shape (20 batch,)
        What the loads count for: the means of all strengths add up.
    times : int64 array, shape (20 batch,)
        How often each load was flown.
    walks : Walks
    walk_weights : float64 array, shape (20 batch, most)
        What undoes the leaning of movement, of each of the ``scores``.
    """

    strength: float
    seed: int
    batch: int
    scores: Floats
    weights: Floats
    times: NDArray[np.int64]
    walks: Walks
    walk_weights: Floats

    def parts(self, threshold: float) -> Floats:
        """Return what each load adds to 20 batches' worth of an estimate, shape (20 batch,)."""
        above = np.where(self.scores > threshold, self.walk_weights, 0.0)
        return np.asarray(self.weights * above.mean(axis=1))

    def replicates(self, threshold: float) -> Floats:
        """Return what it adds to the estimates of the batches, shape (20, 1)."""
        means: Floats = self.parts(threshold).reshape(BATCHES, -1).mean(axis=1)[:, None]
        return means


def off_one(replicates: Floats) -> float:
    """Return how many standard errors the mean of replicates (R,) is from 1; 0 if all are 1."""
    error = float(replicates.std(ddof=1)) / math.sqrt(replicates.size)
    return (float(replicates.mean()) - 1.0) / error if error > _SAME else 0.0


def fly_mixture(
    leaner: Leaner,
    plan: Plan,
    *,
    thresholds: Floats,
    relative_error: Floats,
    seed: int,
    most: int,
    worth: float = math.inf,
) -> tuple[Round, ...]:
    """Fly all strengths, first half as much again as planned, then what the flights ask for.

    Both with room. As long as their scatter asks for more, up to four times as many are flown.
    Where people move, each load is flown several times.

    Parameters
    ----------
    leaner : Leaner
    plan : Plan
    thresholds, relative_error : float64 arrays, shape (n,)
    seed : int
    most : int
        Flights at most, but 20 loads of each strength are flown.
    worth : float
        Flights up to which it is worth while to go far beyond the plan.
    """
    mixture, walks, a_load = plan.mixture, plan.walks, plan.flights_a_load
    rungs = range(mixture.strengths.size)
    per_batch = mixture.share / BATCHES
    most = int(most / a_load)
    doubtful = min(most, int(_FIRST + _HOPELESS * plan.loads))

    def batches(loads: float, at_most: int) -> list[int]:
        found = [max(1, math.ceil(loads * part - 1e-9)) for part in per_batch]
        if sum(found) * BATCHES > at_most:
            found = [max(1, math.floor(at_most * part)) for part in per_batch]
        return found

    def fly(rung: int, first: int, last: int) -> Leaned:
        own = derived_seed(seed, "main", str(rung))
        strength = float(mixture.strengths[rung])
        return leaner.fly(strength, own, BATCHES * first, BATCHES * (last - first), walks)

    at_first = _FIRST if leans_all(leaner.aim.model) else _FIRST_MOVING
    size = batches(min(_FIRST_ROUND * _ROOM * plan.loads, at_first), doubtful)
    leaner.meter.begin("tilting", expected=int(a_load * BATCHES * sum(size)))
    done = [fly(rung, 0, size[rung]) for rung in rungs]
    while True:
        found = [_round(mixture, walks, rung, seed, size[rung], done[rung]) for rung in rungs]
        flown = sum(size) * BATCHES
        needed = _needed(found, thresholds, relative_error)
        factor = min(_ROOM * needed, _GROWTH)
        factor = max(factor, _LEAST_GROWTH) if factor > 1.0 else factor
        enough = needed * flown <= min(float(most), worth / a_load)
        allowed = most if enough else doubtful
        more = [max(pair) for pair in zip(size, batches(factor * flown, allowed), strict=True)]
        if factor <= 1.0 or more == size:
            return tuple(found)
        leaner.meter.begin("tilting", expected=int(a_load * BATCHES * (sum(more) - sum(size))))
        done = [
            Leaned.joined([done[rung], fly(rung, size[rung], more[rung])])
            if more[rung] > size[rung]
            else done[rung]
            for rung in rungs
        ]
        size = more


def _round(
    mixture: Mixture, walks: Walks, rung: int, seed: int, batch: int, flown: Leaned
) -> Round:
    weights = mixture.counts_for(rung, flown.loads) * np.exp(flown.log_weights)
    own = derived_seed(seed, "main", str(rung))
    return Round(
        float(mixture.strengths[rung]),
        own,
        batch,
        flown.scores,
        weights,
        flown.times.astype(np.int64),
        walks,
        flown.walk_weights,
    )


def _needed(found: list[Round], thresholds: Floats, relative_error: Floats) -> float:
    """Return how many times the flights flown are needed for the relative errors."""
    factor = 0.0
    for x, error in zip(thresholds.tolist(), relative_error.tolist(), strict=True):
        parts = [each.parts(x) for each in found]
        mean = sum(float(part.mean()) for part in parts)
        variance = sum(float(part.var()) / part.size for part in parts)
        if mean > 0.0:
            factor = max(factor, variance / (mean * error) ** 2)
    return factor
