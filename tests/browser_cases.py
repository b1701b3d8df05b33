"""A page in a real browser, watched for errors and for requests to anything but its own file."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ConsoleMessage, Page, Request

#: A plain browser: no first-run page, nothing fetched or reported behind the page's back.
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)


def wait_until(page: Page, condition: str, *, seconds: float = 20.0) -> None:
    """Wait until an expression is true; works whatever the page's policy forbids."""
    end = time.monotonic() + seconds
    while not page.evaluate(condition):
        assert time.monotonic() < end, f"not within {seconds:g} s: {condition}"
        page.wait_for_timeout(10)


@contextmanager
def watched_page(browser: Browser, **options: object) -> Iterator[Page]:
    """An empty page with a profile of its own, which goes to ``file:`` addresses alone.

    At the end there must have been no error or warning, and no request but for the file itself.
    """
    settings: dict[str, object] = {"viewport": {"width": 1280, "height": 900}, "offline": True}
    context = browser.new_context(**(settings | options))  # type: ignore[arg-type]
    page = context.new_page()
    amiss: list[str] = []

    def hear(message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"}:
            amiss.append(f"console {message.type}: {message.text}")

    def ask(request: Request) -> None:
        if not (request.is_navigation_request() and request.url.startswith("file:")):
            amiss.append(f"request: {request.url[:200]}")

    page.on("console", hear)
    page.on("pageerror", lambda error: amiss.append(f"page error: {error}"))
    page.on("request", ask)
    try:
        yield page
    finally:
        context.close()
    assert not amiss, "\n".join(amiss)
