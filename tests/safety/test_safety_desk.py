"""Who may say what, when, and what is answered and written down; the words are part of it."""

from typing import TypeVar

import pytest
from msgspec.structs import replace

from controller.model.calibration import Calibration
from controller.model.messages import (
    Acknowledge,
    AskReport,
    Assign,
    Changed,
    Confirm,
    Ended,
    Hello,
    Refusal,
    Report,
    Start,
    Stop,
    TakeBook,
    TakeCalibration,
    Unhold,
)
from controller.model.plan import Operation, Segment
from controller.model.states import MachineState, OperationKind
from controller.safety.records import AdmittedRecord, Record, RefusedRecord
from tests.guard.guard_parts import GLASS, LEVEL_1, Rig, prime, profile, records, run_of, serve

JUICE, SYRUP, TEA = "apple juice", "ginger syrup", "cold tea"
Found = TypeVar("Found", bound=Record)
POUR = serve(run_of(1, JUICE, 0, 10))
NEW = Calibration(line=1, liquid=JUICE, flow_ml_s=2.1, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)


def recorded(rig: Rig, kind: type[Found]) -> list[Found]:
    return [one.record for one in records(rig.journal) if isinstance(one.record, kind)]


def refusal(rig: Rig, command, client: str = "engine") -> Refusal:
    (found,) = [event for event in rig.say(command, client) if isinstance(event, Refusal)]
    return found


def report(rig: Rig) -> Report:
    return next(event for event in rig.say(AskReport()) if isinstance(event, Report))


def glass_rig() -> Rig:
    rig = Rig(profile(glass=GLASS))
    rig.board.contacts["glass"] = True
    return rig.primed(1, 2)


def by_hand() -> Operation:
    segments = (Segment(runs=(run_of(1, JUICE, 0, 5),), hand="add ice"), Segment(runs=(run_of(2, SYRUP, 0, 2),)))
    return replace(POUR, segments=segments)


# --- clients


def test_a_client_that_was_lost_begins_anew():
    rig = Rig().ready()
    rig.guard.client_gone("engine")
    assert refusal(rig, AskReport()).rule == "hello"
    before = len(rig.events)
    rig.board.contacts["stop"] = False
    rig.run(1, beat=False)
    assert rig.events[before:] == []  # nobody is there to hear of it
    assert isinstance(rig.say(Hello(version=1, role="engine"))[0], Report)


def test_a_lost_observer_is_not_the_engine():
    rig = Rig().primed(1)
    rig.say(Hello(version=1, role="observer"), "display")
    rig.say(Start(operation=POUR))
    rig.guard.client_gone("display")
    assert rig.board.on == {1}


# --- when lines may be changed


@pytest.mark.parametrize("state", [MachineState.STOPPED, MachineState.IDLE, MachineState.ABORTED])
def test_lines_may_be_changed_at_rest(state):
    rig = Rig()
    if state is not MachineState.STOPPED:
        rig.run(0.5, beat=False)
    if state is MachineState.ABORTED:
        rig.board.contacts["stop"] = False
        rig.run(0.5, beat=False)
    rig.say(Hello(version=1, role="engine"))
    assert report(rig).state is state
    rig.say(Assign(line=2, liquid=TEA))
    rig.say(TakeCalibration(calibration=NEW))
    lines = report(rig).lines
    assert (lines[1].liquid, lines[0].calibration) == (TEA, NEW)


def test_the_book_is_not_taken_while_something_is_under_way():
    asked = []
    rig = Rig()
    rig.read_book = lambda: asked.append("read")
    rig.start_guard()
    rig.primed(1)
    rig.say(Start(operation=POUR))
    assert refusal(rig, TakeBook(mark=7)).rule == "state"
    assert asked == []
    rig.run(12)
    rig.say(TakeBook(mark=7))
    assert asked == ["read"]


# --- what is written down


def test_refusals_are_written_down_a_little_later():
    rig = Rig().ready()
    rig.say(Start(operation=replace(POUR, glass="bucket")))
    assert recorded(rig, RefusedRecord) == []
    rig.run(2.5)
    (record,) = recorded(rig, RefusedRecord)
    assert (record.request, record.rules) == ("s1", ("contents", "glass"))
    assert record.reason.startswith("line 1 holds nothing")


