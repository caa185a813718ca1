"""Current contact and main relay, through the real guard and bench: what is found, how fast; pumps that are dead."""

import pytest
from msgspec.structs import replace

from controller.bench.faults import InjectedFault
from controller.errors import FaultLatched
from controller.model.requests import AcknowledgeRequest, LineRequest
from controller.model.states import MachineState, Outcome
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.safety.plausibility import CURRENT_OFF, CURRENT_UNFED, NO_CURRENT
from tests.shipped import shipped

WITH_SCALE, BOOK = shipped("bench_eight_line", "harvest_supper")
PROFILE = replace(WITH_SCALE, scale=None)
WITHOUT = replace(PROFILE, inputs=replace(PROFILE.inputs, current=None))
NO_MAIN = replace(PROFILE, main_relay=None)
LINE, OTHER = 4, 2
# Relay times and 0.1 s for the switch, its debounce, one reading of the contacts, and the main relay's own time.
FOUND_S = 2 * 0.015 + 0.1 + 0.02 + 0.02 + 2 * 0.010


@pytest.fixture
def build():
    made = []

    def one(profile=PROFILE):
        made.append(VirtualMachine(profile, BOOK, seed=3))
        return made[-1]

    yield one
    for machine in made:
        machine.close()


def begin(machine, *lines, kind="prime"):
    """Run lines, and let the first second of it pass: the pumps turn."""
    operation = machine.engine.run_lines(LineRequest(kind=kind, lines=lines, jug=True)).operation
    machine.pass_time(1.0)
    return operation


def powered_spans(machine, line):
    """When the pump of a line had voltage, from the bench's trace alone: its contact and the feed closed together."""
    closed, fed, spans, since_s = False, machine.plant.trace.feed() == [], [], None
    for entry in machine.plant.trace.entries:
        if type(entry).__name__ == "ContactEntry" and entry.line == line:
            closed = entry.closed
        elif type(entry).__name__ == "FeedEntry":
            fed = entry.closed
        else:
            continue
        if closed and fed and since_s is None:
            since_s = entry.at_s
        elif not (closed and fed) and since_s is not None:
            spans.append((since_s, entry.at_s))
            since_s = None
    return [*spans, (since_s, None)] if since_s is not None else spans


def is_turning(machine):
    return any(line.speed_fraction > 0 for line in machine.plant.report().lines)


def commanded_off_s(machine, line):
    """When the channel's pin last let its relay go."""
    gpio = PROFILE.line(line).gpio
    return next(one.at_s for one in reversed(machine.plant.trace.levels(gpio)) if one.level)


def assert_all_dead(machine):
    machine.pass_time(0.5)
    assert machine.plant.report().pumps_a == 0
    assert not is_turning(machine)
    assert all(span[1] is not None for line in PROFILE.lines for span in powered_spans(machine, line.line))


def test_nothing_is_found_where_nothing_is_wrong_and_the_feed_frames_every_run(build):
    machine = build()
    for lines in ((LINE,), (LINE, OTHER), (1, 5, 6)):
        operation = machine.engine.run_lines(LineRequest(kind="prime", lines=lines, jug=True)).operation
        assert machine.finish(operation).outcome == Outcome.DONE
        machine.pass_time(1.0)
    assert machine.engine.status().fault is None
    fed = [one.closed for one in machine.plant.trace.feed()]
    assert fed == [True, False] * 3
    first_s = machine.plant.trace.feed()[0].at_s
    for line in (LINE, OTHER, 1, 5, 6):
        for one in machine.plant.trace.contacts(line):
            assert one.at_s > first_s
    assert not machine.plant.report().is_fed


