"""Orders over the local network: what a guest's phone may ask, what it is told, and what it is not."""

import asyncio
import json

import pytest

from controller.engine.http.access import GUEST_AT_ONCE, Door, place
from controller.engine.http.application import application
from controller.engine.http.asking import BODY_BYTES
from controller.engine.http.events import EventRing
from controller.engine.http.shares import Places
from controller.engine.http.tokens import Tokens
from tests.engine.lan_parts import GUEST, OPERATOR
from tests.ready_machine import without_glass


class Connection:
    """One that stays open."""

    origin, waits_for_client = "192.168.1.77", True

    def abort(self):
        """Nobody closes it here."""


class Network:
    """A machine that could pour, behind its door; `ask` speaks as one phone."""

    def __init__(self, machine, tokens_file):
        self.machine, self._connections = machine, {}
        app = application(machine.engine, EventRing(machine.engine), lambda: machine.pass_time(0.1))
        known, clock = place("192.168.1.5:8080", ()), machine.clock
        self._door = Door(app, known, Tokens(tokens_file, clock), clock, Places(clock))

    def guest(self):
        return self.ask("POST", "/v1/guests", GUEST)[1]["token"]

    def ask(self, method, path, token, body=None, *, raw=None):
        content = raw if raw is not None else b"" if body is None else json.dumps(body).encode()
        headers = {"host": "192.168.1.5:8080", "content-type": "application/json", "authorization": f"Bearer {token}"}
        scope = {
            "type": "http", "method": method, "path": path, "raw_path": path.encode(), "root_path": "",
            "query_string": b"", "client": ("192.168.1.77", 40_000),
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
            "state": {"connection": self._connections.setdefault(token, Connection())},
        }  # fmt: skip
        answer = []

        async def receive():
            return {"type": "http.request", "body": content}

        async def send(message):
            answer.append(message)

        asyncio.run(self._door(scope, receive, send))
        text = b"".join(one.get("body", b"") for one in answer[1:])
        return answer[0]["status"], json.loads(text) if text else {}

    def wait(self):
        """Long enough for all paces."""
        self.machine.pass_time(30.0)


@pytest.fixture(scope="module")
def machine():
    made = without_glass()
    yield made
    made.close()


@pytest.fixture
def network(machine, tokens_file):
    return Network(machine, tokens_file)


def order(key="1", **more):
    return {"recipe": "Lime Soda", "key": key} | more


def test_a_guest_orders_sees_it_and_withdraws_it(network):
    token = network.guest()
    status, placed = network.ask("POST", "/v1/orders", token, order(name="Robin"))
    assert (status, placed["order"]["state"], len(placed["secret"]) > 20) == (201, "called", True)
    path = f"/v1/orders/{placed['order']['order']}"
    assert network.ask("GET", path, token)[1]["name"] == "Robin"
    assert network.ask("GET", f"{path}/plan", token) == (200, [])
    assert [one["order"] for one in network.ask("GET", "/v1/orders", token)[1]["orders"]] == [placed["order"]["order"]]
    assert "secret" not in json.dumps(network.ask("GET", "/v1/orders", OPERATOR)[1])
    assert network.ask("POST", f"{path}/withdraw", token)[1]["state"] == "withdrawn"
    assert network.ask("POST", f"{path}/withdraw", token)[0] == 200


def test_nothing_of_another_guests_order_is_there(network):
    owner, other = network.guest(), network.guest()
    path = f"/v1/orders/{network.ask('POST', '/v1/orders', owner, order())[1]['order']['order']}"
    asked = [("GET", path), ("GET", f"{path}/plan"), ("POST", f"{path}/withdraw"), ("POST", f"{path}/consent")]
    assert [network.ask(method, one, other, {} if method == "POST" else None)[0] for method, one in asked] == [404] * 4
    for verb in ("call", "nod", "taken", "again", "move", "refuse"):
        assert network.ask("POST", f"{path}/{verb}", owner, {})[0] == 403
        network.wait()
    assert network.ask("POST", "/v1/orders/forget", owner)[0] == 403
    network.ask("POST", f"{path}/withdraw", owner)


def test_two_phones_at_once_get_one_drink_each_and_the_same_tap_twice_gets_one(network):
    phones = [network.guest(), network.guest()]
    found = [network.ask("POST", "/v1/orders", token, order()) for token in (*phones, *phones)]
    assert [status for status, _ in found] == [201] * 4
    first, second = found[0][1]["order"]["order"], found[1][1]["order"]["order"]
    assert [told["order"]["order"] for _, told in found] == [first, second, first, second]
    assert network.machine.engine.orders.queue().waiting == 2
    for token, number in zip(phones, (first, second), strict=True):
        network.ask("POST", f"/v1/orders/{number}/withdraw", token)


def test_a_guests_phone_does_not_pour_where_the_profile_does_not_say_so(network):
    token = network.guest()
    placed = network.ask("POST", "/v1/orders", token, order())[1]
    network.machine.plant.place_glass("tumbler")
    network.machine.pass_time(1.0)
    path, said = f"/v1/orders/{placed['order']['order']}", {"secret": placed["secret"]}
    status, told = network.ask("POST", f"{path}/consent", token, said)
    assert (status, told["rule"]) == (409, "consent")
    assert not network.machine.plant.moves()
    network.machine.plant.lift_glass()
    network.machine.pass_time(2.0)
    network.ask("POST", f"{path}/withdraw", token)


@pytest.mark.parametrize(
    "name",
    [
        "<script>alert(1)</script>",
        "Robin & Jo",
        "Robin\n",
        "\u202eniboR",
        "Jo\u2028",
        "\u009b2J",
        "Jo\u0085",
        "\u200fJo",
        "x" * 41,
    ],
)
def test_a_name_that_could_be_markup_or_more_than_a_line_is_refused(network, name):
    assert network.ask("POST", "/v1/orders", network.guest(), order(name=name))[0] == 422


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"recipe": "Lime Soda"}, 422),
        ({"recipe": "Lime Soda", "key": ""}, 422),
        ({"recipe": "Lime Soda", "key": "k" * 81}, 422),
        ({"recipe": "Lime Soda", "key": "1", "times": 21}, 422),
        ({"recipe": "Lime Soda", "key": "1", "empty_glass": True}, 422),
        ({"recipe": "Tar", "key": "1"}, 422),
    ],
)
def test_an_order_that_makes_no_sense_is_refused_and_places_nothing(network, body, status):
    assert network.ask("POST", "/v1/orders", network.guest(), body)[0] == status
    assert network.machine.engine.orders.queue().waiting == 0


def test_a_body_over_the_limit_is_refused(network):
    raw = b'{"recipe": "' + b"x" * BODY_BYTES + b'"}'
    assert network.ask("POST", "/v1/orders", network.guest(), raw=raw)[0] == 413


def test_one_guest_who_floods_waits_and_the_others_do_not(network):
    busy, calm = network.guest(), network.guest()
    answers = {network.ask("GET", "/v1/orders", busy)[0] for _ in range(int(GUEST_AT_ONCE) + 1)}
    assert answers == {200, 429}
    network.machine.pass_time(5.0)
    assert network.ask("GET", "/v1/orders", calm)[0] == 200
