"""The guard's journal: append-only, checksummed, on disk before anything moves.

Each entry's checksum runs on from the one before it, so that a lost, altered or exchanged entry shows. A damaged
entry is kept and reported, never repaired. Size and wear: small pages, one fsync for one append.
"""

import shutil
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Protocol
from zlib import crc32

from controller.errors import RecordError

SCHEMA_VERSION = 1
PAGE_BYTES = 512  # an append changes a few pages whole, so that larger ones would only wear the card
MOST_COPIES = 10  # tries to copy a file that is being written
BUSY_S = 2.0  # how long to wait for a reader that holds the file

Row = tuple[int, float, str, bytes, int]


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One record as written: `seq` counts from 1, `body` is JSON."""

    seq: int
    wall_s: float
    kind: str
    body: bytes


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A record to be written."""

    kind: str
    body: bytes


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What could be read, oldest first, and one sentence for each thing that could not."""

    entries: tuple[Entry, ...]
    damage: tuple[str, ...]


class Journal(Protocol):
    """Where the guard writes down what must not be forgotten."""

    def append(self, wall_s: float, drafts: Sequence[Draft]) -> None:
        """Write all of them or none; on disk when it returns. RecordError when that fails."""

    def read(self, since: str) -> Reading:
        """Entries from the last sound one of kind `since` on, all when there is none. RecordError."""

    def close(self) -> None:
        """Release the file. May be repeated."""


class MemoryJournal:
    """A journal in memory, for virtual time and tests. `full` makes every append fail, as a full disk does."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.full = False

    def append(self, wall_s: float, drafts: Sequence[Draft]) -> None:
        """Keep all of them; RecordError when `full`."""
        if self.full:
            raise RecordError("the journal in memory was told to be full")
        for draft in drafts:
            self.entries.append(Entry(seq=len(self.entries) + 1, wall_s=wall_s, kind=draft.kind, body=draft.body))

    def read(self, since: str) -> Reading:
        """Entries from the last one of kind `since` on."""
        return Reading(entries=_from_last(self.entries, since), damage=())

    def close(self) -> None:
        """Nothing to release."""


