"""Parts of a report: numbers for people, clean drawings, the running estimate."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from scipy import stats

from cgrisk.errors import RunFolderError
from cgrisk.report.dossier.drawing import clean_svg
from cgrisk.report.dossier.figures import chance, fixed, power
from cgrisk.report.dossier.formulas import FORMULAS
from cgrisk.report.dossier.parts import Mark
from cgrisk.risk.convergence import block_agreement, running_estimates
from cgrisk.runs import BlockStore, Segment
from cgrisk.sampling import BLOCK
from cgrisk.sampling.layout import AS_PLANNED, AT_LIMIT, outcome_name
from cgrisk.sampling.tally import pack_outcomes

HEAD = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '


@pytest.mark.parametrize(
    "value, text",
    [
        (0.0, "0"),
        (0.0080001, "0.0080"),
        (0.001, "0.0010"),
        (0.000999, "1.0 × 10⁻³"),
        (3.64e-4, "3.6 × 10⁻⁴"),
        (1e-10, "1.0 × 10⁻¹⁰"),
        (0.5, "0.50"),
        (125.4, "125"),
        (1.0, "1.0"),
        (2.5e6, "2.5 × 10⁶"),
        (float("nan"), "–"),
    ],
)
def test_numbers_have_the_figures_they_are_worth(value: float, text: str) -> None:
    assert power(value) == text


def test_no_event_is_a_bound_and_never_zero() -> None:
    row = {"estimate": 0.0, "low": 0.0, "high": 0.00184, "hits": 0}
    assert chance(row) == "at most 0.0018"
    assert chance({**row, "estimate": 0.01, "low": 0.008, "high": 0.013, "hits": 9}) == (
        "0.010 (0.0080 to 0.013)"
    )


def test_signs_are_minus_signs_and_zero_has_none() -> None:
    assert fixed(-1234.5, 1, signed=True) == "−1,234.5"
    assert fixed(0.0004, 2, signed=True) == "0.00"
    assert fixed(-0.0004, 2) == "0.00"
    assert fixed(None) == fixed(float("inf")) == "–"


def test_only_what_draws_stays_in_a_drawing() -> None:
    text = (
        f'{HEAD}onload="alert(1)"><script>alert(2)</script><foreignObject><b>x</b></foreignObject>'
        '<a xlink:href="https://example.org"><path d="M0 0"/></a>'
        '<g id="one" onclick="alert(3)"><use xlink:href="#two"/>'
        '<use xlink:href="https://example.org#x"/><image xlink:href="data:image/png;base64,AAAA"/>'
        '<image xlink:href="data:text/html;base64,AAAA"/></g>'
        '<rect id="two" clip-path="url(#one)" style="fill: url(https://example.org)"/>'
        "<style>@import 'https://example.org'</style></svg>"
    )
    clean = clean_svg(text, name="chart", marks={"one": Mark("<b> & value", "aft")})
    assert not re.search(r"script|alert|foreign|example|on\w+=|import|text/html", clean)
    assert 'id="drawing-chart-one"' in clean
    assert 'href="#drawing-chart-two"' in clean
    assert "url(#drawing-chart-one)" in clean
    assert "data:image/png;base64,AAAA" in clean
    assert "<title>&lt;b&gt; &amp; value</title>" in clean
    assert 'class="mark" data-side="aft"' in clean


@pytest.mark.parametrize("text", ["", "<svg", "<html></html>"])
def test_what_is_no_drawing_is_refused(text: str) -> None:
    with pytest.raises(RunFolderError, match=r"chart\.svg: expected an SVG; got"):
        clean_svg(text, name="chart", shown="chart.svg")


def test_formulas_are_whole() -> None:
    for text, formula in FORMULAS:
        assert text.endswith(".")
        assert formula.mathml.count("<m") == formula.mathml.count("</m") + formula.mathml.count(
            "/>"
        )
        assert formula.words


def _store(hits: np.ndarray) -> BlockStore:
    """Blocks in which the flights of both sides leave as told, planned on the limit; none else."""
    names = [outcome_name(s, "any", r) for s in ("forward", "aft") for r in (AT_LIMIT, AS_PLANNED)]
    outcomes = np.zeros((4, hits.shape[1]), dtype=np.bool_)
    outcomes[[0, 2]] = hits
    blocks = -(-hits.shape[1] // BLOCK)
    bits = np.concatenate(
        [pack_outcomes(outcomes[:, k * BLOCK : (k + 1) * BLOCK]) for k in range(blocks)], axis=1
    )
    segment = Segment(0, blocks, cast(Any, None), bits, np.zeros((blocks, 32), dtype=np.uint8))
    layout = SimpleNamespace(outcomes=tuple(names))
    return cast(BlockStore, SimpleNamespace(layout=layout, segments=lambda: iter([segment])))


def test_the_running_estimate_counts_flight_by_flight() -> None:
    rng = np.random.default_rng(5)
    flights = 2 * BLOCK + 777
    hits = rng.random((2, flights)) < np.array([[0.01], [0.0005]])
    frame = running_estimates(_store(hits), flown=flights)
    for side, own in zip(("forward", "aft"), hits, strict=True):
        part = frame[(frame["side"] == side) & (frame["reading"] == AT_LIMIT)]
        upto = own.cumsum()[part["flights"].to_numpy() - 1]
        np.testing.assert_array_equal(part["hits"], upto)
        assert part["flights"].iloc[-1] == flights
        last = part.iloc[-1]
        k, n = int(last["hits"]), flights
        assert last["low"] == pytest.approx(stats.beta.ppf(0.025, k, n - k + 1), rel=1e-9)
        assert last["high"] == pytest.approx(stats.beta.ppf(0.975, k + 1, n - k), rel=1e-9)
    assert (frame[frame["reading"] == AS_PLANNED]["hits"] == 0).all()


def test_blocks_that_differ_are_told() -> None:
    rng = np.random.default_rng(6)
    same = rng.random((1, 20 * BLOCK)) < 0.01
    drifting = rng.random((1, 20 * BLOCK)) < np.linspace(0.0, 0.03, 20 * BLOCK)
    frame = block_agreement(_store(np.vstack([same, drifting])), flown=20 * BLOCK)
    limit = frame[frame["reading"] == AT_LIMIT].set_index("side")
    assert limit.loc["forward", "p_value"] > 1e-6
    assert limit.loc["aft", "p_value"] < 1e-12
    k = same.reshape(20, BLOCK).sum(axis=1)
    told = stats.chi2_contingency(np.array([k, BLOCK - k]), correction=False)
    assert limit.loc["forward", "statistic"] == pytest.approx(told.statistic, rel=1e-9)
    assert frame[frame["reading"] == AS_PLANNED]["p_value"].isna().all()
