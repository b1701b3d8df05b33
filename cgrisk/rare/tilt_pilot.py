"""Pilot flights of rising strengths, and the plan made from them.

The plan has the strengths' shares of the flights, which make the greatest relative variance small
that any threshold would have, how often loads are flown, and how many it takes. For these what
people's moves add to the score is taken as independent of the load, as it is at the weaker
strengths: few flights do not show how often a load that is not far out and a long way moved come
together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.tilt_aim import Leaned, Leaner
from cgrisk.rare.tilt_mixture import Mixture, Plan
from cgrisk.rare.tilt_walks import MOST_WALKS, Walks, people_walk, same_for_all

__all__ = ["TiltPilot", "climb"]

Floats = NDArray[np.float64]

#: Strengths tried, in standard deviations of the score: 0 and steps up to the last.
_STEP, _RUNGS = 1.0, 14
#: Pilot loads at each strength, and how often each is flown: where nobody walks; where people do,
#: which takes more to see, at most. Loads at least; flights above a threshold, at least, before
#: they are believed.
_PILOT, _PILOT_WALKING, _LEAST_PILOT, _FEWEST_HITS = (500, 1), (1500, 4), 100, 20
#: Flights that move far.
_FAR: Final = 60
#: Of these, so many with the greatest weights count for no more than the last of them does: whether
#: a pilot sees one that nothing leaned is chance.
_HEAVIEST: Final = 3
#: Movement farther still falls faster than the law laid through them, since queues and galleys fill
#: up: by such a factor on the mean excess (measured on the shipped single aisle at 1e-7: plans by
#: it take a third to two thirds of the flights).
_FALLS: Final = 0.75
#: Cells of loads flown equally often; turns in which that and the shares settle; how many flights
#: take as long as leaning a load.
_CELLS, _TURNS_OF_WALKS, _LEANING = 48, 3, 4.0
#: Share of a strength's flights above the highest threshold at which the climb ends.
_BEHIND: Final = 0.5
#: Share of the loads that is dealt out evenly, so that what the pilot missed is seen as well.
_EVEN: Final = 0.4
_TURNS: Final = 200
#: Least spread of the loads of a strength, of that of ordinary flights.
_LEAST_SPREAD: Final = 0.3
#: Relative spread below which loads are the same.
_SAME: Final = 1e-12
#: Scatter of the logarithms of weights about a straight line below which they hang on the load
#: alone. So small that the line holds for loads far from those that made it.
_ALONE: Final = 1e-6


class _Movement(NamedTuple):
    """What movement adds to the score: of flights, in order; what is far; the mean excess over it.

    Far out it follows an exponential law, laid through all that is far: the farthest few flights by
    themselves tell nothing. Where too few are farther the mean excess is 0. ``beyond`` (2, n + 1)
    has the mean of the weights of flights from each on, and that of their squares.
    """

    moved: Floats
    beyond: Floats
    far: float
    excess: tuple[float, float]

    def _beyond(self, distance: Floats, power: int) -> Floats:
        seen: Floats = self.beyond[power, np.searchsorted(self.moved, distance, side="right")]
        if self.excess[power] == 0.0:
            return seen
        end = self.beyond[power, np.searchsorted(self.moved, self.far, side="right")]
        tail = end * np.exp(-np.maximum(distance - self.far, 0.0) / self.excess[power])
        return np.where(distance > self.far, tail, seen)

    def chance(self, distance: Floats) -> Floats:
        """Return the chance of moving farther than distances."""
        return self._beyond(distance, 0)

    def square(self, distance: Floats) -> Floats:
        """Return the mean square of the weight of a flight that moves farther, 0 for others."""
        return self._beyond(distance, 1)


@dataclass(frozen=True, slots=True)
class TiltPilot:
    """What pilot flights of rising strengths saw, equally many of each.

    Attributes
    ----------
    mixture : Mixture
        With even shares.
    flown : tuple of Leaned
        By strength.
    walking : bool
        Whether people walk, so that loads may be flown several times.
    """

    mixture: Mixture
    flown: tuple[Leaned, ...]
    walking: bool = False

    @property
    def flights(self) -> int:
        """Flights flown for it."""
        return sum(int(each.times.sum()) for each in self.flown)

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
            scores = each.scores.ravel()
            order = np.argsort(-scores)
            counts = (weights[:, None] * each.walk_weights).ravel()[order] / scores.size
            above = np.concatenate([[0.0], np.cumsum(counts)])
            out += above[np.searchsorted(-scores[order], -thresholds, side="left")]
        return out

    def reached(self, thresholds: Floats) -> NDArray[np.bool_]:
        """Return whether enough flights were above each threshold, (n,)."""
        every = np.concatenate([each.scores.ravel() for each in self.flown])
        hits: NDArray[np.int64] = (every > thresholds[:, None]).sum(axis=1)
        return hits >= _FEWEST_HITS

    def planned(self, thresholds: Floats, relative_error: Floats) -> Plan:
        """Return the plan for relative errors at thresholds; those not reached have no say."""
        seen = self.reached(thresholds)
        walks = same_for_all(1)
        if not seen.any():
            return Plan(self.mixture, walks, 0.0, 1.0)
        thresholds, relative_error = thresholds[seen], relative_error[seen]
        movement, even = self._movement(), self._weights(self.mixture)
        away = [thresholds[:, None] - each.loads for each in self.flown]
        above = [movement.chance(each) for each in away]
        square = [movement.square(each) for each in away]
        size = self.flown[0].loads.size
        rough = sum(
            (chance @ weights / size for chance, weights in zip(above, even, strict=True)),
            np.zeros(thresholds.size),
        )
        scale = (rough * relative_error)[:, None]
        every = np.concatenate([each.loads for each in self.flown])
        worth = np.exp(self.mixture.log_worth(every))
        chance, squared = np.concatenate(above, axis=1), np.concatenate(square, axis=1)

        def shared(walks: Walks) -> tuple[Mixture, Floats]:
            """Return the mixture that is best for walks, and the say of thresholds."""
            squares = _mean_squares(chance, squared, walks.of(every))
            parts = squares * np.concatenate(even) / size / scale**2
            share, say = _least_variance(worth, parts)
            return replace(self.mixture, share=share), say

        def needed(mixture: Mixture, walks: Walks | None) -> Floats:
            """Return the loads that the errors take: flown so often, or ever so often."""
            weights = self._weights(mixture)
            total = -(relative_error**-2)
            for part, each, own, given, given_square in zip(
                mixture.share.tolist(), self.flown, weights, above, square, strict=True
            ):
                times = np.inf if walks is None else walks.of(each.loads)
                squares = _mean_squares(given, given_square, times) @ own**2
                total += squares / size / part / scale[:, 0] ** 2
            return np.maximum(total, 0.0)

        mixture, say = shared(walks)
        if self.walking:
            between = float(say @ needed(mixture, None))
            for _ in range(_TURNS_OF_WALKS):
                by_say = say / scale[:, 0] ** 2
                walks = _best_walks(mixture, movement, thresholds, by_say, between)
                mixture, say = shared(walks)
                between = float(say @ needed(mixture, None))
        a_load = [float(walks.of(each.loads).mean()) for each in self.flown]
        loads = float(needed(mixture, walks).max())
        return Plan(mixture, walks, loads, float(mixture.share @ np.array(a_load)))

    def _movement(self) -> _Movement:
        """Return what movement adds to the score, at the weaker strengths."""
        weak = self.flown[: len(self.flown) // 2 + 1]
        moved = np.concatenate([(e.scores - e.loads[:, None]).ravel() for e in weak])
        weights = np.concatenate([e.walk_weights.ravel() for e in weak])
        order = np.argsort(moved)
        moved, weights = moved[order], weights[order]
        last = weights[-_FAR:]
        np.minimum(last, np.sort(last)[-min(_HEAVIEST, last.size)], out=last)
        powers = np.stack([weights, weights**2])
        beyond = np.zeros((2, moved.size + 1))
        beyond[:, :-1] = np.cumsum(powers[:, ::-1], axis=1)[:, ::-1] / moved.size
        far = float(moved[max(moved.size - _FAR, 0)])
        farther = moved > far
        excess = (0.0, 0.0)
        if farther.sum() >= _FEWEST_HITS:
            by_weight = powers[:, farther] @ (moved[farther] - far) / powers[:, farther].sum(axis=1)
            excess = (_FALLS * float(by_weight[0]), _FALLS * float(by_weight[1]))
        return _Movement(moved, beyond, far, excess)


def _best_walks(
    mixture: Mixture, movement: _Movement, thresholds: Floats, say: Floats, between: float
) -> Walks:
    """Return how often loads are best flown.

    The variance is ``(B + mean of V(L) / r(L)) / n`` for ``n`` loads flown ``r(L)`` times: what it
    takes is least for ``r(L) = sqrt(c V(L) / B)``, where leaning a load takes as long as ``c``
    flights; ``B`` is the variance between loads flown ever so often, ``V(L)`` that of a flight with
    the load, both summed over thresholds by their say.
    """
    low = float(thresholds[0]) - float(movement.moved[-1])
    grid = np.linspace(low, float(thresholds[-1]), _CELLS + 1)
    middle = np.concatenate([[low], 0.5 * (grid[1:] + grid[:-1]), grid[-1:]])
    given = movement.chance(thresholds[:, None] - middle)
    square = movement.square(thresholds[:, None] - middle)
    made = mixture.share @ np.exp(mixture.log_times(middle))
    worth = mixture.share @ np.exp(mixture.log_worth(middle))
    within = say @ np.maximum(square - given**2, 0.0) / (made * worth)
    best = np.sqrt(_LEANING * within / max(between, 1e-300))
    times = np.exp2(np.clip(np.round(np.log2(np.maximum(best, 1.0))), 0, np.log2(MOST_WALKS)))
    return Walks(tuple(grid.tolist()), tuple(int(number) for number in times))


def _mean_squares(chance: Floats, square: Floats, times: NDArray[np.int64] | float) -> Floats:
    """Return the mean square of what a load's flights above thresholds count for, on average."""
    squares: Floats = chance**2 + np.maximum(square - chance**2, 0.0) / times
    return squares


