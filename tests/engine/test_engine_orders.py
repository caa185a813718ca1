"""Orders from placing to taking, against the engine, the guard and the bench in virtual time."""

import pytest
from ready_machine import ready_machine

from controller.errors import Refused
from controller.model.order_states import NEXT
from controller.model.orders import ConsentRequest, OrderRequest, OrderState

DRINK = "Orchard Fizz"
ANNE, BEN = "anne", "ben"  # owners


@pytest.fixture
def machine():
    made = ready_machine()
    made.plant.lift_glass()
    made.pass_time(2.0)
    yield made
    made.close()


def place(machine, key="1", owner=ANNE, **more):
    return machine.engine.orders.place(OrderRequest(recipe=DRINK, key=key, **more), owner)


def set_down(machine):
    machine.plant.place_glass("tumbler")
    machine.pass_time(1.0)


def serve(machine, seq):
    set_down(machine)
    asked = machine.engine.orders.consent(ConsentRequest(order=seq), who="operator")
    machine.finish(asked.operation)
    return asked.operation


def state(machine, seq):
    return machine.engine.orders.view(seq, "").state


def test_an_order_is_called_poured_with_consent_and_taken(machine):
    placed = place(machine).order
    assert (placed.state, placed.place, placed.number) == (OrderState.CALLED, 1, 1)
    machine.pass_time(3.0)
    assert not machine.plant.moves()
    serve(machine, placed.order)
    assert state(machine, placed.order) is OrderState.READY
    machine.plant.lift_glass()
    machine.pass_time(1.0)
    assert state(machine, placed.order) is OrderState.TAKEN


def test_the_next_glass_is_called_while_one_pours(machine):
    first, second = place(machine).order.order, place(machine, owner=BEN).order.order
    assert state(machine, second) is OrderState.PLACED
    set_down(machine)
    machine.engine.orders.consent(ConsentRequest(order=first), who="operator")
    machine.pass_time(2.0)
    assert (state(machine, first), state(machine, second)) == (OrderState.POURING, OrderState.CALLED)


def test_a_request_that_comes_again_places_and_pours_once(machine):
    first = place(machine)
    assert place(machine).order.order == first.order.order
    assert place(machine).secret == first.secret
    assert place(machine, owner=BEN).order.order != first.order.order  # another guest's key is another key
    set_down(machine)
    asked = [machine.engine.orders.consent(ConsentRequest(order=first.order.order), who="operator") for _ in range(2)]
    machine.finish(asked[0].operation)
    assert asked[0] == asked[1]
    assert len([one for one in machine.engine.history(50) if one.recipe == DRINK]) == 1


def test_without_a_fresh_glass_nothing_is_poured_and_the_order_waits_on(machine):
    seq = place(machine).order.order
    with pytest.raises(Refused, match=r"fresh_glass|glass"):
        machine.finish(machine.engine.orders.consent(ConsentRequest(order=seq), who="operator").operation)
    machine.pass_time(1.0)
    assert state(machine, seq) is OrderState.CALLED
    serve(machine, seq)
    assert state(machine, seq) is OrderState.READY


def test_a_guest_sees_and_withdraws_own_orders_only(machine):
    seq = place(machine).order.order
    with pytest.raises(KeyError):
        machine.engine.orders.view(seq, BEN)
    with pytest.raises(KeyError):
        machine.engine.orders.withdraw(seq, BEN)
    assert machine.engine.orders.orders(BEN).orders == ()
    assert machine.engine.orders.withdraw(seq, ANNE).state is OrderState.WITHDRAWN
    assert machine.engine.orders.withdraw(seq, ANNE).state is OrderState.WITHDRAWN


def test_every_state_stands_in_the_table():
    assert set(NEXT) == set(OrderState)
