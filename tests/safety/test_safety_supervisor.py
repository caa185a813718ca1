"""The core by itself: every call tells it the time, and what comes of the call happens at that time."""

import math

import pytest
from msgspec.structs import replace

from controller.model.calibration import Calibration
from controller.model.messages import (
    Acknowledge,
    AskReport,
    Assign,
    Changed,
    Confirm,
    Edge,
    Ended,
    FaultLatchedEvent,
    Heartbeat,
    Hello,
    InputsChanged,
    Refusal,
    Report,
    Start,
    Stop,
    TakeBook,
    TakeCalibration,
    Unhold,
)
from controller.model.plan import Segment
from controller.model.states import Contents, MachineState
from controller.model.wiring import Contact, LevelSwitch, MainRelay
from controller.safety.records import BookRead, FaultRecord, LineState, Memory, Note, Stamped, UnheldRecord
from controller.safety.supervisor import BOARD, JOURNAL, Supervisor
from tests.guard.guard_parts import BOOK, CAPS, GLASS, only, run_of, serve
from tests.guard.guard_parts import profile as machine

JUICE, GIN = "apple juice", "sloe gin"
FED = replace(
    machine(
        current=Contact(gpio=20, contact="normally_open", debounce_s=0.02),
        levels=(LevelSwitch(gpio=21, contact="normally_open", line=4, debounce_s=0.2),),
    ),
    main_relay=MainRelay(gpio=25, active_level="low"),
)
POUR = serve(run_of(1, JUICE, 0, 10))
REST = {"stop": True}
QUIET = REST | {"current": False, "level 4": False}
LINES = tuple(
    LineState(line=on.line, assigned=on.liquid, contents=Contents.LIQUID, holds=on.liquid) for on in BOOK.lines
)


def idle() -> Supervisor:
    """Every line full, the engine connected, idle at 1 s."""
    core = Supervisor(machine(), BOOK, Memory(lines=LINES), now_s=0.0, wall_s=1e9)
    for now_s in (0.0, 0.5, 1.0):
        core.advance(now_s, REST)
    core.receive(1.0, "engine", Hello(version=1, role="engine"))
    core.take_records()
    assert core.state is MachineState.IDLE
    return core


def pouring() -> Supervisor:
    """Line 1 is on since 2 s; the last that the core was told is 2.2 s."""
    core = idle()
    core.receive(2.0, "engine", Start(operation=POUR))
    core.recorded(2.0, "s1")
    assert core.advance(2.0, REST)[0] == {1}
    core.receive(2.2, "engine", Heartbeat())
    core.advance(2.2, REST)
    core.take_records()
    return core


def off_s(events) -> list[float]:
    return [event.at_s for event in events if isinstance(event, Edge) and not event.is_on]


def written(records: list[Stamped], kind: type) -> list[Stamped]:
    return [one for one in records if isinstance(one.record, kind)]


def test_an_operation_begins_when_it_is_on_disk():
    core = idle()
    core.receive(2.0, "engine", Start(operation=POUR))
    assert (core.proposal, core.next_edge_s) == ("s1", math.inf)
    assert core.recorded(2.3, "another") == []
    assert core.next_edge_s == math.inf
    core.recorded(2.4, "s1")
    assert (core.proposal, core.next_edge_s) == (None, 2.4)
    assert core.recorded(2.5, "s1") == []
    assert core.next_edge_s == 2.4


def test_a_record_written_without_a_proposal_begins_nothing():
    core = idle()
    assert core.recorded(2.0, "s1") == core.record_failed(2.0, "disk full") == []
    assert core.state is MachineState.IDLE


def test_an_operation_that_cannot_be_recorded_does_not_begin():
    core = idle()
    core.receive(2.0, "engine", Start(operation=POUR))
    refusal = next(event for event in core.record_failed(2.4, "no space left") if isinstance(event, Refusal))
    assert (refusal.request, refusal.rule) == ("s1", "journal")
    assert "no space left" in refusal.reason
    assert core.memory.mono_s <= 2.4
    assert (core.is_under_way, core.memory.unfinished, core.memory.servings) == (False, None, ())
    assert core.advance(2.4)[0] == frozenset()


def test_a_record_that_fails_in_mid_pour_withdraws_nothing():
    core = pouring()
    assert core.record_failed(2.3, "no space left") == []
    assert core.state is MachineState.EXECUTE


