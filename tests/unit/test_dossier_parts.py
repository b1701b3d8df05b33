"""Parts of a report: numbers for people, clean drawings, the running estimate."""

from __future__ import annotations

import ast
import re
import shlex
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
import pypdf
import pytest
from scipy import stats

from cgrisk.cli.main import make_parser
from cgrisk.errors import RunFolderError
from cgrisk.report import publish
from cgrisk.report.dossier.buffer_section import buffers_section
from cgrisk.report.dossier.commands import asks, copies, repeats
from cgrisk.report.dossier.drawing import clean_svg
from cgrisk.report.dossier.figures import chance, fixed, one_in, power, powers
from cgrisk.report.dossier.findings import Findings, Result
from cgrisk.report.dossier.formulas import FORMULAS
from cgrisk.report.dossier.html_page import html_page
from cgrisk.report.dossier.parts import (
    Bullets,
    Cell,
    Dossier,
    Figure,
    Heading,
    Mark,
    Section,
    Table,
    Text,
    columns,
)
from cgrisk.report.dossier.pdf_page import pdf_page
from cgrisk.risk.chance_text import chance_text
from cgrisk.risk.convergence import block_agreement, running_estimates
from cgrisk.runs import BlockStore, Segment
from cgrisk.sampling import BLOCK
from cgrisk.sampling.layout import AS_PLANNED, AT_LIMIT, outcome_name
from cgrisk.sampling.tally import pack_outcomes
from tests.flight_cases import edited, shipped_scenario

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


@pytest.mark.parametrize(
    "values, texts",
    [
        ((0.0012, 0.00091, 0.0016), ["0.0012", "0.00091", "0.0016"]),
        ((0.00065, 0.00035, 0.0011), ["0.00065", "0.00035", "0.0011"]),
        ((4.7e-4, 1.3e-4, 9.9e-4), ["4.7 × 10⁻⁴", "1.3 × 10⁻⁴", "9.9 × 10⁻⁴"]),
        ((0.0001, 2e-5, 0.004), ["1.0 × 10⁻⁴", "2.0 × 10⁻⁵", "4.0 × 10⁻³"]),
        ((0.01, 0.0, 0.02), ["0.010", "0", "0.020"]),
    ],
)
def test_an_interval_has_one_notation(values: tuple[float, ...], texts: list[str]) -> None:
    assert powers(values) == texts


def test_a_terminal_has_one_notation_too() -> None:
    assert chance_text(6.5e-4, low=3.5e-4, high=1.1e-3) == "0.00065 (0.00035 to 0.0011)"
    assert chance_text(1.6e-4, low=1.1e-5, high=6.4e-4) == "1.6e-04 (1.1e-05 to 6.4e-04)"
    assert chance_text(0.01, low=0.0, high=0.02) == "0.01 (0 to 0.02)"
    assert chance_text(0.0, low=0.0, high=1.8e-4) == "at most 0.00018"


@pytest.mark.parametrize(
    "probability, text",
    [(0.00065, "1,500"), (0.0011, "910"), (0.4, "2.5"), (6.5e-7, "1,500,000")],
)
def test_how_often_has_two_figures(probability: float, text: str) -> None:
    assert one_in(probability) == text


@pytest.mark.parametrize(
    "case, sha, word",
    [
        ("my cases/it's.toml", "other", "my cases/it's.toml"),
        (None, "shipped", "cgrisk"),
        (None, "other", "CASE"),
    ],
)
def test_commands_can_be_pasted(case: str | None, sha: str, word: str, tmp_path: Path) -> None:
    """What a shell makes of them is what the command's own parser takes."""
    digest = shipped_scenario().digest() if sha == "shipped" else sha
    runs = tmp_path / "my runs"
    run: Any = SimpleNamespace(
        folder=runs / "run",
        inputs=SimpleNamespace(scenario_sha256=digest, seed=12),
        manifest=SimpleNamespace(flown=800, settings={} if case is None else {"case": case}),
    )
    (runs / "zones").mkdir(parents=True)
    for kind in ("tail", "causes", "buffers", "zones", "policies", "restrict", "loads", "entry"):
        text = asks(run, kind, side="forward").replace(" P ", " 1e-3 ")
        typed = shlex.split(text)
        assert typed[0] == "cgrisk"
        chosen = make_parser().parse_args(typed[1:])
        assert chosen.seed == 12
        assert Path(chosen.out).parent == runs
        assert not Path(chosen.out).exists()
        assert word in typed or word == "cgrisk"
    assert copies(run) == ("cgrisk new my-case" if sha == "shipped" else "")
    assert shlex.split(repeats(run, "rerun")) == ["cgrisk", "rerun", str(runs / "run")]


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
        '<path style="stroke-dasharray: 1, 2; fill:none; behavior: url(#one)" fill="red"/>'
        "<style>@import 'https://example.org'</style></svg>"
    )
    clean = clean_svg(text, name="chart", marks={"one": Mark("<b> & value", "aft")})
    assert not re.search(r"script|alert|foreign|example|on\w+=|import|text/html", clean)
    assert "style" not in clean
    assert '<path fill="none" stroke-dasharray="1, 2" />' in clean
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


ODD = "<b>&amp;</b> #panic(1) *x* $y$ \\ ${z} {{ 7 * 7 }} 中文 \x07 Ünï Жé"


