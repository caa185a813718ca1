"""The operator's way through the page, in a real browser against the live bench: every job, step by step."""

from contextlib import suppress

import pytest
from playwright.sync_api import TimeoutError, expect

from controller.model.calibration import Calibration
from controller.model.evening import RefillRequest, StockChange, StockView, StockWeighingRequest
from controller.model.orders import OrderRequest, PlacedOrder
from controller.model.requests import AssignRequest, LineRequest, PourRequest
from controller.model.views import OperationView
from tests.page.browser import go

pytestmark = pytest.mark.usefixtures("rested")


def press(page, name):
    page.get_by_role("button", name=name, exact=True).click()


def test_the_machine_at_a_glance(operator):
    page = operator()
    assert page.locator(".lines h3").all_inner_texts()[:2] == ["apple juice", "sloe gin"]
    assert "give or take" in page.locator(".lines li").first.inner_text()
    assert page.get_by_role("button", name="Stop all pumps").is_visible()
    assert "No emergency stop" in page.locator(".stopbar").inner_text()


def test_a_stop_from_the_page_ends_a_pour_at_once(operator, machine):
    page = operator("records")  # it is on every screen
    view = machine.http.post("pours", OperationView, PourRequest(recipe="Long Tea"))
    machine.wait_for(lambda: machine.closed_contacts() == {5})
    press(page, "Stop all pumps")
    page.get_by_text("All pumps off").wait_for()
    machine.wait_for(lambda: machine.operation(view.operation).outcome == "stopped")
    assert machine.closed_contacts() == set()


def test_a_pump_is_jogged_while_the_button_is_held_and_judged(operator, machine):
    page = operator("setup/2")
    press(page, "Next")
    press(page, "Next")
    pad = page.get_by_role("button", name="Hold to run line 2").bounding_box()
    page.mouse.move(pad["x"] + 20, pad["y"] + 20)
    page.mouse.down()
    started = machine.status().operation
    machine.wait_for(lambda: machine.closed_contacts() == {2})
    machine.wait_for(lambda: machine.status().operation.operation != started.operation)  # held on: jogged on
    page.mouse.up()
    machine.wait_for(lambda: machine.status().operation.outcome is not None and machine.closed_contacts() == set())
    press(page, "Yes, right")
    page.get_by_role("heading", name="Line 3: does the right pump move?").wait_for()
    go(page, "setup")
    assert "seen right" in page.locator(".joblist li").nth(1).inner_text()


def test_a_page_that_is_hidden_or_silent_stops_the_jog(operator, machine):
    page = operator("setup/1")
    press(page, "Next")
    press(page, "Next")
    hold = page.get_by_role("button", name="Hold to run line 1")
    hold.focus()
    page.keyboard.down("Enter")
    machine.wait_for(lambda: machine.closed_contacts() == {1})
    page.evaluate(
        "() => { Object.defineProperty(document, 'hidden', { get: () => true, configurable: true });"
        " document.dispatchEvent(new Event('visibilitychange')); }"
    )
    expect(hold).not_to_have_class("hold moves")
    machine.wait_for(lambda: machine.closed_contacts() == set())
    page.keyboard.up("Enter")
    page.evaluate("() => { delete document.hidden; }")
    page.keyboard.down("Enter")
    machine.wait_for(lambda: machine.closed_contacts() == {1})
    page.context.set_offline(True)  # no release can arrive any more
    machine.wait_for(lambda: machine.closed_contacts() == set())


def run_trial(page, bench, machine):
    """Run a trial, in grams. A busy machine may abort a run: the jar is tared again and the run pressed again."""
    for _ in range(3):
        machine.acknowledge()
        bench.tare()  # with what is in it: emptied, it would need seconds to settle
        press(page, "Run")
        with suppress(TimeoutError):
            page.get_by_label("Net weight, g").wait_for(timeout=20_000)
            return bench.scale_g()
    raise AssertionError("no run came to its end")


def test_a_line_is_calibrated_by_typed_weights_and_the_fit_grows(operator, machine):
    page = operator("calibrate/6")
    before = machine.status().lines[5].calibration
    for weighed, on_s in enumerate(("1", "2", "1.5"), 1):
        page.get_by_label("For how long, s").fill(on_s)
        with machine.bench() as bench:
            grams = run_trial(page, bench, machine)
        page.get_by_label("Net weight, g").fill(f"{grams:.1f}".replace(".", ","))  # as some type it
        press(page, "Save the weight")
        expect(page.locator("svg.fit circle")).to_have_count(weighed)
    page.get_by_text("mL/s, lag").wait_for()
    if page.get_by_label("Accept despite the doubts").count():
        page.get_by_label("Accept despite the doubts").check()
    press(page, "Accept the calibration")
    page.get_by_text("Line 6 is calibrated.").wait_for()
    after = machine.status().lines[5].calibration
    assert isinstance(after, Calibration)
    assert after.taken_wall_s != before.taken_wall_s


def test_a_trial_that_ended_early_asks_for_an_empty_jar(operator, machine):
    page = operator("calibrate/5")
    early = page.get_by_role("alert").filter(has_text="Empty the jar, weigh it empty")
    assert early.count() == 0
    page.get_by_label("For how long, s").fill("20")
    press(page, "Run")
    machine.wait_for(lambda: machine.closed_contacts() == {5})
    press(page, "Stop all pumps")
    early.wait_for()
    page.reload()
    early.wait_for()  # the jar is no emptier for it
    german = operator("calibrate/5", locale="de-DE")
    german.get_by_role("alert").filter(has_text="Gefäß leeren, leer wiegen").wait_for()
    german.get_by_text("Von Hand angehalten.").wait_for()
    page.get_by_label("For how long, s").fill("1")
    with machine.bench() as bench:
        run_trial(page, bench, machine)
    assert early.count() == 0


