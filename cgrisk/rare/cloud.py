"""A weighted cloud of flights that stands for the whole law, from the body to the far tail.

Splitting leaves flights at every depth. A few of each stage, those not above the next level, each
with the probability it stands for, represent the law of the flights down to the rarest. Flown
again under other assumptions, with the same random words, they give the tail under those
assumptions on common random numbers, for the price of a few thousand flights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.errors import ComputationError
from cgrisk.flight import FlightModel, entity_counts, fly_block
from cgrisk.rare.moves import Particles
from cgrisk.rare.multilevel import SplitTail
from cgrisk.rare.question import Meter
from cgrisk.rare.score import Score
from cgrisk.rare.strata import Stratum

__all__ = ["Cloud", "Part", "cloud_of", "fly_cloud", "fly_rows", "weighted_exceedance"]

Floats = NDArray[np.float64]

_BATCH = 256


@dataclass(frozen=True, slots=True)
class Part:
    """Flights of one stratum.

    Attributes
    ----------
    name : str
        Of the stratum.
    seed : int
        Of its flights.
    particles : Particles
    weight : float64 array, shape (n,)
        Probability that each flight stands for, given the stratum; the sum over a replicate is
        about 1 over the number of replicates.
    replicate : int64 array, shape (n,)
        Replicate each comes from.
    entities : dict of str to int
        Entities of each cause: the columns of the versions.
    """

    name: str
    seed: int
    particles: Particles
    weight: Floats
    replicate: NDArray[np.int64]
    entities: dict[str, int]


@dataclass(frozen=True, slots=True)
class Cloud:
    """Weighted flights of all strata.

    Attributes
    ----------
    parts : tuple of Part
    replicates : int
        Independent sets of flights in it.
    """

    parts: tuple[Part, ...]
    replicates: int

    def __len__(self) -> int:
        return sum(len(part.particles) for part in self.parts)

    def weights(self, strata: Sequence[Stratum]) -> Floats:
        """Return the probability each flight stands for, given the strata's probabilities (n,)."""
        shares = {stratum.name: stratum.probability for stratum in strata}
        return np.concatenate([shares.get(p.name, 0.0) * p.weight for p in self.parts])

    def replicate(self) -> NDArray[np.int64]:
        """Return the replicate that each flight comes from (n,)."""
        return np.concatenate([part.replicate for part in self.parts])


def cloud_of(tails: Sequence[SplitTail]) -> Cloud:
    """Return the cloud of the flights that tails have kept.

    Parameters
    ----------
    tails : sequence of SplitTail
        Of one scenario; strata that occur in several are taken from the first.

    Raises
    ------
    ComputationError
        If no flights were kept.
    """
    parts: dict[str, Part] = {}
    for tail in tails:
        for place, stratum in enumerate(tail.strata):
            if stratum.name in parts:
                continue
            kept, weights, numbers = [], [], []
            for number, runs in enumerate(tail.replicates):
                run = runs[place]
                for particles, weight in zip(run.kept, run.kept_weight, strict=True):
                    kept.append(particles)
                    weights.append(np.full(len(particles), weight / len(tail.replicates)))
                    numbers.append(np.full(len(particles), number))
            if not kept:
                raise ComputationError("no flights were kept; split with levels, not a kill rule.")
            parts[stratum.name] = Part(
                stratum.name,
                tail.seeds[place],
                Particles.joined(kept),
                np.concatenate(weights),
                np.concatenate(numbers),
                entity_counts(stratum.model),
            )
    return Cloud(tuple(parts.values()), max(len(tail.replicates) for tail in tails))


def _carried(part: Part, model: FlightModel) -> NDArray[np.uint32]:
    """Return the versions of a part for a model that may have other numbers of entities."""
    there = entity_counts(model)
    if there == part.entities:
        return part.particles.versions
    out = np.zeros((len(part.particles), sum(there.values())), dtype=np.uint32)
    source = target = 0
    for cause, count in part.entities.items():
        common = min(count, there[cause])
        out[:, target : target + common] = part.particles.versions[:, source : source + common]
        source, target = source + count, target + there[cause]
    return out


def fly_rows(
    cloud: Cloud, *, strata: Sequence[Stratum], jobs: int = -1, meter: Meter | None = None
) -> Floats:
    """Fly the cloud under the strata of some scenario; return one row a flight.

    Parameters
    ----------
    cloud : Cloud
    strata : sequence of Stratum
        Of the scenario; flights of a stratum it has not are nan.
    jobs : int
        Threads; changes no result.
    meter : Meter, optional
        Told of the flights.

    Returns
    -------
    float64 array, shape (len(cloud), columns)
    """
    by_name = {stratum.name: stratum.model for stratum in strata}
    columns = len(strata[0].model.columns)
    tasks: list[Any] = []

    def fly(part: Part, model: FlightModel, versions: NDArray[np.uint32], rows: slice) -> Floats:
        found = fly_block(
            model,
            seed=part.seed,
            flights=part.particles.flights[rows],
            versions=versions[rows],
        )
        if meter is not None:
            meter.add(found.shape[0])
        return found

    for part in cloud.parts:
        if part.name not in by_name:
            count = len(part.particles)
            tasks.append(delayed(np.full)((count, columns), np.nan))
            continue
        versions = _carried(part, by_name[part.name])
        for start in range(0, len(part.particles), _BATCH):
            rows = slice(start, start + _BATCH)
            tasks.append(delayed(fly)(part, by_name[part.name], versions, rows))
    return np.concatenate(Parallel(n_jobs=jobs, backend="threading")(tasks))


def fly_cloud(
    cloud: Cloud,
    *,
    strata: Sequence[Stratum],
    score: Score,
    jobs: int = -1,
    meter: Meter | None = None,
) -> Floats:
    """Fly the cloud under the strata of some scenario; return scores, nan where not of these."""
    return score.of(fly_rows(cloud, strata=strata, jobs=jobs, meter=meter))


def weighted_exceedance(scores: Floats, *, weights: Floats, thresholds: Floats) -> Floats:
    """Return the weight of the scores strictly above each threshold.

    Parameters
    ----------
    scores, weights : float64 arrays, shape (n,)
        Flights of weight 0 may have no score.
    thresholds : float64 array, shape (k,)
    """
    counted = weights > 0.0
    order = np.argsort(scores[counted])
    ordered, above = scores[counted][order], np.cumsum(weights[counted][order][::-1])[::-1]
    place = np.searchsorted(ordered, thresholds, side="right")
    return np.append(above, 0.0)[place]
