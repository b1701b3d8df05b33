"""Flights of many strengths taken as one sample.

A load far out asks for a strong tilt, one not so far out whose people move a long way for a weaker
one, and nobody knows beforehand which of them make up a tail. So flights of several strengths are
flown, and each flight of strength ``k`` counts for the share

    s_k(L) = a_k q_k(L) / sum_j a_j q_j(L)

of its weight, with ``L`` the moment error of its load, ``a`` the shares of the flights and ``q``
how many times as likely each strength makes such a load. Shares add up to 1 whatever ``a`` and
``q`` are, so that the sum over strengths of the mean of ``s_k weight f`` is the mean of ``f`` over
ordinary flights; the better ``q``, the less it scatters. With the true ones this is the balance
heuristic (E. Veach, L. J. Guibas, SIGGRAPH 95, 419; from memory): no flight counts for more than
``1 / a_k`` times what it would by any one strength, the strength 0 of ordinary flights among them.

``q`` comes from a pilot, as normal laws of the loads that each strength makes: what a strength
never makes then falls to one that does. (By a straight line through the logarithms of the weights,
which scatter beyond some five standard deviations, strong tilts would claim ordinary loads.) So do
the ``a``, which make the greatest relative variance small that any threshold would have, and the
number of flights. For these the rest of the score, which people's moves make, is taken as
independent of the load, as it is at the weaker strengths: few flights do not show how often a load
that is not far out and a long way moved come together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.tilt_aim import Leaned, Leaner, leans_all

__all__ = ["BATCHES", "Mixture", "Round", "TiltPilot", "climb", "fly_mixture", "off_one"]

Floats = NDArray[np.float64]

#: Batches of the flights of every strength.
BATCHES: Final = 20
#: Strengths tried, in standard deviations of the score: 0 and steps up to the last.
_STEP, _RUNGS = 1.0, 14
#: Pilot flights at each strength; those above a threshold, at least, before they are believed.
_PILOT, _FEWEST_HITS = 500, 20
#: Share of a strength's flights above the highest threshold at which the climb ends.
_BEHIND: Final = 0.5
#: Share of the flights that is dealt out evenly, so that what the pilot missed is seen as well.
_EVEN: Final = 0.3
_TURNS: Final = 200
#: Room on the flights that the pilot asks for, and on those that the flights ask for: where tilting
#: leans all that varies; elsewhere, where few flights show too little of how weights scatter.
_ROOM, _ROOM_MOVING = (1.5, 1.5), (4.0, 2.0)
#: Flights of the first step at most, since a pilot's doubt can be great; what a step may multiply.
_FIRST, _GROWTH = 20_000.0, 4.0
#: Times what the pilot asked for after which more flights are not worth while: weights scatter too
#: much for this method.
_HOPELESS: Final = 20.0
#: Least spread of the loads of a strength, of that of ordinary flights.
_LEAST_SPREAD: Final = 0.3
#: Flights worth one flight, below which nothing is judged by the mean of the weights.
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
    share : float64 array, shape (K,)
        Of the flights; their sum is 1.
    """

    strengths: Floats
    centre: Floats
    spread: Floats
    share: Floats

    def log_times(self, loads: Floats) -> Floats:
        """Return ``log q`` of loads (n,), shape (K, n); strength 0 makes them once as likely."""
        off = (loads - self.centre[:, None]) / self.spread[:, None]
        laws: Floats = -0.5 * off**2 - np.log(self.spread)[:, None]
        times: Floats = laws - laws[0]
        return times

    def counts_for(self, rung: int, loads: Floats) -> Floats:
        """Return the share of its weight that each flight of a strength counts for, (n,)."""
        with np.errstate(divide="ignore"):
            each = np.log(self.share)[:, None] + self.log_times(loads)
        counts: Floats = np.exp(each[rung] - logsumexp(each, axis=0))
        return counts


@dataclass(frozen=True, slots=True)
class Round:
    """The flights of one strength, as parts of estimates.

    Attributes
    ----------
    strength : float
    seed : int
        Of its flights, which have the numbers 0, 1, 2 and so on.
    batch : int
        Flights of each of the 20 batches, in the order of their numbers.
    scores, weights : float64 arrays, shape (20 batch,)
        Weights are what the flights count for: the means of all strengths add up.
    """

    strength: float
    seed: int
    batch: int
    scores: Floats
    weights: Floats

    def parts(self, threshold: float) -> Floats:
        """Return what each flight adds to 20 batches' worth of an estimate, shape (20 batch,)."""
        return np.where(self.scores > threshold, self.weights, 0.0)

    def replicates(self, threshold: float) -> Floats:
        """Return what it adds to the estimates of the batches, shape (20, 1)."""
        means: Floats = self.parts(threshold).reshape(BATCHES, -1).mean(axis=1)[:, None]
        return means