@pytest.mark.parametrize(
    "call",
    [
        lambda core: core.receive(2.3, "engine", Stop()),
        lambda core: core.receive(2.3, "somebody", Stop()),
        lambda core: core.client_gone(2.3, "engine"),
        lambda core: core.trouble(2.3, BOARD, "a pin does not obey"),
        lambda core: core.block(2.3, "sentinel", "the sentinel has ended"),
        lambda core: core.end(2.3, "the guard was stopped"),
    ],
)
def test_whatever_ends_a_pour_ends_it_at_that_instant(call):
    core = pouring()
    events = call(core)
    assert off_s(events) == pytest.approx([0.3])
    levels, _ = core.advance(2.3)
    assert levels == frozenset()
    _, events = core.advance(2.31)
    ended = next(event for event in events if isinstance(event, Ended))
    assert ended.deliveries[0].on_s == pytest.approx(0.3)


def test_trouble_latches_at_once_and_a_block_is_noted():
    core = idle()
    events = core.trouble(3.0, JOURNAL, "no space left")
    assert [event.cause for event in events if isinstance(event, FaultLatchedEvent)] == [JOURNAL]
    (fault,) = written(core.take_records(), FaultRecord)
    assert fault.mono_s == 3.0
    core = idle()
    core.block(3.0, "sentinel", "the sentinel has ended")
    (note,) = written(core.take_records(), Note)
    assert isinstance(note.record, Note)
    assert (note.mono_s, note.record.text) == (3.0, "the sentinel has ended")


def test_silence_counts_from_the_last_word_of_the_engine():
    core = pouring()
    core.receive(2.4, "engine", Heartbeat())
    core.advance(2.4, REST)
    assert core.advance(2.89, REST)[0] == {1}
    levels, events = core.advance(2.9, REST)
    assert levels == frozenset()
    assert off_s(events) == pytest.approx([0.9])


def test_each_turn_tells_only_its_own_edges():
    core = pouring()
    assert core.due_s == ()
    core.receive(12.0, "engine", Heartbeat())
    core.advance(12.0, REST)
    assert core.due_s == (12.0,)
    core.advance(12.01, REST)
    assert core.due_s == ()


def test_a_book_is_taken_when_it_comes():
    core = idle()
    new = replace(BOOK, title="orchard fete, Sunday")
    core.receive(2.0, "engine", TakeBook(mark=new.mark))
    assert core.wants_book
    core.take_book(4.0, new)
    (read,) = written(core.take_records(), BookRead)
    assert isinstance(read.record, BookRead)
    assert (read.mono_s, read.record.title, read.record.changed) == (4.0, "orchard fete, Sunday", ())
    report = only(core.receive(5.0, "engine", AskReport()), Report)
    assert report.book == new.mark
    assert not core.wants_book


def test_a_book_that_cannot_be_read_leaves_the_old_one():
    core = idle()
    core.receive(2.0, "engine", TakeBook(mark=1))
    refusal = only(core.take_book(4.0, None, "line 3: unknown word"), Refusal)
    assert (refusal.rule, refusal.reason) == ("book_file", "line 3: unknown word")
    report = only(core.receive(5.0, "engine", AskReport()), Report)
    assert report.book == BOOK.mark
    assert core.take_book(5.0, replace(BOOK, title="another")) == []  # nobody asked for it
    assert core.receive(6.0, "engine", AskReport()) == [report]


@pytest.mark.parametrize("ago_s", [-1.0, math.inf, math.nan])
def test_a_container_was_opened_some_time_ago(ago_s):
    refusal = only(idle().receive(2.0, "engine", Assign(line=1, liquid=JUICE, opened_ago_s=ago_s)), Refusal)
    assert (refusal.rule, refusal.allowed) == ("opened", "0 s to 10 years")


def test_a_done_operation_passes_to_idle_and_says_every_state():
    core = pouring()
    seen = []
    for now_s in (12.0, 12.0, 12.0, 12.0):
        core.receive(now_s, "engine", Heartbeat())
        seen += [event.state for event in core.advance(now_s, REST)[1] if isinstance(event, Changed)]
        assert core.next_deadline_s() == 12.0 or core.state is MachineState.IDLE
    assert seen == [MachineState.COMPLETING, MachineState.COMPLETE, MachineState.RESETTING, MachineState.IDLE]
    assert core.state is MachineState.IDLE


# --- when it wants to be called again


