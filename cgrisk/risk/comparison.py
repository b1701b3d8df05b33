"""Two runs side by side: what went in differently, and what came out differently.

Runs of one seed share their flights' random numbers, so that their differences are judged flight
by flight; whatever the two have in common drops out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from cgrisk.errors import UsageError
from cgrisk.risk._checks import checked_fraction
from cgrisk.risk.intervals import Interval, independent_difference, paired_difference
from cgrisk.risk.quantiles import binned_quantile
from cgrisk.risk.readings import share_interval
from cgrisk.risk.sequential import any_time_difference
from cgrisk.runs import Run, changed_keys
from cgrisk.sampling import BLOCK, Sample, block_count, figures_of
from cgrisk.sampling.moments import Moments

__all__ = ["Comparison", "compare_runs"]

Bits = NDArray[np.uint8]

_QUANTILES = (0.5, 0.99, 0.999)


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs between two runs.

    Attributes
    ----------
    inputs : pandas.DataFrame
        key, first, second: leaves of the resolved scenarios that differ.
    settings : pandas.DataFrame
        name, first, second: seed, flights, versions and machine, where they differ.
    paired_flights : int
        Flights compared one by one; 0 for runs of different seeds.
    same_flights : bool
        Whether these are the same flights in both: one scenario, one seed, one version.
    answers : pandas.DataFrame
        kind (probability, mean, quantile), answer, first, second, difference (second less first),
        low, high, told_apart (whether 0 is outside), method.
    """

    inputs: pd.DataFrame
    settings: pd.DataFrame
    paired_flights: int
    same_flights: bool
    answers: pd.DataFrame


def _check(first: Run, second: Run) -> None:
    one, two = first.layout, second.layout
    if one.phases == two.phases and one.outcomes == two.outcomes and one.means == two.means:
        return
    raise UsageError(
        argument="compare",
        expected=f"runs with the same phases (the first has {', '.join(one.phases)})",
        got=", ".join(two.phases),
        cure="Only runs whose flights have the same phases answer the same questions.",
    )


def _settings(first: Run, second: Run) -> pd.DataFrame:
    def told(run: Run) -> dict[str, object]:
        inputs = run.inputs
        return {
            "scenario": run.model.scenario.name,
            "seed": inputs.seed,
            "flights flown": run.manifest.flown,
            "precision asked for": inputs.precision,
            "rows kept": inputs.rows,
            "cgrisk": inputs.cgrisk_version,
            "kernel": inputs.kernel,
            **inputs.environment,
        }

    one, two = told(first), told(second)
    rows = [(name, one.get(name), two.get(name)) for name in {**one, **two}]
    apart = [row for row in rows if row[1] != row[2]]
    return pd.DataFrame(apart, columns=["name", "first", "second"])


