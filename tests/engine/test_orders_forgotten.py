"""Once guests are forgotten, no file has a name, a token's owner or a secret of theirs any more."""

import shutil

import pytest

from controller.engine.ordering.queue import FORGET_S
from controller.engine.ordering.register import Register
from controller.ledger.database import Database
from controller.ledger.store import Ledger
from controller.model.orders import OrderRequest
from tests.ready_machine import ready_machine

NAMES = [f"Zebedee-{number:03d}" for number in range(60)]


@pytest.fixture
def machine(tmp_path):
    made = ready_machine(ledger_path=tmp_path / "ledger.db")
    yield made
    made.close()


def found_in(folder, words):
    content = b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())
    return [word for word in words if word.encode() in content]


def order_all(machine, names=NAMES):
    """Enough of them to split pages and free some; most are withdrawn on the way."""
    words = []
    for number, name in enumerate(names):
        owner = f"owner-of-{number:04d}"
        placed = machine.engine.orders.place(
            OrderRequest(recipe="Orchard Fizz", key=f"key-of-{number:04d}", name=name), owner
        )
        if number % 4:
            machine.engine.orders.withdraw(placed.order.order, owner)
        words += [name, owner, f"key-of-{number:04d}", placed.secret]
    return words


def test_nothing_of_a_guest_is_left_in_any_file(machine, tmp_path):
    words = order_all(machine)
    assert found_in(tmp_path, words) == words  # they do stand there until then
    machine.engine.orders.forget_guests()
    assert found_in(tmp_path, words) == []
    assert machine.engine.orders.orders("").orders == ()


def test_a_ledger_that_was_set_aside_as_damaged_goes_with_the_guests(machine, tmp_path):
    aside = [tmp_path / f"ledger.db.damaged-1{suffix}" for suffix in ("", "-wal")]
    for one in aside:
        one.write_text("Zebedee-of-before")
    (tmp_path / "note.damaged-1").write_text("of somebody else")
    assert machine.engine.orders.forget_guests().deleted == tuple(map(str, aside))
    assert found_in(tmp_path, ["Zebedee-of-before", "of somebody else"]) == ["of somebody else"]


def test_what_the_operator_wrote_of_a_guest_is_forgotten_too(machine, tmp_path):
    orders = machine.engine.orders
    placed = orders.place(OrderRequest(recipe="Orchard Fizz", key="key-of-robin"), "owner-of-robin")
    orders.refuse(placed.order.order, "Quentin has had enough")
    assert found_in(tmp_path, ["Quentin"]) == ["Quentin"]
    orders.forget_guests()
    assert found_in(tmp_path, ["Quentin"]) == []


def test_guests_are_forgotten_by_themselves_some_time_after_the_last_order(machine, tmp_path, monkeypatch):
    monkeypatch.setattr("controller.engine.ordering.queue.FORGET_S", 0.1 * FORGET_S)
    words = order_all(machine)
    for one in machine.engine.orders.orders("").orders:
        if one.place is not None:
            machine.engine.orders.withdraw(one.order, "")
    machine.pass_time(0.099 * FORGET_S)
    assert found_in(tmp_path, words) != []
    machine.pass_time(0.002 * FORGET_S)
    assert found_in(tmp_path, words) == []


def test_after_a_power_cut_before_the_log_was_emptied_the_next_start_empties_it(machine, tmp_path, monkeypatch):
    words, left = order_all(machine, NAMES[:30]), tmp_path / "left"  # few: the log is not full, and empties by itself
    with monkeypatch.context() as cut:
        files = list(tmp_path.iterdir())
        left.mkdir()
        cut.setattr(Database, "empty_log", lambda _: [shutil.copy(one, left) for one in files if one.is_file()])
        machine.engine.orders.forget_guests()
    assert found_in(left, words) == words
    ledger = Ledger(left / "ledger.db")
    assert Register(ledger, machine.clock).all() == ()
    assert found_in(left, words) == []
    ledger.close()
