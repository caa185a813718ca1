"""What stands beside the ledger's file so that damage to it shows, which SQLite itself does not look for.

`ledger.check` has how many transactions there have been, and a checksum of every page of the file as the last
checkpoint left it. The first is written after each transaction without a sync of its own (after a power cut it may be
behind, never ahead), the second within each checkpoint, before the write-ahead log is emptied: a page that stands in
the log is not looked at, as the log counts. Damage to this file is without effect: each checksum has its own check.
"""

import os
import struct
from collections.abc import Iterable
from pathlib import Path
from zlib import crc32

from controller.ledger.checked_line import checked, words

HEAD_BYTES = 64
ENTRY = struct.Struct("<II")  # a page's checksum, and a check of that
LOG_HEADER, FRAME_HEADER = 32, 24  # bytes: https://www.sqlite.org/fileformat2.html#the_write_ahead_log


class CheckFile:
    """The file beside `database`, made when missing. Raises OSError."""

    def __init__(self, database: Path, page_bytes: int) -> None:
        self._database, self._page_bytes = database, page_bytes
        # One descriptor for as long as SQLite has the file: to close any other would drop its locks (fcntl(2)).
        self._pages = os.open(database, os.O_RDONLY | os.O_CLOEXEC) if database.exists() else -1
        self._file = os.open(database.with_suffix(".check"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        content = os.pread(self._file, os.fstat(self._file).st_size, 0)
        found = words(content[:HEAD_BYTES].rstrip(b"\0"))
        self.changes = int(found[0]) if len(found) == 1 and found[0].isdigit() else None  # as noted last
        entries = enumerate(ENTRY.iter_unpack(content[HEAD_BYTES : len(content) // ENTRY.size * ENTRY.size]), 1)
        self._sums = [value if check == _check(number, value) else 0 for number, (value, check) in entries]

    def close(self) -> None:
        """Release the files, once SQLite has. May be repeated."""
        for descriptor in (self._file, self._pages):
            if descriptor >= 0:
                os.close(descriptor)
        self._file = self._pages = -1

    @property
    def log_bytes(self) -> int:
        """How long the write-ahead log is."""
        log = self._log
        return log.stat().st_size if log.exists() else 0

    def damage(self) -> str:
        """What of the ledger's file is not as the last checkpoint left it; before SQLite has opened it."""
        if not any(self._sums):
            return ""
        if self._pages < 0:
            return "it is gone"
        in_log = self.pages_in_log()
        wrong = sum(
            1
            for number, expected in enumerate(self._sums, 1)
            if expected and number not in in_log and self._sum_of(number) != expected
        )
        return f"{wrong} of {len(self._sums)} pages are not as they were written" if wrong else ""

    def note(self, changes: int) -> None:
        """So many transactions there have been."""
        self.changes = changes
        os.pwrite(self._file, checked(b"%020d" % changes).ljust(HEAD_BYTES, b"\0"), 0)

    def take(self, pages: Iterable[int] | None) -> None:
        """Checksum these pages anew, all when None, as they stand in the file; on disk when it returns."""
        if self._pages < 0:
            self._pages = os.open(self._database, os.O_RDONLY | os.O_CLOEXEC)
        count = os.fstat(self._pages).st_size // self._page_bytes
        self._sums = [*self._sums[:count], *[0] * (count - len(self._sums))]
        wanted = range(1, count + 1) if pages is None else sorted(pages)
        for number in (one for one in wanted if one <= count):
            value = self._sums[number - 1] = self._sum_of(number)
            os.pwrite(self._file, ENTRY.pack(value, _check(number, value)), HEAD_BYTES + ENTRY.size * (number - 1))
        os.ftruncate(self._file, HEAD_BYTES + ENTRY.size * count)
        os.fsync(self._file)

    def pages_in_log(self) -> set[int]:
        """Numbers of the pages that the write-ahead log has, of its present generation."""
        log = self._log.read_bytes() if self._log.exists() else b""
        step = FRAME_HEADER + self._page_bytes
        frames = [log[at : at + FRAME_HEADER] for at in range(LOG_HEADER, len(log) - step + 1, step)]
        return {struct.unpack(">I", frame[:4])[0] for frame in frames if frame[8:16] == log[16:24]}

    @property
    def _log(self) -> Path:
        return self._database.with_name(f"{self._database.name}-wal")

    def _sum_of(self, number: int) -> int:
        """The checksum of a page; 0 stands for none taken."""
        return crc32(os.pread(self._pages, self._page_bytes, (number - 1) * self._page_bytes)) or 1


def _check(number: int, value: int) -> int:
    return crc32(struct.pack("<II", number, value))
