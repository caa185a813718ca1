"""A browser that the tests find on the machine, and pages of guests and of the operator in it."""

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.page.browser import BROWSER, NO_BROWSER, go
from tests.page.page_machine import GUEST, OPERATOR, page_machine
from tests.processes.three_processes import PROFILE

if TYPE_CHECKING:
    from playwright.sync_api import Page

BOOK = Path(__file__).parent / "book.yaml"
PAGES = pytest.StashKey[list["Page"]]()
WAIT_MS = 60_000  # the longest that anything is waited for: a busy computer takes its time


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item):
    """A test that fails shows what stood on its pages."""
    report = yield
    if report.when == "call" and report.failed:
        report.sections += [
            (page.url, page.inner_text("main")) for page in item.stash.get(PAGES, []) if not page.is_closed()
        ]
    return report


@pytest.fixture(scope="module")
def machine(tmp_path_factory):
    """One bench for a module: primed, calibrated, a glass under the outlet; called guests may start their own pour."""
    profile = tmp_path_factory.mktemp("profile") / "bench.yaml"
    profile.write_text(PROFILE.read_text().replace("\ninputs:\n", "\ninputs:\n  guests_may_consent: true\n"))
    with page_machine(book=BOOK, profile=profile) as made:
        yield made


@pytest.fixture(scope="module")
def browser():
    """By module: while it runs, its thread has an event loop that other tests must not meet."""
    if BROWSER is None:
        pytest.skip(NO_BROWSER)
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=WAIT_MS)

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def opens(browser, machine, request):
    """Open the page with a token; an error in any of its scripts fails the test."""
    contexts, errors = [], []

    def open_page(token, path="", **options):
        context = browser.new_context(
            viewport={"width": options.pop("width", 390), "height": 820},
            locale=options.pop("locale", "en-GB"),
            reduced_motion="reduce",
            **options,
        )
        contexts.append(context)
        page = context.new_page()
        request.node.stash.setdefault(PAGES, []).append(page)
        page.set_default_timeout(WAIT_MS)
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(machine.link(token))
        page.wait_for_selector("h1")
        if path:
            go(page, path)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert errors == []


@pytest.fixture
def guest(opens):
    return lambda **options: opens(GUEST, **options)


@pytest.fixture
def operator(opens):
    return lambda path="", **options: opens(OPERATOR, path, **options)


@pytest.fixture
def rested(machine):
    """The machine as the next test wants it: nothing under way, no open order, an empty glass set down anew."""
    yield machine
    machine.rest()
