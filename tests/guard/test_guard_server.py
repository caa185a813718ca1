"""The guard's socket with real clients, good and bad. The board is a fake; time is real, so operations are short."""

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import msgspec
import pytest
from guard_parts import BOOK, FakeBoard, line, prime, profile, run_of, serve
from msgspec.structs import replace

from controller.clock import RealClock
from controller.guard.guard import Guard
from controller.guard.server import LINES_PER_S, MOST_CLIENTS, MOST_GREETED, Server
from controller.ledger.journal import MemoryJournal
from controller.model.calibration import Calibration
from controller.model.messages import (
    MAX_BYTES,
    AskReport,
    Command,
    ConfirmJug,
    Ended,
    Event,
    Heartbeat,
    Hello,
    InputReport,
    LineReport,
    Refusal,
    Report,
    Start,
    Stop,
)
from controller.model.states import MachineState, Outcome

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
        self.socket.connect(path)
        self._rest = b""

    def send(self, command: Command) -> None:
        if isinstance(command, Start) and command.operation.jug:
            self.send(ConfirmJug(volume_ml=2000.0))
        self.socket.sendall(msgspec.json.encode(command) + b"\n")

    def next(self, *kinds: type) -> Event:
        """The next event, or the next one of these kinds."""
        while True:
            line, newline, rest = self._rest.partition(b"\n")
            if not newline:
                data = self.socket.recv(65536)
                if not data:
                    raise EOFError
                self._rest += data
                continue
            self._rest = rest
            event = msgspec.json.decode(line, type=Event)
            if not kinds or isinstance(event, kinds):
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


@pytest.fixture
def live(tmp_path) -> Iterator[Live]:
    made = Live(tmp_path)
    yield made
    made.close()


@contextmanager
def connected(live: Live, role: str | None = "observer") -> Iterator[Client]:
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


def test_an_operation_over_the_socket(live):
    with pouring(live, 0.5) as engine, connected(live) as display:
        ended = engine.next(Ended)
        assert (ended.outcome, ended.deliveries[0].on_s) == (Outcome.DONE, pytest.approx(0.5, abs=0.2))
        assert display.next(Ended) == ended


def test_refusals_go_to_who_asked(live):
    with connected(live, "engine") as engine, connected(live) as display:
        engine.send(Start(operation=serve(run_of(1, JUICE, 0, 5), glass="bucket")))
        assert engine.next().request == "s1"
        display.send(AskReport())
        assert isinstance(display.next(Report), Report)
        engine.send(AskReport())
        engine.next(Report)
        display.send(Heartbeat())
        assert display.next().rule == "engine"


@pytest.mark.parametrize(
    "line",
    [
        b"{",
        b"[]",
        b'"stop"',
        b"null",
        b"\xff\xfe",
        b"",
        b'{"type":"fly"}',
        b'{"type":"hello"}',
        b'{"type":"hello","version":1,"role":"king"}',
        b'{"type":"heartbeat","extra":1}',
        b'{"type":"stop","type":"stop","x":1}',
        b'{"type":"start","operation":{"operation":"a","kind":"serve","segments":[{"runs":[{"line":1}]}]}}',
        b'{"type":"acknowledge","cause":"' + b"x" * 501 + b'"}',
        b"[" * 20_000,
        b'{"colour":' + b"[" * 20_000,
        b'{"colour":' + b'{"a":' * 10_000,
        b'{"colour":' + b"[" * 20_000 + b"]" * 20_000 + b',"type":"stop"}',
        b'{"type":"hello","version":' + b"9" * 5_000 + b',"role":"engine"}',
        b'{"type":"hello","version":1e999,"role":"engine"}',
    ],
)
def test_what_is_malformed_is_refused_and_the_client_dropped(live, line):
    with connected(live, None) as client:
        client.socket.sendall(line + b"\n")
        refusal = client.next()
        assert (refusal.rule, refusal.request) == ("protocol", "message")
        assert client.is_closed()
    with connected(live):
        pass  # the guard is still there


@pytest.mark.parametrize("with_newline", [False, True])
def test_an_oversized_message_drops_the_client(live, with_newline):
    with connected(live) as client:
        text = b'{"type":"acknowledge","cause":"' + b"x" * MAX_BYTES + (b'"}\n' if with_newline else b"")
        with suppress(OSError):  # dropped before all was sent
            client.socket.sendall(text)
        assert client.is_closed()