def test_a_relay_that_sticks_while_its_line_runs_is_found_after_its_end_and_its_pump_is_dead(build):
    machine = build()
    operation = begin(machine, LINE)
    machine.plant.inject(InjectedFault(kind="relay stuck on", line=LINE))
    assert machine.finish(operation).outcome == Outcome.FAULTED
    assert_all_dead(machine)
    status = machine.engine.status()
    assert (status.state, status.fault) == (MachineState.ABORTED, CURRENT_OFF)
    assert machine.plant.report().lines[LINE - 1].contact_closed  # it still sticks: only the feed is open
    ((_, dead_s),) = powered_spans(machine, LINE)
    assert dead_s - commanded_off_s(machine, LINE) <= FOUND_S
    text = machine.engine.operation(operation).reason
    assert "line 4 (relay channel 4)" in text
    assert "pull" in text


def test_a_relay_that_sticks_on_as_a_pour_is_stopped_has_no_voltage_from_then_on(build):
    """Stopping opens the main relay at once, so nothing flows that could be seen; the next start finds it."""
    machine = build()
    begin(machine, LINE)
    machine.plant.inject(InjectedFault(kind="relay stuck on", line=LINE))
    machine.engine.stop()
    machine.pass_time(0.05)
    assert machine.plant.report().pumps_a == 0
    machine.pass_time(3.0)
    assert machine.engine.status().state == MachineState.IDLE
    operation = begin(machine, OTHER)
    assert machine.finish(operation).outcome == Outcome.FAULTED
    assert machine.engine.status().fault == CURRENT_OFF
    assert powered_spans(machine, OTHER) == []  # its own channel never came on
    assert_all_dead(machine)
    stuck_s, dead_s = powered_spans(machine, LINE)[-1]
    assert dead_s - stuck_s <= FOUND_S


def test_after_the_fault_only_an_acknowledgement_helps_and_a_relay_that_still_sticks_is_found_again(build):
    machine = build()
    operation = begin(machine, LINE)
    machine.plant.inject(InjectedFault(kind="relay stuck on", line=LINE))
    machine.finish(operation)
    with pytest.raises(FaultLatched):
        begin(machine, OTHER)
    machine.engine.acknowledge(AcknowledgeRequest(cause=CURRENT_OFF))
    machine.pass_time(1.0)
    assert machine.engine.status().state == MachineState.IDLE
    assert machine.finish(begin(machine, OTHER)).outcome == Outcome.FAULTED
    machine.plant.clear(InjectedFault(kind="relay stuck on", line=LINE))
    machine.engine.acknowledge(AcknowledgeRequest(cause=CURRENT_OFF))
    machine.pass_time(1.0)
    assert machine.finish(begin(machine, OTHER)).outcome == Outcome.DONE


def test_without_a_main_relay_the_fault_stays_until_the_current_has_gone(build):
    machine = build(NO_MAIN)
    machine.finish(begin(machine, LINE))
    machine.plant.inject(InjectedFault(kind="relay stuck on", line=LINE))
    machine.pass_time(0.5)
    status = machine.engine.status()
    assert (status.state, status.fault) == (MachineState.ABORTED, CURRENT_OFF)
    machine.engine.acknowledge(AcknowledgeRequest(cause=CURRENT_OFF))
    machine.pass_time(0.5)
    assert machine.engine.status().fault == CURRENT_OFF
    machine.plant.clear(InjectedFault(kind="relay stuck on", line=LINE))
    machine.pass_time(0.5)
    assert machine.engine.status().fault == CURRENT_OFF  # the cause has gone; a person must say so
    machine.engine.acknowledge(AcknowledgeRequest(cause=CURRENT_OFF))
    machine.pass_time(0.5)
    assert machine.engine.status().state == MachineState.IDLE


