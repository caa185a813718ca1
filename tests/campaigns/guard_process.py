"""The guard as a process: it can be killed, frozen and started again."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import msgspec

from controller.errors import RecordError
from controller.guard.guard import Guard
from controller.guard.sentinel_link import LOST
from controller.model.messages import MAX_BYTES, Command, Event, Report
from tests.campaigns.board import PinBoard, drive_off
from tests.campaigns.disk import Killed
from tests.campaigns.load_cell import CellPort
from tests.campaigns.processes import Process
from tests.campaigns.wire import END, Connection

if TYPE_CHECKING:
    from tests.campaigns.house import House

CLEARED_UP_S = (0.2, 0.95)  # after the guard's end: the boot service's last step, within a second (`benchmarks faults`)
READ_S = 0.05  # for the book
RESTARTED_S = (1.05, 1.6)  # RestartSec=1s and some start-up

_commands: msgspec.json.Decoder[Command] = msgspec.json.Decoder(Command)
_encode = msgspec.json.Encoder().encode


class GuardProcess(Process):
    """The guard, its connections, and what happens at its end."""

    def __init__(self, house: "House") -> None:
        super().__init__(house)
        self.guard: Guard | None = None
        self.connections: dict[str, Connection] = {}
        self._greeted: set[str] = set()
        self.acted = False  # since the house last looked

    @property
    def holder(self) -> str:
        """The name under which it holds its pins."""
        return f"guard {self.lives}"

    def start(self) -> None:
        """Claim the pins, read the journal; tried again later when that fails."""
        house = self.house
        if self.guard is not None or house.is_dark:
            return
        self.lives += 1
        self.is_frozen = False
        house.watch.guard_begins()
        board = PinBoard(house.plot.profile, house.plant, self.holder, house.failures)
        life = self.lives
        try:
            guard = Guard(
                house.plot.profile,
                house.book,
                board,
                house.disk.open(),
                house.boot_clock,
                self._publish,
                boot=house.boot,
                arm=house.sentinel.arm,
                is_watched=house.sentinel.answers,
                read_book=self._read_book,
                poll_under_way_s=house.plot.poll_s,
                scale=CellPort(house) if house.plot.profile.scale else None,
            )
            house.watch.guard_began(guard.core)
            guard.block(LOST, "the sentinel is not watching yet")
        except RecordError:
            board.close()
            house.later(1.0, self.start)
            return
        except Killed:
            self.die("killed at its start")
            return
        self.guard = guard
        house.later(0.05, lambda: house.sentinel.begin() if self.lives == life else None)
        self._at(guard.next_deadline_s())

    def _read_book(self) -> None:
        """A child of the guard reads the file, which takes a moment."""
        house, life = self.house, self.lives
        house.later(READ_S, lambda: self.run(lambda one: one.book_read(house.book)) if self.lives == life else None)

    def freeze(self, lasts_s: float) -> None:
        """Stand still; the sentinel sees it."""
        super().freeze(lasts_s)
        self.house.watch.froze()
        self.house.sentinel.guard_froze()

    def thaw(self) -> None:
        """Run on."""
        super().thaw()
        self.house.watch.thawed()

    def die(self, why: str) -> None:
        """It is gone: pins stay as they are, or not; others see its connections end."""
        house = self.house
        house.tell(f"guard gone: {why}")
        house.watch.guard_gone()
        house.disk.release()
        self.guard, self.is_frozen, self.wake_s = None, False, math.inf
        self.lives += 1
        for connection in self.connections.values():
            connection.to_engine.end(house.now_s)
        self.connections.clear()
        self._greeted.clear()
        house.plant.leave(f"guard {self.lives - 1}")
        house.sentinel.guard_gone()
        if house.is_dark:
            return
        boot = house.boot
        house.later(house.draw.uniform(*CLEARED_UP_S), lambda: self._clear_up(boot))
        house.later(house.draw.uniform(*RESTARTED_S), lambda: self.start() if house.boot == boot else None)

    def _clear_up(self, boot: str) -> None:
        if self.guard is None and self.house.boot == boot and not self.house.is_dark:
            drive_off(self.house.plot.profile, self.house.plant, self.house.failures, "the boot service")

    def run(self, what: Callable[[Guard], object]) -> None:
        """Let the guard do something, if it lives and moves."""
        if self.guard is None or self.is_frozen:
            return
        self.acted = True
        try:
            what(self.guard)
        except Killed:
            if self.house.failures.sentinel_too:
                self.house.failures.sentinel_too = False
                self.house.sentinel.die()
            self.die("killed in the middle of it")
            return
        self._at(self.guard.next_deadline_s())

    def act(self) -> bool:
        """Do what is due; whether anything was."""
        if self.guard is None or self.is_frozen:
            return False
        now_s = self.house.now_s
        for connection in list(self.connections.values()):
            for letter in connection.to_guard.take(now_s):
                if connection.name in self.connections:
                    self._hear(connection, letter)
        if self.guard is not None and now_s >= self.wake_s:
            self.run(Guard.tick)
            return True
        return False

    def _hear(self, connection: Connection, letter: bytes | None) -> None:
        if letter is END:
            self._drop(connection)
            return
        try:
            command = _commands.decode(letter)
        except msgspec.MsgspecError:
            self._drop(connection)
            return
        self.house.watch.delivered(connection.name, command)
        self.run(lambda guard: guard.handle(connection.name, command))

    def _drop(self, connection: Connection) -> None:
        """Part with a client that says what no client may say."""
        self.connections.pop(connection.name, None)
        self._greeted.discard(connection.name)
        connection.to_engine.end(self.house.now_s)
        self.house.watch.parted()
        self.run(lambda guard: guard.client_gone(connection.name))

    def _publish(self, client: str | None, event: Event) -> None:
        self.house.watch.published(event)
        data = _encode(event)
        if len(data) > MAX_BYTES:
            raise AssertionError(f"an event of {len(data)} bytes")
        for name, connection in self.connections.items():
            if client is None and name not in self._greeted:
                continue
            if client in (None, name):
                if isinstance(event, Report):
                    self._greeted.add(name)
                connection.to_engine.send(self.house.now_s, data)
