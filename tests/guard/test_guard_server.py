"""The guard's socket with real clients, good and bad. The board is a fake; time is real, so operations are short."""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress

import msgspec
import pytest
from msgspec.structs import replace

from controller.guard.server import LINES_PER_S, MOST_CLIENTS, MOST_GREETED
from controller.model.calibration import Calibration
from controller.model.messages import (
    MAX_BYTES,
    AskReport,
    Ended,
    Heartbeat,
    Hello,
    InputReport,
    LineReport,
    Refusal,
    Report,
    Start,
    Stop,
)
from controller.model.states import Contents, MachineState, Outcome
from tests.guard.guard_parts import line, prime, run_of, serve
from tests.guard.guard_socket import JUICE, SOON_S, Client, Live, connected, engine_state, pouring


@pytest.fixture
def live(tmp_path) -> Iterator[Live]:
    made = Live(tmp_path)
    yield made
    made.close()


def test_an_operation_over_the_socket(live):
    with pouring(live, 0.5) as engine, connected(live) as display:
        ended = engine.next(Ended)
        assert (ended.outcome, ended.deliveries[0].on_s) == (Outcome.DONE, pytest.approx(0.5, abs=0.2))
        assert display.next(Ended) == ended


def test_refusals_go_to_who_asked(live):
    with connected(live, "engine") as engine, connected(live) as display:
        engine.send(Start(operation=serve(run_of(1, JUICE, 0, 5), glass="bucket")))
        assert engine.next(Refusal).request == "s1"  # a contact may be told of before
        display.send(AskReport())
        assert isinstance(display.next(Report), Report)
        engine.send(AskReport())
        engine.next(Report)
        display.send(Heartbeat())
        assert display.next(Refusal).rule == "engine"


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
def test_a_malformed_message_is_refused_and_its_client_dropped(live, line):
    with connected(live, None) as client:
        client.socket.sendall(line + b"\n")
        refusal = client.refused()
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
        assert isinstance(client.first(), Report)


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
    busy, gate = threading.Event(), threading.Event()
    tick: Callable[[], float] = live.guard.tick

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


def test_clients_that_come_and_go_without_a_word_keep_nobody_out(live):
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


def test_the_largest_report_fits_into_one_message():
    numbers = range(1, 28)  # as many lines as a 40-pin header has pins
    lines = tuple(replace(line(1), line=number, gpio=number % 28, channel=number) for number in numbers)
    name = "blackcurrant cordial with the longest name that is allowed.."
    state = LineReport(
        line=1,
        liquid=name,
        contents=Contents.RINSE_WATER,
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
        state=MachineState.HELD,
        fault="f" * 500,
        operation="o" * 80,
        waiting_for="w" * 200,
        lines=tuple(replace(state, line=one.line) for one in lines),
        inputs=InputReport(stop_pressed=True, low_lines=tuple(numbers)),
    )
    assert len(msgspec.json.encode(report)) < MAX_BYTES