@dataclass(frozen=True, slots=True)
class TiltPilot:
    """What pilot flights of rising strengths saw, equally many of each.

    Attributes
    ----------
    mixture : Mixture
        With even shares.
    flown : tuple of Leaned
        By strength.
    """

    mixture: Mixture
    flown: tuple[Leaned, ...]

    @property
    def flights(self) -> int:
        """Flights flown for it."""
        return sum(each.scores.size for each in self.flown)

    def _weights(self, mixture: Mixture) -> list[Floats]:
        """Return what the flights of each strength count for."""
        return [
            mixture.counts_for(rung, each.loads) * np.exp(each.log_weights)
            for rung, each in enumerate(self.flown)
        ]

    def estimate(self, thresholds: Floats) -> Floats:
        """Return the rough probability above each threshold, (n,)."""
        out = np.zeros(thresholds.size)
        for each, weights in zip(self.flown, self._weights(self.mixture), strict=True):
            out += np.where(each.scores > thresholds[:, None], weights, 0.0).mean(axis=1)
        return out

    def reached(self, thresholds: Floats) -> NDArray[np.bool_]:
        """Return whether enough flights were above each threshold, (n,)."""
        every = np.concatenate([each.scores for each in self.flown])
        hits: NDArray[np.int64] = (every > thresholds[:, None]).sum(axis=1)
        return hits >= _FEWEST_HITS

    def planned(self, thresholds: Floats, relative_error: Floats) -> tuple[Mixture, float]:
        """Return shares for relative errors at thresholds, and the flights they take, without room.

        Thresholds that were not reached have no say; 0 flights where none was.
        """
        seen = self.reached(thresholds)
        if not seen.any():
            return self.mixture, 0.0
        above = self._chances(thresholds[seen])
        even = self._weights(self.mixture)
        size = self.flown[0].scores.size
        rough = sum(
            (chance @ weights / size for chance, weights in zip(above, even, strict=True)),
            np.zeros(int(seen.sum())),
        )
        scale = (rough * relative_error[seen])[:, None]
        every = Leaned.joined(self.flown)
        parts = np.concatenate(above, axis=1) * np.concatenate(even) / size / scale**2
        share = _least_variance(np.exp(self.mixture.log_times(every.loads)), parts)
        mixture = replace(self.mixture, share=share)
        moments = sum(
            (
                chance @ weights**2 / size / part
                for chance, weights, part in zip(
                    above, self._weights(mixture), share.tolist(), strict=True
                )
            ),
            np.zeros(scale.size),
        )
        needed = moments / scale[:, 0] ** 2 - relative_error[seen] ** -2
        return mixture, float(np.max(needed, initial=0.0))

    def _chances(self, thresholds: Floats) -> list[Floats]:
        """Return the chance of a score above thresholds given the load, (n, flights) each."""
        weak = self.flown[: len(self.flown) // 2 + 1]
        moved = np.sort(np.concatenate([each.scores - each.loads for each in weak]))

        def chance(distance: Floats) -> Floats:
            return 1.0 - np.searchsorted(moved, distance, side="right") / moved.size

        return [chance(thresholds[:, None] - each.loads) for each in self.flown]


def _least_variance(times: Floats, parts: Floats) -> Floats:
    """Return shares (K,) for which the greatest second moment is small.

    That of threshold ``t`` is ``sum_i parts[t, i] / sum_k share_k times[k, i]``, convex in the
    shares. Multiplicative steps: those of a strength grow with what more of it would gain, the say
    of a threshold with its moment.
    """
    count = times.shape[0]
    share, say = np.full(count, 1.0 / count), np.ones(parts.shape[0])
    for _ in range(_TURNS):
        likely = share @ times
        moments = parts @ (1.0 / likely)
        say *= np.sqrt(moments / moments.max())
        say /= say.max()
        gain = times @ ((say @ parts) / likely**2)
        share = share * np.sqrt(gain)
        share /= share.sum()
    return np.asarray((1.0 - _EVEN) * share + _EVEN / count)


def off_one(replicates: Floats) -> float:
    """Return how many standard errors the mean of replicates (R,) is from 1; 0 if all are 1."""
    error = float(replicates.std(ddof=1)) / math.sqrt(replicates.size)
    return (float(replicates.mean()) - 1.0) / error if error > _SAME else 0.0


def _laws(flown: Sequence[Leaned]) -> tuple[Floats, Floats]:
    """Return centre and spread of the load that each strength makes, ordinary flights first.

    A strength that makes nearly the same load every time still has some spread, and where the load
    never varies all have the same law.
    """
    centre = np.array([each.loads.mean() for each in flown])
    spread = np.array([each.loads.std() for each in flown])
    if spread.size == 0 or not spread[0] > _SAME * max(1.0, abs(float(centre[0]))):
        return np.zeros(spread.size), np.ones(spread.size)
    return centre, np.maximum(spread, _LEAST_SPREAD * spread[0])


def climb(leaner: Leaner, thresholds: Floats, *, seed: int, most: int) -> TiltPilot:
    """Fly pilot flights, so many at most, at rising strengths until every threshold is behind."""
    leaner.meter.begin("pilot of tilting", expected=_PILOT * _RUNGS // 2)
    flown: list[Leaned] = []
    for rung in range(_RUNGS + 1):
        if leaner.aim.flights + _PILOT * (rung + 1) > most:
            break
        own = derived_seed(seed, "pilot", str(rung))
        flown.append(leaner.fly(_STEP * rung, own, 0, _PILOT))
        if float((flown[-1].scores > thresholds[-1]).mean()) >= _BEHIND:
            break
    strengths: Floats = _STEP * np.arange(len(flown), dtype=np.float64)
    share = np.full(len(flown), 1.0 / max(len(flown), 1))
    return TiltPilot(Mixture(strengths, *_laws(flown), share), tuple(flown))


def fly_mixture(
    leaner: Leaner,
    mixture: Mixture,
    *,
    thresholds: Floats,
    relative_error: Floats,
    wanted: float,
    seed: int,
    most: int,
) -> tuple[Round, ...]:
    """Fly all strengths, first half of what the pilot asks for, then what the flights ask for.

    As long as their scatter asks for more, with room, up to four times as many are flown.

    Parameters
    ----------
    leaner : Leaner
    mixture : Mixture
    thresholds, relative_error : float64 arrays, shape (n,)
    wanted : float
        Flights by what the pilot saw, without room.
    seed : int
    most : int
        Flights at most, but 20 of each strength are flown.
    """
    rungs = range(mixture.strengths.size)
    room = _ROOM if leans_all(leaner.aim.model) else _ROOM_MOVING
    per_batch = mixture.share / BATCHES
    most = min(most, int(_FIRST + _HOPELESS * wanted))

    def batches(flights: float) -> list[int]:
        found = [max(1, math.ceil(flights * part - 1e-9)) for part in per_batch]
        if sum(found) * BATCHES > most:
            found = [max(1, math.floor(most * part)) for part in per_batch]
        return found

    def fly(rung: int, first: int, last: int) -> Leaned:
        own = derived_seed(seed, "main", str(rung))
        strength = float(mixture.strengths[rung])
        return leaner.fly(strength, own, BATCHES * first, BATCHES * (last - first))

    size = batches(min(0.5 * room[0] * wanted, _FIRST))
    leaner.meter.begin("tilting", expected=BATCHES * sum(size))
    done = [fly(rung, 0, size[rung]) for rung in rungs]
    while True:
        found = [_round(mixture, rung, seed, size[rung], done[rung]) for rung in rungs]
        factor = min(room[1] * _needed(found, thresholds, relative_error), _GROWTH)
        more = [max(pair) for pair in zip(size, batches(factor * sum(size) * BATCHES), strict=True)]
        if factor <= 1.0 or more == size:
            return tuple(found)
        leaner.meter.begin("tilting", expected=BATCHES * (sum(more) - sum(size)))
        done = [
            Leaned.joined([done[rung], fly(rung, size[rung], more[rung])])
            if more[rung] > size[rung]
            else done[rung]
            for rung in rungs
        ]
        size = more


def _round(mixture: Mixture, rung: int, seed: int, batch: int, flown: Leaned) -> Round:
    weights = mixture.counts_for(rung, flown.loads) * np.exp(flown.log_weights)
    own = derived_seed(seed, "main", str(rung))
    return Round(float(mixture.strengths[rung]), own, batch, flown.scores, weights)


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
