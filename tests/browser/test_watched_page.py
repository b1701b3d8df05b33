"""The fixture that opens pages notices what pages must not do."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.browser_cases import watched_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

PAGE = "<!doctype html><html lang=en><title>Plain</title><p id=here>here</p>"


def test_a_page_opens_from_the_disk(page: Page, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text(PAGE, encoding="utf-8")
    page.goto(file.as_uri())
    assert page.title() == "Plain"
    assert page.locator("#here").inner_text() == "here"


@pytest.mark.parametrize(
    "body, told",
    [
        ("<img src='http://127.0.0.1:9/picture.png'>", "request: http://127.0.0.1:9/picture.png"),
        ("<img src='beside.png'>", "request: file:.*beside.png"),
        ("<script>console.error('amiss')</script>", "console error: amiss"),
        ("<script>throw new Error('amiss')</script>", "page error: .*amiss"),
    ],
    ids=["network", "another file", "console", "error"],
)
def test_what_a_page_must_not_do(browser: Browser, tmp_path: Path, body: str, told: str) -> None:
    file = tmp_path / "page.html"
    file.write_text(PAGE + body, encoding="utf-8")
    with pytest.raises(AssertionError, match=told):
        _open(browser, file)


def _open(browser: Browser, file: Path) -> None:
    with watched_page(browser) as page:
        page.goto(file.as_uri())
        page.wait_for_timeout(50)
