"""`python3 tests pictures`: the README's pictures of the page, taken from the running bench at the orchard fete."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Literal

from PIL import Image
from playwright.sync_api import Browser, Page, ViewportSize, sync_playwright

from tests.page.browser import BROWSER, NO_BROWSER
from tests.page.page_machine import GUEST, OPERATOR, PageMachine, page_machine

FOLDER = Path(__file__).parents[2] / "demo" / "pictures"
SIZE: ViewportSize = {"width": 380, "height": 760}
GAP, COLOURS = 16, 256

Scheme = Literal["dark", "light"]


@contextmanager
def opened(
    browser: Browser, machine: PageMachine, token: str, scheme: Literal["dark", "light"] = "light"
) -> Iterator[Page]:
    context = browser.new_context(viewport=SIZE, color_scheme=scheme, locale="en-GB", reduced_motion="reduce")
    page = context.new_page()
    page.goto(machine.link(token))
    page.get_by_text("Connected").wait_for()
    yield page
    context.close()


def order(page: Page, recipe: str) -> str:
    page.locator("li", has=page.get_by_role("heading", name=recipe)).get_by_role("button", name="Order").click()
    page.get_by_role("button", name="Order one").click()
    return page.locator(".ticket .number").first.inner_text().split()[-1]


def side_by_side(shots: list[bytes], name: str) -> None:
    """One picture of several phones."""
    images = [Image.open(BytesIO(one)).convert("RGB") for one in shots]
    sheet = Image.new("RGB", ((SIZE["width"] + GAP) * len(images) - GAP, SIZE["height"]), "#8a8f8c")
    for at, image in enumerate(images):
        sheet.paste(image, (at * (SIZE["width"] + GAP), 0))
    path = FOLDER / name
    sheet.quantize(COLOURS).save(path, optimize=True)
    print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


def take(browser: Browser, machine: PageMachine) -> None:
    with (
        opened(browser, machine, GUEST) as guest,
        opened(browser, machine, GUEST, "dark") as second,
        opened(browser, machine, OPERATOR) as operator,
        opened(browser, machine, OPERATOR, "dark") as evening,
    ):
        menu = guest.screenshot()
        operator.evaluate("location.hash = '#/orders'")
        number = order(guest, "Blackcurrant Spritz")
        order(second, "Orchard Fizz")
        queue = operator.screenshot()
        operator.get_by_role("button", name=f"Pour order {number}").click()
        guest.locator("pour-plan .given").first.wait_for()
        guest.wait_for_timeout(5000)
        side_by_side([menu, guest.screenshot(), second.screenshot()], "page_guest.png")
        lines = evening.screenshot()
        side_by_side([queue, operator.screenshot(), lines], "page_operator.png")


def main() -> int:
    if BROWSER is None:
        print(NO_BROWSER, file=sys.stderr)
        return 2
    with page_machine() as machine, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        take(browser, machine)
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