def test_a_message_that_comes_in_pieces_is_heard(live):
    with connected(live, None) as client:
        for byte in msgspec.json.encode(Hello(version=1, role="observer")) + b"\n":
            client.socket.sendall(bytes([byte]))
        assert isinstance(client.next(), Report)


def test_the_engine_closing_switches_off_at_once(live):
    with pouring(live) as engine:
        engine.socket.close()
        assert live.wait_off() < 0.5  # before the heartbeat could have been missed
    with connected(live, "engine") as engine:
        assert engine.next(Ended).reason == "engine connection lost"


def test_the_engine_closing_its_half_counts_as_gone(live):
    with pouring(live) as engine:
        engine.socket.shutdown(socket.SHUT_WR)
        assert live.wait_off() < 0.5


def test_an_engine_that_starts_anew_finds_its_place_free(live, monkeypatch):
    tick, busy, gate = live.guard.tick, threading.Event(), threading.Event()

    def slow() -> float:
        busy.set()
        gate.wait(SOON_S)
        return tick()

    with connected(live, "engine") as old:
        while engine_state(old) is not MachineState.IDLE:
            time.sleep(0.01)
        monkeypatch.setattr(live.guard, "tick", slow)
        assert busy.wait(SOON_S)
        old.send(Heartbeat())  # heard in one turn, its end only in the next, together with the new one's hello
    new = Client(live.path)
    new.send(Hello(version=1, role="engine"))
    gate.set()
    assert isinstance(new.next(Report, Refusal), Report)
    new.close()


def test_a_silent_engine_switches_off(live):
    with connected(live, "engine") as engine:
        while engine_state(engine) is not MachineState.IDLE:
            time.sleep(0.01)
        engine.send(Start(operation=prime(1, JUICE, 20)))
        ended = engine.next(Ended)
        assert "heartbeat" in ended.reason
        assert 0.45 < ended.deliveries[0].on_s < 1.0
        assert not live.board.on


def test_a_malformed_message_of_the_engine_switches_off(live):
    with pouring(live) as engine:
        engine.socket.sendall(b"gibberish\n")
        assert live.wait_off() < 0.5


def test_anyone_may_stop_without_hello_and_leave_at_once(live):
    with pouring(live) as engine:
        with connected(live, None) as passer_by:
            passer_by.send(Stop())
        live.wait_off()
        assert engine.next(Ended).outcome is Outcome.STOPPED


def test_floods_and_deaf_clients_do_not_keep_a_channel_on(live):
    """Clients that send as fast as they can and read nothing; the run of 1 s ends in time all the same."""
    stop = threading.Event()

    def flood() -> None:
        while not stop.is_set():
            try:
                with connected(live) as client:
                    while True:
                        client.socket.sendall(b'{"type":"ask_report"}\n' * 50)
            except (OSError, EOFError):
                continue

    floods = [threading.Thread(target=flood) for _ in range(2)]
    try:
        with pouring(live, 1.0) as engine:
            for one in floods:
                one.start()
            ended = engine.next(Ended)
    finally:
        stop.set()
        for one in floods:
            one.join()
    assert ended.outcome is Outcome.DONE
    assert ended.deliveries[0].on_s < 1.1  # a fault is latched from 0.1 s on


