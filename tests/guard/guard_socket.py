"""A guard that serves a socket in a thread, and clients, good and bad."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import msgspec

from controller.clock import RealClock
from controller.guard.guard import Guard
from controller.guard.server import Server
from controller.ledger.journal import MemoryJournal
from controller.model.messages import (
    AskReport,
    Command,
    ConfirmJug,
    Event,
    Heartbeat,
    Hello,
    Refusal,
    Report,
    Start,
)
from controller.model.states import MachineState
from tests.guard.guard_parts import BOOK, FakeBoard, Kind, Role, prime, profile

SOON_S = 5.0  # for what should happen within milliseconds on a machine that may be busy
JUICE = "apple juice"


class Live:
    """A guard serving a socket in a thread."""

    def __init__(self, folder) -> None:
        self.path = str(folder / "guard.sock")
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listener.bind(self.path)
        listener.listen(32)
        clock = RealClock()
        self.board = FakeBoard(clock)
        self.server = Server(listener, clock)
        self.journal = MemoryJournal()
        self.guard = Guard(profile(), BOOK, self.board, self.journal, clock, self.server.publish)
        self._listener = listener
        self._thread = threading.Thread(target=self.server.serve, args=(self.guard,))
        self._thread.start()

    def close(self) -> None:
        self.server.end()
        self._thread.join(SOON_S)
        self.server.close()
        self._listener.close()
        self.guard.close()
        assert not self._thread.is_alive()

    def wait_off(self, within_s: float = SOON_S) -> float:
        """Wait until every channel is off; how long that took."""
        began_s = time.monotonic()
        while self.board.on:
            assert time.monotonic() - began_s < within_s, "a channel stayed on"
            time.sleep(0.002)
        return time.monotonic() - began_s


class Client:
    """One client with the ability to behave badly."""

    def __init__(self, path: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.socket.settimeout(SOON_S)
        try:
            self.socket.connect(path)
        except OSError:
            self.socket.close()
            raise
        self._rest = b""

    def send(self, command: Command) -> None:
        if isinstance(command, Start) and command.operation.jug:
            self.send(ConfirmJug(volume_ml=2000.0))
        self.socket.sendall(msgspec.json.encode(command) + b"\n")

    def first(self) -> Event:
        """The next event, whatever it is."""
        while b"\n" not in self._rest:
            data = self.socket.recv(65536)
            if not data:
                raise EOFError
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        event: Event = msgspec.json.decode(line, type=Event)
        return event

    def next(self, *kinds: type[Kind]) -> Kind:
        """The next event of these kinds."""
        while not isinstance(event := self.first(), kinds):
            pass
        return event

    def refused(self) -> Refusal:
        """The next event, which must be a refusal."""
        event = self.first()
        assert isinstance(event, Refusal), event
        return event

    def is_closed(self) -> bool:
        """Whether the guard closes the connection soon."""
        try:
            while self.socket.recv(65536):
                pass
        except ConnectionResetError:
            return True
        except TimeoutError:
            return False
        return True

    def close(self) -> None:
        self.socket.close()


@contextmanager
def connected(live: Live, role: Role | None = "observer") -> Iterator[Client]:
    client = Client(live.path)
    try:
        if role is not None:
            client.send(Hello(version=1, role=role))
            client.next(Report)
        yield client
    finally:
        client.close()


@contextmanager
def pouring(live: Live, seconds: float = 20.0) -> Iterator[Client]:
    """The engine's client while a prime of one line runs; a thread beats for it until it is closed."""
    with connected(live, "engine") as engine:
        while engine_state(engine) is not MachineState.IDLE:
            time.sleep(0.01)
        engine.send(Start(operation=prime(1, JUICE, seconds)))
        stop = threading.Event()
        beats = threading.Thread(target=_beat, args=(engine, stop))
        beats.start()
        began_s = time.monotonic()
        while not live.board.on:
            assert time.monotonic() - began_s < SOON_S
            time.sleep(0.002)
        try:
            yield engine
        finally:
            stop.set()
            beats.join()


def engine_state(engine: Client) -> MachineState:
    engine.send(AskReport())
    return engine.next(Report).state


def _beat(engine: Client, stop: threading.Event) -> None:
    while not stop.wait(0.1):
        try:
            engine.send(Heartbeat())
        except OSError:
            return
