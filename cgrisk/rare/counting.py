"""Counting flights above thresholds: exact, and enough where the event is not rare."""

from __future__ import annotations

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from cgrisk.errors import UsageError
from cgrisk.flight import FlightModel, fly_block
from cgrisk.randomness import MAX_FLIGHTS
from cgrisk.rare.estimate import TailEstimate
from cgrisk.rare.question import Meter
from cgrisk.rare.score import Score, finite_scores
from cgrisk.rare.seeds import derived_seed
from cgrisk.rare.strata import errors_of
from cgrisk.risk import any_time_intervals, binomial_intervals, hit_interval
from cgrisk.sampling import hits_needed

__all__ = [
    "count_scores",
    "counted_tail",
    "flights_to_count",
    "fly_scores",
    "kept_scores",
    "sequential_tail",
]

Floats = NDArray[np.float64]

_BATCH = 512


def flights_to_count(probability: float, *, relative_error: float) -> float:
    """Return the flights that counting needs for a relative standard error of a probability."""
    return (1.0 - probability) / (probability * relative_error**2)


def fly_scores(
    model: FlightModel,
    *,
    score: Score,
    seed: int,
    first: int,
    count: int,
    jobs: int = -1,
    meter: Meter | None = None,
) -> Floats:
    """Fly ordinary flights and return their scores (count,), in the order of their numbers.

    Errors on the load sheet happen with their stated probabilities.

    Raises
    ------
    ComputationError
        If the score has no value on some flights.
    """
    errors = errors_of(model)
    ends = np.cumsum([probability for _, probability, _ in errors])[:-1]
    key = derived_seed(seed, "errors on the load sheet")

    def fly(start: int) -> Floats:
        numbers = np.arange(start, min(start + _BATCH, first + count), dtype=np.uint32)
        found = np.empty(numbers.size)
        # One number a flight, the same however flights are batched.
        words = np.random.Philox(key=key, counter=start).random_raw(4 * numbers.size)[::4]
        which = np.searchsorted(ends, words * 2.0**-64, side="right")
        for number, (_, _, flown) in enumerate(errors):
            here = which == number
            if here.any():
                rows = fly_block(flown, seed=seed, flights=numbers[here], needed=score.columns)
                found[here] = finite_scores(score, rows)
        if meter is not None:
            meter.add(numbers.size)
        return found

    starts = range(first, first + count, _BATCH)
    done = Parallel(n_jobs=jobs, backend="threading")(delayed(fly)(start) for start in starts)
    return np.concatenate(done)


def kept_scores(
    model: FlightModel,
    *,
    score: Score,
    seed: int,
    first: int,
    count: int,
    jobs: int = -1,
    meter: Meter | None = None,
) -> Floats:
    """Return :func:`fly_scores` of flights that the meter's shelf keeps, as one piece.

    The seed must be this scenario's own among all that the shelf serves.
    """

    def fly() -> dict[str, NDArray[np.generic]]:
        scores = fly_scores(
            model, score=score, seed=seed, first=first, count=count, jobs=jobs, meter=meter
        )
        return {"scores": scores}

    if meter is None or meter.shelf is None:
        return fly()["scores"].astype(np.float64)
    columns = "-".join(map(str, score.columns))
    piece = meter.kept(f"scores/{seed}/{score.name}/{columns}/{first}/{count}", fly)
    return piece["scores"].astype(np.float64)


def count_scores(scores: Floats, *, thresholds: Floats, confidence: float = 0.95) -> TailEstimate:
    """Return the exact binomial answer from the scores of independent flights.

    Parameters
    ----------
    scores : float64 array, shape (n,), n >= 1
    thresholds : float64 array, shape (k,)
    confidence : float
        Of each interval by itself.
    """
    ordered = np.sort(scores)
    hits = ordered.size - np.searchsorted(ordered, thresholds, side="right")
    low, high = binomial_intervals(hits, flights=ordered.size, confidence=confidence)
    return TailEstimate(
        thresholds=thresholds,
        estimate=hits / ordered.size,
        low=low,
        high=high,
        confidence=confidence,
        method="counting, exact binomial (Clopper-Pearson)",
        flights=int(ordered.size),
        diagnostics={"hits_at_last_threshold": float(hits[-1])},
    )


