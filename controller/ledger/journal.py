"""The guard's journal: append-only files of chained, checksummed entries, on disk before anything moves.

A folder holds segments, `journal-<number of the first entry>.log`. The last one is written; those before it are put
away whole. Every segment begins with a checkpoint, an entry that stands for all before it: a start reads one segment.
`journal.head` names the last entry once more, outside the journal, so that a segment that was cut, lost or exchanged
for an older copy shows. It is written after each entry without a sync of its own: after a power cut it may be behind
the journal, never ahead of it. What is damaged is reported and left as it is; the next segment goes on after it.
"""

import fcntl
import os
from contextlib import suppress
from pathlib import Path
from typing import TypeAlias

from controller.errors import RecordError
from controller.ledger.journal_reading import HEAD, JournalReading, find, first_number, of_earlier_versions, segments
from controller.ledger.journal_segment import START, JournalEntry, chained, head_line, header, parse
from controller.model.messages import JournalHead

SEGMENT_BYTES = 256 * 1024  # about a party; read within milliseconds


class MemoryJournal:
    """A journal in memory, for virtual time and tests. `full` makes every write fail, as a full disk does."""

    def __init__(self) -> None:
        self.entries: list[JournalEntry] = []
        self.checkpoint = 0  # index of the last one
        self.full = False
        self.is_long = False

    @property
    def head(self) -> JournalHead:
        """The last entry."""
        return self.entries[-1].head if self.entries else START

    def read(self) -> JournalReading:
        """Entries from the last checkpoint on."""
        return JournalReading(entries=tuple(self.entries[self.checkpoint :]), damage=(), is_complete=bool(self.entries))

    def append(self, body: bytes) -> None:
        """Keep it; RecordError when `full`."""
        if self.full:
            raise RecordError("the journal in memory is set to be full")
        self.entries.append(chained(self.head, body))

    def begin(self, body: bytes) -> None:
        """Keep it; RecordError when `full`."""
        self.append(body)
        self.checkpoint = len(self.entries) - 1
        self.is_long = False

    def holds(self, head: JournalHead) -> bool:
        """Whether this entry is one of them."""
        return head == START or head in [entry.head for entry in self.entries]

    def close(self) -> None:
        """Nothing to release."""


class FileJournal:
    """The journal in a folder, made when missing, one process at a time. Raises RecordError when it cannot be used."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._segment: int | None = None  # descriptors
        self._head_file = -1
        self._size = 0  # of the intact part of the present segment
        self._is_torn = False  # whether something may stand behind it
        self._head = START
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._head_file = os.open(folder / HEAD, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            fcntl.flock(self._head_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._reading = self._open()
        except BlockingIOError as failure:
            self.close()
            raise RecordError(f"another guard writes the journal in {folder}. Stop it first.") from failure
        except OSError as failure:
            self.close()
            raise _unusable(folder, failure) from failure
        except RecordError:
            self.close()
            raise

    @property
    def head(self) -> JournalHead:
        """The last entry."""
        return self._head

    @property
    def is_long(self) -> bool:
        """Whether the present segment has as many bytes as a segment should."""
        return self._size >= SEGMENT_BYTES

    def read(self) -> JournalReading:
        """What was found when it was opened."""
        return self._reading

    def append(self, body: bytes) -> None:
        """Write one entry, with one sync. RecordError."""
        if self._segment is None:
            raise RecordError(f"the journal in {self._folder} goes on with a checkpoint only.")
        entry = chained(self._head, body)
        try:
            if self._is_torn:
                os.ftruncate(self._segment, self._size)
            self._is_torn = True
            _write(self._segment, entry.line, self._size)
            os.fdatasync(self._segment)
            self._go_on(entry, self._size + len(entry.line))
        except OSError as failure:
            raise _unusable(self._folder, failure) from failure

    def begin(self, body: bytes) -> None:
        """Begin a segment with an entry that stands for all before it. RecordError."""
        entry = chained(self._head, body)
        data = header(self._head) + entry.line
        path = self._folder / f"journal-{entry.number:010d}.log"
        made = -1
        try:
            made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)
            _write(made, data, 0)
            os.fsync(made)
            _sync_folder(self._folder)
        except OSError as failure:
            if made >= 0:
                os.close(made)
                with suppress(OSError):
                    path.unlink()
            raise _unusable(self._folder, failure) from failure
        if self._segment is not None:
            os.close(self._segment)
        self._segment = made
        try:
            self._go_on(entry, len(data))
            os.fsync(self._head_file)  # so that it is never without a name for this segment
        except OSError as failure:
            raise _unusable(self._folder, failure) from failure

    def holds(self, head: JournalHead) -> bool:
        """Whether this entry was written here, as far as that is still known. RecordError."""
        if head.number > self._head.number:
            return False
        try:
            # It stands in the last segment that begins before it, and its hash in the header of the one after that.
            candidates = [path for path in segments(self._folder) if first_number(path) <= head.number + 1][-2:]
            for segment in map(parse, [path.read_bytes() for path in candidates]):
                if segment is not None and head.number in segment.hashes:
                    return segment.hashes[head.number] == head.hash
        except OSError as failure:
            raise _unusable(self._folder, failure) from failure
        return True

    def close(self) -> None:
        """Release the files. May be repeated."""
        for descriptor in (self._segment, self._head_file):
            if descriptor is not None and descriptor >= 0:
                os.close(descriptor)
        self._segment, self._head_file = None, -1

    # --- inside

    def _open(self) -> JournalReading:
        """Find the last intact segment, and whether anything is missing after it."""
        kept = os.pread(self._head_file, 4096, 0)
        found = find(self._folder, kept)
        self._head = found.head
        if found.damage or found.segment is None:
            entries, damage = found.entries, found.damage
            if not damage:
                entries, damage = of_earlier_versions(self._folder)
            return JournalReading(entries=entries, damage=damage, is_complete=False)
        for path in found.damaged:  # begun when the power was cut, and unknown to anybody
            path.unlink()
        self._segment = os.open(found.path, os.O_WRONLY | os.O_CLOEXEC)
        self._size, self._is_torn = found.segment.size, not found.segment.is_whole
        _write(self._head_file, head_line(self._head), 0)
        return JournalReading(entries=found.entries, damage=())

    def _go_on(self, entry: JournalEntry, size: int) -> None:
        """The entry is on disk."""
        self._head, self._size, self._is_torn = entry.head, size, False
        _write(self._head_file, head_line(entry.head), 0)


Journal: TypeAlias = FileJournal | MemoryJournal  # where the guard writes down what must not be forgotten


def _write(descriptor: int, data: bytes, at: int) -> None:
    while data:
        written = os.pwrite(descriptor, data, at)
        data, at = data[written:], at + written


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _unusable(place: Path, failure: OSError) -> RecordError:
    return RecordError(
        f"{place}: {failure}. Nothing is pumped until it can be written again: free some space, check the card, and "
        "see that the guard's user may write there."
    )