def _odd() -> Dossier:
    """Every kind of block, each with text that markup of either page would choke on."""
    svg = clean_svg(f'{HEAD}viewBox="0 0 9 9"><g id="a"><path d="M0 0L9 9"/></g></svg>', name="f")
    table = Table(ODD, columns("2:" + ODD, "#n"), ((Cell(ODD), Cell("1", 1.0)),), ODD)
    kinds = ("plain", "lead", "caution", "decision", "command", "note", "warning")
    blocks = (
        *(Text(ODD, kind) for kind in kinds),
        Heading(ODD),
        Bullets((ODD, ODD)),
        table,
        FORMULAS[0][1],
        Figure("f", ODD, ODD, svg, {}, table),
    )
    section = Section("odd", ODD, blocks)
    return Dossier(ODD, ODD, "2026-01-02T03:04:05+00:00", blocks[:2], (section,), {})


def test_text_is_never_markup_on_paper() -> None:
    content, warnings = pdf_page(_odd())
    assert warnings == ()
    assert content == pdf_page(_odd())[0]
    text = "".join(page.extract_text() for page in pypdf.PdfReader(BytesIO(content)).pages)
    plain = "".join(text.split())
    assert "<b>&amp;</b>#panic(1)*x*$y$\\${z}{{7*7}}[U+4E2D][U+6587]?ÜnïЖé" in plain


def test_text_is_never_markup_on_the_screen() -> None:
    page = html_page(_odd())
    assert page == html_page(_odd())
    assert "<b>" not in page
    assert "&lt;b&gt;&amp;amp;&lt;/b&gt; #panic(1) *x* $y$" in page
    assert "{{ 7 * 7 }} 中文" in page


def test_a_short_table_stands_on_one_page() -> None:
    cells = columns("2:what", "#n")
    tables = [
        Table(f"table {k}", cells, tuple((Cell(f"t{k}r{i}."), Cell("1")) for i in range(12)))
        for k in range(9)
    ]
    dossier = Dossier(
        "t", "t", "2026-01-02T03:04:05+00:00", (), (Section("s", "s", (*tables,)),), {}
    )
    pages = [p.extract_text() for p in pypdf.PdfReader(BytesIO(pdf_page(dossier)[0])).pages]
    assert len(pages) > 1
    for k in range(9):
        assert any(f"t{k}r0." in page and f"t{k}r11." in page for page in pages)


def test_buffers_are_told_in_the_units_of_the_files(tmp_path: Path) -> None:
    place = {"side": "aft", "group": "in_flight", "mass_kg": 50_000.0}
    parts = {"estimate_kgm": 3000.0, "simulation_kgm": 100.0, "assumptions_kgm": 50.0}
    rows = {"buffers": {**place, **parts, "buffer_kgm": 3150.0, "buffer_pct_mac": 1.5}}
    risk = {"risk": 1e-3, "risk_low": 5e-4, "risk_high": 2e-3}
    rows["beside"] = {**place, "kind": "straight", "moment_kgm": 4000.0, **risk}
    for name, row in rows.items():
        pd.DataFrame([row]).to_csv(tmp_path / f"{name}.csv", index=False)
    asked = {"risk": 1e-2, "confidence": 0.95, "flights": 9, "seed": 1}
    data = {**asked, "in_total": False, "together": False, "manifest": {}}
    for name, parts_of in {"by_cause": ("seating", "cargo"), "by_zone": ("A", "cargo")}.items():
        values = zip(parts_of, (2000.0, 1150.0), strict=True)
        split = [
            {**place, "part": part, "moment_kgm": kgm, "standard_error_kgm": 10.0}
            for part, kgm in values
        ]
        pd.DataFrame(split).to_csv(tmp_path / f"{name}.csv", index=False)
    files = ("buffers.csv", "beside.csv", "by_cause.csv", "by_zone.csv")
    result = Result("buffers", tmp_path, data, files)
    run: Any = SimpleNamespace(model=SimpleNamespace(scenario=edited({"operation.units": "lb/in"})))
    section = buffers_section(Findings(run, (result,), ()))
    assert section is not None
    found, beside, made, zones = (b for b in section.blocks if isinstance(b, Table))
    told = dict(zip([c.head for c in found.columns], [c.text for c in found.rows[0]], strict=True))
    assert told["zero-fuel mass, lb"] == "110,231"  # the pound is 0.45359237 kg
    assert told["buffer, lb in"] == "273,408"  # and the inch 0.0254 m
    assert beside.rows[0][-1].text == "0.0010 (0.00050 to 0.0020)"
    assert made.columns[1].head == "aft, in flight, at 110,231 lb"
    assert [row[0].text for row in made.rows] == ["seating", "cargo", "the whole"]
    assert made.rows[0][1].text == "+173,592 ± 868"
    assert made.rows[-1][1].text == "+273,408"
    assert [row[0].text for row in zones.rows] == ["A"]  # other causes stand in the table before


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


def _texts(path: Path) -> set[str]:
    """Every text in a module, and every piece of one that has figures put in."""
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    return {n.value for n in nodes if isinstance(n, ast.Constant) and isinstance(n.value, str)}


def _stem(node: ast.expr) -> str:
    """Return a chart's name in its call; of one with figures put in, its beginning."""
    first = node.values[0] if isinstance(node, ast.JoinedStr) else node
    assert isinstance(first, ast.Constant)
    return str(first.value)


def test_every_chart_is_shown_by_a_section() -> None:
    """A chart that ``report/publish*.py`` saves is named in ``report/dossier/``."""
    report = Path(publish.__file__).parent
    drawn: dict[str, str] = {}
    for path in report.glob("publish*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                if node.func.id == "_Chart":
                    drawn[_stem(node.args[0])] = path.name
                elif node.func.id == "save" and path.name != "publish.py":
                    drawn[_stem(node.args[2])] = path.name
    named = set().union(*(_texts(path) for path in (report / "dossier").glob("*.py")))
    assert len(drawn) > 15
    assert not {stem: where for stem, where in drawn.items() if stem not in named}
