"""Commissioning has consequences: a line that moved wrong serves nobody, and the machine says what to do next."""

import pytest

from controller.engine.engine import Engine
from controller.errors import Refused
from controller.model.messages import Changed, Delivery, Ended, Start
from controller.model.requests import FreeDose, JogAnswerRequest, JogRequest, LineRequest, PourRequest, TrialRequest
from controller.model.states import Contents, MachineState, OperationKind, Outcome
from tests.engine.played_guard import LIQUIDS, PROFILE, Desk, report


@pytest.fixture
def desk():
    made = Desk(report())
    yield made
    made.ledger.close()


def jog(desk, line, *, is_right, remark=""):
    operation = desk.engine.jog(JogRequest(line=line)).operation
    desk.admit(operation, kind=OperationKind.JOG)
    moved = Delivery(line=line, liquid=LIQUIDS[line], asked_ml=2.5, delivered_ml=2.5, worst_ml=3.0, on_s=0.5)
    desk.engine.on_event(
        Ended(operation=operation, kind=OperationKind.JOG, outcome=Outcome.DONE, reason="", deliveries=(moved,))
    )
    desk.engine.on_event(Changed(state=MachineState.IDLE, reason="", operation=None))
    desk.engine.answer_jog(JogAnswerRequest(operation=operation, is_right=is_right, remark=remark))


REQUESTS = [
    lambda engine: engine.run_lines(LineRequest(kind="prime", lines=(1, 3), jug=True)),
    lambda engine: engine.trial(TrialRequest(lines=(3,), on_s=2.0, jug=True)),
    lambda engine: engine.pour(
        PourRequest(recipe="a taste", glass="tumbler", doses=(FreeDose(volume_ml=20.0, line=3),))
    ),
]


@pytest.mark.parametrize("ask", REQUESTS)
def test_a_line_that_moved_wrong_is_out_of_service_until_it_is_jogged_right(desk, ask):
    jog(desk, 3, is_right=False, remark="line 4 moved")
    before = len(desk.of(Start))
    with pytest.raises(Refused, match=r"line 3 is out of service: its jog was seen to move wrong \(line 4 moved\)"):
        ask(desk.engine)
    assert len(desk.of(Start)) == before
    jog(desk, 3, is_right=True)
    ask(desk.engine)
    assert len(desk.of(Start)) == before + 2  # the jog and what was asked


def test_other_lines_go_on_serving_and_the_menu_says_which_drinks_wait(desk):
    jog(desk, 3, is_right=False)
    desk.engine.run_lines(LineRequest(kind="prime", lines=(1,), jug=True))
    waits = {one.recipe for one in desk.engine.menu() if any("out of service" in reason for reason in one.missing)}
    assert waits == {one.recipe for one in desk.engine.menu() if LIQUIDS[3] in one.liquids}
    assert waits


def test_what_was_seen_outlasts_the_engine(desk):
    jog(desk, 3, is_right=False)
    again = Engine(
        profile=PROFILE,
        book=desk.engine.book,
        ledger=desk.ledger,
        clock=desk.clock,
        send=desk.sent.append,
        new_id=lambda: "op9",
    )
    again.on_event(report())
    with pytest.raises(Refused, match="out of service"):
        again.run_lines(LineRequest(kind="prime", lines=(3,), jug=True))


def test_status_says_the_next_thing_to_do_in_the_order_of_a_machines_life(desk):
    engine = desk.engine
    engine.on_event(report(calibrated=False, contents=Contents.EMPTY))
    assert engine.status().next_step == "tundish jog 1"
    for line in LIQUIDS:
        jog(desk, line, is_right=line != 2)
    assert engine.status().next_step == "tundish jog 2"
    assert engine.status().lines[1].note == "it moved wrong: put its wiring right and jog it"
    jog(desk, 2, is_right=True)
    assert engine.status().next_step == "tundish prime 1 2 3 4 5 6"
    engine.on_event(report(calibrated=False))
    assert engine.status().next_step == "tundish calibrate 1"
    engine.on_event(report())
    assert engine.status().next_step == "tundish menu"
    engine.on_event(report(contents=Contents.CLEANER))
    assert engine.status().next_step == "tundish hygiene"
    engine.on_event(report(fault="stop pressed"))
    assert engine.status().next_step == ""
