"""The guard's socket and loop: one thread that sleeps until the core's next deadline.

Whatever clients do, switching off is never kept waiting: sends do not block, what waits to be sent and what is read in
one turn are bounded, and a client that breaks the rules is dropped. Nor is the engine kept out: who has not said hello
makes room for who comes, observers cannot take every place, and only the engine's user may be the engine.
"""

import selectors
import socket
from collections.abc import Callable, Iterator
from itertools import count

import msgspec

from controller.clock import Clock
from controller.guard.guard import Guard
from controller.guard.log import LOG
from controller.guard.peers import peer_of
from controller.model.decoding import decode
from controller.model.messages import MAX_BYTES, Command, Event, Hello, Refusal, Report

MOST_CLIENTS = 16
MOST_GREETED = 12  # of them that observers may take; the rest is for the engine and for those who come
HELLO_S = 2.0  # longest time to say hello; a Stop needs none
READ_BYTES = 16 * 1024  # taken from one client in one turn
LINES_PER_TURN = 8  # of one client
LINES_PER_S = 500  # of one client, over a second; the engine sends about ten
UNSENT_BYTES = 4 * MAX_BYTES  # waiting for one client; one that does not read is dropped
LONGEST_SLEEP_S = 1.0

_decoder: msgspec.json.Decoder[Command] = msgspec.json.Decoder(Command)
_encoder = msgspec.json.Encoder()


class Client:
    """One connection with what was read from it and what waits to be sent."""

    def __init__(self, name: str, connection: socket.socket, *, hello_by_s: float, may_be_engine: bool) -> None:
        self.name = name
        self.connection = connection
        self.hello_by_s, self.may_be_engine = hello_by_s, may_be_engine
        self.is_greeted = False  # it said hello and was accepted
        self.is_dropped = False  # broke a rule, or cannot be reached
        self.is_at_end = False  # will send nothing more; what it has sent is still heard
        self._received = bytearray()
        self._unsent = bytearray()
        self._second = 0
        self._lines = 0

    @property
    def has_line(self) -> bool:
        """Whether a whole line waits to be handled."""
        return b"\n" in self._received

    @property
    def wants_to_send(self) -> bool:
        """Whether something waits to be sent."""
        return bool(self._unsent)

    def read(self) -> bool:
        """Take what has come; False when the connection has ended."""
        try:
            data = self.connection.recv(READ_BYTES)
        except BlockingIOError:
            return True
        except OSError:
            return False
        self._received += data
        return bool(data)

    def lines(self, now_s: float) -> Iterator[bytes]:
        """The next whole lines, at most LINES_PER_TURN; ValueError when it sends too much."""
        for _ in range(LINES_PER_TURN):
            line, newline, rest = self._received.partition(b"\n")
            if len(line) > MAX_BYTES:
                raise ValueError(f"a message is longer than {MAX_BYTES} bytes")
            if not newline:
                return
            self._received = rest
            self._count(now_s)
            yield bytes(line)

    def _count(self, now_s: float) -> None:
        if int(now_s) != self._second:
            self._second, self._lines = int(now_s), 0
        self._lines += 1
        if self._lines > LINES_PER_S:
            raise ValueError(f"more than {LINES_PER_S} messages in a second")

    def send(self, data: bytes = b"") -> bool:
        """Send as much as goes without waiting; False when the client does not read or is gone."""
        self._unsent += data
        try:
            while self._unsent:
                del self._unsent[: self.connection.send(self._unsent)]
        except BlockingIOError:
            return len(self._unsent) <= UNSENT_BYTES
        except OSError:
            return False
        return True


