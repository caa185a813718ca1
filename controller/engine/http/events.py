"""Server-sent events of the engine: every change, resumable from a bounded ring."""

import asyncio
import math
import re
import secrets
from collections import deque
from collections.abc import AsyncIterator, Iterator
from typing import Any

import msgspec

from controller.engine.engine import Engine
from controller.engine.ordering.register import OPERATOR
from controller.engine.ordering.views import News
from controller.model.orders import OrderView, QueueView
from controller.model.views import OperationView, Status

RING = 256  # changes kept for clients that come back
STREAMS = 48  # of operators, open at once
GUEST_STREAMS = 256  # and of guests
PROGRESS_S = 0.2  # between two progress events while an operation is under way
KEEP_ALIVE_S = 15.0
FORGET_S = 15.0  # after guests are forgotten, until their streams begin anew
STREAM_S = 1800.0  # a stream on the network ends after it: whoever goes on shows a token that still holds
NUMBER = re.compile("[0-9]{1,18}")

_encoder = msgspec.json.Encoder()
View = OperationView | Status | OrderView | QueueView
NAMES: dict[type[Any], str] = {Status: "status", OperationView: "operation", OrderView: "order", QueueView: "queue"}


class _Feed:
    """Changes in order, as text that is written once; an owner's are for that owner only."""

    def __init__(self) -> None:
        self.ring: deque[tuple[str | None, str, bytes]] = deque(maxlen=RING)
        self.next = 0  # number of the next change
        self.open = 0  # streams
        self.changed = asyncio.Event()

    def add(self, owner: str | None, view: View) -> None:
        self.ring.append((owner, NAMES[type(view)], _encoder.encode(view)))
        self.next += 1
        self.wake()

    def forget(self) -> None:
        """Drop every change; whoever follows gets the present state instead."""
        self.ring.clear()
        self.next += 1
        self.wake()

    def wake(self) -> None:
        self.changed.set()
        self.changed = asyncio.Event()


class EventRing:
    """Changes in order, and the streams that follow them.

    A stream is only a position in the ring: a slow reader costs no memory, and one that falls out of the ring gets
    the present state instead of what it missed. Event names: `status` (Status), `operation` (OperationView), `order`
    (OrderView), `queue` (QueueView), `orders` (Orders, at the begin of a stream), and `progress` (OperationView), which
    is repeated while pumps run and carries no id since nothing is lost with it. Guests have a ring of their own, with
    the queue and their own orders: what pumps do wakes none of them.
    """

    def __init__(self, source: Engine) -> None:
        self._source = source
        self._operators, self._guests = _Feed(), _Feed()
        self._life = secrets.token_hex(4)  # ids of an earlier engine process mean nothing to this one
        self._closed = False

    def publish(self, view: OperationView | Status) -> None:
        """Take one change; the engine's subscription calls this."""
        self._operators.add(None, view)

    def publish_order(self, news: News) -> None:
        """Take one change of an order or of the queue; the queue's subscription calls this."""
        if news.forgets:
            self._operators.forget()
            # Guests first see what became of their own orders.
            asyncio.get_running_loop().call_later(FORGET_S, self._guests.forget)
        self._operators.add(None, news.view)
        if news.owner != OPERATOR:
            self._guests.add(news.owner, news.view)

    def close(self) -> None:
        """End every stream."""
        self._closed = True
        self._operators.wake()
        self._guests.wake()

    def is_full(self, owner: str = OPERATOR) -> bool:
        """Whether as many streams are open as may be."""
        return self._operators.open >= STREAMS if owner == OPERATOR else self._guests.open >= GUEST_STREAMS

    async def stream(
        self, last_id: str | None, owner: str = OPERATOR, lasts_s: float = math.inf
    ) -> AsyncIterator[bytes]:
        """Frames from after last_id on; without one, or when it is too old, beginning with the present state."""
        feed = self._operators if owner == OPERATOR else self._guests
        feed.open += 1
        try:
            at, clock = self._position(last_id, feed), asyncio.get_running_loop().time
            ends_s = clock() + lasts_s
            while not self._closed and clock() < ends_s:
                if at is None or at < feed.next - len(feed.ring):
                    at = feed.next
                    for frame in self._present(owner, at):
                        yield frame
                elif at < feed.next:
                    whose, name, text = feed.ring[at - feed.next]
                    at += 1
                    if whose in (None, owner):
                        yield self._frame(name, text, at)
                elif not await self._change(feed, owner):
                    yield self._filler(owner)
        finally:
            feed.open -= 1

    def _position(self, last_id: str | None, feed: _Feed) -> int | None:
        life, _, number = (last_id or "").rpartition("-")
        if life != self._life or not NUMBER.fullmatch(number) or int(number) > feed.next:
            return None
        return int(number)

    def _present(self, owner: str, number: int) -> Iterator[bytes]:
        if owner == OPERATOR:
            yield self._frame("status", _encoder.encode(self._source.status()), number)
        yield self._frame("orders", _encoder.encode(self._source.orders.orders(owner)), number)

    def _frame(self, name: str, text: bytes, number: int) -> bytes:
        return b"id: %s-%d\nevent: %s\ndata: %s\n\n" % (self._life.encode(), number, name.encode(), text)

    async def _change(self, feed: _Feed, owner: str) -> bool:
        """Wait for a change; False when it is time for a sign of life instead."""
        changed = feed.changed
        wait_s = PROGRESS_S if owner == OPERATOR and self._under_way() is not None else KEEP_ALIVE_S
        try:
            async with asyncio.timeout(wait_s):
                await changed.wait()
        except TimeoutError:
            return False
        return True

    def _filler(self, owner: str) -> bytes:
        operation = self._under_way() if owner == OPERATOR else None
        if operation is None:
            return b": still here\n\n"
        return b"event: progress\ndata: %s\n\n" % _encoder.encode(self._source.operation(operation))

    def _under_way(self) -> str | None:
        operation = self._source.status().operation
        if operation is None or not operation.admitted or operation.outcome is not None:
            return None
        return operation.operation
