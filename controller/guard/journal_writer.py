"""Between the core's records and the journal: what waits to be written, and in which order."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from controller.errors import RecordError
from controller.ledger.journal import Journal
from controller.model.messages import JournalHead
from controller.safety.memory import replay
from controller.safety.records import (
    AdmittedRecord,
    GlassRecord,
    LearnedRecord,
    Memory,
    Record,
    RefusedRecord,
    Stamped,
    UnheldRecord,
)

LAZY_S = 2.0  # a refusal alone is written after this long, with others that came meanwhile
MOST_REFUSALS = 200  # waiting for the next write; beyond that it is a flood, and the newest are left out
MOST_WAITING = 500  # records of any kind; then they are written
MOST_DAMAGE = 5  # sentences about damage that are passed on

_decoder = msgspec.json.Decoder(list[Stamped])
_encode = msgspec.json.Encoder().encode


@dataclass(frozen=True, kw_only=True)
class Remembered:
    """What a journal holds: `damage` says what could not be read, "" when all could."""

    memory: Memory
    damage: str
    wants_snapshot: bool


class JournalWriter:
    """Keeps records until they are on disk; never loses one that matters because a write failed."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._waiting: list[Stamped] = []
        self.due_s = math.inf  # when what waits should be written

    @property
    def head(self) -> JournalHead:
        """The last entry on disk."""
        return self._journal.head

    @property
    def wants_snapshot(self) -> bool:
        """Whether the memory should be summed up, so that the next start is short again."""
        return self._journal.is_long and not self._sums_up

    def remember(self) -> Remembered:
        """What the journal holds. RecordError when it cannot be read at all."""
        reading = self._journal.read()
        damage = list(reading.damage)
        stamped: list[Stamped] = []
        for entry in reading.entries:
            try:
                stamped += _decoder.decode(entry.body)
            except msgspec.MsgspecError as problem:
                damage.append(f"journal entry {entry.number} is not understood: {problem}")
        return Remembered(
            memory=replay(stamped),
            damage="; ".join(damage[:MOST_DAMAGE]),
            wants_snapshot=not reading.is_complete or self.wants_snapshot,
        )

    def lacks(self, told: JournalHead) -> str:
        """What the journal must have lost when others were told of this entry; "" when nothing."""
        try:
            if self._journal.holds(told):
                return ""
        except RecordError as failure:
            return str(failure)
        return f"the engine was told of journal entry {told.number}, which is not in this journal any more"

    def take(self, records: Sequence[Stamped]) -> None:
        """Records to be written, oldest first."""
        for stamped in records:
            if isinstance(stamped.record, RefusedRecord):
                if len(self._waiting) < MOST_REFUSALS:
                    self._waiting.append(stamped)
                    self.due_s = min(self.due_s, stamped.mono_s + LAZY_S)
            else:
                self._waiting.append(stamped)
                # A glass that was set down, or a flow that was learned, is written with what it is for; after a power
                # cut the one is asked for and the other told again.
                if not isinstance(stamped.record, GlassRecord | LearnedRecord) or len(self._waiting) > MOST_WAITING:
                    self.due_s = stamped.mono_s

    def drop(self, operation: str) -> None:
        """This operation was not begun after all: its record is not wanted any more."""
        self._waiting = [one for one in self._waiting if not _proposes(one.record, operation)]

    def write(self, now_s: float, *, is_urgent: bool) -> str | None:
        """Write what is due, all that waits when urgent, as one entry; why it could not be written, or None."""
        if not self._waiting or (not is_urgent and now_s < self.due_s):
            return None
        try:
            (self._journal.begin if self._sums_up else self._journal.append)(_encode(self._waiting))
        except RecordError as failure:
            self.due_s = math.inf  # tried again with the next record, or when the fault is acknowledged
            return str(failure)
        self._waiting = []
        self.due_s = math.inf
        return None

    @property
    def _sums_up(self) -> bool:
        return any(isinstance(one.record, Memory) for one in self._waiting)

    def close(self) -> None:
        """Write what still waits, as far as that goes, and release the journal. May be repeated."""
        self.write(math.inf, is_urgent=True)
        self._journal.close()


def _proposes(record: Record, operation: str) -> bool:
    match record:
        case AdmittedRecord():
            return record.operation.operation == operation
        case UnheldRecord():
            return record.operation == operation
        case _:
            return False
