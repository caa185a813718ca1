"""What was asked for as engine and guard were parted: booked as the guard tells it, else as never begun."""

import asyncio
from itertools import count

import pytest
from msgspec.structs import replace

from controller.engine.engine import Engine
from controller.errors import Refused, Unreachable
from controller.model.messages import (
    Admitted,
    AskReport,
    Command,
    Delivery,
    Edge,
    Ended,
    Heartbeat,
    Hello,
    Refusal,
    Start,
)
from controller.model.requests import PourRequest
from controller.model.states import OperationKind, Outcome
from tests.engine.played_guard import BOOK, PROFILE, Desk, report
from tests.engine.test_engine_core import UNATTENDED
from tests.engine.test_guard_link import REPORT, Guard, linked

ANSWER = report()


@pytest.fixture
def desk():
    """A pour was asked for, and the guard has not answered."""
    made = Desk(ANSWER)
    made.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    made.sent.clear()
    yield made
    made.ledger.close()


def ended() -> Ended:
    delivery = Delivery(line=1, liquid="apple juice", asked_ml=90.0, delivered_ml=30.0, worst_ml=31.0, on_s=6.0)
    return Ended(
        operation="op1", kind=OperationKind.SERVE, outcome=Outcome.ABORTED, reason="gone", deliveries=(delivery,)
    )


def test_a_start_that_was_lost_with_the_connection_counts_as_never_begun_and_the_next_one_may_begin(desk):
    desk.engine.guard_lost()
    desk.engine.on_event(ANSWER)
    assert desk.sent == [AskReport()]
    assert desk.ledger.open_operations() == ("op1",)  # its end may be on its way
    desk.engine.on_event(ANSWER)
    view = desk.engine.operation("op1")
    assert (view.outcome, [one.rule for one in view.refused]) == (None, ["lost"])
    assert desk.ledger.entry("op1").outcome == "refused"
    assert desk.ledger.open_operations() == ()
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    assert [one.operation.operation for one in desk.of(Start)] == ["op2"]


def test_an_end_that_the_guard_tells_after_its_first_report_is_what_counts(desk):
    before_ml = desk.engine.status().lines[0].remaining_ml
    desk.engine.guard_lost()
    for event in (ANSWER, ended(), ANSWER):
        desk.engine.on_event(event)
    assert desk.ledger.entry("op1").reason == "gone"
    assert [one.worst_ml for one in desk.ledger.entry("op1").deliveries] == [31.0]
    assert desk.engine.status().lines[0].remaining_ml == pytest.approx(before_ml - 31.0)


def test_a_new_engine_settles_what_the_one_before_left_open(desk):
    sent: list[Command] = []
    engine = Engine(
        profile=PROFILE, book=BOOK, ledger=desk.ledger, clock=desk.clock, send=sent.append, new_id=lambda: "op9"
    )
    engine.on_event(ANSWER)
    assert sent == [AskReport()]
    # With another one begun before it is settled, its end could be lost: the guard tells the last one only.
    with pytest.raises(Refused, match="has not yet reported"):
        engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    engine.on_event(ANSWER)
    assert desk.ledger.open_operations() == ()
    assert engine.pour(PourRequest(recipe=UNATTENDED.recipe)).operation == "op9"


def test_what_is_still_under_way_is_left_alone(desk):
    desk.engine.guard_lost()
    running = replace(ANSWER, operation="op1")
    desk.engine.on_event(running)
    desk.engine.on_event(running)
    assert desk.ledger.open_operations() == ("op1",)
    assert desk.sent == []


def test_a_pour_that_could_not_be_sent_blocks_nothing_once_the_guard_is_back(desk):
    desk.engine.on_event(ended())
    reachable = False

    def send(command: object) -> None:
        if not reachable:
            raise Unreachable("the guard does not answer")
        desk.sent.append(command)

    new_id = map("again{}".format, count(1)).__next__
    engine = Engine(profile=PROFILE, book=BOOK, ledger=desk.ledger, clock=desk.clock, send=send, new_id=new_id)
    engine.on_event(ANSWER)
    with pytest.raises(Unreachable):
        engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    engine.guard_lost()
    reachable = True
    engine.on_event(ANSWER)
    engine.on_event(ANSWER)
    assert desk.ledger.open_operations() == ()
    assert engine.pour(PourRequest(recipe=UNATTENDED.recipe)).operation == "again2"


def test_a_guard_that_tells_of_lines_nobody_asked_for_is_not_believed(desk):
    """Its profile is another one; the connection is dropped and built up anew."""
    desk.engine.on_event(Admitted(operation="op1", kind=OperationKind.SERVE))
    with pytest.raises(Refused, match="line 40"):
        desk.engine.on_event(Edge(operation="op1", line=40, is_on=True, at_s=0.0))
    assert desk.engine.status().operation.outcome is None


def test_an_engine_whose_hello_is_refused_hangs_up_and_asks_again(tmp_path):
    async def scenario():
        async with Guard(tmp_path / "guard.sock").listening() as guard, linked(guard.path) as (link, listener):
            await guard.next()
            guard.say(Refusal(request="hello", rule="engine", reason="another engine is connected."))
            await listener.until("lost")
            guard.writer.close()
            assert isinstance(await guard.next(), Hello)
            guard.say(REPORT)
            await listener.until(REPORT)
            link.send(Heartbeat())
            assert await guard.next() == Heartbeat()

    asyncio.run(scenario())
