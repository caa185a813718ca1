"""A party of 150 phones behind one address: live events, 20 orders a minute, and an operator who serves them.

python3 tests benchmarks phones [--minutes 10] [--phones 150] [--orders 20] [--seed 1]

Bench, guard and engine as real processes; the phones speak to the engine's listener on the network, each with a token
of its own, a stream of events that stays open, and requests beside it. The operator sets glasses down, consents, and
stops every fourth pour halfway. Orders that find the queue full must be refused by its rule, once each, and no key
may place two. Before the party each drink is poured once while nobody asks anything, to compare. Beside it a bare
loop sleeps as long as a beat: what this computer itself delays. The last line sums up; exit code 1 when the engine with
its planner takes more than 90 MB (PSS), a heartbeat is more than 50 ms later than the bare loop ever was, an answer to
`stop` takes more than 100 ms beyond that, a stream breaks off, an order gets lost or is placed twice, a pour ends that
nobody has stopped, or a line delivers over 0.1 mL more or less than in the same drink before (by its switching).
"""

import argparse
import asyncio
import contextlib
import json
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import psutil

from controller.cli.client import address
from controller.errors import TundishError
from controller.model.messages import HEARTBEAT_S
from controller.model.network import NetworkView
from controller.model.orders import ConsentRequest, Orders, OrderState, OrderView
from controller.model.requests import PourRequest
from controller.model.views import MenuEntry, OperationView
from tests.processes.three_processes import ROOT, Processes

MOST_MB, LATE_MS, STOP_MS, SAME_ML = 90.0, 50.0, 100.0, 0.1
BARE = f"""
import asyncio, time
async def beat():
    while True:
        began_s = time.monotonic()
        await asyncio.sleep({HEARTBEAT_S})
        print(1000 * (time.monotonic() - began_s - {HEARTBEAT_S}), flush=True)
asyncio.run(beat())
"""
STOP_EVERY = 4  # pours
QUICKEST = 4  # drinks, that are ordered
SPREAD_S = 20.0  # in which all phones come
FULL = {"orders_waiting", "orders_each_guest"}  # rules by which a surplus order is refused
MB = 1024 * 1024


class Party(Processes):
    """The three processes, the engine on the network with its beats written down."""

    def __init__(self, folder: Path) -> None:
        profile = (ROOT / "hardware_profiles" / "bench_six_line.yaml").read_text()
        (folder / "profile.yaml").write_text(profile.replace("hour_servings: 60", "hour_servings: 1000"))
        super().__init__(folder, profile=folder / "profile.yaml")
        self.beats_path, self.port = folder / "beats", _free_port()

    def tundish(self, *words: str) -> "subprocess.Popen[bytes]":
        if words[0] != "engine":
            return super().tundish(*words)
        command = [sys.executable, str(ROOT / "tests/processes/slowed_engine.py"), "1", str(self.beats_path), *words]
        lan = ["--lan", f"127.0.0.1:{self.port}", "--run-dir", str(self.run_dir)]
        return subprocess.Popen([*command, *lan], stdout=self._log, stderr=self._log)

    def late_ms(self) -> list[float]:
        """How late each heartbeat was; the first after a start counts from it."""
        found, before_s = [], None
        for row in self.beats_path.read_text().splitlines():
            name, at_s = row.split()
            if name == "Heartbeat" and before_s is not None:
                found.append(1000 * (float(at_s) - before_s - HEARTBEAT_S))
            before_s = float(at_s)
        return found

    def memory_mb(self) -> float:
        """Of the engine and its worker, what they share counted once."""
        engine = psutil.Process(self.running["engine"].pid)
        shares: list[int] = [one.memory_full_info().pss for one in (engine, *engine.children(recursive=True))]
        return sum(shares) / MB