class Server:
    """Serves a guard on a listening socket.

    group: the group whose members may connect, beside root and the guard's own user. engine_user: who may be the
    engine, beside these two. each_turn: called in every turn of the loop with the time (s), after all switching that
    was due; returns when it wants to be called again.
    """

    def __init__(
        self,
        listener: socket.socket,
        clock: Clock,
        *,
        group: int | None = None,
        engine_user: int | None = None,
        each_turn: Callable[[float], float] | None = None,
    ) -> None:
        self._clock, self._group, self._engine_user, self._each_turn = clock, group, engine_user, each_turn
        self._listener = listener
        self._listener.setblocking(False)
        # select() takes microseconds where epoll takes milliseconds, and there are only a handful of descriptors.
        self._selector = selectors.SelectSelector()
        self._selector.register(listener, selectors.EVENT_READ, self._knock)
        self._clients: dict[str, Client] = {}
        self._numbers = count(1)
        self._is_ending = self._somebody_waits = False

    def watch(self, descriptor: int, on_ready: Callable[[], None] | None) -> None:
        """Call on_ready in the loop whenever the descriptor can be read; None: the loop only wakes, and ticks."""
        self._selector.register(descriptor, selectors.EVENT_READ, on_ready)

    def unwatch(self, descriptor: int) -> None:
        """Watch the descriptor no more."""
        self._selector.unregister(descriptor)

    def end(self) -> None:
        """Leave `serve` after the present turn."""
        self._is_ending = True

    def publish(self, client: str | None, event: Event) -> None:
        """Send an event to one client, or to all that said hello; never waits."""
        line = _encoder.encode(event) + b"\n"
        for one in list(self._clients.values()):
            if client is None and not one.is_greeted:
                continue
            if client is not None and one.name != client:
                continue
            one.is_greeted = one.is_greeted or isinstance(event, Report)
            if not one.send(line):
                one.is_dropped = True  # taken away between turns: a guard must not be called from within publish

    def serve(self, guard: Guard) -> None:
        """Run until `end` is called."""
        next_turn_s = guard.tick()
        while not self._is_ending:
            if self._each_turn is not None:
                next_turn_s = min(next_turn_s, self._each_turn(self._clock.now_s()))
            for key, mask in self._selector.select(self._wait_s(next_turn_s)):
                if key.data is None:
                    continue
                guard.tick()  # what is due comes before what is said
                if isinstance(key.data, Client):
                    _exchange(key.data, mask)
                else:
                    key.data()
            self._accept()  # after reading: who has said something does not make room before it was heard
            self._drop_marked(guard)  # an engine that has gone makes room before the next one says hello
            for client in list(self._clients.values()):
                self._hear(guard, client)
            self._drop_marked(guard)
            next_turn_s = guard.tick()

    def close(self) -> None:
        """Close every connection. May be repeated."""
        for client in self._clients.values():
            client.connection.close()
        self._clients.clear()
        self._selector.close()

    # --- inside

    def _wait_s(self, next_turn_s: float) -> float:
        if any(client.has_line for client in self._clients.values()):
            return 0.0
        due_s = min([next_turn_s, *(client.hello_by_s for client in self._silent())])
        return min(max(0.0, due_s - self._clock.now_s()), LONGEST_SLEEP_S)

    def _has_room(self) -> bool:
        """Whether one more may come, where need be in place of the one that has been silent longest."""
        if sum(not client.is_dropped for client in self._clients.values()) < MOST_CLIENTS:
            return True
        silent = next((client for client in self._silent() if not client.has_line and not client.is_dropped), None)
        if silent is not None:
            silent.is_dropped = True
            LOG.warning("client_dropped", client=silent.name, reason="it made room: it had not said hello")
        return silent is not None

    def _silent(self) -> list[Client]:
        """Clients that have not said hello, the longest one first."""
        return [client for client in self._clients.values() if not client.is_greeted]

    def _knock(self) -> None:
        self._somebody_waits = True

    def _accept(self) -> None:
        """Let in who waits; the next one's turn is the next."""
        if not self._somebody_waits or not self._has_room():
            return
        self._somebody_waits = False
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return  # gone again
        connection.setblocking(False)
        try:
            peer = peer_of(connection)
            allowed = peer.may_speak(self._group)
        except OSError:
            allowed = False
        if not allowed:
            LOG.warning("client_turned_away", reason="not allowed")
            connection.close()
            return
        client = Client(
            f"c{next(self._numbers)}",
            connection,
            hello_by_s=self._clock.now_s() + HELLO_S,
            may_be_engine=peer.may_be_engine(self._engine_user),
        )
        self._clients[client.name] = client
        self._selector.register(connection, selectors.EVENT_READ, client)

    def _hear(self, guard: Guard, client: Client) -> None:
        if client.is_dropped:
            return
        try:
            for line in client.lines(self._clock.now_s()):
                command = decode(_decoder, line)
                no = self._refusal(client, command) if isinstance(command, Hello) else None
                if no is None:
                    guard.handle(client.name, command)
                else:
                    self.publish(client.name, no)
        except (ValueError, msgspec.MsgspecError) as problem:
            reason = str(problem)[:400]
            LOG.warning("client_dropped", client=client.name, reason=reason)
            self.publish(client.name, Refusal(request="message", rule="protocol", reason=reason))
            client.is_dropped = True

    def _refusal(self, client: Client, hello: Hello) -> Refusal | None:
        if hello.role == "engine" and not client.may_be_engine:
            reason = "only the engine's own user may be the engine."
            return Refusal(request="hello", rule="engine", reason=reason, remedy="Say hello as an observer.")
        if hello.role == "observer" and sum(one.is_greeted for one in self._clients.values()) >= MOST_GREETED:
            reason = f"{MOST_GREETED} clients are connected already."
            return Refusal(request="hello", rule="places", reason=reason, remedy="Close one of them.")
        return None

    def _drop_marked(self, guard: Guard) -> None:
        """Part with clients that are done for; listen for room where something waits to be sent."""
        now_s = self._clock.now_s()
        for client in list(self._clients.values()):
            is_late = not client.is_greeted and now_s >= client.hello_by_s
            if client.is_dropped or is_late or (client.is_at_end and not client.has_line):
                del self._clients[client.name]
                self._selector.unregister(client.connection)
                client.connection.close()
                guard.client_gone(client.name)
                continue
            wanted = (0 if client.is_at_end else selectors.EVENT_READ) | (
                selectors.EVENT_WRITE if client.wants_to_send else 0
            )
            if wanted and self._selector.get_key(client.connection).events != wanted:
                self._selector.modify(client.connection, wanted, client)


def _exchange(client: Client, mask: int) -> None:
    """Send what waits, read what has come."""
    if mask & selectors.EVENT_WRITE and not client.send():
        client.is_dropped = True
    if mask & selectors.EVENT_READ and not client.read():
        client.is_at_end = True
