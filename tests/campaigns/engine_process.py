"""The engine as a process, with its end of the wire as guard_link keeps it."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import msgspec

from controller.engine.engine import Engine
from controller.engine.guard_link import FIRST_RETRY_S, LAST_RETRY_S
from controller.errors import RecordError, TundishError, Unreachable
from controller.model.messages import Command, Event, Refusal, Report
from tests.campaigns.disk import Killed
from tests.campaigns.processes import Process
from tests.campaigns.wire import END, Connection

if TYPE_CHECKING:
    from tests.campaigns.house import House

_events: msgspec.json.Decoder[Event] = msgspec.json.Decoder(Event)
_encode = msgspec.json.Encoder().encode


class EngineProcess(Process):
    """The engine with its end of the wire, as guard_link keeps it."""

    def __init__(self, house: "House") -> None:
        super().__init__(house)
        self.engine: Engine | None = None
        self.connection: Connection | None = None
        self._retry_s = FIRST_RETRY_S
        self.connect_s = math.inf  # when to try to connect (house clock)
        self.kill_in_sending = False

    def start(self) -> None:
        """Begin with an empty head and the ledger as it is."""
        house = self.house
        if self.engine is not None or house.is_dark:
            return
        self.lives += 1
        self.is_frozen = False
        try:
            self.engine = Engine(
                profile=house.plot.profile,
                book=house.book,
                ledger=house.ledger,
                clock=house.boot_clock,
                send=self._send,
                new_id=house.new_id,
            )
        except RecordError:
            house.later(1.0, self.start)
            return
        self.connect_s, self._retry_s = house.now_s, FIRST_RETRY_S

    def die(self, why: str) -> None:
        """It is gone; the guard will see its connection end."""
        house = self.house
        house.tell(f"engine gone: {why}")
        self.engine, self.is_frozen, self.wake_s, self.connect_s = None, False, math.inf, math.inf
        house.ledger.forget_what_was_not_written()
        self.lives += 1
        if self.connection is not None:
            self.connection.to_guard.end(house.now_s)
            self.connection = None
        boot = house.boot
        house.later(house.draw.uniform(0.5, 2.0), lambda: self.start() if house.boot == boot else None)

    def ask(self, what: Callable[[Engine], object]) -> object:
        """Let a person ask something of it; None when it refuses or does not answer."""
        if self.engine is None or self.is_frozen:
            return None
        try:
            answer = what(self.engine)
        except Killed:
            self.die("killed in the middle of it")
            return None
        except (TundishError, KeyError) as refused:
            self.house.tell(f"refused: {str(refused)[:120]}")
            answer = None
        self._tick()
        return answer

    def act(self) -> bool:
        """Do what is due; whether anything was."""
        if self.engine is None or self.is_frozen:
            return False
        now_s = self.house.now_s
        if self.connection is None and now_s >= self.connect_s:
            self._connect()
            return True
        if self.connection is not None:
            letters = self.connection.to_engine.take(now_s)
            for letter in letters:
                self._hear(letter)
            if letters:
                return True
        if self.engine is not None and now_s >= self.wake_s:
            self._tick()
            return True
        return False

    def say(self, command: Command) -> None:
        """Send something besides; Unreachable without a connection."""
        self._post(command)

    def hang_up(self) -> None:
        """Drop the connection and come back later."""
        if self.connection is None or self.engine is None:
            return
        self.connection.to_guard.end(self.house.now_s)
        self.connection = None
        self.connect_s = self.house.now_s + self._retry_s
        self._retry_s = min(2 * self._retry_s, LAST_RETRY_S)
        self.engine.guard_lost()
        self._tick()

    def _connect(self) -> None:
        house = self.house
        if house.guard_process.guard is None:
            self.connect_s = house.now_s + self._retry_s
            self._retry_s = min(2 * self._retry_s, LAST_RETRY_S)
            return
        connection = house.connect()
        self.connection, self.connect_s = connection, math.inf
        self._do(self._greet)

    def _greet(self, engine: Engine) -> None:
        self._send(engine.hello())
        engine.guard_connected()

    def _hear(self, letter: bytes | None) -> None:
        if self.connection is None:
            return  # hung up in the meantime
        if letter is END:
            self.hang_up()
            return
        event = _events.decode(letter)
        if isinstance(event, Refusal) and event.request == "hello":
            self.hang_up()
            return
        if isinstance(event, Report):
            self._retry_s = FIRST_RETRY_S
        self._do(lambda engine: engine.on_event(event))

    def _do(self, what: Callable[[Engine], object]) -> None:
        """What guard_link does: an error that was raised on purpose costs the connection, no more."""
        if self.engine is None:
            return
        try:
            what(self.engine)
        except Killed:
            self.die("killed in the middle of it")
        except (OSError, TundishError, ValueError) as error:
            self.house.tell(f"engine hangs up: {str(error)[:120]}")
            self.hang_up()
        else:
            self._tick()

    def _tick(self) -> None:
        if self.engine is None:
            return
        try:
            self._at(self.engine.tick())
        except Killed:
            self.die("killed in the middle of it")
        except TundishError:
            self.wake_s = self.house.now_s + LAST_RETRY_S

    def _send(self, command: Command) -> None:
        if self.kill_in_sending:
            self.kill_in_sending = False
            if self.house.draw.random() < 0.5:
                self._post(command)
            raise Killed
        self._post(command)

    def _post(self, command: Command) -> None:
        if self.connection is None or self.connection.to_guard.is_closed:
            raise Unreachable("the guard does not answer")
        self.connection.to_guard.send(self.house.now_s, _encode(self.house.altered(command)))
