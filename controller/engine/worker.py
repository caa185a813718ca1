"""A worker process: pure functions called over a socket pair, one after another.

Bytes are a length and a pickle. Both ends are ours and nobody else holds one.
"""

import asyncio
import contextlib
import os
import pickle
import signal
import socket
import struct
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import msgspec
import structlog

from controller.errors import TundishError

IDLE_S = 60.0  # a worker that is idle for so long is ended, which frees its memory
LONGEST_S = 60.0  # one answer; work is bounded by counts, so longer means that the worker hangs
LENGTH = struct.Struct("!I")


class Call(msgspec.Struct, frozen=True):
    """A function and its arguments; `key` is equal for equal arguments."""

    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    named: dict[str, Any] = {}

    @property
    def key(self) -> bytes:
        """What the answer is kept by."""
        return self.function.__qualname__.encode() + msgspec.json.encode((self.arguments, self.named))


class WorkResult(msgspec.Struct, frozen=True):
    """What a call gave, or the error of ours that it raised: kind, arguments and attributes."""

    value: Any = None
    raised: tuple[type[TundishError], tuple[Any, ...], dict[str, Any]] | None = None

    def take(self) -> Any:
        """The value; the error as the call raised it."""
        if self.raised is None:
            return self.value
        kind, arguments, attributes = self.raised
        error = kind.__new__(kind, *arguments)
        error.__dict__.update(attributes)
        raise error


def answer(call: Call) -> WorkResult:
    """Do the call."""
    try:
        return WorkResult(value=call.function(*call.arguments, **call.named))
    except TundishError as error:
        return WorkResult(raised=(type(error), error.args, error.__dict__))


class Worker:
    """A process that does calls, one after another. Started by the first, ended when idle."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._wire: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._one_at_a_time = asyncio.Lock()
        self._idle: asyncio.TimerHandle | None = None

    async def do(self, call: Call) -> WorkResult:
        """The call's answer. TundishError when the worker ends or hangs over it, twice."""
        async with self._one_at_a_time:
            if self._idle is not None:
                self._idle.cancel()
            try:
                for _ in range(2):
                    try:
                        return await asyncio.wait_for(self._exchange(pickle.dumps(call)), LONGEST_S)
                    except (OSError, EOFError, TimeoutError) as error:
                        structlog.get_logger().warning(
                            "worker_lost", call=call.function.__qualname__, error=repr(error)
                        )
                        self.close()
                raise TundishError("the worker process ended twice over this question. Ask again in a moment.")
            finally:
                self._idle = asyncio.get_running_loop().call_later(IDLE_S, self.close)

    async def _exchange(self, question: bytes) -> WorkResult:
        reader, writer = self._wire or await self._start()
        writer.write(LENGTH.pack(len(question)) + question)
        await writer.drain()
        (length,) = LENGTH.unpack(await reader.readexactly(LENGTH.size))
        found = pickle.loads(await reader.readexactly(length))
        if not isinstance(found, WorkResult):
            raise TundishError(f"the worker process failed: {found}")
        return found

    async def _start(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        ours, theirs = socket.socketpair()
        with theirs:
            command = [sys.executable, "-c", f"from {__name__} import serve; serve()"]
            self._process = subprocess.Popen(command, stdin=theirs.fileno(), stdout=theirs.fileno())
        self._wire = await asyncio.open_unix_connection(sock=ours)
        return self._wire

    def close(self) -> None:
        """End the process; the next call starts another. May be repeated."""
        if self._idle is not None:
            self._idle.cancel()
        if self._wire is not None:
            self._wire[1].close()
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        self._wire = self._process = None


def serve() -> None:
    """The worker's own loop: calls from standard input, answers to standard output, until the engine is gone."""
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    with contextlib.suppress(OSError):  # the boot service may not allow it
        os.nice(5)  # on one core the engine's loop comes first
    with os.fdopen(os.dup(0), "rb") as questions, os.fdopen(os.dup(1), "wb") as answers:
        os.dup2(2, 1)  # what is printed by chance goes to the log, not into an answer
        while header := questions.read(LENGTH.size):
            call = pickle.loads(questions.read(LENGTH.unpack(header)[0]))
            try:
                found: WorkResult | str = answer(call)
            except Exception as error:
                found = repr(error)
            body = pickle.dumps(found)
            answers.write(LENGTH.pack(len(body)) + body)
            answers.flush()