def test_a_flood_is_cut_off(live):
    with connected(live) as client:
        try:
            for _ in range(3 * LINES_PER_S // 50):
                client.socket.sendall(b'{"type":"heartbeat"}\n' * 50)
        except OSError:
            pass
        assert client.is_closed()


def test_silent_clients_keep_nobody_out_and_are_not_waited_for(live):
    silent = [Client(live.path) for _ in range(MOST_CLIENTS + 4)]
    with pouring(live, 0.5) as engine, connected(live):
        assert engine.next(Ended).outcome is Outcome.DONE
    assert all(client.is_closed() for client in silent)  # the last ones when they should have said hello by now
    for client in silent:
        client.close()


def test_who_comes_and_goes_without_a_word_keeps_nobody_out(live):
    stop, entered = threading.Event(), list[bool]()

    def come_and_go() -> None:
        held: list[Client] = []
        while not stop.wait(0.0005):
            with suppress(OSError):
                held.append(Client(live.path))
            if len(held) > 2 * MOST_CLIENTS:
                held.pop(0).close()
        for client in held:
            client.close()

    visitor = threading.Thread(target=come_and_go)
    visitor.start()
    try:
        for _ in range(20):
            with suppress(BlockingIOError), connected(live, "engine"):  # the queue may be full at that moment
                entered.append(True)
    finally:
        stop.set()
        visitor.join()
    assert len(entered) > 10


def test_observers_cannot_take_the_engine_s_place(live):
    observers = [Client(live.path) for _ in range(MOST_GREETED + 1)]
    for observer in observers:
        observer.send(Hello(version=1, role="observer"))
    assert isinstance(observers[0].next(Report), Report)
    assert observers[-1].next(Refusal).rule == "places"
    with connected(live, "engine"):
        pass
    for observer in observers:
        observer.close()


# --- who is at the other end


IN_THE_GROUP = """
import os, socket, sys
connection = socket.socket(socket.AF_UNIX)
connection.settimeout(5)
os.chdir(sys.argv[1]); os.setgroups([]); os.setgid(61000); os.setuid(int(sys.argv[2]))
connection.connect("guard.sock")
connection.sendall(b'{"type":"hello","version":1,"role":"%s"}\\n' % sys.argv[3].encode())
print(connection.recv(1000).decode()[:60])
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.parametrize(
    ("user", "role", "answer"),
    [(61_001, "engine", '"type":"report"'), (61_003, "observer", '"type":"report"'), (61_003, "engine", '"refusal"')],
)
def test_in_the_group_only_the_engine_s_user_may_be_the_engine(live, user, role, answer):
    live.server._group, live.server._engine_user = 61_000, 61_001
    folder = os.path.dirname(live.path)  # noqa: PTH120
    os.chmod(folder, 0o755)  # noqa: PTH101
    os.chmod(live.path, 0o666)  # noqa: PTH101
    words = [sys.executable, "-c", IN_THE_GROUP, folder, str(user), role]
    assert answer in subprocess.run(words, capture_output=True, text=True, timeout=30, check=True).stdout


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_another_user_is_turned_away(live):
    os.chmod(live.path, 0o777)  # noqa: PTH101 - the socket's own mode would turn it away even before
    folder = os.path.dirname(live.path)  # noqa: PTH120
    code = (
        "import os, socket, sys\n"
        "s = socket.socket(socket.AF_UNIX)\n"
        "os.chdir(sys.argv[1]); os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "s.connect('guard.sock'); s.settimeout(5)\n"
        'try: s.sendall(b\'{"type":"stop"}\\n\')\n'
        "except OSError: pass\n"
        "print(len(s.recv(100)))\n"
    )
    os.chmod(folder, 0o755)  # noqa: PTH101
    done = subprocess.run([sys.executable, "-c", code, folder], capture_output=True, text=True, timeout=30, check=False)
    assert done.stdout.strip() == "0" or "reset" in done.stderr.lower()


def test_the_largest_report_fits_into_one_message():
    numbers = range(1, 28)  # as many lines as a 40-pin header has pins
    lines = tuple(replace(line(1), line=number, gpio=number % 28, channel=number) for number in numbers)
    name = "blackcurrant cordial with the longest name that is allowed.."
    state = LineReport(
        line=1,
        liquid=name,
        contents="rinse water",
        holds=name,
        is_on=False,
        calibration=Calibration(
            line=1,
            liquid=name,
            flow_ml_s=1 / 3,
            lag_s=1 / 3,
            u_flow_ml_s=1 / 3,
            u_lag_s=1 / 3,
            cov_flow_lag=1 / 3,
            note="n" * 200,
        ),
    )
    report = Report(
        state="held",
        fault="f" * 500,
        operation="o" * 80,
        waiting_for="w" * 200,
        lines=tuple(replace(state, line=one.line) for one in lines),
        inputs=InputReport(stop_pressed=True, low_lines=tuple(numbers)),
    )
    assert len(msgspec.json.encode(report)) < MAX_BYTES
