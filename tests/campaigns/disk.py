"""The disk that journal and ledger lie on: full for a while, slow, broken off in mid-write, damaged."""

import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any, Literal, Protocol

from controller.clock import VirtualClock
from controller.errors import RecordError
from controller.ledger.journal import FileJournal
from controller.ledger.journal_reading import HEAD
from controller.ledger.store import Ledger
from controller.model.messages import JournalHead
from tests.campaigns.violation import Violation

Crash = Literal["before", "after", "torn"]  # a write is broken off: nothing of it is there, all, or a part
IN_MEMORY = Path("/dev/shm")  # where it is there: a sync then costs nothing


class Killed(BaseException):
    """The process was killed here: nothing in it runs on."""


class Hearer(Protocol):
    """Who must know what has become of the journal."""

    def wrote(self, body: bytes) -> None:
        """An entry has reached the disk."""

    def waited(self, for_s: float) -> None:
        """The guard stood still while it was written."""

    def lost_journal(self) -> None:
        """Part of what was on disk cannot be read any more, and the guard has found that out."""


class Disk:
    """A folder with the guard's journal, as the processes leave it; the journal's code is the machine's own."""

    def __init__(self, clock: VirtualClock, draw: Random, hearer: Callable[[], Hearer], past: bytes) -> None:
        self.full = False
        self.unreadable = False
        self.slow_s = 0.0  # how long a write takes
        self.crash: Crash | None = None  # what the next write comes to
        self.last = 1  # the number of the last entry of which anybody could know
        self._clock, self._draw, self._hearer = clock, draw, hearer
        self._folder = Path(tempfile.mkdtemp(prefix="tundish-campaign-", dir=IN_MEMORY if IN_MEMORY.is_dir() else None))
        self._journal: DiskJournal | None = None
        journal = FileJournal(self._folder)
        journal.begin(past)
        journal.close()
        self._older = self._copy()
        self._synced_head = self._older[HEAD]

    def open(self) -> "DiskJournal":
        """The journal as the next guard finds it. RecordError while it cannot be read; Violation when entries that
        somebody knows of are gone and nothing is said.
        """
        if self.unreadable:
            raise RecordError("input/output error")
        self.release()
        self._journal = DiskJournal(self._folder, self)
        reading = self._journal.read()
        if reading.damage:
            self._hearer().lost_journal()
        elif self._journal.head.number < self.last:
            raise Violation(f"the journal ends at {self._journal.head.number}, not {self.last}, and nobody says so")
        return self._journal

    def release(self) -> None:
        """Its process is gone."""
        if self._journal is not None:
            self._journal.close()
            self._journal = None

    def close(self) -> None:
        """Delete all of it."""
        self.release()
        shutil.rmtree(self._folder)

    def lose_power(self) -> None:
        """What was not synced may be gone: the last entry's name, of which the journal has no need."""
        if self._draw.random() < 0.5:
            (self._folder / HEAD).write_bytes(self._synced_head)

    def damage(self, how: str) -> str:
        """One file of the folder is damaged while nobody holds it; which, and how."""
        path = self._draw.choice(sorted(self._folder.iterdir()))
        data = path.read_bytes()
        at = self._draw.randrange(max(1, len(data)))
        match how:
            case "flipped" if data:
                path.write_bytes(data[:at] + bytes([data[at] ^ (1 << self._draw.randrange(8))]) + data[at + 1 :])
            case "cut":
                path.write_bytes(data[:at])
            case "older" if path.name in self._older:
                path.write_bytes(self._older[path.name])
            case _:
                path.unlink()
        return f"{path.name} {how} at {at} of {len(data)}"

    def write(self, journal: "DiskJournal", put: Callable[[bytes], None], body: bytes) -> None:
        """Write all of it or nothing; RecordError while the disk is full; Killed when that was planned."""
        crash, self.crash = self.crash, None
        if self.full:
            raise RecordError("no space left on device")
        if crash == "torn":
            journal.tear(body, self._draw)
        if crash in ("before", "torn"):
            raise Killed
        put(body)
        self.last = journal.head.number
        if self._draw.random() < 0.2:
            self._older = self._copy()
        self._clock.move_to(self._clock.now_s() + self.slow_s)
        self._hearer().waited(self.slow_s)
        self._hearer().wrote(body)
        if crash == "after":
            raise Killed

    def note_begun(self) -> None:
        """A segment was begun, and the last entry's name synced."""
        self._synced_head = (self._folder / HEAD).read_bytes()

    def _copy(self) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in self._folder.iterdir()}


class DiskJournal(FileJournal):
    """The journal on this disk."""

    def __init__(self, folder: Path, disk: Disk) -> None:
        super().__init__(folder)
        self._disk = disk

    def append(self, body: bytes) -> None:
        """Write one entry, as the disk lets it."""
        self._disk.write(self, super().append, body)

    def begin(self, body: bytes) -> None:
        """Begin a segment, as the disk lets it."""
        self._disk.write(self, super().begin, body)
        self._disk.note_begun()

    def tear(self, body: bytes, draw: Random) -> None:
        """A part of an entry reaches the disk."""
        if self._segment is not None:
            os.pwrite(self._segment, body[: draw.randrange(len(body))], self._size)


class DiskLedger(Ledger):
    """The engine's ledger on the same disk: nothing of an operation can be written while that is full."""

    def __init__(self, disk: Disk) -> None:
        super().__init__(":memory:")
        self._disk = disk

    def forget_what_was_not_written(self) -> None:
        """Its process is gone: what it was told since its last write is forgotten."""
        number, text = self.all("SELECT journal_number, journal_hash FROM mark")[0]
        self.guard_head = JournalHead(number=number, hash=text) if number else None

    def begin(self, *what: Any, **more: Any) -> None:
        """Record an intent; RecordError while the disk is full."""
        self._need_space()
        super().begin(*what, **more)

    def refused(self, *what: Any, **more: Any) -> None:
        """Record what was refused at once; RecordError while the disk is full."""
        self._need_space()
        super().refused(*what, **more)

    def refuse(self, *what: Any, **more: Any) -> None:
        """Record a refusal; RecordError while the disk is full."""
        self._need_space()
        super().refuse(*what, **more)

    def end(self, *what: Any, **more: Any) -> bool:
        """Record an end; RecordError while the disk is full."""
        self._need_space()
        return super().end(*what, **more)

    def _need_space(self) -> None:
        if self._disk.full:
            raise RecordError("the ledger cannot be written: no space left on device")
