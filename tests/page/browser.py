"""The browser that the tests find on the machine, and the way from screen to screen in it."""

import shutil
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Page

BROWSER = next(filter(None, map(shutil.which, ("chromium-headless-shell", "chromium", "chromium-browser"))), None)
NO_BROWSER = (
    "no browser: apt-get install chromium-headless-shell"  # tests/conftest.py says at the end what was skipped by it
)


def go(page: "Page", path: str) -> None:
    """Show another of the operator's screens."""
    page.evaluate("path => { document.activeElement.blur(); location.hash = `#/${path}`; }", path)
    page.wait_for_selector("main h1:focus")  # its own: the screen before it had it no more
