"""The event ring: nothing is lost within it, and a stream that fell out of it begins anew."""

import asyncio
from collections.abc import AsyncGenerator
from typing import cast

import msgspec
import pytest

from controller.engine.engine import Engine
from controller.engine.http import events
from controller.engine.http.events import RING, EventRing
from controller.engine.ordering.views import News
from controller.model.book import House
from controller.model.orders import OrderState, OrderView, QueueView
from controller.model.states import MachineState, OperationKind
from controller.model.views import OperationView, Status

IDLE = Status(
    machine="bench six-line",
    book="Orchard fete",
    guard_connected=True,
    state=MachineState.IDLE,
    fault=None,
    operation=None,
    lines=(),
    inputs=None,
)


def view(number, admitted=True):
    return OperationView(
        operation=f"op{number}",
        kind=OperationKind.SERVE,
        recipe="orchard cooler",
        times=1.0,
        admitted=admitted,
        refused=(),
        waiting_for=None,
        outcome=None,
        reason="",
        lines=(),
        elapsed_s=0.0,
        planned_s=1.0,
    )


class Queue:
    """Its orders, to be watched."""

    def orders(self, owner):
        return f"orders of {owner or 'all'}"


class Source:
    """An engine to be watched."""

    def __init__(self):
        self.present, self.orders = IDLE, Queue()

    def status(self):
        return self.present

    def operation(self, operation):
        return self.present.operation


def parse(frame):
    """One frame's fields, read as the event-stream format has them (WHATWG HTML, section 9.2.6)."""
    fields = dict(line.split(": ", 1) for line in frame.decode().splitlines() if not line.startswith(":") and line)
    return fields.get("id"), fields.get("event"), msgspec.json.decode(fields["data"]) if "data" in fields else None


async def take(ring, count, last_id=None):
    stream = ring.stream(last_id)
    frames = [parse(await anext(stream)) for _ in range(count)]
    await stream.aclose()
    return frames


def ring_of(source: Source) -> EventRing:
    return EventRing(cast(Engine, source))


def test_a_stream_begins_with_the_present_status_and_goes_on_with_changes():
    async def scenario():
        ring = ring_of(Source())
        ring.publish(view(1))  # before the stream: the status has it
        stream = ring.stream(None)
        assert isinstance(stream, AsyncGenerator)
        present = [parse(await anext(stream)) for _ in range(2)]
        ring.publish(view(2))
        second = parse(await anext(stream))
        await stream.aclose()
        return *present, second

    first, orders, second = asyncio.run(scenario())
    assert (first[1], first[2]["machine"]) == ("status", "bench six-line")
    assert orders[1:] == ("orders", "orders of all")
    assert (second[1], second[2]["operation"]) == ("operation", "op2")


def order(number):
    return OrderView(order=number, number=number, recipe="orchard cooler", state=OrderState.PLACED, at_wall_s=0.0)


def test_a_guest_hears_of_own_orders_and_the_queue_and_of_nothing_else():
    queue = QueueView(at_wall_s=0.0, closed="", waiting=1, wait_s=0.0, needs=(), last_orders=False, house=House())

    async def scenario():
        ring = ring_of(Source())
        stream = ring.stream(None, "anne")
        first = parse(await anext(stream))
        ring.publish(view(1))
        for owner, one in (("ben", order(1)), ("", order(2)), ("anne", order(3)), (None, queue)):
            ring.publish_order(News(owner=owner, view=one))
        return first, [parse(await anext(stream)) for _ in range(2)]

    first, heard = asyncio.run(scenario())
    assert first[1:] == ("orders", "orders of anne")
    assert [(name, told.get("order")) for _, name, told in heard] == [("order", 3), ("queue", None)]


