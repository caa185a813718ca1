"""Orders that are over: how many are kept in memory and answers, and for how long anybody knows whose they were."""

import pytest

from controller.engine.ordering.register import OVER_KEPT, Register
from controller.model.orders import ConsentRequest, OrderRequest, OrderState
from tests.engine.test_orders_forgotten import found_in
from tests.ready_machine import ready_machine

DAY_S = 86_400.0


@pytest.fixture
def machine(tmp_path):
    made = ready_machine(ledger_path=tmp_path / "ledger.db")
    made.plant.lift_glass()
    made.pass_time(2.0)
    yield made
    made.close()


def place(machine, key, owner="anne", name=""):
    return machine.engine.orders.place(OrderRequest(recipe="Orchard Fizz", key=key, name=name), owner)


def withdraw_many(machine, count):
    for number in range(count):
        seq = place(machine, f"key {number}").order.order
        machine.engine.orders.withdraw(seq, "anne")


def failed(machine):
    seq = place(machine, "failing").order.order
    machine.plant.place_glass("tumbler")
    machine.pass_time(1.0)
    machine.engine.orders.consent(ConsentRequest(order=seq), who="operator")
    machine.pass_time(3.0)
    machine.engine.stop()
    machine.pass_time(2.0)
    return seq


def test_the_latest_and_the_failed_orders_are_kept_and_the_others_found_by_number_and_key(machine):
    seq = failed(machine)
    first = place(machine, "first", name="Robin")
    machine.engine.orders.withdraw(first.order.order, "anne")
    withdraw_many(machine, OVER_KEPT + 20)
    kept = machine.engine.orders.orders("").orders
    assert len(kept) == OVER_KEPT
    assert seq in [one.order for one in kept]
    assert first.order.order not in [one.order for one in kept]
    again = place(machine, "first", name="Robin")
    assert (again.order.order, again.secret, again.order.state) == (first.order.order, first.secret, "withdrawn")
    assert machine.engine.orders.view(first.order.order, "anne").name == "Robin"
    with pytest.raises(KeyError):
        machine.engine.orders.view(first.order.order, "ben")
    assert place(machine, "next").order.number == OVER_KEPT + 23


def test_a_restart_keeps_the_same_orders(machine):
    seq = failed(machine)
    withdraw_many(machine, OVER_KEPT + 20)
    open_one = place(machine, "open").order.order
    kept = {one.seq for one in machine.engine.orders._register.all()}
    fresh = Register(machine.engine._ledger, machine.clock)
    assert {one.seq for one in fresh.all()} == kept
    assert {seq, open_one} <= kept
    assert fresh._next_number == OVER_KEPT + 23


def test_while_the_event_goes_on_guests_are_forgotten_a_day_after_their_own_order(machine, tmp_path):
    early, late = ("Zebedee", "key of early", "owner of early"), ("Yolanda", "key of late", "owner of late")
    orders, clock, secrets = machine.engine.orders, machine.clock, {}
    for hours, (name, key, owner) in ((0.0, early), (4.0, late)):
        clock.set_wall(clock.wall_s() + hours * 3600.0)
        placed = place(machine, key, owner=owner, name=name)
        orders.withdraw(placed.order.order, owner)
        secrets[name] = (placed.order.order, placed.secret)
    for hours in (10, 9, 2):  # 23 and 25 h after the first one, 21 h after the second
        clock.set_wall(clock.wall_s() + hours * 3600.0)
        clock.move_to(clock.now_s() + 3600.0)
        clock.set_wall(clock.wall_s() - 3600.0)
        orders._register.touched_wall_s = clock.wall_s()  # as if somebody ordered just now
        assert orders.tick() is not None
        assert found_in(tmp_path, [*early, secrets["Zebedee"][1]]) == (
            [] if hours == 2 else [*early, secrets["Zebedee"][1]]
        )
    assert found_in(tmp_path, late) == list(late)
    with pytest.raises(KeyError):
        orders.view(secrets["Zebedee"][0], "")


def test_an_open_order_is_not_forgotten_however_old_it_is(machine, tmp_path):
    seq = place(machine, "open", name="Xaver").order.order
    machine.plant.place_glass("tumbler")
    machine.pass_time(1.0)
    asked = machine.engine.orders.consent(ConsentRequest(order=seq), who="operator")
    machine.finish(asked.operation)  # its glass is not taken
    machine.engine.orders._register.forget_ended_before(machine.clock.wall_s() + 10 * DAY_S)
    assert machine.engine.orders.view(seq, "anne").state is OrderState.READY
    assert found_in(tmp_path, ["Xaver"]) == ["Xaver"]