def _least_variance(worth: Floats, parts: Floats) -> tuple[Floats, Floats]:
    """Return shares (K,) for which the greatest second moment is small, and the say of thresholds.

    That of threshold ``t`` is ``sum_i parts[t, i] / sum_k share_k worth[k, i]``, convex in the
    shares. Multiplicative steps: those of a strength grow with what more of it would gain, the say
    of a threshold with its moment.
    """
    count = worth.shape[0]
    share, say = np.full(count, 1.0 / count), np.ones(parts.shape[0])
    for _ in range(_TURNS):
        total = share @ worth
        moments = parts @ (1.0 / total)
        say *= np.sqrt(moments / moments.max())
        say /= say.max()
        gain = worth @ ((say @ parts) / total**2)
        share = share * np.sqrt(gain)
        share /= share.sum()
    return np.asarray((1.0 - _EVEN) * share + _EVEN / count), say


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


def _scatter(flown: Sequence[Leaned]) -> Floats:
    """Return by how much the logarithms of each strength's weights scatter about a parabola."""
    return np.array([_off_parabola(each.loads, each.log_weights) for each in flown])


def _lines(flown: Sequence[Leaned]) -> Floats | None:
    """Return slopes and values at the centres (K, 2) of ``log q``, if weights hang on loads alone.

    ``q`` is 1 over the weight then. Nothing is known of a strength whose load never varies.
    """
    lines = []
    for each in flown:
        centre, level = float(each.loads.mean()), float(each.log_weights.mean())
        off = each.loads - centre
        if not float(off.std()) > _SAME * max(1.0, abs(centre)):
            return None
        slope = float(off @ each.log_weights) / float(off @ off)
        if not float((each.log_weights - level - slope * off).std()) <= _ALONE:
            return None
        lines.append((-slope, -level))
    return np.array(lines) if lines else None


