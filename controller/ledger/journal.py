"""The guard's journal: append-only, checksummed, on disk before anything moves.

Each entry's checksum runs on from the one before it, so that a lost, altered or exchanged entry shows. A damaged
entry is kept and reported, never repaired. Size and wear: small pages, one fsync per append.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from controller.errors import RecordError

SCHEMA_VERSION = 1
APPLICATION_ID = 0x54554E44  # "TUND", in the file's header
PAGE_BYTES = 1024  # an entry is well under a page: larger pages would only wear the card
BUSY_S = 2.0  # how long to wait for a reader that holds the file


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


def _from_last(entries: Sequence[Entry], kind: str) -> tuple[Entry, ...]:
    start = max((index for index, entry in enumerate(entries) if entry.kind == kind), default=0)
    return tuple(entries[start:])
