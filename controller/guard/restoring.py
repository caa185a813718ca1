"""The guard's journal from a backup, made ready for the next start by the rules of the guard's own core."""

from contextlib import closing
from pathlib import Path

from controller.clock import Clock
from controller.errors import RecordError
from controller.guard.journal_writer import JournalWriter
from controller.ledger.journal import FileJournal
from controller.model.book import Book
from controller.model.profile import Profile
from controller.safety.inputs import Contacts
from controller.safety.machine import StateMachine
from controller.safety.records import Memory
from controller.safety.restored import distrust, with_traces_of


def remembered(folder: Path) -> tuple[Memory, str]:
    """What the journal in this folder holds, and what of it could not be read. RecordError when nothing can be."""
    with closing(FileJournal(folder)) as journal:
        found = JournalWriter(journal).remember()
    return found.memory, found.damage


def write_restored(
    folder: Path, present: Memory, profile: Profile, book: Book, *, text: str, boot: str, clock: Clock
) -> None:
    """Append to the journal in `folder` that it comes back from a backup. RecordError.

    present: what the guard remembers now. boot: the kernel's boot id, so that nothing but time that has passed makes
    room in the rolling hour. text: which backup it is.
    """
    with closing(FileJournal(folder)) as journal:
        writer = JournalWriter(journal)
        found = writer.remember()
        memory = with_traces_of(found.memory, present)
        machine = StateMachine(profile, book, memory, clock.now_s(), clock.wall_s())
        inputs = Contacts(profile.inputs).report()
        distrust(machine, inputs, boot=boot, text="; ".join(filter(None, (text, found.damage))))
        writer.take(machine.take_records())
        problem = writer.write(clock.now_s(), is_urgent=True)
    if problem is not None:
        raise RecordError(problem)
