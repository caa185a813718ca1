"""Damage stays in mind until what follows from it is on disk, however often the guard begins anew."""

import pytest

from controller.errors import RecordError
from controller.ledger.journal import FileJournal
from controller.model.messages import Acknowledge
from controller.model.states import Contents, MachineState
from tests.guard.guard_parts import Rig


class Full(FileJournal):
    """A journal that can be opened and read, but not written."""

    def begin(self, body: bytes) -> None:
        raise RecordError("no space left on device")


def begin(rig: Rig, journal: FileJournal) -> None:
    rig.kept = journal
    rig.start_guard()
    rig.run(0.5, beat=False)


@pytest.fixture
def broken(tmp_path):
    """A primed machine whose journal has then been spoilt from its first byte on."""
    rig = Rig(journal=FileJournal(tmp_path)).primed(1)
    rig.guard.close()
    next(tmp_path.glob("*.log")).write_bytes(b"x" * 4096)
    return rig, tmp_path


def test_a_start_that_cannot_write_down_the_damage_does_not_hide_it_from_the_next(broken):
    rig, folder = broken
    for journal in (Full, Full, FileJournal):
        begin(rig, journal(folder))
        memory = rig.guard.core.memory
        assert rig.guard.core.state is MachineState.ABORTED
        assert memory.fault.cause == "journal damaged"
        assert {(state.contents, state.assigned) for state in memory.lines} == {(Contents.UNKNOWN, None)}
        rig.kept.close()
    assert min(folder.glob("*.log")).read_bytes() == b"x" * 4096


def test_once_written_down_and_acknowledged_it_is_over(broken):
    rig, folder = broken
    begin(rig, FileJournal(folder))
    rig.ready()
    rig.say(Acknowledge(cause="journal damaged"))
    rig.run(0.5)
    assert rig.guard.core.state is MachineState.IDLE
    rig.guard.close()
    begin(rig, FileJournal(folder))
    assert rig.guard.core.memory.fault is None
    assert {state.contents for state in rig.guard.core.memory.lines} == {Contents.UNKNOWN}
    rig.guard.close()
