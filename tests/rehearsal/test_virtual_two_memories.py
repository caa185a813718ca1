"""The real engine with its ledger, and a guard that has lost its journal: said once, and then over."""

import pytest
from test_virtual_machine import ROOT, prime_all

from controller.config import load
from controller.ledger.journal import FileJournal, MemoryJournal
from controller.model.states import Contents, MachineState
from controller.model.views import AcknowledgeRequest
from controller.rehearsal.machine import Machine

PROFILE, BOOK, _ = load(ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml")


def started(folder, journal) -> Machine:
    return Machine(PROFILE, BOOK, seed=3, ledger_path=folder / "ledger.db", journal=journal)


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
