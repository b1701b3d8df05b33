"""Intervals of runs that decide themselves when to stop, against exact sums and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from cgrisk.errors import UsageError
from cgrisk.flight import phase_column
from cgrisk.risk import any_time_intervals, binomial_interval, hit_interval, leave_envelope
from cgrisk.risk.intervals import paired_difference
from cgrisk.risk.sequential import any_time_difference, any_time_ranks
from cgrisk.risk.summary import summarise
from cgrisk.sampling import Precision, PrecisionWatch, hits_needed, layout_of, simulate
from cgrisk.sampling.tally import pack_outcomes
from tests.flight_cases import edited, shipped_scenario


@pytest.mark.parametrize("hits, flights", [(2, 2), (2, 9), (5, 40), (20, 90_000), (386, 1_000_000)])
def test_bounds_invert_the_negative_binomial(hits, flights):
    """SciPy's law of the failures before the k-th hit, inverted by a root finder."""
    p = hit_interval(hits, flights=flights, confidence=0.9)
    failures = flights - hits

    def at_most(q):
        return stats.nbinom.cdf(failures, hits, q) - 0.05

    def at_least(q):
        return stats.nbinom.sf(failures - 1, hits, q) - 0.05

    assert p.low == pytest.approx(optimize.brentq(at_most, 1e-12, 1 - 1e-12, xtol=1e-15), rel=1e-6)
    if failures:
        high = optimize.brentq(at_least, 1e-12, 1 - 1e-12, xtol=1e-15)
        assert p.high == pytest.approx(high, rel=1e-6)
    else:
        assert p.high == 1.0
    assert p.low < p.estimate <= p.high


@pytest.mark.parametrize("hits", [2, 5, 20])
@pytest.mark.parametrize("share", [0.5, 0.05, 0.004])
def test_coverage_with_a_limit_on_flights_is_exact(hits, share):
    """Summed over all outcomes: stopped at the k-th hit, or at the limit with fewer."""
    limit = int(1.3 * hits / share)
    numbers = np.arange(hits, limit + 1)
    chance = stats.nbinom.pmf(numbers - hits, hits, share)
    inside = 0.0
    for n, c in zip(numbers, chance, strict=True):
        if c > 1e-12:
            p = hit_interval(hits, flights=int(n), confidence=0.9)
            inside += c * (p.low <= share <= p.high)
    short = np.arange(hits)
    for k, c in zip(short, stats.binom.pmf(short, limit, share), strict=True):
        p = binomial_interval(int(k), flights=limit, confidence=0.9)
        inside += c * (p.low <= share <= p.high)
    assert chance.sum() + stats.binom.cdf(hits - 1, limit, share) == pytest.approx(1.0)
    assert 0.9 <= inside < 0.985


def test_the_estimate_is_unbiased():
    share, hits = 0.03, 6
    numbers = np.arange(hits, 4000)
    chance = stats.nbinom.pmf(numbers - hits, hits, share)
    estimates = [hit_interval(hits, flights=int(n)).estimate for n in numbers]
    mean = float(chance @ estimates)
    assert mean == pytest.approx(share, rel=1e-9)


@pytest.mark.parametrize("wish", [1.0, 0.5, 0.2, 0.1, 0.03])
def test_the_hits_needed_give_the_precision_at_every_probability(wish):
    hits = hits_needed(wish)
    for share in (0.4, 0.1, 1e-3, 1e-6):
        p = hit_interval(hits, flights=round(hits / share))
        assert 0.5 * (p.high - p.low) / p.estimate <= wish * (1.0 + 1e-6)
    rare = hit_interval(hits - 1, flights=(hits - 1) * 10_000_000) if hits > 2 else None
    if rare is not None:
        assert 0.5 * (rare.high - rare.low) / rare.estimate > wish


def test_fewer_hits_for_less_precision():
    # The normal approximation: (1.96 / 0.1)**2 = 384.
    assert hits_needed(0.1) == pytest.approx(384, abs=4)
    assert hits_needed(0.1, confidence=0.99) > hits_needed(0.1)
    for wish in (0.0, -1.0, 1.5, float("nan"), True, "x"):
        with pytest.raises(UsageError, match="precision: expected a number from"):
            Precision(wish)
    with pytest.raises(UsageError, match="side: expected forward, aft or both"):
        Precision(0.1, sides=())


@pytest.mark.parametrize("arguments", [(1, 5), (3, 2), (2.5, 9), (True, 9)])
def test_impossible_counts_are_refused(arguments):
    with pytest.raises(UsageError, match="expected"):
        hit_interval(arguments[0], flights=arguments[1])


def test_any_time_bounds_are_where_the_mixture_says():
    """The mixture integrated by a sum, not by the beta function."""
    # Over the angle whose squared sine is q the beta(1/2, 1/2) law is flat.
    q = np.sin(0.5 * np.pi * (np.arange(100_000) + 0.5) / 100_000) ** 2
    for hits, flights in ((0, 50), (3, 50), (25, 50), (50, 50), (7, 2000)):
        low, high = any_time_intervals([hits], flights=flights, confidence=0.95)
        for bound in {float(low[0]), float(high[0])} - {0.0, 1.0}:
            rest = flights - hits
            log_ratio = hits * np.log(q / bound) + rest * (np.log1p(-q) - np.log1p(-bound))
            assert float(np.exp(log_ratio).mean()) == pytest.approx(20.0, rel=1e-6)
    low, high = any_time_intervals([0, 30], flights=30)
    assert (low[0], high[1]) == (0.0, 1.0)


