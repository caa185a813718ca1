"""The engine's wire to the guard: one Unix socket, one JSON object a line, and the engine's own deadlines."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import msgspec
import structlog

from controller.clock import Clock
from controller.engine.engine import Engine
from controller.errors import OutOfRange, TundishError, Unreachable
from controller.model.decoding import decode
from controller.model.messages import MAX_BYTES, Command, Event, Refusal, Report

FIRST_RETRY_S = 0.1
LAST_RETRY_S = 2.0  # seldom enough that a missing guard costs nothing, often enough to be found at once

Observe = Callable[[Event], None]

_encoder = msgspec.json.Encoder()
_decoder: msgspec.json.Decoder[Event] = msgspec.json.Decoder(Event)


class Ticker:
    """Calls the engine at its deadlines, and never otherwise: an idle engine costs no processor time.

    `failed` is called with any error that the engine did not raise on purpose; the process should end then, since an
    engine in doubt must fall silent and let the guard switch off.
    """

    def __init__(self, engine: Engine, clock: Clock, failed: Callable[[BaseException], None]) -> None:
        self._engine, self._clock, self._failed = engine, clock, failed
        self._timer: asyncio.TimerHandle | None = None

    def now(self) -> None:
        """Let the engine do what is due and wake it again at its next deadline."""
        self.close()
        try:
            deadline_s = self._engine.tick()
        except TundishError as error:
            structlog.get_logger().error("tick_failed", error=str(error))
            deadline_s = self._clock.now_s() + LAST_RETRY_S
        except Exception as error:
            self._failed(error)
            return
        if deadline_s is not None:
            wait_s = max(0.0, deadline_s - self._clock.now_s())
            self._timer = asyncio.get_running_loop().call_later(wait_s, self.now)

    @property
    def is_waiting(self) -> bool:
        """Whether a deadline is kept."""
        return self._timer is not None

    def close(self) -> None:
        """Keep no further deadline. May be repeated."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


class GuardLink:
    """Keeps one connection to the guard, and comes back by itself when it is lost."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._writer: asyncio.StreamWriter | None = None
        self._log = structlog.get_logger().bind(guard_socket=str(path))
        self._was_missing = False

    def send(self, command: Command) -> None:
        """Send one command. Raises Unreachable while there is no guard, OutOfRange when it is over MAX_BYTES."""
        if self._writer is None or self._writer.is_closing():
            raise Unreachable(
                f"the guard does not answer at {self._path}. Start it with: tundish guard (or tundish up)"
            )
        line = _encoder.encode(command) + b"\n"
        if len(line) > MAX_BYTES:
            raise OutOfRange("message to the guard", len(line), 1, MAX_BYTES, "bytes")
        self._writer.write(line)
        if self._writer.transport.get_write_buffer_size() > MAX_BYTES:
            self._log.error("guard_does_not_read")
            self._writer.transport.abort()

    async def run(self, engine: Engine, ticker: Ticker, observe: Observe = lambda _event: None) -> None:
        """Connect, listen, and connect again, until cancelled; `observe` hears every event before the engine."""
        retry_s = FIRST_RETRY_S
        while True:
            if await self._session(engine, ticker, observe):
                retry_s = FIRST_RETRY_S
            await asyncio.sleep(retry_s)
            retry_s = min(2 * retry_s, LAST_RETRY_S)

    async def _session(self, engine: Engine, ticker: Ticker, observe: Observe) -> bool:
        """One connection from open to close; True when the guard accepted it (it then sends its Report)."""
        try:
            reader, self._writer = await asyncio.open_unix_connection(self._path, limit=MAX_BYTES)
        except OSError as error:
            if not self._was_missing:
                self._log.warning("guard_missing", error=str(error))
            self._was_missing = True
            return False
        accepted = False
        try:
            self.send(engine.hello())
            engine.guard_connected()
            ticker.now()
            accepted = await self._listen(reader, engine, ticker, observe)
        except (OSError, TundishError, msgspec.DecodeError, ValueError) as error:
            self._log.error("guard_link_failed", error=str(error))
        finally:
            self._close()
        # Not when cancelled: the service ends then, and nobody needs to know.
        engine.guard_lost()
        ticker.now()
        return accepted

    async def _listen(self, reader: asyncio.StreamReader, engine: Engine, ticker: Ticker, observe: Observe) -> bool:
        accepted = False
        while line := await reader.readline():  # ValueError when a line is longer than MAX_BYTES
            event = decode(_decoder, line)
            accepted = accepted or isinstance(event, Report)
            if isinstance(event, Refusal) and event.request == "hello":
                # Another engine as yet, or what is left of the one before: ask again later.
                self._log.warning("guard_refused", request="hello", rule=event.rule, reason=event.reason)
                return False
            observe(event)
            engine.on_event(event)
            ticker.now()
        self._log.warning("guard_closed")
        return accepted

    def _close(self) -> None:
        if self._writer is not None:
            self._writer.transport.abort()
            self._writer = None
        self._was_missing = False
