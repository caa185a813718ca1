"""Orders from placing to taking, against the engine, the guard and the bench in virtual time."""

import pytest
from msgspec.structs import replace

from controller.config import load_profile
from controller.errors import Refused
from controller.model.messages import ButtonPressed
from controller.model.order_states import NEXT
from controller.model.orders import ConsentRequest, OrderRequest, OrderState
from controller.model.remark import said
from tests.ready_machine import BOOK, PROFILE, ready_machine, without_glass
from tests.shipped import ROOT

DRINK = "Orchard Fizz"
ANNE, BEN = "anne", "ben"  # owners


@pytest.fixture
def machine():
    made = without_glass()
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


@pytest.fixture
def trusting():
    """A machine whose profile lets guests consent by phone."""
    made = ready_machine(replace(PROFILE, inputs=replace(PROFILE.inputs, guests_may_consent=True)))
    made.plant.lift_glass()
    made.pass_time(2.0)
    yield made
    made.close()


def by_phone(machine, placed, secret):
    request = ConsentRequest(order=placed.order.order, secret=secret)
    return machine.engine.orders.consent(request, who="guest", owner=ANNE)


def test_a_guests_own_phone_consents_just_after_the_glass_was_set_down(trusting):
    placed = place(trusting)
    set_down(trusting)
    with pytest.raises(Refused, match="not the phone"):
        by_phone(trusting, placed, "guessed")
    with pytest.raises(KeyError):
        trusting.engine.orders.consent(
            ConsentRequest(order=placed.order.order, secret=placed.secret), who="guest", owner=BEN
        )
    trusting.finish(by_phone(trusting, placed, placed.secret).operation)
    assert state(trusting, placed.order.order) is OrderState.READY


def test_a_glass_that_stood_there_before_the_call_is_nobodys(trusting):
    set_down(trusting)
    placed = place(trusting)
    with pytest.raises(Refused, match="fresh glass"):
        by_phone(trusting, placed, placed.secret)


def test_a_guests_phone_is_too_late_after_fifteen_seconds(trusting):
    placed = place(trusting)
    set_down(trusting)
    trusting.pass_time(15.5)
    with pytest.raises(Refused, match="fresh glass"):
        by_phone(trusting, placed, placed.secret)


def test_a_guests_phone_consents_to_nothing_unless_the_profile_says_so(machine):
    placed = place(machine)
    set_down(machine)
    with pytest.raises(Refused, match="operator"):
        by_phone(machine, placed, placed.secret)


def rule_of(ask):
    with pytest.raises(Refused) as refused:
        ask()
    return refused.value.rule


def test_house_rules_limit_what_waits(machine):
    for number in range(2):
        place(machine, str(number))
    assert rule_of(lambda: place(machine, "3")) == "orders_each_guest"
    for number in range(18):
        place(machine, "1", owner=f"guest {number}")
    assert rule_of(lambda: place(machine, "1", owner="one more")) == "orders_waiting"
    assert place(machine, "1").order.number == 2  # asked again: it waits already
    assert machine.engine.orders.queue().waiting == 20


def test_after_the_last_orders_those_that_wait_are_served(machine):
    seq = place(machine).order.order
    machine.engine.orders.set_last_orders(True)
    assert rule_of(lambda: place(machine, "2")) == "last_orders"
    machine.restart(BOOK)
    assert rule_of(lambda: place(machine, "2")) == "last_orders"
    serve(machine, seq)
    assert state(machine, seq) is OrderState.READY


def test_orders_survive_a_restart_with_their_keys_and_secrets(machine):
    first, second = place(machine), place(machine, owner=BEN)
    machine.restart(BOOK)
    assert place(machine).secret == first.secret
    assert [one.order for one in machine.engine.orders.orders("").orders] == [first.order.order, second.order.order]
    serve(machine, first.order.order)
    assert state(machine, first.order.order) is OrderState.READY


def test_a_pour_that_ends_early_fails_and_can_be_poured_again(machine):
    seq = place(machine).order.order
    set_down(machine)
    machine.engine.orders.consent(ConsentRequest(order=seq), who="operator")
    machine.pass_time(3.0)
    machine.engine.stop()
    machine.pass_time(2.0)
    assert state(machine, seq) is OrderState.FAILED
    machine.engine.orders.again(seq)
    machine.plant.lift_glass()
    machine.pass_time(2.0)
    serve(machine, seq)
    assert state(machine, seq) is OrderState.READY


def test_an_engine_that_restarts_in_mid_pour_knows_what_became_of_it(machine):
    seq = place(machine).order.order
    set_down(machine)
    machine.engine.orders.consent(ConsentRequest(order=seq), who="operator")
    machine.pass_time(3.0)
    machine.restart(BOOK)
    machine.pass_time(1.0)
    assert state(machine, seq) is OrderState.FAILED


