"""A report in a real browser: names stay text, charts tell values, tables sort, rows are picked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pypdf
import pytest

from cgrisk.report.dossier import html_page, make_dossier, pdf_page, read_findings
from tests.replay_cases import MARKUP, marked_up
from tests.report_cases import make_run

if TYPE_CHECKING:
    from playwright.sync_api import Page


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report of a run whose every name holds markup and script."""
    place = tmp_path_factory.mktemp("report")
    make_run(place / "run", marked_up(), flights=500)
    dossier = make_dossier(read_findings(place / "run"))
    (place / "report.html").write_text(html_page(dossier), encoding="utf-8")
    content, warnings = pdf_page(dossier)
    assert warnings == ()
    (place / "report.pdf").write_bytes(content)
    return place


@pytest.fixture
def opened(page: Page, folder: Path) -> Page:
    page.goto((folder / "report.html").as_uri())
    return page


def test_names_with_markup_show_as_text(opened: Page, folder: Path) -> None:
    assert MARKUP in opened.locator("h1").inner_text()
    assert opened.locator("body img").count() == 0
    assert opened.locator("script").count() == 1
    for place in ("#case", "#results", "#register"):
        assert MARKUP in opened.locator(place).inner_text()
    page = pypdf.PdfReader(folder / "report.pdf").pages[0]
    text = "".join(page.extract_text().split())
    assert "".join(MARKUP.split()) in text


def test_the_page_has_landmarks_headings_and_named_parts(opened: Page) -> None:
    for what in ("header", "main", "nav[aria-label]", "footer", "a.skip"):
        assert opened.locator(what).count() == 1
    assert opened.locator("h1").count() == 1
    tables = opened.locator("table").count()
    assert tables > 20
    assert opened.locator("table > caption").count() == tables
    assert opened.locator("th:not([scope])").count() == 0
    drawings = opened.locator(".drawing")
    assert all(drawings.nth(k).get_attribute("aria-label") for k in range(drawings.count()))
    ids = opened.evaluate("Array.from(document.querySelectorAll('[id]'), e => e.id)")
    assert len(ids) == len(set(ids))


def test_a_chart_tells_value_and_interval(opened: Page) -> None:
    figure = opened.locator("#fig-risk")
    mark = figure.locator('.mark[tabindex="0"]')
    mark.focus()
    first = figure.locator(".readout").inner_text()
    assert "as planned: " in first
    assert "of 500 flights" in first
    opened.keyboard.press("ArrowRight")
    assert figure.locator(".readout").inner_text() != first
    figure.locator(".mark").nth(3).hover(force=True)
    title = figure.locator(".mark").nth(3).locator("title").text_content()
    assert figure.locator(".readout").inner_text() == title


def test_rows_are_picked_by_side_and_sorted(opened: Page) -> None:
    results = opened.locator("#results")
    table = results.locator("table").first
    rows = table.locator("tbody tr")
    every = rows.count()
    results.get_by_role("button", name="aft", exact=True).click()
    assert table.locator("tbody tr:visible").count() == every // 2
    assert results.locator('.mark[data-side="forward"].off').count() > 0
    results.locator("fieldset").first.get_by_role("button", name="all", exact=True).click()
    head = table.get_by_role("button", name="probability per flight (interval)")
    for order, sign in (("ascending", 1.0), ("descending", -1.0)):
        head.click()
        assert table.locator(f"th[aria-sort={order}]").count() == 1
        values = [
            sign * float(cell.get_attribute("data-v") or "nan")
            for cell in table.locator("tbody tr td:last-child").all()
        ]
        assert values == sorted(values)


def test_everything_is_there_without_scripts(folder: Path) -> None:
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.count("<script>") == 1
    assert "default-src 'none'" in page
    assert "http://www.w3.org/2000/svg" in page
    assert not any(word in page for word in ('<link rel="stylesheet', "@import", 'src="http'))