def _outcomes(run: Run, flights: int) -> Iterator[Bits]:
    """Yield the outcomes of the first flights, segment by segment, bits past them cleared."""
    left = flights
    for segment in run.store.segments():
        if left <= 0:
            return
        bits = segment.outcomes
        if left < segment.tally.flights:
            bits = bits[:, : (left + 7) // 8].copy()
            if left % 8:
                bits[:, -1] &= np.uint8(0xFF << (8 - left % 8) & 0xFF)
        left -= segment.tally.flights
        yield bits


def _counts(first: Run, second: Run, flights: int) -> NDArray[np.int64]:
    """Return, by outcome, how many of the common flights had it in the first, second, both."""
    counts = np.zeros((len(first.layout.outcomes), 3), dtype=np.int64)
    for one, two in zip_longest(_outcomes(first, flights), _outcomes(second, flights)):
        for k, bits in enumerate((one, two, one & two)):
            counts[:, k] += np.bitwise_count(bits).sum(axis=1, dtype=np.int64)
    return counts


def _paired_moments(first: Run, second: Run, flights: int) -> Moments:
    """Return the moments of every averaged figure: first, second, second less first."""
    total: Moments | None = None
    names = first.layout.means
    for number in range(block_count(flights)):
        size = min(BLOCK, flights - number * BLOCK)
        found = []
        for run in (first, second):
            rows = run.block_rows(number)[list(run.layout.columns)].to_numpy()[:size]
            figures = figures_of(rows, layout=run.layout)
            found.append(np.stack([figures[name] for name in names], axis=1))
        part = Moments.of(np.concatenate([*found, found[1] - found[0]], axis=1))
        total = part if total is None else total.merged(part)
    assert total is not None
    return total


def _mean_rows(
    first: Run, second: Run, samples: tuple[Sample, Sample], paired: int, confidence: float
) -> list[tuple[object, ...]]:
    names = first.layout.means
    one, two = (sample.tally.moments.mean for sample in samples)
    spread = float(special.ndtri(0.5 * (1.0 + confidence)))
    with np.errstate(invalid="ignore"):
        errors = [np.sqrt(s.tally.moments.variance() / s.flights) for s in samples]
    if paired and first.inputs.rows and second.inputs.rows:
        moments = _paired_moments(first, second, paired)
        one, two, gap = np.split(moments.mean, 3)
        error = np.sqrt(np.split(moments.variance(), 3)[2] / paired)
        method = f"paired, mean of {paired} differences, normal"
    elif paired:
        gap, error = two - one, errors[0] + errors[1]
        method = "not paired: same seed, but rows not kept; standard errors added (conservative)"
    else:
        gap, error = two - one, np.hypot(*errors)
        method = "not paired: standard errors combined, normal"
    if any(sample.precision is not None for sample in samples):
        method += "; approximate: the number of flights was not fixed beforehand"
    rows: list[tuple[object, ...]] = []
    for i, name in enumerate(names):
        low, high = gap[i] - spread * error[i], gap[i] + spread * error[i]
        rows.append(("mean", name, one[i], two[i], gap[i], low, high, method))
    return rows


def _probability_rows(
    first: Run, second: Run, samples: tuple[Sample, Sample], paired: int, confidence: float
) -> list[tuple[object, ...]]:
    stopped = any(sample.precision is not None for sample in samples)
    rows: list[tuple[object, ...]] = []
    if paired:
        difference = any_time_difference if stopped else paired_difference
        counts = _counts(first, second, paired)
        for name, (one, two, both) in zip(first.layout.outcomes, counts.tolist(), strict=True):
            p = difference(two - both, one - both, flights=paired, confidence=confidence)
            shares = one / paired, two / paired
            rows.append(("probability", name, *shares, p.estimate, p.low, p.high, p.method))
        return rows
    each = 0.5 * (1.0 + confidence)
    for i, name in enumerate(first.layout.outcomes):
        found = [
            share_interval(sample, int(sample.tally.hits[i]), confidence=each) for sample in samples
        ]
        p = independent_difference(found[1], second=found[0])
        estimates = found[0].estimate, found[1].estimate
        rows.append(("probability", name, *estimates, p.estimate, p.low, p.high, p.method))
    return rows


def _quantile_rows(
    first: Run, samples: tuple[Sample, Sample], confidence: float
) -> list[tuple[object, ...]]:
    each = 0.5 * (1.0 + confidence)
    rows: list[tuple[object, ...]] = []
    for name in first.layout.steps:
        if not name.startswith("excess."):
            continue
        for probability in _QUANTILES:
            found: list[Interval] = [
                binned_quantile(
                    sample.tally.histograms[name],
                    probability,
                    confidence=each,
                    any_time=sample.precision is not None,
                )
                for sample in samples
            ]
            p = independent_difference(found[1], second=found[0])
            label = f"{name} at {probability:g}"
            estimates = found[0].estimate, found[1].estimate
            rows.append(("quantile", label, *estimates, p.estimate, p.low, p.high, p.method))
    return rows


def compare_runs(first: Run, second: Run, *, confidence: float = 0.95) -> Comparison:
    """Compare two complete runs.

    Parameters
    ----------
    first, second : Run
        From :func:`cgrisk.runs.read_run`. Runs of the same seed are compared over the flights that
        both have, flight by flight.
    confidence : float
        Of each interval by itself.

    Raises
    ------
    UsageError
        If their flights do not have the same phases.
    RunFolderError
        If a file of theirs cannot be read.
    """
    level = checked_fraction(confidence, argument="confidence")
    _check(first, second)
    samples = first.sample(), second.sample()
    same_seed = first.inputs.seed == second.inputs.seed
    paired = min(first.manifest.flown, second.manifest.flown) if same_seed else 0
    rows = [
        *_probability_rows(first, second, samples, paired, level),
        *_mean_rows(first, second, samples, paired, level),
        *_quantile_rows(first, samples, level),
    ]
    names = ["kind", "answer", "first", "second", "difference", "low", "high", "method"]
    answers = pd.DataFrame(rows, columns=names)
    apart = (answers["low"] > 0.0) | (answers["high"] < 0.0)
    answers.insert(7, "told_apart", apart)
    keys = changed_keys(first.inputs.scenario, second.inputs.scenario)
    return Comparison(
        inputs=pd.DataFrame(keys, columns=["key", "first", "second"]),
        settings=_settings(first, second),
        paired_flights=paired,
        same_flights=same_seed and not keys and not first.inputs.changed_versions(second.inputs),
        answers=answers,
    )
