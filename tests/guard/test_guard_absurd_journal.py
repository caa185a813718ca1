"""Whatever is in the journal, the guard starts, safe: absurd figures, and sound entries that mean nothing."""

import msgspec
import pytest
from msgspec.structs import replace

from controller.ledger.journal import MemoryJournal
from controller.model.calibration import Calibration
from controller.model.messages import Acknowledge, Assign, Event, Refusal, Report, Start, TakeCalibration
from controller.model.plan import Interval, PlannedRun
from controller.model.states import Contents, MachineState
from controller.safety.records import AdmittedRecord, CalibrationRecord, Memory, Moment, Serving, Stamped
from controller.safety.requests import POSSIBLE
from tests.guard.guard_parts import Rig, admitted, run_of, serve

JUICE = "apple juice"
SOUND = Calibration(line=1, liquid=JUICE, flow_ml_s=2.1, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)
FAR = [1e200, -1e200, 1.7e308]
ABSURD = [replace(SOUND, **{name: value}) for name in POSSIBLE for value in FAR]


def started_on(rig: Rig, *records) -> tuple[Report, list[Event]]:
    """A guard on a journal that ends in these records; what it says to its engine."""
    last = rig.guard.core.memory
    stamped = [Stamped(mono_s=last.mono_s, wall_s=last.wall_s, record=record) for record in records]
    rig.guard.client_gone("engine")
    rig.journal.append(msgspec.json.encode(stamped))
    rig.start_guard()
    rig.run(0.5, beat=False)
    return rig.hello()


@pytest.mark.parametrize("calibration", ABSURD, ids=lambda one: "-")
def test_an_absurd_calibration_is_refused_and_one_on_record_is_not_used(calibration):
    rig = Rig().primed(1)
    (refusal,) = [one for one in rig.say(TakeCalibration(calibration=calibration)) if isinstance(one, Refusal)]
    assert (refusal.rule, "must lie between" in refusal.reason) == ("calibration", True)
    report = started_on(rig, CalibrationRecord(calibration=calibration))[0]
    assert (report.state, report.fault, report.lines[0].calibration) == (MachineState.IDLE, None, None)
    assert b'"calibration_dropped"' in rig.journal.entries[-1].body
    assert admitted(rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))) == ["s1"]
    rig.run(6)
    assert started_on(rig)[0].fault is None


@pytest.mark.parametrize("value", [1e200, -1e200, 1e308, -1e308])
def test_absurd_times_and_amounts_do_not_keep_the_guard_from_starting(value):
    rig = Rig().primed(1)
    memory = rig.guard.core.memory
    far = Moment(credited_s=value, wall_s=value)
    lines = tuple(replace(one, opened=far, filled=far, wetted=far, cleaned=far, moved_ml=value) for one in memory.lines)
    odd = replace(
        memory,
        lines=lines,
        servings=(Serving(at_s=value, ethanol_g=value),),
        on_times=(Interval(line=1, start_s=-value, end_s=value),),
        last_serving_s=value,
        latest=far,
    )
    for one in (odd, replace(odd, credited_s=value), replace(odd, mono_s=value, wall_s=value)):
        started_on(rig, one)
        rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))
        rig.run(6)
        assert rig.report().state in (MachineState.IDLE, MachineState.ABORTED)
        assert rig.board.on == set()


@pytest.mark.parametrize("duration_s", [1e200, -1e200, 1e308])
def test_an_interrupted_operation_with_absurd_runs_is_brought_to_an_end(duration_s):
    rig = Rig().primed(1)
    run = PlannedRun(line=1, liquid=JUICE, start_s=0.0, duration_s=duration_s, volume_ml=duration_s)
    report = started_on(rig, AdmittedRecord(operation=serve(run), ethanol_g=0.0))[0]
    assert (report.lines[0].contents, report.state) == (Contents.LIQUID, MachineState.IDLE)
    assert rig.guard.core.memory.unfinished is None


def test_a_memory_that_nobody_can_work_with_leaves_nothing_certain(monkeypatch):
    rig = Rig().primed(1)

    def fails(memory: Memory, now: object) -> None:
        if memory.seen:
            raise OverflowError("Numerical result out of range")

    monkeypatch.setattr("controller.safety.outcome.interrupted", fails)
    report = started_on(rig)[0]
    assert (report.state, report.fault) == (MachineState.ABORTED, "journal damaged")
    assert {(line.contents, line.liquid) for line in report.lines} == {(Contents.UNKNOWN, None)}
    rig.say(Acknowledge(cause="journal damaged"))
    assert started_on(rig)[0].state is MachineState.IDLE


def test_a_journal_of_many_sound_entries_that_mean_nothing_is_damage():
    journal = MemoryJournal()
    for body in (b"[]", b"{}", b"null", b"[[[[]]]]", b"not JSON", b"[" * 100_000):
        (journal.append if journal.entries else journal.begin)(body)
    rig = Rig(journal=journal).ready()
    assert rig.report().fault == "journal damaged"


@pytest.mark.parametrize("ago_s", [-1.0, 1e12, 1e200])
def test_a_container_was_opened_within_years(ago_s):
    rig = Rig().ready()
    refused = [
        one.rule for one in rig.say(Assign(line=1, liquid=JUICE, opened_ago_s=ago_s)) if isinstance(one, Refusal)
    ]
    assert refused == ["opened"]