def test_once_guests_are_forgotten_no_stream_says_again_what_they_ordered(monkeypatch):
    monkeypatch.setattr(events, "FORGET_S", 0.0)
    queue = QueueView(at_wall_s=0.0, closed="", waiting=0, wait_s=0.0, needs=(), last_orders=True, house=House())

    async def scenario():
        ring = ring_of(Source())
        operator, guest = ring.stream(None), ring.stream(None, "anne")
        starts = [parse(await anext(operator)), parse(await anext(operator)), parse(await anext(guest))]
        ring.publish_order(News(owner="anne", view=order(1)))
        ring.publish_order(News(owner=None, view=queue, forgets=True))
        heard = [[parse(await anext(one))[1] for _ in range(2)] for one in (operator, guest)]
        await asyncio.sleep(0.001)
        resumed = [ring.stream(start[0], owner) for start, owner in zip(starts[1:], ("", "anne"), strict=True)]
        return heard, [parse(await anext(one))[1] for one in resumed]

    heard, resumed = asyncio.run(scenario())
    assert heard == [["status", "orders"], ["order", "queue"]]  # a guest still hears what became of an order
    assert resumed == ["status", "orders"]


def test_a_stream_resumes_after_the_last_id_without_loss_or_repeat():
    async def scenario():
        ring = ring_of(Source())
        (start,) = await take(ring, 1)
        for number in range(5):
            ring.publish(view(number))
        early = await take(ring, 2, last_id=start[0])
        late = await take(ring, 3, last_id=early[-1][0])
        return [frame[2]["operation"] for frame in early + late]

    assert asyncio.run(scenario()) == ["op0", "op1", "op2", "op3", "op4"]


@pytest.mark.parametrize("last_id", ["", "nonsense", "0-0", "-1", "deadbeef-3", "٣"])
def test_an_id_of_another_life_or_none_gets_the_present_status(last_id):
    async def scenario():
        ring = ring_of(Source())
        ring.publish(view(1))
        return await take(ring, 1, last_id=last_id)

    assert [frame[1] for frame in asyncio.run(scenario())] == ["status"]


def test_an_id_with_more_digits_than_any_of_ours_gets_the_present_status():
    async def scenario():
        ring = ring_of(Source())
        (start,) = await take(ring, 1)
        return await take(ring, 1, last_id=start[0].rpartition("-")[0] + "-" + "9" * 5000)

    assert [frame[1] for frame in asyncio.run(scenario())] == ["status"]


def test_a_stream_that_fell_out_of_the_ring_gets_the_present_status_once():
    async def scenario():
        ring = ring_of(Source())
        (start,) = await take(ring, 1)
        for number in range(RING + 1):
            ring.publish(view(number))
        missed = await take(ring, 1, last_id=start[0])
        kept = await take(ring, RING, last_id=start[0].rpartition("-")[0] + "-1")
        return missed, kept

    missed, kept = asyncio.run(scenario())
    assert missed[0][1] == "status"
    assert [frame[2]["operation"] for frame in kept] == [f"op{number}" for number in range(1, RING + 1)]


def test_progress_is_repeated_while_an_operation_is_under_way_and_has_no_id(monkeypatch):
    monkeypatch.setattr(events, "PROGRESS_S", 0.001)

    async def scenario():
        source = Source()
        source.present = msgspec.structs.replace(IDLE, operation=view(7))
        return await take(ring_of(source), 4)

    frames = asyncio.run(scenario())
    assert [frame[:2] for frame in frames[2:]] == [(None, "progress")] * 2


def test_an_idle_stream_shows_a_sign_of_life(monkeypatch):
    monkeypatch.setattr(events, "KEEP_ALIVE_S", 0.001)

    async def scenario():
        return await take(ring_of(Source()), 3)

    assert asyncio.run(scenario())[2] == (None, None, None)


def test_a_stream_ends_after_a_while_so_that_its_token_is_asked_for_again():
    async def scenario():
        return [frame async for frame in ring_of(Source()).stream(None, "anne", 0.0)]

    assert asyncio.run(scenario()) == []


def test_closing_the_ring_ends_its_streams_and_frees_their_places(monkeypatch):
    monkeypatch.setattr(events, "STREAMS", 1)

    async def scenario():
        ring = ring_of(Source())
        stream = ring.stream(None)
        for _ in range(2):
            await anext(stream)
        assert ring.is_full()
        waiting = asyncio.ensure_future(anext(stream, "ended"))
        await asyncio.sleep(0)
        ring.close()
        assert await waiting == "ended"
        assert not ring.is_full()

    asyncio.run(scenario())
