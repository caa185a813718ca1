"""The operator's words about orders: each reaches the engine as the order that the number stands for."""

import json

import pytest

ORDER = {"recipe": "Orchard Fizz", "at_wall_s": 0.0, "glass": "tumbler"}
CALLED = ORDER | {"order": 17, "number": 3, "state": "called", "name": "Robin", "ahead": ["add four cubes of ice"]}
PLACED = ORDER | {
    "order": 18,
    "number": 4,
    "state": "placed",
    "wait_s": 120.0,
    "needs_nod": True,
    "needs": [{"code": "nod", "text": "you agree"}],
}
HOUSE = {"waiting": 20, "each_guest": 2, "alcohol": "nod", "call_lasts_s": 120.0, "handling_s": 25.0}
QUEUE = {
    "at_wall_s": 0.0, "closed": "", "waiting": 2, "wait_s": 60.0, "needs": [], "last_orders": False, "house": HOUSE,
}  # fmt: skip
ORDERS = {
    "queue": QUEUE,
    "orders": [CALLED, PLACED],
    "short": [{"code": "short", "text": "soda: 120 mL short, 40 mL left"}],
}


@pytest.fixture
def queue(engine):
    engine.answers["GET", "orders"] = 200, ORDERS
    return engine


def test_the_list_shows_who_waits_what_is_needed_and_what_to_prepare(tundish, queue):
    shown = tundish("orders")
    assert shown.exit_code == 0
    for text in ("Will run out: soda", "Robin", "2 min", "you agree", "3: add four cubes of ice"):
        assert text in shown.output
    assert json.loads(tundish("orders", "--json").output)["orders"][0]["order"] == 17


@pytest.mark.parametrize(
    ("words", "address", "body"),
    [
        (("call", "4"), "orders/18/call", None),
        (("agree", "4"), "orders/18/nod", None),
        (("taken", "3"), "orders/17/taken", None),
        (("again", "3"), "orders/17/again", None),
        (("withdraw", "4"), "orders/18/withdraw", None),
        (("move", "4", "1"), "orders/18/move", {"order": 18, "place": 1}),
        (("refuse", "4", "--reason", "no ice"), "orders/18/refuse", {"order": 18, "reason": "no ice"}),
    ],
)
def test_each_word_is_about_the_order_with_that_number(tundish, queue, words, address, body):
    queue.answers["POST", address] = 200, PLACED
    assert tundish("orders", *words).exit_code == 0
    assert queue.bodies(address) == [body]


def test_an_unknown_order_number_is_reported(tundish, queue):
    shown = tundish("orders", "call", "9")
    assert (shown.exit_code, "there is no order 9" in shown.output) == (1, True)


def test_placing_sends_a_key_so_that_it_can_be_repeated(tundish, queue):
    queue.answers["POST", "orders"] = 201, {"order": PLACED, "secret": "x"}
    assert tundish("orders", "place", "Orchard Fizz", "--key", "table 4", "--name", "Robin").exit_code == 0
    (sent,) = [body for method, address, body in queue.asked if (method, address) == ("POST", "orders")]
    assert (sent["recipe"], sent["key"], sent["name"]) == ("Orchard Fizz", "table 4", "Robin")
