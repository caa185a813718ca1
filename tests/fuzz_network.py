"""Fuzzing of the engine's HTTP interface and of the bench's socket: real sockets, hostile clients, one good one beside.

Requests are mutated, nested deeply, given numbers that no type can hold, or never finished; some connections stay open
and silent. After every conversation the good client must be answered, and nobody may ever be told of an error in the
engine itself (500).
"""

import asyncio
import http.client
import json
import logging
import random
import re
import socket
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from inspect import signature
from itertools import count
from pathlib import Path

import msgspec

from controller.bench.asks import ASKS
from controller.bench.client import BenchClient
from controller.bench.plant import Plant
from controller.bench.process import BenchServer, ReceiptClock
from controller.bench.truth import draw
from controller.clock import RealClock
from controller.config import load
from controller.engine.engine import Engine
from controller.engine.http import asking
from controller.engine.http.access import Door, place
from controller.engine.http.addresses import Address
from controller.engine.http.application import application
from controller.engine.http.events import EventRing
from controller.engine.http.routes import ADDRESSES
from controller.engine.http.server import HttpServer
from controller.engine.http.shares import Places
from controller.engine.http.tokens import Tokens
from controller.ledger.store import Ledger
from tests.engine.played_guard import report
from tests.mutations import mutate

ROOT = Path(__file__).resolve().parent.parent
PROFILE, BOOK = ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml"
OPERATOR = b"operator-token-of-the-fuzz"
ANSWER_S = 0.02  # a hostile client does not wait longer for its answer
GOOD_S = 20.0  # the good one does
HELD = 80  # silent connections at most
STATUS = re.compile(rb"^HTTP/1\.1 (\d{3}) ", re.MULTILINE)
SOUND = (b"1", b"2", b"true", b'"tumbler"', b'"soda"', b"null", b"250.0", b'{"kind":"tube off","line":2}')
BODIES = (
    {"recipe": "Orchard Fizz", "times": 1.0, "key": "k1"},
    {"kind": "prime", "lines": [1, 2], "jug": True},
    {"line": 1, "on_s": 2.0, "grams": 10.5, "seconds": 1.0},
    {"line": 3, "liquid": "cold tea", "accept": True, "volume_ml": 700.0, "cause": "stop pressed", "moved": "yes"},
)


def hostile_json(rng: random.Random) -> bytes:
    """A number that no type can hold, something nested deeply, or a body of ours, mutated."""
    match rng.randrange(6):
        case 0:
            return rng.choice((b"9" * rng.randrange(1, 6000), b"1e" + b"9" * 30, b"-1e308", b"1e-400", b"-0.0", b"NaN"))
        case 1:
            levels = rng.randrange(1, 20_000)
            return rng.choice((b"[" * levels, b'{"a":' * levels, b"[" * levels + b"]" * levels))
        case 2:
            return msgspec.json.encode(rng.choice(BODIES))
        case _:
            return mutate(msgspec.json.encode(rng.choice(BODIES)), rng)


def with_member(rng: random.Random) -> bytes:
    """A body of ours, one member of which is hostile."""
    members = {name: json.dumps(value).encode() for name, value in rng.choice(BODIES).items()}
    members[rng.choice([*members, "colour"])] = hostile_json(rng)
    return b"{" + b",".join(b'"%s":%s' % (name.encode(), value) for name, value in members.items()) + b"}"


def request(rng: random.Random) -> bytes:
    """One request, sound in its outline or not."""
    address: Address = rng.choice(ADDRESSES)
    part = rng.choice((b"1", b"7", b"9" * rng.randrange(1, 6000), b"-1", b"%00", b"x", b"1.5", "\u0663".encode()))
    path = re.sub(rb"\{\w+\}", lambda _: part, address.path.encode())
    if rng.random() < 0.3:
        path += b"?times=%s&limit=%s&recipe=%s" % (part, part, part)
    body = rng.choice((b"", with_member(rng), hostile_json(rng)))
    head = [
        b"%s %s HTTP/1.1" % (address.method.encode(), path),
        b"Host: machine:8080",
        b"Authorization: Bearer %s" % rng.choice((OPERATOR, OPERATOR, OPERATOR, b"x" * 30)),
        b"Content-Type: application/json",
        b"Content-Length: %d" % (len(body) if rng.random() < 0.9 else rng.choice((0, 10**30, 5))),
        b"Last-Event-ID: abcd-%s" % part,
    ]
    whole = b"\r\n".join(head) + b"\r\n\r\n" + body
    return mutate(whole, rng) if rng.random() < 0.3 else whole


class Served:
    """A server in a thread of its own; `errors` holds what ended it or was left to the loop."""

    def __init__(self, serve: Callable[["Served"], None]) -> None:
        self.errors: list[BaseException] = []
        self.ready = threading.Event()
        self.end: Callable[[], None] = lambda: None
        self._thread = threading.Thread(target=self._run, args=(serve,))
        self._thread.start()
        self.ready.wait()

    def _run(self, serve: Callable[["Served"], None]) -> None:
        try:
            serve(self)
        except BaseException as error:
            self.errors.append(error)
        finally:
            self.ready.set()

    def close(self) -> None:
        """End it. AssertionError when it met an error."""
        self.end()
        self._thread.join()
        assert not self.errors, self.errors


# --- HTTP


