"""Guard and engine each know how far the guard's journal has come, and compare at every hello."""

import shutil

import pytest

from controller.ledger.journal import FileJournal, Journal, MemoryJournal
from controller.ledger.journal_segment import START
from controller.model.messages import (
    Acknowledge,
    Admitted,
    Ended,
    FaultLatchedEvent,
    Hello,
    JournalHead,
    Report,
    Start,
)
from controller.model.states import Contents, MachineState
from tests.guard.guard_parts import CAPS, Rig, admitted, run_of, serve

JUICE = "apple juice"


def hello(rig: Rig, told: JournalHead | None) -> Report:
    rig.run(0.5, beat=False)
    (report,) = [one for one in rig.say(Hello(version=1, role="engine", journal=told)) if isinstance(one, Report)]
    rig.run(0.1)
    after = rig.report()
    assert (report.fault, report.lines) == (after.fault, after.lines)  # compared before anything is said
    return after


def reopened(rig: Rig, journal: Journal) -> None:
    rig.guard.client_gone("engine")
    rig.kept = journal
    rig.start_guard()


def assert_owned_up_to(rig: Rig, report: Report) -> None:
    assert (report.state, report.fault) == (MachineState.ABORTED, "journal damaged")
    assert {(line.contents, line.liquid) for line in report.lines} == {(Contents.UNKNOWN, None)}
    assert "was told of journal entry" in rig.of(FaultLatchedEvent)[-1].text
    assert sum(one.ethanol_g for one in rig.guard.core.memory.servings) >= CAPS.hour_ethanol_g * 0.999
    assert admitted(rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5), name="now")))) == []


def test_admissions_ends_and_reports_tell_how_far_the_journal_has_come():
    rig = Rig().primed(1)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))
    at_start = rig.kept.head
    assert rig.of(Admitted)[-1].journal == at_start
    rig.run(6)
    assert rig.of(Ended)[-1].journal == rig.kept.head != at_start
    report = hello(rig, rig.kept.head)
    assert (report.journal, report.latest) == (rig.kept.head, "s1")


def test_an_engine_that_was_told_what_the_guard_knows_may_go_on():
    rig = Rig().primed(1)
    for told in (None, rig.of(Ended)[0].journal, rig.of(Admitted)[0].journal, rig.kept.head):
        reopened(rig, rig.kept)
        report = hello(rig, told)
        assert (report.state, report.fault) == (MachineState.IDLE, None)
        assert report.lines[0].contents is Contents.LIQUID


def test_a_journal_that_was_deleted_with_its_head_is_missed_by_the_engine():
    rig = Rig().primed(1)
    told = rig.of(Ended)[-1].journal
    reopened(rig, MemoryJournal())
    assert_owned_up_to(rig, hello(rig, told))


def test_a_whole_folder_exchanged_for_an_older_copy_is_missed_by_the_engine(tmp_path):
    rig = Rig(journal=FileJournal(tmp_path / "journal")).primed(1)
    shutil.copytree(tmp_path / "journal", tmp_path / "older")
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 5))))
    rig.run(8)
    told = rig.of(Ended)[-1].journal
    rig.guard.close()
    reopened(rig, FileJournal(tmp_path / "older"))
    assert_owned_up_to(rig, hello(rig, told))
    rig.guard.close()


def test_another_history_is_missed_however_far_it_has_come():
    rig = Rig().primed(1)
    told = rig.of(Ended)[-1].journal
    reopened(rig, MemoryJournal())
    assert told is not None
    for _ in range(told.number):
        reopened(rig, rig.kept)
    assert rig.kept.head.number > told.number
    assert_owned_up_to(rig, hello(rig, told))


def test_once_acknowledged_and_told_anew_it_is_over():
    rig = Rig().primed(1)
    told = rig.of(Ended)[-1].journal
    reopened(rig, MemoryJournal())
    report = hello(rig, told)
    assert report.journal == rig.kept.head
    rig.say(Acknowledge(cause="journal damaged"))
    reopened(rig, rig.kept)
    assert hello(rig, report.journal).state is MachineState.IDLE


def test_a_fault_that_was_latched_before_is_named_too():
    rig = Rig().ready()
    rig.board.contacts["stop"] = False
    rig.run(1)
    rig.board.contacts["stop"] = True
    reopened(rig, rig.kept)
    report = hello(rig, JournalHead(number=99, hash=START.hash))
    assert report.fault == "journal damaged"
    assert rig.guard.core.memory.fault is not None
    assert "before that: the stop contact is open" in rig.guard.core.memory.fault.text


@pytest.mark.parametrize("number", [-1, 0, 10**30])
def test_a_journal_head_that_no_guard_has_sent_does_not_crash_the_guard(number):
    rig = Rig().primed(1)
    reopened(rig, rig.kept)
    assert hello(rig, JournalHead(number=number, hash="?")).fault == "journal damaged"
    assert rig.board.on == set()