class Client:
    """One connection of one token."""

    def __init__(self, port: int, token: str) -> None:
        self._port, self._token = port, token
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None

    async def ask(self, method: str, path: str, body: object = None) -> tuple[int, dict[str, Any]]:
        """The status and the JSON of the answer; connects anew when the connection was closed meanwhile."""
        for _ in range(2):
            try:
                await self._send(method, path, body)
                assert self._reader is not None
                status, headers = await _head(self._reader)
                content = await self._reader.readexactly(int(headers.get("content-length", 0)))
                return status, json.loads(content) if content else {}
            except (OSError, asyncio.IncompleteReadError):
                self.close()
        return 0, {}

    async def events(self):
        """(name, document) of a stream as they come, until it ends."""
        await self._send("GET", "/v1/events", None)
        assert self._reader is not None
        status, _ = await _head(self._reader)
        if status != 200:
            return
        name = ""
        while line := await self._reader.readline():
            if line.startswith(b"event: "):
                name = line[7:].decode().strip()
            elif line.startswith(b"data: "):
                yield name, json.loads(line[6:])

    async def _send(self, method: str, path: str, body: object) -> None:
        if self._writer is None or self._writer.is_closing():
            self._reader, self._writer = await asyncio.open_connection("127.0.0.1", self._port, limit=1 << 20)
        content = b"" if body is None else json.dumps(body).encode()
        head = f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{self._port}\r\nAuthorization: Bearer {self._token}\r\n"
        if body is not None:
            head += f"Content-Type: application/json\r\nContent-Length: {len(content)}\r\n"
        self._writer.write(head.encode() + b"\r\n" + content)
        await self._writer.drain()

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close()
        self._writer = None


async def _head(reader: asyncio.StreamReader) -> tuple[int, dict[str, str]]:
    first = await reader.readline()
    if not first:
        raise asyncio.IncompleteReadError(b"", None)
    headers = {}
    while (line := await reader.readline()).strip():
        name, _, value = line.decode("latin-1").partition(":")
        headers[name.lower()] = value.strip()
    return int(first.split()[1]), headers


