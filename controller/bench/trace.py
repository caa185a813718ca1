"""The record of all that happened at the pins and the relay contacts."""

from collections import deque
from pathlib import Path
from typing import Literal

import msgspec

from controller.model.fields import Value

KEPT = 100_000  # entries in memory; the file keeps all


class LevelEntry(Value, frozen=True, kw_only=True, tag="level", tag_field="what"):
    """A GPIO was claimed, driven to another level, or let go.

    at_s is on the clock of the bench, CLOCK_MONOTONIC in its own process. holder is None once the pin is let go.
    """

    at_s: float
    gpio: int
    mode: Literal["input", "output"]
    level: bool
    holder: str | None


class ContactEntry(Value, frozen=True, kw_only=True, tag="contact", tag_field="what"):
    """A relay contact closed or opened: the pump of this line got or lost its voltage, while the feed is closed."""

    at_s: float
    line: int
    closed: bool


class FeedEntry(Value, frozen=True, kw_only=True, tag="feed", tag_field="what"):
    """The main relay's contact closed or opened: all pumps got their feed, or lost it."""

    at_s: float
    closed: bool


class ActionEntry(Value, frozen=True, kw_only=True, tag="action", tag_field="what"):
    """Someone did something at the bench: placed a glass, pressed stop, brought in a fault."""

    at_s: float
    text: str


Entry = LevelEntry | ContactEntry | FeedEntry | ActionEntry


class Trace:
    """The newest KEPT entries, and all of them in a JSON-lines file when a path is given."""

    def __init__(self, path: Path | None = None) -> None:
        self.entries: deque[Entry] = deque(maxlen=KEPT)
        self.count = 0  # of all entries ever
        # Unbuffered, so that the file is complete up to the moment at which the bench is killed.
        self._file = path.open("ab", buffering=0) if path else None
        self._encoder = msgspec.json.Encoder()

    def add(self, entry: Entry) -> None:
        """Record one entry."""
        self.entries.append(entry)
        self.count += 1
        if self._file:
            self._file.write(self._encoder.encode(entry) + b"\n")

    def levels(self, gpio: int) -> list[LevelEntry]:
        """What happened at one GPIO."""
        return [one for one in self.entries if isinstance(one, LevelEntry) and one.gpio == gpio]

    def contacts(self, line: int) -> list[ContactEntry]:
        """What one line's relay contact did."""
        return [one for one in self.entries if isinstance(one, ContactEntry) and one.line == line]

    def feed(self) -> list[FeedEntry]:
        """What the main relay's contact did."""
        return [one for one in self.entries if isinstance(one, FeedEntry)]

    def close(self) -> None:
        """Close the file. May be repeated."""
        if self._file:
            self._file.close()
            self._file = None


def read_trace(path: Path) -> list[Entry]:
    """All entries of a trace file."""
    decoder = msgspec.json.Decoder(Entry)
    return [decoder.decode(line) for line in path.read_bytes().splitlines()]
