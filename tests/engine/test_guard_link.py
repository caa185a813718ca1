"""The wire to the guard: what it says first, how it loses and finds the guard, and when the engine is woken."""

import asyncio
from contextlib import asynccontextmanager
from typing import cast

import msgspec
import pytest

from controller.clock import RealClock
from controller.engine import guard_link
from controller.engine.engine import Engine
from controller.engine.guard_link import GuardLink, Ticker
from controller.errors import OutOfRange, RecordError, Unreachable
from controller.model.messages import (
    MAX_BYTES,
    Acknowledge,
    Changed,
    Command,
    Event,
    Heartbeat,
    Hello,
    InputReport,
    Report,
)
from controller.model.states import MachineState

REPORT = Report(
    state=MachineState.IDLE,
    fault=None,
    operation=None,
    waiting_for=None,
    lines=(),
    inputs=InputReport(stop_pressed=False),
)


class Listener:
    """Notes in order what it hears."""

    def __init__(self):
        self.heard = []
        self.deadlines = []
        self.news = asyncio.Event()

    def _note(self, what):
        self.heard.append(what)
        self.news.set()

    def on_event(self, event):
        self._note(event)

    def hello(self):
        return Hello(version=1, role="engine")

    def guard_connected(self):
        self._note("connected")

    def guard_lost(self):
        self._note("lost")

    def tick(self):
        return self.deadlines.pop(0) if self.deadlines else None

    async def until(self, what):
        async with asyncio.timeout(5):
            while what not in self.heard:
                self.news.clear()
                await self.news.wait()


class Guard:
    """A guard's socket: notes commands, says what it is told to say."""

    def __init__(self, path):
        self.path = path
        self.commands: asyncio.Queue[Command] = asyncio.Queue()
        self.writer: asyncio.StreamWriter | None = None

    async def answer(self, reader, writer):
        self.writer = writer
        while line := await reader.readline():
            await self.commands.put(msgspec.json.decode(line, type=Command))

    async def next(self):
        async with asyncio.timeout(5):
            return await self.commands.get()

    def say(self, event: Event):
        assert self.writer is not None
        self.writer.write(msgspec.json.encode(event) + b"\n")

    @asynccontextmanager
    async def listening(self):
        server = await asyncio.start_unix_server(self.answer, self.path)
        try:
            yield self
        finally:
            server.close()
            if self.writer is not None:
                self.writer.close()
            await asyncio.sleep(0)


def failed(failure: BaseException) -> None:
    pytest.fail(str(failure))


@asynccontextmanager
async def linked(path):
    listener, link = Listener(), GuardLink(path)
    ticker = Ticker(cast(Engine, listener), RealClock(), failed)
    task = asyncio.ensure_future(link.run(cast(Engine, listener), ticker))
    try:
        yield link, listener
    finally:
        task.cancel()
        await asyncio.wait([task])
        ticker.close()


def test_hello_comes_first_and_events_are_heard_in_order(tmp_path):
    async def scenario():
        async with Guard(tmp_path / "guard.sock").listening() as guard, linked(guard.path) as (link, listener):
            assert (await guard.next()).role == "engine"
            assert listener.heard == ["connected"]
            link.send(Heartbeat())
            assert await guard.next() == Heartbeat()
            changed = Changed(state=MachineState.STOPPED, reason="stop pressed")
            guard.say(REPORT)
            guard.say(changed)
            await listener.until(changed)
            assert listener.heard == ["connected", REPORT, changed]

    asyncio.run(scenario())


def test_a_lost_guard_is_reported_and_found_again(tmp_path):
    async def scenario():
        path = tmp_path / "guard.sock"
        async with linked(path) as (link, listener):
            with pytest.raises(Unreachable, match="tundish guard"):
                link.send(Heartbeat())
            async with Guard(path).listening() as guard:
                assert isinstance(await guard.next(), Hello)
            await listener.until("lost")
            with pytest.raises(Unreachable):
                link.send(Heartbeat())
            listener.heard.clear()
            path.unlink(missing_ok=True)
            async with Guard(path).listening() as guard:
                await listener.until("connected")
                assert isinstance(await guard.next(), Hello)

    asyncio.run(scenario())