def test_what_is_being_switched_off_is_asked_for_at_once():
    core = pouring()
    assert core.next_deadline_s() > 2.2
    core.receive(2.3, "engine", Stop())
    assert core.next_deadline_s() == 2.3


def test_a_held_operation_is_looked_at_for_silence_and_at_its_end():
    core = Supervisor(machine(glass=GLASS), BOOK, Memory(lines=LINES), now_s=0.0, wall_s=1e9)
    there, lifted = REST | {"glass": True}, REST | {"glass": False}
    for now_s in (0.0, 0.5, 1.0):
        core.advance(now_s, there)
    core.receive(1.0, "engine", Hello(version=1, role="engine"))
    core.receive(2.0, "engine", Start(operation=POUR))
    core.recorded(2.0, "s1")
    core.advance(2.0, there)
    events = [event for now_s in (2.1, 2.2, 2.2) for event in core.advance(now_s, lifted)[1]]
    assert [event.inputs.glass_present for event in events if isinstance(event, InputsChanged)] == [False]
    held = [event for event in events if isinstance(event, Changed)][-1]
    assert (held.state, held.reason, held.waiting_for) == (MachineState.HELD, "glass", "glass")
    end_s = 2.2 + CAPS.held_s
    assert core.next_deadline_s() <= 2.2 + 0.5
    core.receive(end_s - 0.05, "engine", Heartbeat())
    core.advance(end_s - 0.05, lifted)
    assert core.next_deadline_s() == pytest.approx(end_s)
    assert core.state is MachineState.HELD
    core.advance(end_s, lifted)
    assert core.state is MachineState.STOPPING


def test_the_latest_of_two_late_ends_counts():
    core = idle()
    core.receive(2.0, "engine", Start(operation=serve(run_of(1, JUICE, 0, 10), run_of(2, "ginger syrup", 1, 9.1))))
    core.recorded(2.0, "s1")
    for now_s in (2.0, 3.0):
        core.receive(now_s, "engine", Heartbeat())
        core.advance(now_s, REST)
    core.receive(12.15, "engine", Heartbeat())
    _, events = core.advance(12.15, REST)
    assert [event.cause for event in events if isinstance(event, FaultLatchedEvent)] == ["late"]


# --- what clients may do


def fed() -> Supervisor:
    """A machine with a main relay and a current contact, idle at 1 s."""
    core = Supervisor(FED, BOOK, Memory(lines=LINES), now_s=0.0, wall_s=1e9)
    for now_s in (0.0, 0.5, 1.0):
        core.advance(now_s, QUIET)
    core.receive(1.0, "engine", Hello(version=1, role="engine"))
    return core


def by_hand() -> Supervisor:
    """The same, waiting since 2 s for ice."""
    core = fed()
    segment = Segment(runs=(run_of(4, GIN, 0, 10),), hand="add ice")
    core.receive(2.0, "engine", Start(operation=replace(POUR, segments=(segment,))))
    core.recorded(2.0, "s1")
    for _ in range(2):
        core.advance(2.0, QUIET)
    core.take_records()
    assert core.state is MachineState.HELD
    return core


def proven(core: Supervisor, from_s: float) -> float:
    """The feed is seen without current; when the first channel is then due."""
    for step in range(1, 20):
        core.receive(from_s + 0.02 * step, "engine", Heartbeat())
        core.advance(from_s + 0.02 * step, QUIET)
        if core.next_edge_s < math.inf:
            return core.next_edge_s
    raise AssertionError("nothing is ever due")


def test_after_a_hand_step_channels_wait_for_the_main_relay():
    core = by_hand()
    core.receive(2.5, "engine", Confirm(operation="s1"))
    assert core.advance(2.5, QUIET)[0] == frozenset()
    core.recorded(2.5, "s1")
    core.advance(2.5, QUIET)
    assert core.is_fed
    # Twice 15 ms of the relay and 0.1 s until current shows, 20 ms of debounce, a reading of 30 ms.
    assert proven(core, 2.5) == pytest.approx(2.5 + 0.18)


def test_going_on_does_not_stand_for_a_hand_step():
    core = by_hand()
    refusal = only(core.receive(2.1, "engine", Unhold(operation="s1", runs=(run_of(4, GIN, 0, 5),))), Refusal)
    assert (refusal.rule, refusal.remedy) == ("operation", "Confirm the hand step.")
    assert (core.state, core.proposal, core.take_records()) == (MachineState.HELD, None, [])