def counted_tail(
    model: FlightModel,
    *,
    score: Score,
    thresholds: Floats,
    seed: int,
    flights: int,
    confidence: float = 0.95,
    jobs: int = -1,
    meter: Meter | None = None,
) -> TailEstimate:
    """Count a fixed number of flights; see :func:`count_scores`."""
    scores = fly_scores(
        model, score=score, seed=seed, first=0, count=flights, jobs=jobs, meter=meter
    )
    return count_scores(scores, thresholds=thresholds, confidence=confidence)


def sequential_tail(
    model: FlightModel,
    *,
    score: Score,
    thresholds: Floats,
    at: float,
    seed: int,
    relative_error: float = 0.1,
    most_flights: int = 20_000_000,
    confidence: float = 0.95,
    jobs: int = -1,
    meter: Meter | None = None,
) -> TailEstimate:
    """Count until the k-th flight above one threshold, k fixed by the precision.

    Parameters
    ----------
    model, score
        What is flown and counted.
    thresholds : float64 array, shape (n,)
        Rising.
    at : float
        Threshold of the hits that end the count; one of ``thresholds``.
    seed : int
        Resolved seed.
    relative_error : float
        Standard error over the estimate wanted at that threshold.
    most_flights : int
        Where to stop if the k-th hit has not come.
    confidence, jobs
        As elsewhere.
    meter : Meter, optional
        Told of the flights; its shelf keeps them.

    Returns
    -------
    TailEstimate
        Exact negative-binomial interval at ``at`` (Clopper-Pearson if the flights ran out first,
        which is valid with a limit on flights); elsewhere intervals that hold at any stop.

    Raises
    ------
    UsageError
        If ``at`` is not one of the thresholds.
    """
    if not (thresholds == at).any():
        raise UsageError(
            argument="at",
            expected="one of the thresholds",
            got=at,
            cure="Add it to them.",
        )
    half_width = float(np.clip(1.96 * relative_error, 0.003, 1.0))
    wanted = hits_needed(half_width)
    parts: list[Floats] = []
    hits = flown = 0
    most = min(most_flights, MAX_FLIGHTS)
    while hits < wanted and flown < most:
        count = min(64 * _BATCH, most - flown)
        parts.append(
            kept_scores(
                model, score=score, seed=seed, first=flown, count=count, jobs=jobs, meter=meter
            )
        )
        hits += int((parts[-1] > at).sum())
        flown += count
    scores = np.concatenate(parts)
    reached = hits >= wanted
    if reached:
        last = int(np.flatnonzero(scores > at)[wanted - 1])
        scores = scores[: last + 1]
    answer = count_scores(scores, thresholds=thresholds, confidence=confidence)
    counts = np.rint(answer.estimate * scores.size).astype(np.int64)
    low, high = any_time_intervals(counts, flights=scores.size, confidence=confidence)
    estimate = answer.estimate.copy()
    place = thresholds == at
    if reached:
        p = hit_interval(wanted, flights=scores.size, confidence=confidence)
        estimate[place], low[place], high[place] = p.estimate, p.low, p.high
    else:
        low[place], high[place] = answer.low[place], answer.high[place]
    warnings = () if reached else (f"only {hits} of {wanted} hits in {flown:,} flights.",)
    return TailEstimate(
        thresholds=thresholds,
        estimate=estimate,
        low=low,
        high=high,
        confidence=confidence,
        method=f"counting, stopped at hit {wanted} (negative binomial), elsewhere beta mixture",
        flights=flown,
        diagnostics={"hits": float(min(hits, wanted)), "hits_wanted": float(wanted)},
        warnings=warnings,
    )