@pytest.mark.parametrize("share", [0.5, 0.02])
def test_any_time_intervals_hold_at_all_times_together(share, seed_offset):
    """The worst moment of each of many long runs, looked at over and over."""
    rng = np.random.default_rng(77 + seed_offset)
    runs, missed = 2000, 0
    looks = np.unique(np.geomspace(1, 3000, 60).astype(int))
    hits = np.cumsum(rng.random((runs, looks[-1])) < share, axis=1)[:, looks - 1]
    ever = np.zeros(runs, dtype=bool)
    fixed = np.zeros(runs, dtype=bool)
    for i, flights in enumerate(looks):
        low, high = any_time_intervals(hits[:, i], flights=int(flights))
        ever |= (share < low) | (share > high)
        counts = np.unique(hits[:, i]).tolist()
        p = {k: binomial_interval(k, flights=int(flights)) for k in counts}
        bad = {k for k in counts if not p[k].low <= share <= p[k].high}
        fixed |= np.isin(hits[:, i], list(bad))
    missed = int(ever.sum())
    assert stats.binomtest(missed, runs, 0.05, alternative="greater").pvalue > 1e-6
    assert fixed.mean() > 0.05, "an interval for a fixed number does not hold at all of them"


@pytest.mark.parametrize("probability", [0.5, 0.99])
def test_any_time_ranks_are_those_of_the_intervals(probability):
    flights = 700
    lower, upper = any_time_ranks(flights, probability=probability, confidence=0.95)
    counts = np.arange(flights + 1)
    low, high = any_time_intervals(counts, flights=flights)
    inside = counts[(low <= probability) & (probability <= high)]
    assert (lower, upper) == (inside[0], inside[-1] + 1)


def test_paired_any_time_difference_is_wider_and_signed_alike():
    for counts in ((0, 0), (12, 3), (0, 9)):
        fixed = paired_difference(*counts, flights=5000)
        free = any_time_difference(*counts, flights=5000)
        assert free.estimate == fixed.estimate
        assert free.low <= fixed.low <= fixed.high <= free.high


def test_a_watch_stops_at_the_kth_hit_whatever_the_blocks():
    layout = layout_of_shipped()
    rng = np.random.default_rng(5)
    past = rng.random(20_000) < 0.02
    wish = Precision(0.3, sides=("aft",))
    place = layout.outcomes.index("aft.any.at the operational limit")
    wanted = int(np.flatnonzero(past)[wish.hits - 1]) + 1
    for size in (4096, 1000, 8):
        watch = PrecisionWatch(wish, layout)
        for first in range(0, past.size, size):
            outcomes = np.zeros((len(layout.outcomes), min(size, past.size - first)), dtype=bool)
            outcomes[place] = past[first : first + size]
            if watch.add(pack_outcomes(outcomes), first_flight=first, flights=outcomes.shape[1]):
                break
        assert watch.reached == {"aft": wanted}
        assert first < wanted <= first + size, "it stops at the end of that block"


def layout_of_shipped():
    from cgrisk.flight import prepare

    return layout_of(prepare(shipped_scenario()))


def test_a_run_stops_when_it_is_precise_enough_and_says_so():
    scenario = shipped_scenario()
    wish = Precision(0.4, sides=("forward",))
    sample = simulate(scenario, flights=60_000, seed=6, jobs=2, precision=wish)
    assert sample.flights < 60_000
    assert sample.flights % 4096 == 0
    table = leave_envelope(sample)
    here = (table["phase"] == "any") & (table["reading"] == "at the operational limit")
    forward = table[here & (table["side"] == "forward")].iloc[0]
    assert forward["hits"] == wish.hits
    assert sample.flights - 4096 < forward["flights"] <= sample.flights
    assert 0.5 * (forward["high"] - forward["low"]) / forward["estimate"] <= 0.4
    assert "negative binomial" in forward["method"]
    others = table[~(here & (table["side"] == "forward"))]
    assert others["method"].str.contains("whenever the run stops").all()
    summary = summarise(sample)
    assert "asked 40 %" in summary.precision_text()
    # The hit itself, looked for in the rows.
    columns = [
        phase_column("moment_margin_kgm", phase=phase, side="forward")
        for phase in sample.model.phases
    ]
    past = sample.rows[columns].min(axis=1) < sample.layout.shift_kgm[0] - 1e-6
    assert int(np.flatnonzero(past)[wish.hits - 1]) + 1 == forward["flights"]


def test_a_precision_that_is_not_reached_is_told():
    envelope = "operation.operational_envelope"
    far = edited(
        {f"{envelope}.take_off_and_landing.forward": 9.0, f"{envelope}.in_flight.forward": 9.0}
    )
    sample = simulate(far, flights=5000, seed=6, precision=Precision(0.2, sides=("forward",)))
    assert sample.flights == 5000
    summary = summarise(sample)
    assert "NOT reached" in summary.precision_text()
    table = summary.leave
    row = table[(table["phase"] == "any") & (table["side"] == "forward")].iloc[1]
    assert "exact binomial" in row["method"]
