"""Connections over real sockets: a client that keeps the engine waiting is parted with, whatever it waits for."""

import asyncio
import http.client
import json
import socket
import threading
from contextlib import closing, contextmanager
from typing import get_args

import pytest
from starlette.responses import Response

from controller.clock import RealClock
from controller.engine.http import connection
from controller.engine.http.server import HEAD_BYTES, HttpServer
from controller.engine.http.shares import OF_ONE_ADDRESS, SHARES, Places

SOON_S = 10.0
LARGE = b"x" * 20_000_000  # more than the kernel keeps for a client that does not read


async def app(scope, receive, send):
    """Reads the body, and answers with its length; /large with more than anybody should leave unread."""
    body, is_more = b"", True
    while is_more:
        message = await receive()
        if message["type"] == "http.disconnect":
            return
        body, is_more = body + message.get("body", b""), message.get("more_body", False)
    await Response(LARGE if scope["path"] == "/large" else str(len(body)))(scope, receive, send)


class Served:
    """The application on a socket of its own, in a thread."""

    def __init__(self, listener):
        self.listener, self._began = listener, threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))
        self._thread.start()
        self._began.wait()

    async def _serve(self):
        self._loop, self._server = asyncio.get_running_loop(), HttpServer(app, Places(RealClock()))
        self._began.set()
        await self._server.serve(sockets=[self.listener])

    def connect(self):
        client = socket.socket(self.listener.family)
        client.settimeout(SOON_S)
        client.connect(self.listener.getsockname())
        return closing(client)

    def close(self):
        self._loop.call_soon_threadsafe(self._server.end)
        self._thread.join()


@contextmanager
def served(listener):
    listener.listen(128)
    one = Served(listener)
    try:
        yield one
    finally:
        one.close()


@pytest.fixture(params=["network", "unix"])
def server(request, tmp_path, monkeypatch):
    monkeypatch.setattr(connection, "DEADLINES", {"head": 0.3, "body": 0.3, "answer": None})
    monkeypatch.setattr(connection, "READ_S", 0.3)
    is_unix = request.param == "unix"
    listener = socket.socket(socket.AF_UNIX if is_unix else socket.AF_INET)
    listener.bind(str(tmp_path / "socket") if is_unix else ("127.0.0.1", 0))
    with served(listener) as one:
        yield one


def is_closed(client):
    """Whether the other end closes; what it has sent is thrown away."""
    try:
        while client.recv(1 << 20):
            pass
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False
    return True


def ask(client, path=b"/", more=b""):
    client.sendall(b"GET " + path + b" HTTP/1.1\r\nHost: x\r\n" + more + b"\r\n")


def answer(client):
    found = http.client.HTTPResponse(client)
    found.begin()
    return found.status, found.read(), dict(found.getheaders())


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET /",
        b"GET / HTTP/1.1\r\nHost: x\r\n",
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n\r\n12345",
        b"POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n5\r\n12345\r\n",
    ],
)
def test_a_connection_without_a_request_is_closed(server, said):
    with server.connect() as client:
        client.sendall(said)
        assert is_closed(client)


def test_a_trickling_request_does_not_extend_the_deadline(server):
    with server.connect() as client, pytest.raises(ConnectionError):
        for byte in b"GET / HTTP/1.1\r\n" + b"Header: value\r\n" * 20_000:
            client.sendall(bytes([byte]))
            threading.Event().wait(0.005)


def test_a_second_request_has_the_same_deadline_as_the_first(server):
    with server.connect() as client:
        ask(client)
        assert answer(client)[:2] == (200, b"0")
        client.sendall(b"GET / HT")
        assert is_closed(client)


def test_an_answer_that_nobody_reads_is_dropped(server):
    with server.connect() as client:
        ask(client, b"/large")
        threading.Event().wait(1.0)
        received = 0
        with pytest.raises((ConnectionResetError, http.client.IncompleteRead)):
            received = len(answer(client)[1])
        assert received < len(LARGE)


def test_requests_one_after_the_other_and_at_once_are_answered(server):
    with server.connect() as client:
        for _ in range(3):
            ask(client)
            assert answer(client)[:2] == (200, b"0")
        ask(client, more=b"\r\nGET / HTTP/1.1\r\nHost: x\r\n")
        assert client.recv(4096)


@pytest.mark.parametrize(
    "said",
    [
        b"\x00\xff\r\n\r\n",
        b"GET / HTTP/9\r\n\r\n",
        b"GET /\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"x" * (2 * HEAD_BYTES),
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: " + b"9" * 5000 + b"\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n" + b"F" * 5000 + b"\r\n",
        b"GET /" + b"%" * 100 + b" HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n",
    ],
)
def test_a_malformed_request_gets_a_problem_and_ends_the_connection(server, said):
    with server.connect() as client:
        client.sendall(said)
        status, body, headers = answer(client)
        assert (status, json.loads(body)["status"]) == (400, 400)
        assert headers["content-type"] == "application/problem+json"
        assert is_closed(client)
    with server.connect() as client:
        ask(client)
        assert answer(client)[0] == 200


@pytest.mark.parametrize(("family", "places"), [(socket.AF_UNIX, SHARES["local"]), (socket.AF_INET, OF_ONE_ADDRESS)])
def test_a_new_client_finds_room_beside_silent_ones(tmp_path, family, places):
    listener = socket.socket(family)
    listener.bind(str(tmp_path / "socket") if family == socket.AF_UNIX else ("127.0.0.1", 0))
    with served(listener) as one:
        silent = [one.connect().thing for _ in range(places + 3)]
        with one.connect() as client:
            ask(client)
            assert answer(client)[0] == 200
        assert is_closed(silent[0])
        for client in silent:
            client.close()


def test_the_deadlines_are_shorter_than_what_anybody_waits_for():
    assert connection.DEADLINES == {"head": 5.0, "body": 10.0, "answer": None}
    assert set(connection.DEADLINES) == set(get_args(connection.Phase))
