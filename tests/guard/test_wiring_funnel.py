"""A contact at the funnel's rim: whatever runs is held while it says full, and goes on by itself."""

import pytest

from controller.model.messages import Changed, Confirm, Event, FaultLatchedEvent, Refusal, Start, Unhold
from controller.model.plan import Operation, Segment
from controller.model.states import MachineState, OperationKind
from controller.model.wiring import Contact
from tests.guard.guard_parts import GLASS, Rig, prime, profile, run_of

FUNNEL = Contact(gpio=21, contact="normally_closed", debounce_s=0.1)


@pytest.fixture
def rig():
    made = Rig(profile(funnel_full=FUNNEL, glass=GLASS))
    made.board.contacts |= {"funnel full": True, "glass": True}
    return made.primed(1)


def pour(rig: Rig) -> list[Event]:
    segment = Segment(runs=(run_of(1, "apple juice", 0, 8.0),))
    serving = Operation(operation="fizz", kind=OperationKind.SERVE, segments=(segment,), glass="tumbler")
    return rig.say(Start(operation=serving))


def test_a_full_funnel_holds_a_pour_within_its_debounce_time_and_one_reading(rig):
    pour(rig)
    rig.run(2)
    rig.board.contacts["funnel full"] = False
    rig.run(0.1 + 0.02 + 0.02)
    holding, held = rig.of(Changed)[-2:]
    assert holding.reason == "the funnel is full"
    assert (held.state, held.waiting_for) == (MachineState.HELD, "funnel full")
    assert not rig.board.on


def test_a_held_pour_goes_on_only_after_the_funnel_has_drained(rig):
    pour(rig)
    rig.run(2)
    rig.board.contacts["funnel full"] = False
    rig.run(1)
    go_on = Unhold(operation="fizz", runs=(run_of(1, "apple juice", 0, 5.0),))
    assert [one.rule for one in rig.say(go_on) if isinstance(one, Refusal)] == ["funnel_full"]
    assert [one.rule for one in rig.say(Confirm(operation="fizz")) if isinstance(one, Refusal)] == ["operation"]
    rig.board.contacts["funnel full"] = True
    rig.run(0.2)
    rig.say(go_on)
    assert rig.guard.next_deadline_s() < rig.clock.now_s() + 5.1
    assert rig.of(Changed)[-1].state is MachineState.EXECUTE


@pytest.mark.parametrize("start", [pour, lambda rig: rig.say(Start(operation=prime(2, "ginger syrup")))])
def test_nothing_begins_while_the_funnel_is_full(rig, start):
    rig.board.contacts["funnel full"] = False
    rig.run(0.5)
    refused = [one for one in start(rig) if isinstance(one, Refusal)]
    assert [(one.rule, one.reason) for one in refused] == [("funnel_full", "the funnel is full.")]


def test_a_funnel_contact_that_cannot_be_read_counts_as_unsafe(rig):
    pour(rig)
    rig.run(2)
    del rig.board.contacts["funnel full"]
    rig.run(0.1)
    assert rig.of(FaultLatchedEvent)[-1].text == "cannot read funnel full"
    assert not rig.board.on
