"""The disk that journal and ledger lie on: full for a while, slow, broken off in mid-write, damaged."""

from collections.abc import Callable
from typing import Any, Literal

from controller.clock import VirtualClock
from controller.errors import RecordError
from controller.ledger.journal import MemoryJournal
from controller.ledger.journal_reading import Reading
from controller.ledger.journal_segment import Entry
from controller.ledger.store import Ledger

Crash = Literal["before", "after", "set aside"]  # a write is broken off: nothing of it is there, all, or the file is


class Killed(BaseException):
    """The process was killed here: nothing in it runs on."""


class Disk(MemoryJournal):
    """What survives the processes. `told` hears every entry that has reached it, `lost` that they are gone."""

    def __init__(self, clock: VirtualClock, told: Callable[[Entry], None], lost: Callable[[], None]) -> None:
        super().__init__()
        self.damage: list[str] = []
        self.spoilt: set[int] = set()  # entries that are not as they were written
        self.unreadable = False
        self.slow_s = 0.0  # how long a write takes
        self.crash: Crash | None = None  # what the next write comes to
        self._clock, self._told, self._lost = clock, told, lost

    def append(self, body: bytes) -> None:
        """Write all of it or nothing; RecordError while the disk is full; Killed when that was planned."""
        crash, self.crash = self.crash, None
        if crash == "before":
            raise Killed
        if crash == "set aside":
            self.damage.append("nothing of the journal can be read")
            self.entries, self.checkpoint = [], 0
            self._lost()
            raise Killed
        super().append(body)
        self._clock.move_to(self._clock.now_s() + self.slow_s)
        self._told(self.entries[-1])
        if crash == "after":
            raise Killed

    def begin(self, body: bytes) -> None:
        """The same; what was damaged before it does not matter any more."""
        super().begin(body)
        self.damage, self.spoilt = [], set()

    def read(self) -> Reading:
        """Entries from the last checkpoint up to the first that is spoilt."""
        if self.unreadable:
            raise RecordError("input/output error")
        found = super().read()
        sound = tuple(entry for entry in found.entries if entry.number < min(self.spoilt, default=entry.number + 1))
        damage = list(self.damage)
        if len(sound) < len(found.entries):
            damage.append(f"{len(found.entries) - len(sound)} entries cannot be read")
        return Reading(entries=sound, damage=tuple(damage), is_complete=found.is_complete and not damage)


class DiskLedger(Ledger):
    """The engine's ledger on the same disk: nothing of an operation can be written while that is full."""

    def __init__(self, disk: Disk) -> None:
        super().__init__(":memory:")
        self._disk = disk

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