def test_a_refusal_that_comes_after_the_answer_is_shown(operator):
    """The engine answers at once when the guard takes its time, so that the refusal comes later."""
    page = operator("calibrate/5")
    asked = {"operation": "late", "kind": "trial", "admitted": False, "refused": [], "outcome": None, "lines": []}
    refusal = {"request": "late", "rule": "current", "reason": "9 A are too much.", "asked": "", "allowed": ""}
    page.route("**/v1/trials", lambda route: route.fulfill(json=asked))
    page.route("**/v1/operations/late", lambda route: route.fulfill(json={**asked, "refused": [refusal]}))
    press(page, "Run")
    page.get_by_role("alert").get_by_text("9 A are too much.").wait_for()


def test_a_container_is_replaced_weighed_and_reported_empty(operator):
    page = operator("stock/1")
    page.get_by_label("Container, mL").fill("2000")
    page.get_by_label("No air came into the tube").check()
    press(page, "Container is connected")
    page.get_by_text("now 2,000 mL").wait_for()
    page.get_by_label("Gross weight, g", exact=True).fill("1100")
    page.get_by_label("Empty weight, g").fill("80")
    press(page, "Save the weight")
    # 1020 g of 11 % Brix in air: relative density 1.0443 at 20 C (from memory), buoyancy 0.1 %: 980 mL
    page.get_by_text("Was booked as 2,000 mL, now 980 mL").wait_for()
    press(page, "Save the weight")
    page.get_by_label("Gross weight, g", exact=True).fill("much")
    press(page, "Save the weight")
    page.get_by_text("A number is missing.").first.wait_for()


def test_containers_that_run_short_for_the_orders_are_shown_as_that_changes(operator, machine):
    page = operator("orders", locale="de-DE")
    machine.http.post("orders", PlacedOrder, OrderRequest(recipe="Long Tea", key="short for the orders"))
    before = machine.http.get("stock", tuple[StockView, ...])[4]
    machine.http.post("stock/5/weighing", StockChange, StockWeighingRequest(line=5, grams=90.0, tare_g=60.0))
    try:
        page.locator("main > div > p", has_text="cold tea: es fehlen").wait_for()
    finally:
        refill = RefillRequest(line=5, container_ml=before.container_ml, tube_full=True)
        machine.http.post("stock/5/refill", StockChange, refill)


def test_a_change_of_liquid_is_guided_and_can_be_abandoned(operator, machine):
    page = operator("change/4")
    page.get_by_label("Liquid").select_option("ginger syrup")
    page.get_by_label("Container, mL").fill("700")
    press(page, "Begin the change")
    page.get_by_role("heading", name="Purge lines 4").wait_for()
    expect(page.locator("main")).to_contain_text("Lift the suction tubes out of their containers.")
    press(page, "Done: let the pumps run")
    page.get_by_role("heading", name="Clean lines 4").or_(page.get_by_role("heading", name="Rinse lines 4")).wait_for()
    press(page, "Abandon")
    page.get_by_role("button", name="Begin the change").wait_for()
    machine.http.put("lines/4", AssignRequest(line=4, liquid="lime cordial", container_ml=700.0))


def test_lines_are_cleaned_and_the_contact_time_runs(operator, machine):
    emptied = LineRequest(kind="purge", lines=(3,), jug=True, in_air=True)
    purged = machine.http.post("line-operations", OperationView, emptied)
    machine.wait_for(lambda: machine.operation(purged.operation).outcome == "done")
    page = operator("wet/clean")
    page.get_by_label("3 ginger syrup").check()
    press(page, "Next")
    press(page, "Begin")
    page.get_by_role("timer").get_by_text("The cleaner has to stand for").wait_for()
    go(page, "wet/rinse")
    assert page.get_by_label("3 ginger syrup").is_checked()
    press(page, "Next")
    press(page, "Begin")  # too early: the guard says no
    page.get_by_role("alert").get_by_text("cleaner").wait_for()


def test_a_fault_shows_its_cause_and_is_acknowledged_once_it_is_gone(operator, machine):
    page = operator()
    with machine.bench() as bench:
        bench.press_stop()
        page.get_by_role("heading", name="Fault", exact=True).wait_for()
        assert "stop" in page.locator("main .notice.bad").inner_text()
        bench.release_stop()
    page.get_by_text("stop button free").wait_for()
    press(page, "Cause removed: acknowledge")
    page.get_by_role("heading", name="Fault", exact=True).wait_for(state="detached")
    assert machine.status().fault is None


def test_closing_can_be_abandoned_and_the_records_say_what_was_done(operator):
    page = operator("closing")
    page.get_by_label("Who does it").fill("Ada")
    press(page, "Begin")
    page.locator("main .ticket").get_by_role("heading").wait_for()
    press(page, "Abandon")
    page.get_by_role("button", name="Begin", exact=True).wait_for()
    go(page, "records")
    assert page.get_by_role("region", name="Hygiene record").locator("tbody tr").count() >= 6
    assert "Prime" in page.get_by_role("region", name="Operations").inner_text()
