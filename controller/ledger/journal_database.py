"""Reads the journal of earlier versions, an SQLite file whose entries' checksums run on; changes nothing in it."""

import sqlite3
import struct
from contextlib import closing
from pathlib import Path
from shutil import copyfile
from tempfile import TemporaryDirectory
from zlib import crc32

from controller.ledger.journal_segment import JournalEntry


def read(path: Path) -> tuple[tuple[JournalEntry, ...], tuple[str, ...]]:
    """Every intact entry, oldest first, and one sentence for each thing that could not be read.

    A copy is read, since SQLite would change the file and what it has not yet moved into it. OSError.
    """
    with TemporaryDirectory(prefix="tundish-journal-") as name:
        copy = Path(name) / path.name
        for suffix in ("", "-wal"):
            if path.with_name(path.name + suffix).exists():
                copyfile(path.with_name(path.name + suffix), copy.with_name(copy.name + suffix))
        try:
            with closing(sqlite3.connect(copy)) as connection:
                found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
                rows = connection.execute("SELECT seq, wall_s, kind, body, crc FROM entry ORDER BY seq").fetchall()
        except sqlite3.Error as failure:
            return (), (f"{path} cannot be read as a journal: {failure}",)
    entries, damage = [], [] if found == "ok" else [f"{path}: {found}"]
    expected, before = 1, 0
    for seq, wall_s, kind, body, crc in rows:
        if seq != expected:
            damage.append(f"{path}: entries {expected} to {seq - 1} are missing")
        elif not isinstance(body, bytes) or _checksum(seq, wall_s, kind, body, before) != crc:
            damage.append(f"{path}: entry {seq} does not match its checksum")
        else:
            entries.append(JournalEntry(number=seq, hash="", body=b"[%s]" % body))
        expected, before = seq + 1, crc
    return tuple(entries), tuple(damage)


def _checksum(seq: int, wall_s: float, kind: str, body: bytes, before: int) -> int:
    head = struct.pack("<qd", seq, wall_s) + str(kind).encode() + b"\0"
    return crc32(body, crc32(head, before))
