"""One segment of the guard's journal as bytes: a header, then one line for each entry.

    tundish-journal 2 <number of the entry before> <its hash> <check>
    <hash> <number> <body>

An entry's hash runs on from the entry before it.
"""

from dataclasses import dataclass

from controller.errors import RecordError
from controller.ledger.checked_line import checked, digest, words
from controller.model.messages import JournalHead

MAGIC, VERSION = b"tundish-journal", 2
START = JournalHead(number=0, hash="0" * 16)  # before the first entry


@dataclass(frozen=True, kw_only=True)
class JournalEntry:
    """One entry as written: its number counts from 1, its body is one line of JSON."""

    number: int
    hash: str
    body: bytes

    @property
    def head(self) -> JournalHead:
        """Its name to others."""
        return JournalHead(number=self.number, hash=self.hash)

    @property
    def line(self) -> bytes:
        """As it stands in its segment."""
        return b"%s %d %s\n" % (self.hash.encode(), self.number, self.body)


@dataclass(frozen=True, kw_only=True)
class JournalSegment:
    """The intact part of one segment: it ends at the first line that is not as it was written.

    A write that was broken off leaves the beginning of one line, or zeros. Lines behind the intact part that have an
    end are damage: so many are lost at least.
    """

    before: JournalHead
    entries: tuple[JournalEntry, ...]  # at least one
    size: int  # bytes
    is_whole: bool  # nothing follows the intact part
    lost: int

    @property
    def head(self) -> JournalHead:
        """Its last entry."""
        return self.entries[-1].head

    @property
    def hashes(self) -> dict[int, str]:
        """Number -> hash, that of the entry before the first one included."""
        return {self.before.number: self.before.hash} | {one.number: one.hash for one in self.entries}


def chained(before: JournalHead, body: bytes) -> JournalEntry:
    """The entry with this body that follows on `before`."""
    number = before.number + 1
    return JournalEntry(number=number, hash=digest(b"%s %d %s" % (before.hash.encode(), number, body)), body=body)


def header(before: JournalHead) -> bytes:
    """The first line of a segment that goes on after this entry."""
    return checked(b"%s %d %d %s" % (MAGIC, VERSION, before.number, before.hash.encode()))


def head_line(head: JournalHead) -> bytes:
    """An entry's name as it is kept outside the journal; always of the same length."""
    return checked(b"%020d %s" % (head.number, head.hash.encode()))


def parse_head(text: bytes) -> JournalHead | None:
    """What `head_line` wrote, None when this is not it."""
    found = words(text)
    head = JournalHead(number=int(found[0]), hash=found[1].decode("ascii", "replace")) if len(found) == 2 else None
    return head if head is not None and head_line(head) == text else None


def parse(data: bytes) -> JournalSegment | None:
    """The intact part of a segment; None when no entry is intact. RecordError when a newer version wrote it."""
    end = data.find(b"\n") + 1
    found = words(data[:end])
    if len(found) != 4 or found[0] != MAGIC:
        return None
    if found[1] != b"%d" % VERSION:
        raise RecordError(
            f"the journal was written by a newer version (format {found[1].decode()}, this one knows {VERSION}). "
            "Update Tundish, or move the journal away: every line then counts as never used."
        )
    before = last = JournalHead(number=int(found[2]), hash=found[3].decode())
    entries = []
    while at := data.find(b"\n", end) + 1:
        body = data[end : at - 1].split(b" ", 2)[-1]
        entry = chained(last, body)
        if entry.line != data[end:at]:
            break
        entries.append(entry)
        last, end = entry.head, at
    if not entries:
        return None
    rest = data[end:]
    lost = 0 if b"\0" in rest else rest.count(b"\n")
    return JournalSegment(before=before, entries=tuple(entries), size=end, is_whole=not rest, lost=lost)