class FileJournal:
    """A journal in an SQLite file, made when missing.

    A file that SQLite finds broken is renamed and kept, and a new one begun; `read` then reports it as damage. Raises
    RecordError when the file cannot be opened for writing or belongs to a newer version.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._damage: list[str] = []
        self._seq = self._crc = 0
        try:
            self._connection = self._open()
        except sqlite3.DatabaseError as failure:
            if isinstance(failure, sqlite3.OperationalError):  # full, read-only, locked: nothing is broken
                raise _unusable(path, failure) from failure
            self._set_aside(str(failure))
            try:
                self._connection = self._open()
            except sqlite3.Error as again:
                raise _unusable(path, again) from again
        try:
            last = self._connection.execute("SELECT seq, crc FROM entry ORDER BY seq DESC LIMIT 1").fetchone()
        except sqlite3.Error as failure:
            raise _unusable(path, failure) from failure
        if last is not None:
            self._seq, self._crc = last

    def append(self, wall_s: float, drafts: Sequence[Draft]) -> None:
        """Write all of them or none, with one fsync. RecordError."""
        rows: list[Row] = []
        crc = self._crc
        for seq, draft in enumerate(drafts, self._seq + 1):
            crc = _checksum(seq, wall_s, draft.kind, draft.body, crc)
            rows.append((seq, wall_s, draft.kind, draft.body, crc))
        try:
            with _transaction(self._connection):
                self._connection.executemany("INSERT INTO entry VALUES (?, ?, ?, ?, ?)", rows)
        except sqlite3.Error as failure:
            raise _unusable(self._path, failure) from failure
        self._seq, self._crc = self._seq + len(rows), crc

    def read(self, since: str) -> Reading:
        """Entries from the last sound one of kind `since` on, all when there is none. RecordError."""
        try:
            rows = self._connection.execute("SELECT seq, wall_s, kind, body, crc FROM entry ORDER BY seq")
            checked = list(_checked(self._path, rows))
        except sqlite3.Error as failure:
            raise _unusable(self._path, failure) from failure
        entries = _from_last([one for one in checked if isinstance(one, Entry)], since)
        first = entries[0].seq if entries else 0
        damage = [one.text for one in checked if isinstance(one, _Damage) and one.seq >= first]
        if not entries and not self._damage:
            damage += self._never_followed()
        return Reading(entries=entries, damage=(*self._damage, *damage))

    def close(self) -> None:
        """Release the file. May be repeated."""
        self._connection.close()

    def _open(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self._path, timeout=BUSY_S, isolation_level=None)
        try:
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")  # takes effect only while the file is new
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")  # no index shared by memory that lands on the card
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found != "ok":
                raise sqlite3.DatabaseError(found)
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version > SCHEMA_VERSION:
                raise RecordError(
                    f"{self._path} was written by a newer version (schema {version}, this one knows "
                    f"{SCHEMA_VERSION}). Update Tundish, or move the file away: every line then counts as never used."
                )
            with _transaction(connection):
                connection.execute(
                    "CREATE TABLE IF NOT EXISTS entry (seq INTEGER PRIMARY KEY, wall_s REAL NOT NULL, "
                    "kind TEXT NOT NULL, body BLOB NOT NULL, crc INTEGER NOT NULL)"
                )
                connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        except BaseException:
            connection.close()
            raise
        return connection

    def _set_aside(self, why: str) -> None:
        """Keep a broken file under another name."""
        number = 1
        while (kept := self._path.with_name(f"{self._path.name}.damaged-{number}")).exists():
            number += 1
        for suffix in ("", "-wal", "-shm"):
            with suppress(FileNotFoundError):
                self._path.with_name(self._path.name + suffix).rename(kept.with_name(kept.name + suffix))
        self._damage.append(f"{self._path} is broken ({why}); it is kept as {kept.name}")

    def _never_followed(self) -> list[str]:
        """A broken file was set aside by a process that could not even write down that it was: full disk, or killed."""
        kept = sorted(self._path.parent.glob(f"{self._path.name}.damaged-*[0-9]"))
        return [f"{self._path} holds nothing since {kept[-1].name} was set aside"] if kept else []


def read_file(path: Path) -> Reading:
    """All of a journal that another process may be writing, or of a copy of one; nothing is changed.

    The guard holds its file alone, so that a copy is read. RecordError when that cannot be done.
    """
    with TemporaryDirectory(prefix="tundish-journal-") as folder:
        copy = Path(folder) / path.name
        try:
            _copy_at_rest(path, copy)
            with closing(sqlite3.connect(copy)) as connection:
                rows = connection.execute("SELECT seq, wall_s, kind, body, crc FROM entry ORDER BY seq")
                checked = list(_checked(path, rows))
        except (sqlite3.Error, OSError) as failure:
            raise RecordError(f"{path} cannot be read as a journal: {failure}.") from failure
    return Reading(
        entries=tuple(one for one in checked if isinstance(one, Entry)),
        damage=tuple(one.text for one in checked if isinstance(one, _Damage)),
    )


def _copy_at_rest(path: Path, copy: Path) -> None:
    """Copy the file and what SQLite has not yet moved into it, between two writes of the guard."""
    log = path.with_name(f"{path.name}-wal")
    for _ in range(MOST_COPIES):
        before = _marks(path, log)
        shutil.copyfile(path, copy)
        if log.exists():
            shutil.copyfile(log, copy.with_name(f"{copy.name}-wal"))
        if _marks(path, log) == before:
            return
    raise OSError("it is being written all the time; try again")


def _marks(*paths: Path) -> list[tuple[int, int] | None]:
    found = [path.stat() if path.exists() else None for path in paths]
    return [one and (one.st_size, one.st_mtime_ns) for one in found]


@dataclass(frozen=True, kw_only=True)
class _Damage:
    seq: int  # where reading went on
    text: str


def _checked(path: Path, rows: Iterable[Row]) -> Iterator[Entry | _Damage]:
    """Entries whose checksum holds, and what is wrong with the others."""
    expected, before = 1, 0
    for seq, wall_s, kind, body, crc in rows:
        if seq != expected:
            yield _Damage(seq=seq, text=f"{path}: entries {expected} to {seq - 1} are missing")
            # Its checksum runs on from an entry that is gone, so that it cannot be checked any more.
            yield Entry(seq=seq, wall_s=wall_s, kind=kind, body=body)
        elif _checksum(seq, wall_s, kind, body, before) != crc:
            yield _Damage(seq=seq, text=f"{path}: entry {seq} does not match its checksum")
        else:
            yield Entry(seq=seq, wall_s=wall_s, kind=kind, body=body)
        expected, before = seq + 1, crc


def _checksum(seq: int, wall_s: float, kind: str, body: bytes, before: int) -> int:
    head = struct.pack("<qd", seq, wall_s) + str(kind).encode() + b"\0"
    return crc32(body if isinstance(body, bytes) else str(body).encode(), crc32(head, before))


def _from_last(entries: Sequence[Entry], kind: str) -> tuple[Entry, ...]:
    start = max((index for index, entry in enumerate(entries) if entry.kind == kind), default=0)
    return tuple(entries[start:])


def _unusable(path: Path, failure: sqlite3.Error) -> RecordError:
    return RecordError(
        f"{path}: {failure}. Nothing is pumped until it can be written again: free some space, check the card, and see "
        "that the guard's user may write there."
    )


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):  # the first failure is the one to tell
            connection.execute("ROLLBACK")
        raise
