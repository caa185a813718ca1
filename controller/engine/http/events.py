"""Server-sent events of the engine: every change, resumable from a bounded ring."""

import asyncio
import re
import secrets
from collections import deque
from collections.abc import AsyncIterator
from typing import Protocol

import msgspec

from controller.model.views import OperationView, Status

RING = 256  # changes kept for clients that come back
STREAMS = 32  # open at once
PROGRESS_S = 0.2  # between two progress events while an operation is under way
KEEP_ALIVE_S = 15.0
NUMBER = re.compile("[0-9]{1,18}")

_encoder = msgspec.json.Encoder()


class Source(Protocol):
    """The part of the engine that is watched."""

    def status(self) -> Status:
        """The machine at a glance."""

    def operation(self, operation: str) -> OperationView:
        """One operation; KeyError when it is not known."""


class EventRing:
    """Changes in order, and the streams that follow them.

    A stream is only a position in the ring: a slow reader costs no memory, and one that falls out of the ring gets
    the present status instead of what it missed. Event names: `status` (Status), `operation` (OperationView), and
    `progress` (OperationView), which is repeated while pumps run and carries no id since nothing is lost with it.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._ring: deque[tuple[str, OperationView | Status]] = deque(maxlen=RING)
        self._next = 0  # number of the next change
        self._life = secrets.token_hex(4)  # ids of an earlier engine process mean nothing to this one
        self._changed = asyncio.Event()
        self._open = 0
        self._closed = False

    def publish(self, view: OperationView | Status) -> None:
        """Take one change; the engine's subscription calls this."""
        name = "status" if isinstance(view, Status) else "operation"
        self._ring.append((name, view))
        self._next += 1
        self._wake()

    def close(self) -> None:
        """End every stream."""
        self._closed = True
        self._wake()

    @property
    def is_full(self) -> bool:
        """Whether as many streams are open as may be."""
        return self._open >= STREAMS

    async def stream(self, last_id: str | None) -> AsyncIterator[bytes]:
        """Frames from after last_id on; without one, or when it is too old, beginning with the present status."""
        self._open += 1
        try:
            at = self._position(last_id)
            while not self._closed:
                if at is None or at < self._next - len(self._ring):
                    at = self._next
                    yield self._frame("status", self._source.status(), at)
                elif at < self._next:
                    name, view = self._ring[at - self._next]
                    at += 1
                    yield self._frame(name, view, at)
                elif not await self._change():
                    yield self._filler()
        finally:
            self._open -= 1

    def _position(self, last_id: str | None) -> int | None:
        life, _, number = (last_id or "").rpartition("-")
        if life != self._life or not NUMBER.fullmatch(number) or int(number) > self._next:
            return None
        return int(number)

    def _frame(self, name: str, view: OperationView | Status, number: int) -> bytes:
        return b"id: %s-%d\nevent: %s\ndata: %s\n\n" % (
            self._life.encode(),
            number,
            name.encode(),
            _encoder.encode(view),
        )

    async def _change(self) -> bool:
        """Wait for a change; False when it is time for a sign of life instead."""
        changed = self._changed
        wait_s = KEEP_ALIVE_S if self._under_way() is None else PROGRESS_S
        try:
            async with asyncio.timeout(wait_s):
                await changed.wait()
        except TimeoutError:
            return False
        return True

    def _filler(self) -> bytes:
        operation = self._under_way()
        if operation is None:
            return b": still here\n\n"
        return b"event: progress\ndata: %s\n\n" % _encoder.encode(self._source.operation(operation))

    def _under_way(self) -> str | None:
        operation = self._source.status().operation
        if operation is None or not operation.admitted or operation.outcome is not None:
            return None
        return operation.operation

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()
