"""What a guest's token opens, row by row: nothing of another guest, and nothing of the machine that is not needed."""

import asyncio
import json
from contextlib import suppress

import pytest

from controller.engine.http.events import EventRing
from controller.engine.http.routes import ADDRESSES
from tests.engine.lan_parts import GUEST, OPERATOR
from tests.engine.test_http_orders import Network
from tests.ready_machine import without_glass

NAME, OTHER = "Zebedee", "Yolanda"
FINITE = [one for one in ADDRESSES if one.name != "events"]
OWN = {"order", "order_plan", "agree_to_order", "withdraw_order", "consent", "operation"}  # of whoever placed the order


@pytest.fixture(scope="module")
def machine():
    made = without_glass()
    yield made
    made.close()


@pytest.fixture
def party(machine, tokens_file):
    """A network where two guests and the operator have ordered by name, and the first one's drink pours."""
    network = Network(machine, tokens_file)
    owner, other = network.guest(), network.guest()
    body = {"recipe": "Lime Soda", "key": "1"}
    seq = network.ask("POST", "/v1/orders", owner, body | {"name": NAME})[1]["order"]["order"]
    network.ask("POST", "/v1/orders", OPERATOR, body | {"name": NAME})
    network.ask("POST", "/v1/orders", other, body | {"name": OTHER})
    machine.plant.place_glass("tumbler")
    machine.pass_time(1.0)
    operation = network.ask("POST", f"/v1/orders/{seq}/consent", OPERATOR, {"order": seq})[1]["operation"]
    yield network, owner, other, seq, operation
    machine.finish(operation)
    machine.plant.lift_glass()
    machine.pass_time(2.0)
    for one in network.ask("GET", "/v1/orders", OPERATOR)[1]["orders"]:
        network.ask("POST", f"/v1/orders/{one['order']}/withdraw", OPERATOR)


def path_of(row, seq, operation):
    return row.path.replace("{order}", str(seq)).replace("{operation}", operation).replace("{line}", "1")


def body_for(row, seq):
    if row.method == "GET":
        return None
    return {"order": seq, "changed": []} if row.name == "agree_to_order" else {"order": seq}


@pytest.mark.parametrize("row", [one for one in FINITE if one.for_guests], ids=lambda one: one.name)
def test_no_address_for_guests_tells_one_of_another(party, row):
    network, _, other, seq, operation = party
    body = {"recipe": "Lime Soda", "key": "1"} if row.name == "place_order" else body_for(row, seq)
    status, told = network.ask(row.method, path_of(row, seq, operation), other, body)
    assert NAME not in json.dumps(told)
    if row.name in OWN:
        assert status == 404
    else:
        assert status < 300 or row.name == "welcome"  # has a token already


def test_no_other_address_answers_a_guest(party):
    network, _, other, seq, operation = party
    rows = [one for one in FINITE if not one.for_guests]
    assert len(rows) > 30
    for row in rows:
        status, told = network.ask(row.method, path_of(row, seq, operation), other, body_for(row, seq))
        assert (status, NAME in json.dumps(told)) == (404 if row.name in OWN else 403, False), row.name
        network.machine.pass_time(0.5)


def test_the_invitation_itself_tells_of_no_order(party):
    network, _, _, seq, operation = party
    for row in (one for one in FINITE if one.for_guests and one.name != "welcome"):
        told = network.ask(row.method, path_of(row, seq, operation), GUEST, body_for(row, seq))
        assert NAME not in json.dumps(told)
        assert (told[0] == 200) == (row.name in ("access", "menu"))
        network.machine.pass_time(0.5)


def test_whoever_placed_the_order_follows_its_pour(party):
    network, owner, _, seq, operation = party
    assert network.ask("GET", f"/v1/operations/{operation}", owner)[1]["recipe"] == "Lime Soda"
    assert network.ask("GET", f"/v1/orders/{seq}/plan", owner)[1] != []


def test_the_stream_of_a_guest_names_no_other(machine, party):
    """Every order of others changes meanwhile; whoever listens hears of the queue and of the own order alone."""
    network, _, other, _, _ = party
    listener = network.ask("GET", "/v1/orders", other)[1]["orders"][0]["order"]

    async def heard():
        ring = EventRing(machine.engine)
        machine.engine.orders.subscribe(ring.publish_order)
        machine.engine.subscribe(ring.publish)
        owner = machine.engine.orders._register.of(listener, "").guest.owner
        frames = ring.stream(None, owner)
        told = [await anext(frames)]
        machine.engine.orders.set_last_orders(True)
        machine.pass_time(3.0)
        machine.engine.orders.refuse(listener, "")
        machine.engine.orders.set_last_orders(False)
        for one in machine.engine.orders.orders("").orders:
            if one.state == "called":
                machine.engine.orders.refuse(one.order, f"{NAME} has had enough")
        with suppress(TimeoutError):  # nothing more is said
            async with asyncio.timeout(0.5):
                while True:
                    told.append(await anext(frames))
        return b"".join(told).decode()

    text = asyncio.run(heard())
    assert OTHER in text
    assert NAME not in text
    assert "event: queue" in text
