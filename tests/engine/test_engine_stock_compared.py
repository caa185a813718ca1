"""Which liquid hangs on a line: what the engine makes of a guard that knows something else than its stock."""

import pytest
from msgspec.structs import replace

from controller.engine.background import Work
from controller.engine.menu import Menu, Shelf
from controller.errors import Refused
from controller.ledger.records import Container
from controller.model.evening import EmptyRequest
from controller.model.messages import Assign, Changed, FaultLatchedEvent, Hung
from controller.model.requests import PourRequest
from controller.model.states import Contents, MachineState
from tests.engine.played_guard import BOOK, PROFILE, Desk, report

SPRITZ, CORDIAL, JUICE = "Blackcurrant Spritz", "blackcurrant cordial", "apple juice"
BY_BOOK = tuple(Hung(line=one.line, liquid=one.liquid) for one in BOOK.lines)


def heard(line=2, **changes):
    said = report()
    return replace(said, lines=tuple(replace(one, **changes) if one.line == line else one for one in said.lines))


def entry(desk):
    return next(one for one in desk.engine.menu() if one.recipe == SPRITZ)


def test_hello_says_what_hangs_by_stock_once_the_guard_knows_of_it():
    desk = Desk()
    assert desk.engine.hello().stock == ()  # nobody has said anything yet
    desk.engine.on_event(report())
    assert desk.engine.hello().stock == BY_BOOK


def test_what_the_book_says_hangs_only_where_the_guard_agrees():
    """A ledger that was lost claims nothing: the guard may know of another container than the book."""
    desk = Desk(heard(liquid=JUICE, contents=Contents.EMPTY, holds=None))
    assert Hung(line=2, liquid=CORDIAL) not in desk.engine.hello().stock
    assert 2 not in desk.engine.stock.containers()
    assert "line 2" not in " ".join(entry(desk).missing)


@pytest.mark.parametrize(("liquid", "by_guard"), [(None, "knows of nothing there"), (JUICE, "has apple juice there")])
def test_a_dispute_stands_in_menu_status_and_stock_and_nothing_is_poured(liquid, by_guard):
    desk = Desk(report())
    desk.engine.on_event(heard(liquid=liquid, contents=Contents.UNKNOWN, holds=None))
    said = f"blackcurrant cordial by the stock, the guard {by_guard}: look, then tundish stock confirm 2"
    assert any(said in reason for reason in entry(desk).missing)
    assert not desk.engine.stock.view(2).is_known_to_guard
    note = next(one.note for one in desk.engine.status().lines if one.line == 2)
    assert liquid is not None or said in note
    with pytest.raises(Refused):
        desk.engine.pour(PourRequest(recipe=SPRITZ))


def test_what_may_hang_there_counts_for_allergens():
    """The guard has forgotten line 5, the stock has cold tea there."""
    liquids = tuple(replace(one, allergens=("milk",)) if one.liquid == "cold tea" else one for one in BOOK.liquids)
    (forgotten,) = [one for one in heard(5, liquid=None, contents=Contents.UNKNOWN, holds=None).lines if one.line == 5]
    tea = Container(
        line=5, liquid="cold tea", container_ml=3000.0, remaining_ml=3000.0, opened_wall_s=0.0, hung_wall_s=0.0
    )
    shelf = Shelf(reports={5: forgotten}, containers={5: tea})
    entries = Menu(PROFILE, replace(BOOK, liquids=liquids), Work()).entries(shelf)
    assert "milk" in next(one for one in entries if one.recipe == SPRITZ).may_contain


def test_a_person_confirms_what_the_stock_has_and_its_level_stays():
    desk = Desk(report())
    desk.engine.stock.empty(EmptyRequest(line=2))
    disputed = heard(liquid=None, contents=Contents.UNKNOWN, holds=None)
    desk.engine.on_event(disputed)
    desk.engine.stock.confirm(2)
    (asked,) = desk.of(Assign)
    assert (asked.line, asked.liquid) == (2, CORDIAL)
    known_s = desk.engine.stock.view(2).opened_wall_s
    desk.engine.on_event(heard(contents=Contents.UNKNOWN, holds=None, opened_wall_s=known_s))
    view = desk.engine.stock.view(2)
    assert (view.is_known_to_guard, view.remaining_ml) == (True, 0.0)


def test_where_nobody_disputes_there_is_nothing_to_confirm():
    """Else a bottle of then could be called one of now, and its stricter figures would be gone."""
    desk = Desk(report())
    with pytest.raises(Refused, match="guard and stock agree on line 2"):
        desk.engine.stock.confirm(2)
    assert desk.of(Assign) == []


def test_a_fault_that_is_latched_at_hello_comes_before_the_first_report_and_is_in_it():
    desk = Desk()
    desk.engine.on_event(FaultLatchedEvent(cause="stock differs", text="line 2 ..."))
    desk.engine.on_event(Changed(state=MachineState.ABORTING, reason="line 2 ..."))
    desk.engine.on_event(report(fault="stock differs", state=MachineState.ABORTING))
    assert (desk.engine.status().fault, desk.engine.status().state) == ("stock differs", MachineState.ABORTING)
