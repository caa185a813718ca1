"""A container that runs empty in mid-pour: the pour is held, nothing unknown counts as known, the tube is primed."""

import pytest
from msgspec.structs import replace

from controller.engine.background import NotYet, Work
from controller.errors import Refused
from controller.guard.contacts import POLL_UNDER_WAY_S
from controller.model.evening import EmptyRequest, RefillRequest
from controller.model.requests import LineRequest, PourRequest
from controller.model.states import Contents, MachineState, Outcome
from tests.ready_machine import BOOK, ready_machine
from tests.rehearsal.test_virtual_machine import BY_HAND, LINES, is_any_on, machine, pour

JUICE, TWIN = 1, 5
__all__ = ["BY_HAND", "machine"]


def view_of(machine, line=JUICE):
    return next(one for one in machine.engine.status().lines if one.line == line)


def ran_dry_in_mid_pour(machine):
    """The juice's bottle is unhung after 4 s, and somebody says so 3 s later."""
    operation = pour(machine)
    machine.pass_time(4.0)
    machine.plant.unhang(JUICE)
    machine.pass_time(3.0)
    machine.engine.stock.empty(EmptyRequest(line=JUICE))
    machine.pass_time(0.2)
    return operation


def test_the_pour_is_held_at_once_and_cannot_go_on_with_air_in_the_tube(machine):
    operation = ran_dry_in_mid_pour(machine)
    assert not is_any_on(machine)
    assert machine.engine.status().state == MachineState.HELD
    assert machine.engine.operation(operation).waiting_for == "container on line 1"
    machine.plant.hang(JUICE, "apple juice", 3000.0)
    machine.engine.confirm(operation)
    machine.pass_time(0.5)
    assert not is_any_on(machine)
    assert machine.engine.answer(operation).rule == "contents"


def test_its_delivery_counts_as_at_most_and_gives_no_rest_to_pour(machine):
    operation = ran_dry_in_mid_pour(machine)
    live = {one.line: one for one in machine.engine.operation(operation).lines}
    assert live[JUICE].at_most
    machine.engine.stop()
    view = machine.finish(operation)
    assert view.outcome == Outcome.STOPPED
    machine.pass_time(2.0)
    poured = {one.line: one for one in machine.engine.history(1)[0].lines}
    assert poured[JUICE].at_most
    assert machine.plant.glass_contents_ml()["apple juice"] <= poured[JUICE].delivered_ml
    assert not any(one.at_most for line, one in poured.items() if line != JUICE)
    with pytest.raises(Refused, match="ran empty"):
        machine.engine.pour(PourRequest(recipe=view.recipe, rest_of=operation))


def test_after_a_refill_the_line_is_primed_before_it_serves(machine):
    operation = ran_dry_in_mid_pour(machine)
    machine.engine.stop()
    machine.finish(operation)
    machine.plant.hang(JUICE, "apple juice", 3000.0)
    machine.engine.stock.refill(RefillRequest(line=JUICE, container_ml=3000.0))
    machine.pass_time(0.5)
    assert (view_of(machine).contents, view_of(machine).note) == (Contents.EMPTY, "prime it")
    with pytest.raises(Refused, match="not primed"):
        pour(machine)
    machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(JUICE,), jug=True)).operation)
    assert view_of(machine).contents == Contents.LIQUID


@pytest.mark.parametrize(("left_ml", "tube_full", "contents"), [
    (None, None, Contents.LIQUID),  # the books are sure that something was left
    (0.0, None, Contents.EMPTY),
    (0.0, True, Contents.LIQUID),
    (None, False, Contents.EMPTY),
])  # fmt: skip
def test_a_refill_asks_for_priming_unless_the_tube_was_kept_full(machine, left_ml, tube_full, contents):
    if left_ml is not None:
        machine.engine.stock.empty(EmptyRequest(line=JUICE, tube_full=True))
        machine.pass_time(0.5)
        assert view_of(machine).contents == Contents.LIQUID
    machine.engine.stock.refill(RefillRequest(line=JUICE, container_ml=3000.0, tube_full=tube_full))
    machine.pass_time(0.5)
    assert view_of(machine).contents == contents


def test_other_lines_are_not_held_by_an_empty_container_that_they_do_not_draw_from(machine):
    operation = pour(machine)
    machine.pass_time(4.0)
    idle = next(line for line in LINES if line not in {one.line for one in machine.engine.operation(operation).lines})
    machine.engine.stock.empty(EmptyRequest(line=idle))
    assert machine.finish(operation).outcome == Outcome.DONE
    assert view_of(machine, idle).contents == Contents.EMPTY


class AnswersLater(Work):
    """As in the service: the first answer that something done later needs is not there at first."""

    is_missing = False

    def __call__(self, function, *arguments, **named):
        if self.is_missing:
            raise NotYet
        return function(*arguments, **named)

    def later(self, ask):
        self.is_missing = True
        try:
            ask()
        except NotYet:
            self.is_missing = False
            ask()
        self.is_missing = False


@pytest.fixture(params=[Work, AnswersLater])
def twinned(request):
    """Line 5 holds apple juice, too."""
    lines = tuple(replace(one, liquid="apple juice") if one.line == TWIN else one for one in BOOK.lines)
    made = ready_machine(book=replace(BOOK, lines=lines), poll_under_way_s=POLL_UNDER_WAY_S, work=request.param())
    yield made
    made.close()


@pytest.mark.parametrize("is_lifted", [False, True])
def test_a_twin_takes_over_from_a_line_that_ran_dry_in_mid_pour(twinned, is_lifted):
    operation = pour(twinned)
    twinned.pass_time(3.0)
    asked = {one.line: one.asked_ml for one in twinned.engine.operation(operation).lines}
    assert {JUICE, TWIN} <= asked.keys()
    if is_lifted:
        twinned.plant.lift_glass()
        twinned.pass_time(0.5)
    twinned.engine.stock.empty(EmptyRequest(line=JUICE))
    twinned.pass_time(1.0)
    assert is_any_on(twinned) is not is_lifted
    if is_lifted:
        twinned.plant.place_glass()
    view = twinned.finish(operation)
    assert view.outcome == Outcome.DONE
    poured = {one.line: one for one in view.lines}
    assert poured[JUICE].at_most
    assert poured[JUICE].delivered_ml < asked[JUICE] - 5.0
    assert poured[TWIN].delivered_ml > asked[TWIN] + 5.0
    twinned.pass_time(2.0)
    juice_ml = twinned.plant.glass_contents_ml()["apple juice"]
    assert juice_ml == pytest.approx(asked[JUICE] + asked[TWIN], abs=2.0)
