"""A weighted cloud of flights that stands for the whole law, from the body to the far tail.

Splitting (and tilting, see ``tilt_cloud``) leaves flights at every depth. A few of each stage,
those not above the next level, each with the probability it stands for, represent the law of the
flights down to the rarest. Flown again under other assumptions, with the same random words, they
give the tail under those assumptions on common random numbers, for the price of a few thousand
flights.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray
from scipy import stats

from cgrisk.errors import ComputationError
from cgrisk.flight import FlightModel, entity_counts, fly_block
from cgrisk.rare.moves import Particles
from cgrisk.rare.multilevel import SplitTail
from cgrisk.rare.question import Meter
from cgrisk.rare.score import Score
from cgrisk.rare.strata import Stratum

__all__ = [
    "Cloud",
    "Part",
    "cloud_error",
    "cloud_interval",
    "cloud_of",
    "fly_cloud",
    "fly_rows",
    "thinned",
    "versions_for",
    "weighted_exceedance",
]

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
    replicates : int
        Replicates there are, some of which may have left no flight here.
    entities : dict of str to int
        Entities of each cause: the columns of the versions.
    causes : tuple of str
        Rare causes of the stratum.
    """

    name: str
    seed: int
    particles: Particles
    weight: Floats
    replicate: NDArray[np.int64]
    replicates: int
    entities: dict[str, int]
    causes: tuple[str, ...] = ()


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

    def stamp(self) -> str:
        """Return a digest of its flights, to name what is flown of it."""
        digest = hashlib.sha256()
        for part in self.parts:
            digest.update(f"{part.name}/{part.seed}/".encode())
            digest.update(part.particles.flights.tobytes())
            digest.update(part.particles.versions.tobytes())
        return digest.hexdigest()

    def weights(self, strata: Sequence[Stratum]) -> Floats:
        """Return the probability each flight stands for, given the strata's probabilities (n,).

        A stratum that the cloud has not, such as two rare causes at once, counts as the nearest
        that it has, with as few of its causes left out as can be.
        """
        shares = self.shares(strata)
        return np.concatenate([shares[p.name] * p.weight for p in self.parts])

    def shares(self, strata: Sequence[Stratum]) -> dict[str, float]:
        """Return the probability of each part, given the strata's."""
        shares = dict.fromkeys((part.name for part in self.parts), 0.0)
        flown = {stratum.name for stratum in strata}
        there = [part for part in self.parts if part.name in flown] or list(self.parts)
        for stratum in strata:
            shares[_nearest(stratum, there)] += stratum.probability
        return shares

    def replicate(self) -> NDArray[np.int64]:
        """Return the replicate that each flight comes from (n,)."""
        return np.concatenate([part.replicate for part in self.parts])


def _nearest(stratum: Stratum, parts: Sequence[Part]) -> str:
    """Return the name of the part with the most causes of a stratum and no other, else the first.

    The part of the stratum itself, where there is one.
    """
    own = {p.name: len(p.causes) for p in parts if set(p.causes) <= set(stratum.causes)}
    return stratum.name if stratum.name in own else max(own, key=own.get, default=parts[0].name)  # type: ignore[arg-type]


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
            runs = [each[place] for each in tail.replicates if each[place].kept]
            for number, run in enumerate(runs):
                for particles, weight in zip(run.kept, run.kept_weight, strict=True):
                    kept.append(particles)
                    weights.append(np.full(len(particles), weight / len(runs)))
                    numbers.append(np.full(len(particles), number))
            if not kept:
                raise ComputationError("no flights were kept; split with levels, not a kill rule.")
            parts[stratum.name] = Part(
                stratum.name,
                tail.seeds[place],
                Particles.joined(kept),
                np.concatenate(weights),
                np.concatenate(numbers),
                len(runs),
                entity_counts(stratum.model),
                stratum.causes,
            )
    made = tuple(parts.values())
    return Cloud(made, max(part.replicates for part in made))


def thinned(cloud: Cloud, *, flights: int) -> Cloud:
    """Return a cloud of about so many flights, evenly picked, that stands for the same law.

    Of the flights of a replicate that stand for the same probability each, as those of a stage do,
    the same share is kept, at least one, and stands for those that are left out too.

    Parameters
    ----------
    cloud : Cloud
        Returned as it is where it has no more.
    flights : int
        At least 1.
    """
    share = flights / max(len(cloud), 1)
    if share >= 1.0:
        return cloud
    return Cloud(tuple(_thinner(share, part) for part in cloud.parts), cloud.replicates)