def _off_parabola(x: Floats, y: Floats) -> float:
    """Return the standard deviation of y (n,) about its least-squares parabola in x (n,)."""
    off = x - x.mean()
    design = np.vander(off / max(float(off.std()), _SAME), 3)
    fitted = np.linalg.lstsq(design, y, rcond=None)[0]
    return float((y - design @ fitted).std())


def climb(
    leaner: Leaner, thresholds: Floats, *, seed: int, most: int, begun: TiltPilot | None = None
) -> TiltPilot:
    """Fly pilot flights, so many at most, at rising strengths until every threshold is behind.

    Goes on from what is ``begun``, flown for thresholds less far out.
    """
    loads, times = _PILOT
    if people_walk(leaner.aim.model):
        loads, times = _PILOT_WALKING
        loads = min(max(most // (_RUNGS * times), _LEAST_PILOT), loads)
    walks = same_for_all(times)
    leaner.meter.begin("pilot of tilting", expected=times * loads * _RUNGS // 2)
    flown: list[Leaned] = [] if begun is None else list(begun.flown)
    for rung in range(len(flown), _RUNGS + 1):
        if flown and float((flown[-1].scores > thresholds[-1]).mean()) >= _BEHIND:
            break
        if leaner.aim.flights + times * loads * (rung + 1) > most:
            break
        own = derived_seed(seed, "pilot", str(rung))
        flown.append(leaner.fly(_STEP * rung, own, 0, loads, walks))
    strengths: Floats = _STEP * np.arange(len(flown), dtype=np.float64)
    share = np.full(len(flown), 1.0 / max(len(flown), 1))
    mixture = Mixture(strengths, *_laws(flown), _scatter(flown), share, _lines(flown))
    return TiltPilot(mixture, tuple(flown), times > 1)