class Phone:
    """A guest: a token of their own, a stream that stays open, orders now and then."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.client = Client(port, "")
        self.states: dict[int, str] = {}  # order -> as the stream told it last
        self.placed: list[int] = []
        self.answers: Counter[str] = Counter()
        self.is_open = False
        self._stream: asyncio.Task[None] | None = None

    async def come(self, invitation: str) -> None:
        _, given = await Client(self._port, invitation).ask("POST", "/v1/guests")
        self.client = Client(self._port, given["token"])
        self._stream = asyncio.create_task(self._listen(Client(self._port, given["token"])))
        await self.client.ask("GET", "/v1/menu")

    async def _listen(self, client: Client) -> None:
        self.is_open = True
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            async for name, told in client.events():
                for one in told["orders"] if name == "orders" else [told] if name == "order" else []:
                    self.states[one["order"]] = one["state"]
        self.is_open = False

    async def order(self, recipe: str, key: str) -> None:
        """Order, and ask once more with the same key, as a phone does that lost the answer."""
        body = {"recipe": recipe, "key": key, "name": "Robin"}
        status, told = await self.client.ask("POST", "/v1/orders", body)
        if status != 201:
            self.answers[told.get("rule") or f"status {status}"] += 1
            return
        order = told["order"]["order"]
        again, repeated = await self.client.ask("POST", "/v1/orders", body)
        is_same = again == 201 and repeated["order"]["order"] == order
        self.answers["placed" if is_same else "placed twice"] += 1
        self.placed.append(order)


class Operator:
    """Serves what is called, by the Unix socket and the bench; stops every fourth pour by phone."""

    def __init__(self, machine: Party, token: str) -> None:
        self._machine, self._phone = machine, Client(machine.port, token)
        self.stop_ms: list[float] = []
        self.outcomes: Counter[str] = Counter()
        self.unasked: list[str] = []  # how pours ended that nobody had stopped
        self.whole: list[OperationView] = []  # pours that ran to their end
        self._alone: dict[str | None, dict[int, float]] = {}  # recipe -> line -> mL, with nobody there

    async def serve(self) -> None:
        """Serve until cancelled."""
        pours = 0
        while True:
            found = await asyncio.to_thread(self._machine.http.get, "orders", Orders)
            called = next((one for one in found.orders if one.state is OrderState.CALLED), None)
            if called is None:
                await asyncio.sleep(0.3)
                continue
            pours += 1
            await self._pour(called.order, called.glass, is_stopped=pours % STOP_EVERY == 0)

    async def pour_alone(self, menu: Sequence[MenuEntry]) -> None:
        """Pour each drink once while nobody asks anything."""
        for one in menu:
            await self._set_down(one.glass)
            asked = PourRequest(recipe=one.recipe)
            view = await self._end(await asyncio.to_thread(self._machine.http.post, "pours", OperationView, asked))
            self._alone[one.recipe] = {line.line: line.delivered_ml for line in view.lines}

    def off_ml(self) -> float:
        """By how much a line delivered more or less than in the same drink alone, at the most."""
        found = [abs(one.delivered_ml - self._alone[it.recipe][one.line]) for it in self.whole for one in it.lines]
        return max(found, default=0.0)

    async def _set_down(self, glass: str) -> None:
        with self._machine.bench() as bench:
            bench.lift_glass()
            await asyncio.sleep(1.5)
            bench.place_glass(glass)
        await asyncio.sleep(0.6)

    async def _end(self, view: OperationView) -> OperationView:
        """The operation at its end; hand steps are confirmed."""
        while view.outcome is None:
            await asyncio.sleep(0.2)
            view = await asyncio.to_thread(self._machine.operation, view.operation)
            if view.waiting is not None and view.waiting.is_for_a_person:
                path = address("operations", view.operation, "confirm")
                await asyncio.to_thread(self._machine.http.post, path, type(None))
        return view

    async def _pour(self, order: int, glass: str, *, is_stopped: bool) -> None:
        await self._set_down(glass)
        http, consent = self._machine.http, ConsentRequest(order=order)
        try:
            begun = await asyncio.to_thread(http.post, address("orders", order, "consent"), OperationView, consent)
        except TundishError as no:
            self.outcomes[str(no)[:60]] += 1
            await asyncio.sleep(1.0)
            return
        if is_stopped:
            await asyncio.sleep(3.0)
            began_s = time.monotonic()
            await self._phone.ask("POST", "/v1/stop")
            self.stop_ms.append(1000 * (time.monotonic() - began_s))
        view = await self._end(begun)
        self.outcomes[str(view.outcome)] += 1
        if view.outcome == "done":
            self.whole.append(view)
        if str(view.outcome) != ("stopped" if is_stopped else "done"):
            self.unasked.append(f"{view.outcome}: {view.reason}")
        if is_stopped:
            await asyncio.sleep(1.0)


async def party(machine: Party, options: argparse.Namespace) -> tuple[list[Phone], Operator, list[float]]:
    """Let the phones come, order for so many minutes while the operator serves; memory every 5 s (MB)."""
    links = await asyncio.to_thread(machine.http.post, "network/renew", NetworkView)
    operator_token, invitation = (link.partition("#token=")[2] for link in (links.operator_link, links.guest_link))
    phones, operator = [Phone(machine.port) for _ in range(options.phones)], Operator(machine, operator_token)
    menu = await asyncio.to_thread(machine.http.get, "menu", tuple[MenuEntry, ...])
    drinks = [one for one in sorted(menu, key=lambda one: one.seconds or 1e9) if not one.missing][:QUICKEST]
    quick = [one.recipe for one in drinks]
    await operator.pour_alone(drinks)
    machine.beats_path.write_text("")
    for phone in phones:
        await phone.come(invitation)
        await asyncio.sleep(SPREAD_S / len(phones))
    rng, memory = random.Random(options.seed), [machine.memory_mb()]
    serving = asyncio.create_task(operator.serve())
    watching = asyncio.create_task(_watch(machine, memory))
    for number in range(round(options.minutes * options.orders)):
        await rng.choice(phones).order(rng.choice(quick), f"order {number}")
        await asyncio.sleep(60.0 / options.orders)
        if serving.done():
            serving.result()
    for task in (serving, watching):
        task.cancel()
    await asyncio.sleep(1.0)
    return phones, operator, memory


async def _watch(machine: Party, memory: list[float]) -> None:
    while True:
        await asyncio.sleep(5.0)
        memory.append(machine.memory_mb())


def missed(
    machine: Party,
    phones: list[Phone],
    operator: Operator,
    memory: list[float],
    bare_ms: list[float],
) -> list[str]:
    """Every goal that was missed, in words with figures."""
    answers = sum((one.answers for one in phones), Counter[str]())
    placed = [order for one in phones for order in one.placed]
    known = {order: _state(machine, order) for order in placed}
    heard = {order: state for one in phones for order, state in one.states.items()}
    off_ml = operator.off_ml()
    late_ms, stop_ms, bare = machine.late_ms(), max(operator.stop_ms, default=0.0), max(bare_ms)
    unheard = [order for order, state in known.items() if heard.get(order) != state]
    goals = [
        (max(memory) <= MOST_MB, f"memory {max(memory):.1f} MB"),
        (max(late_ms) <= LATE_MS + bare, f"a heartbeat {max(late_ms):.0f} ms late"),
        (stop_ms <= STOP_MS + bare, f"stop answered after {stop_ms:.0f} ms"),
        (all(one.is_open for one in phones), f"{sum(not one.is_open for one in phones)} streams broke off"),
        (len(set(placed)) == len(placed) == answers["placed"], "an order was placed twice"),
        (set(answers) <= FULL | {"placed"}, f"answers {dict(answers)}"),
        (not operator.unasked, f"pours ended by themselves: {operator.unasked[:3]}"),
        ("lost" not in known.values(), "an order was lost"),
        (
            bool(operator.whole) and off_ml <= SAME_ML,
            f"{len(operator.whole)} whole pours, off by {off_ml:.3f} mL at most",
        ),
        (not unheard, f"{len(unheard)} orders whose phone had not heard their state"),
    ]
    print(
        f"{len(phones)} phones, {answers.total()} orders: {dict(answers)}; pours {dict(operator.outcomes)}; engine "
        f"{memory[0]:.1f} MB with all phones there, {max(memory):.1f} MB at most; {len(late_ms)} heartbeats, late by "
        f"{statistics.median(late_ms):.1f} ms at the median, {max(late_ms):.1f} ms at most "
        f"(a bare loop {bare:.1f} ms); {len(operator.stop_ms)} stops, answered after {stop_ms:.0f} ms at "
        f"most; {len(operator.whole)} whole pours, each line within {off_ml:.3f} mL of what it delivers alone"
    )
    return [text for is_reached, text in goals if not is_reached]


def main(argv: list[str] | None = None) -> int:
    """A party; 1 when a goal was missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--phones", type=int, default=150)
    parser.add_argument("--orders", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        machine = Party(Path(folder))
        try:
            machine.start_all()
            machine.prepare()
            with subprocess.Popen([sys.executable, "-c", BARE], stdout=subprocess.PIPE, text=True) as bare:
                phones, operator, memory = asyncio.run(party(machine, options))
                bare.terminate()
                bare_ms = [float(line) for line in bare.communicate()[0].splitlines() if line]
            found = missed(machine, phones, operator, memory, bare_ms)
        finally:
            machine.close()
    print(f"phones: {'missed' if found else 'reached'}{': ' if found else ''}{'; '.join(found)}")
    return int(bool(found))


def _state(machine: Party, order: int) -> str:
    try:
        return str(machine.http.get(address("orders", order), OrderView).state)
    except TundishError:
        return "lost"


def _free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


if __name__ == "__main__":
    sys.exit(main())
