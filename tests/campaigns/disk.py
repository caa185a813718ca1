"""The disk that journal and ledger lie on: full for a while, slow, broken off in mid-write, damaged."""

from collections.abc import Callable, Sequence
from typing import Any, Literal

from controller.clock import VirtualClock
from controller.errors import RecordError
from controller.ledger.journal import Draft, Entry, Reading
from controller.ledger.store import Ledger

Crash = Literal["before", "after", "set aside"]  # a write is broken off: nothing of it is there, all, or the file is


class Killed(BaseException):
    """The process was killed here: nothing in it runs on."""


class Disk:
    """What survives the processes. `told` hears every entry that has reached it, `lost` that they are gone."""

    def __init__(self, clock: VirtualClock, told: Callable[[Entry], None], lost: Callable[[], None]) -> None:
        self.entries: list[Entry] = []
        self.damage: list[str] = []
        self.spoilt: set[int] = set()  # entries whose checksum does not match any more
        self.full = False
        self.unreadable = False
        self.slow_s = 0.0  # how long a write takes
        self.crash: Crash | None = None  # what the next write comes to
        self._clock, self._told, self._lost = clock, told, lost

    def append(self, wall_s: float, drafts: Sequence[Draft]) -> None:
        """Write all of them or none; RecordError while the disk is full; Killed when that was planned."""
        crash, self.crash = self.crash, None
        if crash == "before":
            raise Killed
        if crash == "set aside":
            self.entries, self.spoilt = [], set()
            self.damage.append("the journal is broken; it is kept under another name")
            self._lost()
            raise Killed
        if self.full:
            raise RecordError("no space left on device")
        self._clock.move_to(self._clock.now_s() + self.slow_s)
        for draft in drafts:
            entry = Entry(seq=len(self.entries) + 1, wall_s=wall_s, kind=draft.kind, body=draft.body)
            self.entries.append(entry)
            self._told(entry)
        if crash == "after":
            raise Killed

    def read(self, since: str) -> Reading:
        """Entries from the last sound one of kind `since` on, and what of them is damaged."""
        if self.unreadable:
            raise RecordError("input/output error")
        sound = [entry for entry in self.entries if entry.seq not in self.spoilt]
        start = max((entry.seq for entry in sound if entry.kind == since), default=0)
        damage = [f"entry {seq} does not match its checksum" for seq in sorted(self.spoilt) if seq > start]
        whole, self.damage = [*self.damage, *damage], []
        return Reading(entries=tuple(entry for entry in sound if entry.seq >= start), damage=tuple(whole))

    def close(self) -> None:
        """Nothing to release."""


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
