"""Every screen in both colour schemes: what axe-core finds of WCAG 2.2 AA, narrow phones, large text, the keyboard."""

import pytest
from playwright.sync_api import expect

from tests.page.browser import go
from tests.page.page_machine import GUEST

SCREENS = (
    "orders", "jobs", "records", "line/1", "setup", "setup/1", "wet/prime", "calibrate/1", "stock/1", "change/1",
    "closing", "",
)  # fmt: skip
WIDTHS = (320, 390, 768)
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture
def axe():
    """What axe-core finds on a page, in both colour schemes, a sentence each."""
    from axe_playwright_python.sync_playwright import Axe

    def look(page):
        found = []
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            results = Axe().run(page, options={"runOnly": RULES, "resultTypes": ["violations"]})
            found += [
                f"{scheme}: {one['id']}: {node['html'][:120]}"
                for one in results.response["violations"]
                for node in one["nodes"]
            ]
        return found

    return look


def is_too_wide(page):
    """What stands out over the right edge, outside of regions that scroll by themselves."""
    return page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth")


def small_targets(page):
    """Targets under 44 px in height, links in running text left out (WCAG 2.2, 2.5.8, has 24 px)."""
    return page.evaluate(
        """() => [...document.querySelectorAll('button, select, summary, input, nav a, .joblist a, .lines a, .tick')]
            .filter((one) => one.offsetParent && !one.parentElement.closest('.tick'))
            .filter((one) => one.getBoundingClientRect().height < 43.5)
            .map((one) => one.outerHTML.slice(0, 100))"""
    )


def check(page, axe):
    assert axe(page) == []
    check_sizes(page)


def check_sizes(page):
    assert small_targets(page) == []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 820})
        assert not is_too_wide(page), f"{width} px: wider than the screen"
    page.set_viewport_size({"width": 390, "height": 820})
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert not is_too_wide(page), "text at 200 %: wider than the screen"
    page.evaluate("document.documentElement.style.fontSize = ''")


def test_the_operators_screens_fit_and_are_accessible(operator, axe):
    page = operator(bypass_csp=True)  # axe comes from the test, not from the machine
    for screen in SCREENS:
        go(page, screen)
        check(page, axe)


def test_the_guests_screens_fit_and_are_accessible(guest, axe):
    page = guest(bypass_csp=True)
    page.locator("summary").first.click()
    check(page, axe)
    page.locator(".drinks button").first.click()
    check(page, axe)
    page.keyboard.press("Escape")
    page.locator("dialog").wait_for(state="detached")


@pytest.mark.parametrize("side", ["guest", "operator"])
def test_an_order_under_way_fits_and_is_accessible_on_both_sides(guest, operator, rested, axe, side):
    """A pour for each side: it lasts for some 40 s, which a busy computer needs to look at one of them."""
    mine, theirs = guest(bypass_csp=True), operator("orders", bypass_csp=True)
    mine.locator("li", has_text="Long Tea").get_by_role("button", name="Order").click()
    mine.get_by_role("button", name="Order one").click()
    pour = theirs.get_by_role("button", name="Pour order")
    pour.wait_for()
    mine.locator(".ticket").get_by_text("Set your glass down").wait_for()
    page = {"guest": mine, "operator": theirs}[side]
    check(page, axe)
    pour.click()
    expect(page.locator("pour-plan [data-given]").first).to_contain_text("of 150 ml")
    check(page, axe)


def test_german_fits_on_every_screen(guest, operator):
    page = guest(locale="de-DE")
    page.get_by_role("heading", name="Das gibt es jetzt").wait_for()
    check_sizes(page)
    page = operator(locale="de-DE")
    for screen in SCREENS:
        go(page, screen)
        check_sizes(page)


def test_a_visitor_without_a_token_is_asked_for_one(browser, machine, axe):
    context = browser.new_context(viewport={"width": 390, "height": 820}, bypass_csp=True)
    page = context.new_page()
    page.goto(machine.origin)
    page.get_by_label("Token").wait_for()
    check(page, axe)
    page.get_by_label("Token").fill(GUEST)
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Available now").wait_for()
    assert "token" not in page.url
    context.close()


def test_a_drink_is_ordered_and_withdrawn_by_keyboard_alone(guest, rested):
    page = guest()
    page.get_by_text("Connected").wait_for()
    page.locator(".drinks button").first.focus()
    page.keyboard.press("Enter")
    page.locator("dialog").wait_for()
    page.get_by_role("button", name="Order one").focus()
    page.keyboard.press("Enter")
    page.locator(".ticket:focus").wait_for()  # where the order stands now
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.locator(".ticket").get_by_text("withdrawn", exact=True).wait_for()


@pytest.mark.parametrize("names", [("p", "section", "p"), ("section", "p"), ("p", "p", "div", "section", "section")])
def test_what_somebody_types_stays_when_the_page_around_it_changes(guest, names):
    """Text goes to what has the focus: half of it before the change, half after."""
    typed = guest().evaluate(
        """async names => {
            const { h, morphChildren } = await import("/page/dom.js");
            const made = (...kinds) => kinds.map(kind => h(kind, kind === "section" && h("input", { id: "typed" })));
            const box = h("div", ...made("p", "div", "section"));
            document.body.append(box);
            box.querySelector("input").focus();
            document.execCommand("insertText", false, "11");
            morphChildren(box, made(...names));
            document.execCommand("insertText", false, "00");
            return [box.querySelector("input").value, [...box.children].map(one => one.localName)];
        }""",
        list(names),
    )
    assert typed == ["1100", list(names)]
