"""Tallies against the rows they stand for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from cgrisk.errors import UsageError
from cgrisk.flight import SIDES, fly_block, group_phases, phase_column, prepare
from cgrisk.risk import (
    cabin_figures,
    error_quantiles,
    exceedance_curve,
    excess,
    excess_quantiles,
    leave_envelope,
    nearest_flights,
    offset_curve,
    outside,
    over_mass,
    quantile_interval,
    times_up,
)
from cgrisk.risk.exceedance import binned_exceedance
from cgrisk.sampling import (
    BLOCK,
    ChangedContentError,
    Tally,
    fly_blocks,
    layout_of,
    merge_tallies,
    outcomes_of,
    pack_arrays,
    pack_block,
    simulate,
    tally_rows,
    unpack_arrays,
    unpack_block,
    unpack_outcomes,
)
from cgrisk.sampling.histogram import Histogram
from cgrisk.sampling.moments import Moments
from tests.flight_cases import edited, shipped_scenario

FLIGHTS = 2 * BLOCK + 700
FINITE = {"min_value": -1e4, "max_value": 1e4, "allow_nan": False, "width": 32}


@pytest.fixture(scope="module")
def sample():
    # A load that leaves the envelope often enough on both sides to be counted.
    scenario = edited({"operation.cargo.position_sd": 0.6})
    return simulate(scenario, flights=FLIGHTS, seed=8, jobs=2)


@given(
    arrays.arrays(np.float64, st.integers(1, 60), elements=st.floats(**FINITE)),
    arrays.arrays(np.float64, st.integers(1, 60), elements=st.floats(**FINITE)),
    st.sampled_from([0.01, 1.0, 250.0]),
)
def test_histograms_count_and_add_up(first, second, width):
    one, two = (Histogram.of(values, width=width) for values in (first, second))
    both = np.concatenate([first, second])
    merged, direct = one.merged(two), Histogram.of(both, width=width)
    assert merged.total == both.size
    np.testing.assert_array_equal(merged.bins, direct.bins)
    np.testing.assert_array_equal(merged.counts, direct.counts)
    ordered = np.sort(np.floor(both / width))
    for rank in (1, (both.size + 1) // 2, both.size):
        assert merged.bin_of_rank(rank) == ordered[rank - 1]
    edges = np.array([ordered[0], ordered[-1], ordered[-1] + 1], dtype=np.int64)
    assert merged.below(edges).tolist() == [(ordered < edge).sum() for edge in edges]


def test_histograms_over_a_wide_range_count_alike():
    values = np.array([-1e9, 0.0, 0.5, 1e9])
    wide = Histogram.of(values, width=1.0)
    assert wide.bins.tolist() == [-1_000_000_000, 0, 1_000_000_000]
    assert wide.counts.tolist() == [1, 2, 1]
    assert wide.merged(wide).counts.tolist() == [2, 4, 2]
    assert Histogram.of(np.array([5.0]), width=1.0).merged(wide).total == 5


@given(arrays.arrays(np.float64, (40, 3), elements=st.floats(**FINITE)), st.integers(1, 39))
def test_moments_merge_to_those_of_all(figures, cut):
    merged = Moments.of(figures[:cut]).merged(Moments.of(figures[cut:]))
    scale = max(1.0, float(np.abs(figures).max()))
    np.testing.assert_allclose(merged.mean, figures.mean(axis=0), atol=1e-12 * scale)
    wanted = np.cov(figures.T) * 39
    np.testing.assert_allclose(merged.products, wanted, atol=1e-10 * scale * scale, rtol=1e-9)
    weights = np.array([1.0, -2.0, 0.5])
    squares = float(((figures @ weights) ** 2).sum())
    assert merged.squares_of(weights) == pytest.approx(squares, rel=1e-8, abs=1e-9 * scale**2)


def test_a_tally_of_blocks_is_that_of_the_rows(sample):
    rows = sample.rows.to_numpy()
    whole, outcomes = tally_rows(rows, layout=sample.layout, first_flight=0)
    tally = sample.tally
    exact = "flights hits aircraft least greatest least_flight greatest_flight nearest_flight"
    for name in (*exact.split(), "nearest_kgm"):
        np.testing.assert_array_equal(getattr(tally, name), getattr(whole, name), err_msg=name)
    for name, part in whole.histograms.items():
        np.testing.assert_array_equal(tally.histograms[name].counts, part.counts, err_msg=name)
    np.testing.assert_allclose(tally.outside, whole.outside, rtol=1e-12)
    np.testing.assert_allclose(tally.moments.mean, whole.moments.mean, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(tally.moments.products, whole.moments.products, rtol=1e-8, atol=1e-6)
    np.testing.assert_array_equal(tally.hits, outcomes.sum(axis=1))
    assert (whole.hits > 0).sum() > 10, "the case is worth counting"


def test_outcomes_are_those_of_the_margins(sample):
    frame = sample.rows
    counts = dict(zip(sample.layout.outcomes, sample.tally.hits.tolist(), strict=True))
    for side in SIDES:
        for place, phases in group_phases(sample.model).items():
            columns = [phase_column("margin_pct_mac", phase=p, side=side) for p in phases]
            wanted = int((frame[columns].min(axis=1) < -1e-9).sum())
            assert counts[f"{side}.{place}.as planned"] == wanted
    assert counts["over_mass.landing"] == int((frame["mass_margin_kg.landing"] < 0.0).sum())


def test_extremes_carry_the_flights_that_had_them(sample):
    for i, name in enumerate(sample.layout.extremes):
        column = sample.rows[name]
        assert sample.tally.least[i] == column.min()
        assert sample.tally.greatest[i] == column.max()
        assert column[sample.tally.least_flight[i]] == column.min()
        assert column[sample.tally.greatest_flight[i]] == column.max()


def test_the_nearest_flights_are_the_nearest(sample):
    table = nearest_flights(sample)
    for side in SIDES:
        for group, phases in group_phases(sample.model).items():
            columns = [phase_column("moment_margin_kgm", phase=p, side=side) for p in phases]
            least = sample.rows[columns].min(axis=1).sort_values(kind="stable")
            part = table[(table["side"] == side) & (table["phase"] == group)]
            assert part["flight"].tolist() == least.index[:16].tolist()
            assert part["margin_kgm"].tolist() == least.iloc[:16].tolist()
            again = fly_block(
                sample.model, seed=8, flights=np.array(part["flight"][:1], dtype=np.uint32)
            )
            margins = again[0, [sample.model.columns.index(c) for c in columns]]
            assert margins.min() == part["margin_kgm"].iloc[0], "it replays"


def test_quantiles_from_bins_hold_those_of_the_values(sample):
    """Bounds from bins contain those from the values, by no more than a bin."""
    table = excess_quantiles(sample)
    for side in SIDES:
        for group in ("take_off_and_landing", "in_flight", "any"):
            values = excess(sample, side=side, group=group)
            for _, row in table[(table["side"] == side) & (table["phase"] == group)].iterrows():
                exact = quantile_interval(values, row["probability"])
                assert abs(row["estimate"] - exact.estimate) <= 0.005 + 1e-9
                for bound, outward in (("low", -1.0), ("high", 1.0)):
                    wanted = getattr(exact, bound)
                    if np.isfinite(wanted):
                        assert -1e-9 <= outward * (row[bound] - wanted) <= 0.01 + 1e-9
                    else:
                        assert row[bound] == wanted
    table = error_quantiles(sample)
    values = sample.rows["error_max_pct_mac.in_flight"].to_numpy()
    row = table[(table["extreme"] == "most_aft") & (table["phase"] == "in_flight")].iloc[-1]
    exact = quantile_interval(values, row["probability"])
    assert abs(row["estimate"] - exact.estimate) <= 0.005 + 1e-9


def test_the_curve_counts_exactly(sample):
    for side in SIDES:
        curve = offset_curve(sample, side=side)
        columns = [
            phase_column("moment_margin_kgm", phase=p, side=side) for p in sample.model.phases
        ]
        margins = sample.rows[columns].min(axis=1).to_numpy() / sample.layout.scale_kgm
        direct = exceedance_curve(margins, offsets=curve["offset_pct_mac"].to_numpy())
        np.testing.assert_array_equal(curve["hits"], direct["hits"])
        np.testing.assert_allclose(curve["high"], direct["high"])
        assert curve["hits"].iloc[0] == 0
        assert curve["hits"].iloc[-1] >= FLIGHTS / 2
        assert len(curve) <= 60


@pytest.mark.parametrize("points", [2, 3, 10])
def test_a_curve_of_few_points_reaches_from_no_flight_to_half(points):
    rng = np.random.default_rng(4)
    margins = Histogram.of(rng.normal(1.0, 0.3, 500), width=0.01)
    curve = binned_exceedance(margins, points=points)
    assert len(curve) <= points
    assert curve["hits"].iloc[0] == 0
    assert curve["hits"].iloc[-1] >= 250
    same = binned_exceedance(Histogram.of(np.full(9, 0.5), width=0.01), points=points)
    assert same["hits"].iloc[[0, -1]].tolist() == [0, 9]


def test_figures_of_the_cabin_are_those_of_the_rows(sample):
    frame, table = sample.rows, cabin_figures(sample).set_index("figure")
    for name in ("trips", "mean_up", "longest_wait_s", "cabin_moment_max_kgm"):
        column = frame[name]
        assert table.loc[name, "mean"] == pytest.approx(column.mean(), rel=1e-12)
        error = column.std() / np.sqrt(len(column))
        assert table.loc[name, "standard_error"] == pytest.approx(error, rel=1e-9)
        assert table.loc[name, "greatest"] == column.max()
        width = sample.layout.steps[name]
        exact = np.quantile(column, 0.95, method="inverted_cdf")
        assert abs(table.loc[name, "q95"] - exact) <= 0.5 * width + 1e-9
    assert table.loc["trips", "q50"] == np.quantile(frame["trips"], 0.5, method="inverted_cdf")
    visits = frame["lavatory_visits"]
    wait = (frame["mean_wait_s"] * visits).sum() / visits.sum()
    assert table.loc["wait_per_visit_s", "mean"] == pytest.approx(wait, rel=1e-12)
    # The standard error of a ratio by the jackknife over a hundred groups of flights.
    groups = np.arange(len(frame)) % 100
    waits, counts = (
        np.bincount(groups, column) for column in (frame["mean_wait_s"] * visits, visits)
    )
    left = (waits.sum() - waits) / (counts.sum() - counts)
    jackknife = np.sqrt(99 / 100 * ((left - left.mean()) ** 2).sum())
    assert table.loc["wait_per_visit_s", "standard_error"] == pytest.approx(jackknife, rel=0.4)
    shares = times_up(sample).set_index(["seat", "times"])
    never = frame["never_up.aisle"].sum()
    everyone = frame[[f"{t}_up.aisle" for t in ("never", "once", "more")]].to_numpy().sum()
    assert shares.loc[("aisle", "never"), "share"] == pytest.approx(never / everyone, rel=1e-12)


def test_depths_and_masses_are_those_of_the_rows(sample):
    table = outside(sample).set_index(["side", "phase"])
    assert (table["flights_outside"] > 0).any()
    for (side, phase), row in table.iterrows():
        margin = sample.rows[phase_column("margin_pct_mac", phase=phase, side=side)]
        left = sample.rows[phase_column("moment_margin_kgm", phase=phase, side=side)] < -1e-6
        assert row["flights_outside"] == left.sum()
        if left.any():
            assert row["mean_depth_pct_mac"] == pytest.approx(-margin[left].mean())
            assert row["greatest_depth_pct_mac"] == -margin[left].min()
            assert row["worst_flight"] == margin[left].idxmin()
    masses = over_mass(sample).set_index("maximum")
    greatest = max(0.0, -sample.rows["mass_margin_kg.landing"].min())
    assert masses.loc["landing", "greatest_kg"] == greatest


def test_a_tally_packs_and_comes_back(sample):
    blocks = list(fly_blocks(sample.model, seed=8, flights=5000))
    for block in blocks:
        content = pack_block(block)
        again = unpack_block(content, layout=sample.layout)
        assert again.number == block.number
        assert pack_block(again) == content
        known = outcomes_of(block.rows, layout=sample.layout)
        assert (unpack_outcomes(again.outcomes, flights=block.flights) == known).all()
    merged = merge_tallies(blocks[0].tally, blocks[1].tally)
    back = Tally.from_arrays(unpack_arrays(pack_arrays(merged.arrays())), layout=sample.layout)
    assert pack_arrays(back.arrays()) == pack_arrays(merged.arrays())


@pytest.mark.parametrize("place", [0, 30, 95, 96, 500, -1])
def test_changed_content_is_noticed(place):
    content = bytearray(pack_arrays({"a": np.arange(2000)}))
    content[place] ^= 4
    with pytest.raises(ChangedContentError, match=r"^$"):
        unpack_arrays(bytes(content))
    with pytest.raises(ChangedContentError, match=r"^$"):
        unpack_arrays(b"")


def test_a_block_is_small_without_its_rows(sample):
    block = next(fly_blocks(sample.model, seed=8, flights=BLOCK))
    assert len(pack_block(block)) < 0.02 * block.rows.nbytes


def test_rows_that_were_not_kept_are_asked_for_in_vain():
    few = simulate(shipped_scenario(), flights=20, seed=1, keep_rows=False)
    with pytest.raises(UsageError, match="rows: expected a sample with one row per flight"):
        excess(few, side="aft", group="any")
    assert leave_envelope(few)["flights"].eq(20).all()
    model = prepare(shipped_scenario())
    assert layout_of(model).outcomes == few.layout.outcomes