@pytest.mark.parametrize(
    "fault", [InjectedFault(kind="relay stuck off", line=LINE), InjectedFault(kind="main relay stuck off")]
)
@pytest.mark.parametrize("profile", [PROFILE, NO_MAIN], ids=["main relay", "no main relay"])
def test_a_single_pump_without_current_is_found_and_named(build, profile, fault):
    if profile is NO_MAIN and fault.line is None:
        pytest.skip("there is no main relay to stick")
    machine = build(profile)
    machine.plant.inject(fault)
    operation = machine.engine.run_lines(LineRequest(kind="prime", lines=(LINE,), jug=True)).operation
    assert machine.finish(operation).outcome == Outcome.FAULTED
    assert machine.engine.status().fault == NO_CURRENT
    view = machine.engine.operation(operation)
    assert view.reason.startswith("line 4 (relay channel 4): no current")
    levels = [one for one in machine.plant.trace.levels(PROFILE.line(LINE).gpio) if one.holder is not None][-2:]
    assert [one.level for one in levels] == [False, True]  # active low: on, then off
    assert levels[1].at_s - levels[0].at_s <= FOUND_S


def test_of_several_pumps_one_without_current_is_not_seen_until_it_is_alone_and_none_at_all_is(build):
    machine = build()
    machine.plant.inject(InjectedFault(kind="relay stuck off", line=LINE))
    operation = begin(machine, LINE, OTHER)
    assert machine.engine.operation(operation).outcome is None  # the other one draws enough
    machine.plant.inject(InjectedFault(kind="relay stuck off", line=OTHER))
    assert machine.finish(operation).outcome == Outcome.FAULTED
    assert machine.engine.status().fault == NO_CURRENT
    assert_all_dead(machine)


def test_a_stalled_pump_draws_current_and_is_not_found(build):
    """A limit of a switch that knows only current or none: what stalls is found by weighing or by the taste."""
    machine = build()
    machine.plant.inject(InjectedFault(kind="pump stalled", line=LINE))
    begin(machine, LINE)
    assert machine.plant.contacts()["current"]
    assert machine.engine.status().fault is None


@pytest.mark.parametrize(("profile", "cause"), [(PROFILE, CURRENT_UNFED), (NO_MAIN, CURRENT_OFF)])
def test_a_current_contact_that_is_stuck_closed_lets_nothing_begin(build, profile, cause):
    machine = build(profile)
    machine.plant.inject(InjectedFault(kind="input stuck", contact="current", closed=True))
    machine.pass_time(0.5)
    assert machine.engine.status().fault == cause
    with pytest.raises(FaultLatched):
        begin(machine, LINE)
    machine.engine.acknowledge(AcknowledgeRequest(cause=cause))
    machine.pass_time(1.0)
    assert machine.engine.status().fault == cause
    assert_all_dead(machine)


def test_a_relay_stuck_on_while_others_run_is_found_once_they_are_off(build):
    machine = build()
    operation = begin(machine, OTHER)
    machine.plant.inject(InjectedFault(kind="relay stuck on", line=LINE))
    machine.pass_time(1.0)
    assert machine.engine.status().fault is None  # another pump runs: the two cannot be distinguished
    assert machine.finish(operation).outcome == Outcome.FAULTED
    assert machine.engine.status().fault == CURRENT_OFF
    assert_all_dead(machine)
    assert powered_spans(machine, LINE)[-1][1] - commanded_off_s(machine, OTHER) <= FOUND_S


def test_without_a_current_contact_nothing_is_found_but_the_main_relay_still_opens_at_the_end(build):
    machine = build(WITHOUT)
    machine.plant.inject(InjectedFault(kind="relay stuck on", line=LINE))
    assert machine.finish(begin(machine, OTHER)).outcome == Outcome.DONE
    assert machine.engine.status().fault is None
    assert_all_dead(machine)
    last_s = machine.plant.trace.feed()[-1].at_s
    assert last_s - commanded_off_s(machine, OTHER) <= 2 * 0.010


def test_the_stop_button_opens_the_main_relay_too(build):
    machine = build()
    begin(machine, LINE)
    machine.plant.inject(InjectedFault(kind="relay stuck on", line=LINE))
    machine.plant.press_stop()
    machine.pass_time(0.1)
    assert machine.plant.report().pumps_a == 0
    assert_all_dead(machine)