async def serve_http(served: Served, local: socket.socket, network: socket.socket) -> None:
    """The interface of an engine with a machine at rest: locally, and behind the door on the network."""
    loop, clock = asyncio.get_running_loop(), RealClock()
    loop.set_exception_handler(lambda _loop, context: served.errors.append(RuntimeError(str(context))))
    profile, book, _ = load(PROFILE, BOOK)
    numbers, ledger = count(1), Ledger(":memory:")
    engine = Engine(
        profile=profile,
        book=book,
        ledger=ledger,
        clock=clock,
        send=lambda _: None,
        new_id=lambda: f"op{next(numbers)}",
    )
    engine.on_event(report())
    ring, places = EventRing(engine), Places(clock)
    app = application(engine, ring, lambda: None)
    tokens = Path(local.getsockname()).with_name("tokens")
    tokens.touch(mode=0o600)
    tokens.write_bytes(b"operator %s\n" % OPERATOR)
    door = Door(app, place("0.0.0.0:8080", ("machine",)), Tokens(tokens, clock), clock, places)
    servers = {local: HttpServer(app, Places(clock)), network: HttpServer(door, places)}

    def end() -> None:
        ring.close()
        for server in servers.values():
            server.end()

    def end_soon() -> None:
        loop.call_soon_threadsafe(end)

    served.end = end_soon
    served.ready.set()
    with closing(ledger):  # in the thread that opened it
        await asyncio.gather(*(server.serve(sockets=[listener]) for listener, server in servers.items()))


def fuzz_http(seed: int, runs: int, folder: Path) -> str:
    """Let clients ask; what came of it. AssertionError for any 500, and when the good client is not answered."""
    asking.SETTLE_S = 0.0  # nobody plays the guard
    logging.getLogger("uvicorn.error").addHandler(logging.NullHandler())
    held: list[socket.socket] = []
    statuses: Counter[int] = Counter()
    with socket.socket(socket.AF_UNIX) as local, socket.socket() as network:
        local.bind(str(folder / "http.sock"))
        network.bind(("127.0.0.1", 0))
        for listener in (local, network):
            listener.listen(128)
        served = Served(lambda served: asyncio.run(serve_http(served, local, network)))
        try:
            for run in range(runs):
                rng = random.Random(f"{seed} http {run}")
                listener = rng.choice((local, network))
                heard = converse(listener, rng, held)
                statuses.update(int(status) for status in STATUS.findall(heard))
                assert statuses[500] == 0, f"run {run}: {heard[:400]!r}"
                status = good_status(rng.choice((local, network)))
                assert status == 200, f"run {run}: the good client is turned away with {status}"
                assert not served.errors, f"run {run}: {served.errors[0]}"
        finally:
            for client in held:
                client.close()
            served.close()
    answered = ", ".join(f"{number} x {status}" for status, number in sorted(statuses.items()))
    return f"{runs} conversations, {answered}"


def converse(listener: socket.socket, rng: random.Random, held: list[socket.socket]) -> bytes:
    """One client with one to three requests in one or two pieces; it leaves, or stays and says nothing more."""
    client = connect(listener, f"127.0.0.{rng.randrange(2, 20)}")
    client.settimeout(ANSWER_S)
    heard = b""
    with suppress(OSError):
        for _ in range(rng.choice((0, 1, 1, 1, 3))):
            said = request(rng)
            at = rng.randrange(len(said) + 1) if rng.random() < 0.2 else len(said)
            client.sendall(said[:at])
            client.sendall(said[at:])
            heard += client.recv(1 << 18)
    if rng.random() < 0.5:
        client.close()
    else:
        held.append(client)
        if len(held) > HELD:
            held.pop(0).close()
    return heard


def connect(listener: socket.socket, source: str) -> socket.socket:
    """A connection to it, from a source address on the network."""
    client = socket.socket(listener.family)
    if listener.family == socket.AF_INET:
        client.bind((source, 0))
    client.connect(listener.getsockname())
    return client


def good_status(listener: socket.socket) -> int:
    """What the operator is answered who asks for the status."""
    with connect(listener, "127.0.0.100") as client:
        client.settimeout(GOOD_S)
        connection = http.client.HTTPConnection("machine")
        connection.sock = client
        headers = {"Host": "machine:8080", "Authorization": f"Bearer {OPERATOR.decode()}"}
        connection.request("GET", "/v1/status", headers=headers)
        return connection.getresponse().status


# --- the bench


def question(rng: random.Random) -> bytes:
    """One line for the bench: an ask with all its arguments, sound or hostile, or no ask at all."""
    ask = rng.choice(ASKS)
    members = [
        b'"%s":%s' % (name.encode(), rng.choice((*SOUND, hostile_json(rng))))
        for name in signature(getattr(Plant, ask)).parameters
        if name not in {"self", "holder"}
    ]
    line = b'{"ask":"%s","with":{%s}}' % (ask.encode(), b",".join(members))
    line = mutate(line, rng) if rng.random() < 0.3 else line
    return rng.choice((line, line, line, hostile_json(rng))) + rng.choice((b"\n", b"\n", b"\n", b""))


def fuzz_bench(seed: int, runs: int, folder: Path) -> str:
    """Let clients ask the bench; after each of them a good one must be answered."""
    profile, book, _ = load(PROFILE, BOOK)
    clock, path = ReceiptClock(), folder / "bench.sock"
    plant = Plant(profile, book, clock=clock, truth=draw(profile, book, seed))
    here, there = socket.socketpair()
    with here, there, socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen(64)

        def serve(served: Served) -> None:
            served.ready.set()
            BenchServer(plant, clock, listener, there, None).serve()

        served = Served(serve)
        served.end = lambda: here.sendall(b"x")
        try:
            for run in range(runs):
                rng = random.Random(f"{seed} bench {run}")
                with connect(listener, "") as client, suppress(OSError):
                    client.settimeout(ANSWER_S)
                    client.sendall(b"".join(question(rng) for _ in range(rng.randrange(1, 8))))
                    client.recv(1 << 18)
                with BenchClient(path) as good:
                    good.moves()
        finally:
            served.close()
            plant.close()
    return f"{runs} conversations"
