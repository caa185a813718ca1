"""The real engine with its ledger, and a guard that has lost its journal: said once, and then over."""

import pytest

from controller.ledger.journal import FileJournal, MemoryJournal
from controller.model.requests import AcknowledgeRequest, JogRequest
from controller.model.states import Contents, MachineState
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import prime_all
from tests.ready_machine import BOOK, PROFILE


def started(folder, journal) -> VirtualMachine:
    return VirtualMachine(PROFILE, BOOK, seed=3, ledger_path=folder / "ledger.db", journal=journal)


@pytest.fixture
def folder(tmp_path):
    """A machine whose lines are filled, and which is off."""
    machine = started(tmp_path, FileJournal(tmp_path))
    prime_all(machine, (1, 2))
    machine.close()
    return tmp_path


def test_a_guard_that_knows_less_than_the_engine_was_told_says_so_once(folder):
    journal = MemoryJournal()
    machine = started(folder, journal)
    status = machine.engine.status()
    assert (status.state, status.fault) == (MachineState.ABORTED, "journal damaged")
    assert {(line.contents, line.liquid) for line in status.lines} == {(Contents.UNKNOWN, None)}
    machine.engine.acknowledge(AcknowledgeRequest(cause="journal damaged"))
    machine.run_until(lambda: machine.engine.status().state is MachineState.IDLE, 5.0)
    machine.close()
    again = started(folder, journal)
    assert (again.engine.status().state, again.engine.status().fault) == (MachineState.IDLE, None)
    again.close()


def test_a_journal_that_is_whole_agrees_with_the_ledger(folder):
    machine = started(folder, FileJournal(folder))
    assert (machine.engine.status().state, machine.engine.status().fault) == (MachineState.IDLE, None)
    assert machine.engine.status().lines[0].contents is Contents.LIQUID
    machine.close()


def test_a_ledger_that_is_gone_costs_stock_and_history_and_says_so(folder):
    before = started(folder, FileJournal(folder))
    lines = before.engine.status().lines
    before.close()
    for path in folder.glob("ledger*"):
        path.unlink()
    machine = started(folder, FileJournal(folder))
    status = machine.engine.status()
    assert (status.state, status.fault) == (MachineState.IDLE, None)
    assert [(one.liquid, one.contents) for one in status.lines] == [(one.liquid, one.contents) for one in lines]
    assert "of which the ledger knows nothing" in status.doubts[0]
    assert {machine.engine.stock.view(line).sure_ml for line in (1, 2)} == {0.0}
    machine.close()


def test_an_older_ledger_is_missed_and_what_it_lacks_is_booked(folder):
    older = (folder / "ledger.db").read_bytes(), (folder / "ledger.check").read_bytes()
    machine = started(folder, FileJournal(folder))
    machine.engine._operation_start._new_id = iter(["later"]).__next__
    machine.finish(machine.engine.jog(JogRequest(line=1, on_s=0.3)).operation)
    machine.close()
    (folder / "ledger.db").write_bytes(older[0])
    (folder / "ledger.check").write_bytes(older[1])
    machine = started(folder, FileJournal(folder))
    assert "the guard admitted later last" in machine.engine.status().doubts[0]
    machine.run_until(lambda: machine.engine.operation("later").outcome is not None, 1.0)
    machine.close()
    machine = started(folder, FileJournal(folder))
    assert machine.engine.status().doubts == ()
    assert machine.engine.stock.view(1).sure_ml == 0.0  # until somebody has looked
    machine.close()