@pytest.mark.parametrize(
    "words", [b"not json\n", b'{"type": "unheard of"}\n', b"x" * (MAX_BYTES + 1), b'{"a": ' + b"[" * 20_000 + b"\n"]
)
def test_an_unreadable_message_ends_the_connection(tmp_path, words):
    async def scenario():
        async with Guard(tmp_path / "guard.sock").listening() as guard, linked(guard.path) as (_, listener):
            await guard.next()
            guard.writer.write(words)
            await listener.until("lost")
            assert listener.heard == ["connected", "lost"]

    asyncio.run(scenario())


def test_a_message_over_the_limit_is_not_sent(tmp_path):
    async def scenario():
        async with Guard(tmp_path / "guard.sock").listening() as guard, linked(guard.path) as (link, _):
            await guard.next()
            with pytest.raises(OutOfRange):
                link.send(Acknowledge(cause="x" * MAX_BYTES))
            link.send(Heartbeat())
            assert await guard.next() == Heartbeat()

    asyncio.run(scenario())


def test_a_guard_that_does_not_read_is_let_go(tmp_path):
    async def scenario():
        over = asyncio.Event()

        async def never_read(_reader, writer):
            await over.wait()
            writer.close()

        server = await asyncio.start_unix_server(never_read, tmp_path / "guard.sock", limit=1)
        async with linked(tmp_path / "guard.sock") as (link, listener):
            await listener.until("connected")
            with pytest.raises(Unreachable):
                for _ in range(1000):
                    link.send(Acknowledge(cause="x" * 10_000))
            await listener.until("lost")
            over.set()
        server.close()
        await asyncio.sleep(0.01)

    asyncio.run(scenario())


def test_the_engine_backs_off_from_a_guard_that_refuses_it(tmp_path, monkeypatch):
    """Accepted means that its Report came; a guard that closes at once must not be called ten times a second."""
    waits = []
    real_sleep = asyncio.sleep

    async def note(seconds):
        waits.append(seconds)
        await real_sleep(0)

    async def scenario():
        async def close(_reader, writer):
            writer.close()

        server = await asyncio.start_unix_server(close, tmp_path / "guard.sock")
        async with linked(tmp_path / "guard.sock"):
            async with asyncio.timeout(5):
                while len(waits) < 8:
                    await real_sleep(0.001)
        server.close()

    monkeypatch.setattr("asyncio.sleep", note)
    asyncio.run(scenario())
    assert waits[0] < waits[1] < waits[2]
    assert waits[7] == guard_link.LAST_RETRY_S


def test_the_engine_is_woken_at_its_deadline_and_not_again(tmp_path):
    class LoopClock(RealClock):
        def now_s(self):
            return asyncio.get_running_loop().time()

    async def scenario():
        ticks = []

        class Sleepy(Listener):
            def tick(self):
                ticks.append(LoopClock().now_s())
                return ticks[0] + 0.02 if len(ticks) == 1 else None

        Ticker(cast(Engine, Sleepy()), LoopClock(), failed).now()
        await asyncio.sleep(0.2)
        assert len(ticks) == 2
        assert ticks[1] >= ticks[0] + 0.02

    asyncio.run(scenario())


def test_an_expected_error_keeps_the_engine_running_and_any_other_ends_it():
    async def scenario(error):
        failures: list[BaseException] = []

        class Failing(Listener):
            def tick(self):
                raise error

        ticker = Ticker(cast(Engine, Failing()), RealClock(), failures.append)
        ticker.now()
        kept = ticker.is_waiting
        ticker.close()
        return kept, failures

    assert asyncio.run(scenario(RecordError("disk full"))) == (True, [])
    bug = ZeroDivisionError()
    assert asyncio.run(scenario(bug)) == (False, [bug])
