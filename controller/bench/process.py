"""The bench as its own process: one thread that sleeps until someone asks or something is about to move."""

import math
import selectors
import socket
import time
from collections.abc import Callable
from pathlib import Path

import msgspec

from controller.bench.asks import MAX_BYTES, Answer, Question, answer
from controller.bench.cell_truth import CELL_EFFECTS, UNDISTURBED
from controller.bench.effects import CONDITIONS
from controller.bench.memory import read_memory, write_memory
from controller.bench.plant import Plant
from controller.bench.truth import draw
from controller.clock import RealClock
from controller.model.book import Book
from controller.model.decoding import decode
from controller.model.profile import Profile
from controller.process import listening_socket, stop_signals

MOST_CLIENTS = 64
UNREAD_BYTES = 4 * 1024 * 1024  # answers that a client may leave unread before it is dropped


class ReceiptClock(RealClock):
    """Stands at the moment of the last receipt, so that a level counts from when it came, not from when it was read."""

    def __init__(self) -> None:
        self._now_s = time.monotonic()

    def now_s(self) -> float:
        """Monotonic seconds at the last receipt."""
        return self._now_s

    def stamp(self) -> None:
        """Something has come, or is due: now."""
        self._now_s = time.monotonic()


class Connection:
    """One client."""

    def __init__(self, sock: socket.socket, number: int) -> None:
        self.sock, self.holder = sock, f"client {number}"
        self._number = number
        self.unread = bytearray()
        self.unsent = bytearray()

    def name(self, name: str) -> None:
        """Say who this is. The number keeps two clients of one name apart."""
        self.holder = f"{name} (client {self._number})"

    def is_gone(self) -> bool:
        """Whether the other end has closed, which may not have come up for reading yet."""
        try:
            return self.sock.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
        except BlockingIOError:
            return False
        except OSError:
            return True


class BenchServer:
    """Serves a plant on a listening socket until told to stop. A client may end at any moment."""

    def __init__(
        self,
        plant: Plant,
        clock: ReceiptClock,
        listener: socket.socket,
        stop: socket.socket,
        memory_path: Path | None,
    ) -> None:
        self._plant, self._clock, self._listener, self._stop = plant, clock, listener, stop
        self._memory_path = memory_path
        self._remembered = 0  # entries of the trace, when the memory was last written
        self._selector = selectors.DefaultSelector()
        self._connections: set[Connection] = set()
        self._accepted = 0
        self._decoder = msgspec.json.Decoder(Question)
        self._encoder = msgspec.json.Encoder()

    def serve(self) -> None:
        """Answer until the stop socket becomes readable."""
        self._listener.setblocking(False)
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._selector.register(self._stop, selectors.EVENT_READ)
        try:
            while self._turn():
                if not self._plant.moves():
                    self._remember()
        finally:
            for connection in list(self._connections):
                self._drop(connection)
            self._selector.close()
            self._remember()

    def _remember(self) -> None:
        """Write the memory if anything has happened since it was last written."""
        happened = self._plant.trace.count
        if self._memory_path is not None and happened != self._remembered:
            write_memory(self._memory_path, self._plant.remember())
            self._remembered = happened

    def _turn(self) -> bool:
        next_s = self._plant.next_event_s()
        timeout_s = None if math.isinf(next_s) else max(next_s - time.monotonic(), 0.0)
        events = self._selector.select(timeout_s)
        self._clock.stamp()
        for key, mask in events:
            if key.fileobj is self._stop:
                return False
            if key.fileobj is self._listener:
                self._accept()
            elif key.data in self._connections:
                self._attend(key.data, mask)
        return True

    def _accept(self) -> None:
        try:
            sock, _ = self._listener.accept()
        except OSError:
            return  # gone again
        if len(self._connections) >= MOST_CLIENTS:
            sock.close()
            return
        sock.setblocking(False)
        self._accepted += 1
        connection = Connection(sock, self._accepted)
        self._connections.add(connection)
        self._selector.register(sock, selectors.EVENT_READ, connection)

    def _attend(self, connection: Connection, mask: int) -> None:
        try:
            if mask & selectors.EVENT_READ:
                received = connection.sock.recv(MAX_BYTES)
                self._clock.stamp()
                if not received:
                    self._drop(connection)
                    return
                connection.unread += received
                self._answer_lines(connection)
            self._send(connection)
        except BlockingIOError:
            return
        except OSError:
            self._drop(connection)

    def _answer_lines(self, connection: Connection) -> None:
        *lines, rest = connection.unread.split(b"\n")
        connection.unread = rest
        for line in lines:
            connection.unsent += self._encoder.encode(self._answer(connection, bytes(line))) + b"\n"
        if len(rest) > MAX_BYTES or len(connection.unsent) > UNREAD_BYTES:
            raise ConnectionError("a client that does not keep to lines, or does not read")

    def _answer(self, connection: Connection, line: bytes) -> Answer:
        try:
            question = decode(self._decoder, line)
        except msgspec.MsgspecError as exc:
            return Answer(refused=f"not a question: {exc}", rule="bench_ask")
        if question.ask == "hello":
            connection.name(str(question.arguments.get("name", "")))
            return Answer()
        if question.ask.startswith("claim"):
            # Whoever takes over from a dead client must not be told that the dead one holds the pin.
            for other in [one for one in self._connections if one is not connection and one.is_gone()]:
                self._drop(other)
        return answer(self._plant, question, connection.holder)

    def _send(self, connection: Connection) -> None:
        if connection.unsent:
            sent = connection.sock.send(connection.unsent)
            del connection.unsent[:sent]
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if connection.unsent else 0)
        if self._selector.get_key(connection.sock).events != wanted:
            self._selector.modify(connection.sock, wanted, connection)

    def _drop(self, connection: Connection) -> None:
        self._connections.discard(connection)
        self._selector.unregister(connection.sock)
        connection.sock.close()
        self._plant.leave(connection.holder)


def run(
    profile: Profile,
    book: Book,
    socket_path: Path,
    *,
    seed: int = 1,
    condition: str = "steady",
    persist: bool = True,
    glass: str | None = None,
    trace_path: Path | None = None,
    memory_path: Path | None = None,
    ready: Callable[[], None] | None = None,
) -> None:
    """Run the bench on a Unix socket (mode 0660) until SIGTERM or SIGINT; to be called in the main thread.

    condition: of effects.CONDITIONS. persist: outputs stay driven when their client is gone. glass: put this glass of
    the book under the funnel at once, unless one stands there. memory_path: file in which tubes, bottles and glass
    outlast the process, as real ones do. ready: called once the socket listens. Raises
    TundishError when another bench listens there, FileProblems when the memory is spoilt.
    """
    clock = ReceiptClock()
    effects, has_run_s = CONDITIONS[condition]
    cell = CELL_EFFECTS if effects else UNDISTURBED
    truth = draw(profile, book, seed, effects=effects, has_run_s=has_run_s, cell=cell)
    memory = read_memory(memory_path, profile.machine, truth) if memory_path else None
    plant = Plant(profile, book, clock=clock, persist=persist, truth=truth, memory=memory, trace_path=trace_path)
    try:
        if glass is not None and plant.report().glass is None:
            plant.place_glass(glass)
        with listening_socket(socket_path, "bench") as listener, stop_signals() as stop:
            server = BenchServer(plant, clock, listener, stop, memory_path)
            if ready is not None:
                ready()
            server.serve()
    finally:
        plant.close()