def test_only_servings_book_ethanol():
    rig = Rig().primed(4)
    assert [record.ethanol_g for record in recorded(rig, AdmittedRecord)] == [0.0]
    rig.say(Start(operation=serve(run_of(4, "sloe gin", 0, 5))))
    # 5 s x 2.5 mL/s (uncalibrated) x 26 % x 0.78924 g/mL
    assert recorded(rig, AdmittedRecord)[-1].ethanol_g == pytest.approx(2.565, abs=0.001)


# --- what is answered


def test_an_obstacle_to_a_start_is_reported():
    rig = Rig()
    rig.say(Hello(version=1, role="engine"))
    told = refusal(rig, Start(operation=POUR))
    assert told.reason == "the machine is stopped: it does not accept start now."
    assert told.remedy == "See to the inputs, then try again."
    rig.primed(1)
    rig.say(Start(operation=POUR))
    told = refusal(rig, Start(operation=replace(POUR, operation="s2")))
    assert (told.asked, told.remedy) == ("start", "Wait for the operation to end.")
    rig.board.contacts["stop"] = False
    rig.run(1)
    told = refusal(rig, Start(operation=replace(POUR, operation="s3")))
    assert (
        told.reason == "the machine is aborted by a fault (the stop contact is open: pressed, or its wire is broken)."
    )
    assert told.remedy == "See to it, then acknowledge 'stop pressed'."


def test_troubles_that_are_no_fault_are_reported_by_name():
    rig = Rig().ready()
    rig.guard.block("sentinel", "the sentinel has ended")
    rig.run(0.5)
    assert refusal(rig, Start(operation=POUR)).reason == "the machine is stopped: the sentinel has ended."


def test_each_wait_has_its_own_way_on():
    rig = glass_rig()
    assert refusal(rig, Confirm(operation="s1")).asked == "confirm"
    rig.say(Start(operation=by_hand()))
    assert report(rig).waiting_for == "add ice"
    told = refusal(rig, Unhold(operation="s1", runs=()))
    assert told.reason == "the operation waits for a hand step: add ice."
    rig.say(Confirm(operation="s1"))
    assert (report(rig).state, report(rig).waiting_for) == (MachineState.EXECUTE, None)
    rig.run(1)
    rig.board.contacts["glass"] = False
    rig.run(1)
    told = refusal(rig, Confirm(operation="s1"))
    assert told.reason == "the operation waits for glass, not for a hand step."
    assert told.remedy == "Send unhold with what is left to pour."
    rig.board.contacts["glass"] = True
    rig.run(1)
    rig.say(Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 4),)))
    assert (report(rig).state, report(rig).waiting_for) == (MachineState.EXECUTE, None)
    assert rig.of(Changed)[-1].waiting_for is None


def test_a_held_priming_may_go_on_without_any_glass():
    rig = Rig(profile(glass=GLASS, levels=(LEVEL_1,)))
    rig.board.contacts |= {"glass": True, "level 1": False}
    rig.ready()
    rig.say(Start(operation=prime(1, JUICE)))
    rig.run(2)
    rig.board.contacts |= {"level 1": True, "glass": False}
    rig.run(1)
    rig.board.contacts["level 1"] = False
    rig.run(1)
    rig.say(Unhold(operation="prime-1", runs=(run_of(1, JUICE, 0, 4),)))
    assert rig.board.on == {1}


def test_acknowledging_is_answered():
    rig = Rig().ready()
    assert refusal(rig, Acknowledge(cause="late")).reason == "no fault waits to be acknowledged; the machine is idle."
    rig.board.contacts["stop"] = False
    rig.run(1)
    assert refusal(rig, Acknowledge(cause="late")).reason == "the latched fault is 'stop pressed', not 'late'."
    assert refusal(rig, Acknowledge(cause="stop pressed")).reason.startswith("the cause is still there: the stop")
    rig.board.contacts["stop"] = True
    rig.run(1)
    rig.say(Acknowledge(cause="stop pressed"))
    assert "stop pressed acknowledged" in [event.reason for event in rig.of(Changed)]


def test_a_stop_that_comes_while_it_is_ending_changes_nothing_about_the_reason():
    rig = Rig().primed(1)
    rig.say(Start(operation=POUR))
    rig.run(1)
    rig.guard.core.client_gone(rig.clock.now_s(), "engine")
    rig.guard.core.receive(rig.clock.now_s(), "anyone", Stop())
    rig.run(1, beat=False)
    rig.say(Hello(version=1, role="engine"))
    ended = rig.of(Ended)[-1]
    assert (ended.reason, ended.kind) == ("engine connection lost", OperationKind.SERVE)
