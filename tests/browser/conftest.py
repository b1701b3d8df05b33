"""A real browser for pages: Debian's chromium, headless, started once for each file of tests.

Where it is not installed the tests are skipped, and say so; with ``CI=true`` in the environment
they fail instead, so that no pipeline passes without having opened a page.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING, NoReturn

import pytest

from tests.browser_cases import ARGUMENTS, watched_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


def _missing(reason: str) -> NoReturn:
    if os.environ.get("CI", "").lower() in {"1", "true"}:
        pytest.fail(f"CI opens pages in a real browser, but {reason}", pytrace=False)
    pytest.skip(f"pages are not opened in a real browser: {reason}")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium with an empty profile."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _missing("playwright is not installed (it is among the extras `test`)")
    chromium = shutil.which("chromium")
    if chromium is None:
        _missing("there is no `chromium` to start (Debian: apt-get install chromium)")
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=chromium, args=list(ARGUMENTS))
        try:
            yield opened
        finally:
            opened.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """An empty, watched page, to be sent to a file: ``page.goto(path.as_uri())``."""
    with watched_page(browser) as opened:
        yield opened