def _thinner(share: float, part: Part) -> Part:
    alike = np.column_stack([part.replicate, part.weight])
    _, group = np.unique(alike, axis=0, return_inverse=True)
    group = group.reshape(-1)
    order = np.argsort(group, kind="stable")
    places, times = [], []
    for own in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
        kept = max(round(share * own.size), 1)
        places.append(own[(np.arange(kept) * own.size) // kept])
        times.append(np.full(kept, own.size / kept))
    chosen = np.concatenate(places)
    back = np.argsort(chosen)
    chosen = chosen[back]
    return replace(
        part,
        particles=part.particles.take(chosen),
        weight=part.weight[chosen] * np.concatenate(times)[back],
        replicate=part.replicate[chosen],
    )


def versions_for(part: Part, *, model: FlightModel) -> NDArray[np.uint32]:
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
    cloud: Cloud,
    *,
    strata: Sequence[Stratum],
    jobs: int = -1,
    meter: Meter | None = None,
    needed: Sequence[int] | None = None,
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
    needed : sequence of int, optional
        Columns that are looked at; see :func:`cgrisk.flight.fly_block`.

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
            needed=needed,
        )
        if meter is not None:
            meter.add(found.shape[0])
        return found

    for part in cloud.parts:
        if part.name not in by_name:
            count = len(part.particles)
            tasks.append(delayed(np.full)((count, columns), np.nan))
            continue
        versions = versions_for(part, model=by_name[part.name])
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
    piece: str | None = None,
) -> Floats:
    """Fly the cloud under the strata of some scenario; return scores, nan where not of these.

    Named as a ``piece``, they are kept on the meter's shelf, by scenario and score too; the name
    must tell the cloud (:meth:`Cloud.stamp`).
    """
    meter = Meter() if meter is None else meter

    def fly() -> dict[str, NDArray[np.generic]]:
        rows = fly_rows(cloud, strata=strata, jobs=jobs, meter=meter, needed=score.columns)
        return {"scores": score.of(rows)}

    if piece is None or meter.shelf is None:
        return fly()["scores"].astype(np.float64)
    columns = "-".join(map(str, score.columns))
    name = f"{piece}/{strata[0].model.scenario.digest()}/{score.name}/{columns}"
    return meter.kept(name, fly)["scores"].astype(np.float64)


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


def cloud_interval(
    cloud: Cloud,
    *,
    strata: Sequence[Stratum],
    scores: Floats,
    thresholds: Floats,
    confidence: float = 0.95,
) -> tuple[Floats, Floats, Floats]:
    """Return (estimate, low, high) of the exceedance from the cloud, by its replicates.

    Parameters
    ----------
    cloud, strata, scores, thresholds
        As in :func:`cloud_error`.
    confidence : float
        Of each interval by itself: Student's t on the logarithm.
    """
    mean, error, fewest = cloud_error(cloud, strata=strata, scores=scores, thresholds=thresholds)
    t = float(stats.t.ppf(0.5 + 0.5 * confidence, fewest - 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.exp(np.minimum(t * error / mean, 700.0))
    seen = mean > 0.0
    low = np.where(seen, mean / np.where(seen, factor, 1.0), 0.0)
    high = np.where(seen, np.minimum(mean * np.where(seen, factor, 1.0), 1.0), 1.0)
    return np.minimum(mean, 1.0), low, high


def cloud_error(
    cloud: Cloud,
    *,
    strata: Sequence[Stratum],
    scores: Floats,
    thresholds: Floats,
) -> tuple[Floats, Floats, int]:
    """Return (estimate, standard error, fewest replicates of a stratum) of the exceedance.

    Parameters
    ----------
    cloud : Cloud
    strata : sequence of Stratum
        Of the scenario under which the scores were flown.
    scores : float64 array, shape (len(cloud),)
    thresholds : float64 array, shape (n,)
    """
    shares = cloud.shares(strata)
    # Parts of one name, such as the strengths of a tilt, share their replicates.
    each: dict[str, Floats] = {}
    start = 0
    for part in cloud.parts:
        here = slice(start, start + len(part.particles))
        start = here.stop
        share = shares[part.name]
        if share == 0.0:
            continue
        own = np.array(
            [
                weighted_exceedance(
                    scores[here],
                    weights=part.replicates * share * part.weight * (part.replicate == number),
                    thresholds=thresholds,
                )
                for number in range(part.replicates)
            ]
        )
        each[part.name] = each[part.name] + own if part.name in each else own
    mean, variance = np.zeros(thresholds.size), np.zeros(thresholds.size)
    for found in each.values():
        mean += found.mean(axis=0)
        variance += found.var(axis=0, ddof=1) / found.shape[0]
    fewest = min((found.shape[0] for found in each.values()), default=cloud.replicates)
    return mean, np.sqrt(variance), fewest