def phases_of(recipe):
    return next(one.phases for one in BOOK.recipes if one.recipe == recipe)


def test_an_order_whose_recipe_has_changed_since_is_not_poured_as_something_else(machine):
    seq = place(machine).order.order
    recipes = tuple(replace(one, phases=phases_of("Lime Soda")) if one.recipe == DRINK else one for one in BOOK.recipes)
    machine.restart(replace(BOOK, recipes=recipes))
    set_down(machine)
    with pytest.raises(Refused) as refused:
        machine.engine.orders.consent(ConsentRequest(order=seq), who="operator")
    assert (refused.value.rule, "lime cordial" in refused.value.asked) == ("order_changed", True)
    assert state(machine, seq) is OrderState.PLACED
    assert not machine.plant.moves()


def test_an_order_that_holds_alcohol_only_now_is_not_poured(machine):
    seq = place(machine).order.order
    liquids = tuple(replace(one, abv_percent=5.0) if one.liquid == "apple juice" else one for one in BOOK.liquids)
    machine.restart(replace(BOOK, liquids=liquids))
    set_down(machine)
    with pytest.raises(Refused, match="changed"):
        machine.engine.orders.consent(ConsentRequest(order=seq), who="operator")


def test_a_call_that_nobody_answers_expires_and_the_next_is_called(machine):
    first, second = place(machine).order.order, place(machine, owner=BEN).order.order
    machine.pass_time(126.0)
    assert (state(machine, first), state(machine, second)) == (OrderState.EXPIRED, OrderState.CALLED)


def test_the_operator_moves_calls_and_refuses(machine):
    first, second, third = (place(machine, owner=f"guest {number}").order.order for number in range(3))
    orders = machine.engine.orders
    assert orders.move(third, 2).place == 2
    assert orders.call(second).state is OrderState.CALLED
    assert state(machine, first) is OrderState.PLACED
    assert orders.refuse(second, "no more ice").reason == "no more ice"
    assert [one.order for one in orders.orders("").orders if one.place is not None] == [first, third]
    assert state(machine, first) is OrderState.CALLED


def test_waits_come_from_plans_and_handling(machine):
    """By hand: the pours before, each with 25 s of handling, rounded to 5 s."""
    seconds = [place(machine, owner=f"guest {number}").order.seconds for number in range(3)]
    waits = [one.wait_s for one in machine.engine.orders.orders("").orders]
    exact = [25.0, 25.0 + seconds[0] + 25.0, 25.0 + seconds[0] + 25.0 + seconds[1] + 25.0]
    assert waits == [5.0 * round(one / 5.0) for one in exact]


def test_a_wait_is_not_guessed_when_the_operator_is_needed(machine):
    seq = place(machine).order.order
    machine.engine.guard_lost()
    view = machine.engine.orders.view(seq, ANNE)
    assert (view.wait_s, said(view.needs)) == (None, "the machine does not answer")


@pytest.fixture
def with_button():
    """A machine with a start button, as the one with eight lines has it."""
    start = load_profile(ROOT / "hardware_profiles/bench_eight_line.yaml")[0].inputs.start
    made = ready_machine(replace(PROFILE, inputs=replace(PROFILE.inputs, start=start)))
    made.plant.lift_glass()
    made.pass_time(2.0)
    yield made
    made.close()


def press(machine):
    machine.plant.set_input("start", active=True)
    machine.pass_time(0.5)
    machine.plant.set_input("start", active=False)
    machine.pass_time(0.5)


def test_the_start_button_pours_the_called_order_once_its_glass_was_set_down(with_button):
    first, second = place(with_button).order.order, place(with_button, owner=BEN).order.order
    press(with_button)  # no glass stands there
    assert state(with_button, first) is OrderState.CALLED
    set_down(with_button)
    press(with_button)
    assert (state(with_button, first), state(with_button, second)) == (OrderState.POURING, OrderState.CALLED)
    press(with_button)  # while it pours: the second one's glass is not there
    assert state(with_button, second) is OrderState.CALLED


def test_the_guard_believes_no_press_that_it_has_not_seen(with_button):
    seq = place(with_button).order.order
    set_down(with_button)
    with_button.engine.on_event(ButtonPressed(button="start"))
    with_button.pass_time(1.0)
    assert state(with_button, seq) is OrderState.CALLED
    assert "not pressed" in with_button.engine.orders.view(seq, "").reason


def test_every_state_stands_in_the_table():
    assert set(NEXT) == set(OrderState)