def test_going_on_books_the_whole_serving_anew():
    core = by_hand()
    core.receive(2.5, "engine", Confirm(operation="s1"))
    assert core.advance(2.5, QUIET)[0] == frozenset()
    core.recorded(2.5, "s1")
    core.advance(2.5, QUIET)
    begin_s = proven(core, 2.5)
    core.receive(begin_s, "engine", Heartbeat())
    assert core.advance(begin_s, QUIET)[0] == {4}
    for now_s in (begin_s + 0.1, begin_s + 0.2, begin_s + 0.3, begin_s + 0.4):
        core.receive(now_s, "engine", Heartbeat())
        core.advance(now_s, QUIET | {"current": True, "level 4": True})
    for _ in range(2):
        core.advance(begin_s + 0.4, QUIET | {"current": True, "level 4": True})
    assert core.state is MachineState.HELD, "the container is low"
    core.advance(begin_s + 0.45, QUIET)
    core.advance(begin_s + 0.8, QUIET)
    core.receive(begin_s + 0.8, "engine", Unhold(operation="s1", runs=(run_of(4, GIN, 0, 5),)))
    (unheld,) = written(core.take_records(), UnheldRecord)
    # 0.3 s until the container counts as low, 5 s to come: 2.5 mL/s, not calibrated, of 26 %.
    assert isinstance(unheld.record, UnheldRecord)
    assert unheld.record.ethanol_g == pytest.approx(2.5 * 5.3 * 0.26 * 0.78924)

    core.recorded(begin_s + 0.8, "s1")
    core.advance(begin_s + 0.8, QUIET)
    assert proven(core, begin_s + 0.8) == pytest.approx(begin_s + 0.8 + 0.18)


def test_the_next_segment_does_not_wait_for_a_feed_that_is_closed():
    core = fed()
    segments = (Segment(runs=(run_of(1, JUICE, 0, 1),)), Segment(runs=(run_of(2, "ginger syrup", 0, 1),)))
    core.receive(2.0, "engine", Start(operation=replace(POUR, segments=segments)))
    core.recorded(2.0, "s1")
    core.advance(2.0, QUIET)
    begin_s = proven(core, 2.0)
    for step in range(11):
        core.receive(begin_s + 0.1 * step, "engine", Heartbeat())
        core.advance(begin_s + 0.1 * step, QUIET | {"current": step > 0})
    levels, _ = core.advance(begin_s + 1.0, QUIET | {"current": True})
    assert levels == {2}
    assert core.next_edge_s == pytest.approx(begin_s + 2.0)


def test_stopping_what_is_stopped_announces_nothing():
    core = Supervisor(machine(), BOOK, Memory(lines=LINES), now_s=0.0, wall_s=1e9)
    assert core.receive(0.0, "somebody", Stop()) == []


def test_a_calibration_that_is_refused_is_not_taken():
    core = idle()
    far = Calibration(line=1, liquid=JUICE, flow_ml_s=9.0, lag_s=0.1, u_flow_ml_s=0.1, u_lag_s=0.01, cov_flow_lag=0.0)
    refusal = only(core.receive(2.0, "engine", TakeCalibration(calibration=far)), Refusal)
    assert refusal.rule == "calibration_flow"
    assert core.memory.calibrations == ()


def test_a_fault_is_not_acknowledged_before_all_is_off():
    core = pouring()
    core.trouble(2.3, BOARD, "a pin does not obey")
    core.sound(BOARD)
    refusal = only(core.receive(2.3, "engine", Acknowledge(cause=BOARD)), Refusal)
    assert refusal.rule == "state"
    assert core.memory.fault is not None


def test_a_stranger_is_told_which_of_his_requests_was_refused():
    core = idle()
    for command, name in ((Start(operation=POUR), "s1"), (Confirm(operation="s7"), "s7"), (Heartbeat(), "heartbeat")):
        refusal = only(core.receive(2.0, "stranger", command), Refusal)
        assert (refusal.request, refusal.rule) == (name, "hello")


def test_only_an_engine_is_told_the_last_end():
    core = pouring()
    core.receive(2.3, "engine", Stop())
    for now_s in (2.3, 2.31, 2.32):
        core.advance(now_s, REST)
    assert [type(one) for one in core.receive(3.0, "display", Hello(version=1, role="observer"))] == [Report]
    core.client_gone(3.0, "engine")
    assert [type(one) for one in core.receive(3.0, "engine 2", Hello(version=1, role="engine"))] == [Report, Ended]
