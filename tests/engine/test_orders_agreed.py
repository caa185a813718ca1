"""What is poured is what whoever ordered it agreed to; what has changed since is asked about again."""

import pytest
from msgspec.structs import replace

from controller.engine.ordering.agreed import differences
from controller.errors import Refused
from controller.ledger.orders import Drink
from controller.model.orders import AgreeRequest, ConsentRequest, Difference, OrderRequest, OrderState
from tests.ready_machine import BOOK, without_glass

THEN = Drink(
    glass="tall glass", volume_ml=150.0, ethanol_g=7.9, seconds=40.0, doses_ml={"perry": 110.0, "soda": 40.0},
    abv_percent=6.6, allergens=("sulphites",), may_contain=("milk",),
)  # fmt: skip


@pytest.fixture
def machine():
    made = without_glass()
    yield made
    made.close()


def with_liquid(name, **more):
    return replace(BOOK, liquids=tuple(replace(one, **more) if one.liquid == name else one for one in BOOK.liquids))


def place(machine, recipe="Orchard Fizz", **more):
    return machine.engine.orders.place(OrderRequest(recipe=recipe, key="1", **more), "anne").order.order


@pytest.mark.parametrize(
    ("now", "said"),
    [
        ({}, []),
        ({"doses_ml": {"perry": 113.2, "soda": 41.9}}, []),  # by hand: 3 % of 113.2 mL are 3.4 mL; 2 mL below 100 mL
        ({"doses_ml": {"perry": 114.0, "soda": 40.0}}, ["perry: 114 mL instead of 110 mL"]),
        ({"doses_ml": {"perry": 110.0, "soda": 42.1}}, ["soda: 42 mL instead of 40 mL"]),
        ({"doses_ml": {"perry": 110.0}}, ["soda: 0 mL instead of 40 mL"]),
        ({"abv_percent": 6.7}, ["6.7 % vol instead of 6.6 % vol"]),
        ({"ethanol_g": 0.0}, ["0.0 g of alcohol instead of 7.9 g"]),
        ({"allergens": ("gluten", "sulphites")}, ["made with gluten"]),
        ({"allergens": ("milk", "sulphites"), "may_contain": ()}, ["made with milk"]),
        ({"may_contain": ("celery", "milk")}, ["traces of celery possible"]),
        ({"allergens": (), "may_contain": ("milk", "sulphites")}, []),
        ({"allergens": (), "may_contain": ()}, []),
    ],
)
def test_what_counts_as_another_drink(now, said):
    assert list(map(str, differences(replace(THEN, **now), THEN))) == said


def test_an_order_from_before_allergens_were_kept_is_compared_by_the_rest():
    old = replace(THEN, abv_percent=None, allergens=None, may_contain=None)
    assert differences(replace(THEN, allergens=("nuts",), abv_percent=9.0), old) == ()
    assert differences(replace(THEN, doses_ml={"perry": 110.0}), old) != ()


def test_an_allergen_that_the_book_has_now_is_asked_about_before_the_glass_is_called(machine):
    seq = place(machine)
    assert machine.engine.orders.view(seq, "anne").state is OrderState.CALLED
    machine.restart(with_liquid("apple juice", allergens=("celery",)))
    machine.pass_time(1.0)
    seen = machine.engine.orders.view(seq, "anne")
    assert (seen.state, seen.changed) == (OrderState.PLACED, (Difference(about="made_with", what="celery"),))
    assert seen.wait_s is None
    assert [one.code for one in seen.needs] == ["agreement"]
    for ask in (
        lambda: machine.engine.orders.call(seq),
        lambda: machine.engine.orders.agree(AgreeRequest(order=seq, changed=()), "anne"),
    ):
        with pytest.raises(Refused) as refused:
            ask()
        assert (refused.value.rule, refused.value.asked) == ("order_changed", "made with celery")
    with pytest.raises(KeyError):
        machine.engine.orders.agree(AgreeRequest(order=seq, changed=seen.changed), "ben")
    agreed = machine.engine.orders.agree(AgreeRequest(order=seq, changed=seen.changed), "anne")
    assert (agreed.state, agreed.changed) == (OrderState.CALLED, ())
    machine.plant.place_glass("tumbler")
    machine.pass_time(1.0)
    asked = machine.engine.orders.consent(ConsentRequest(order=seq), who="operator")
    machine.finish(asked.operation)
    assert machine.engine.orders.view(seq, "anne").state is OrderState.READY


def test_alcohol_that_came_into_a_drink_waits_for_the_nod_after_the_guest_has_agreed(machine):
    seq = place(machine)
    machine.restart(with_liquid("apple juice", abv_percent=5.0))
    machine.pass_time(1.0)
    changed = machine.engine.orders.view(seq, "anne").changed
    assert [one.about for one in changed] == ["alcohol"]
    agreed = machine.engine.orders.agree(AgreeRequest(order=seq, changed=changed), "anne")
    assert (agreed.state, agreed.needs_nod, agreed.ethanol_g > 0) == (OrderState.PLACED, True, True)


def test_an_allergen_of_another_line_makes_a_new_trace(machine):
    seq = place(machine)
    machine.restart(with_liquid("lime cordial", allergens=("celery",)))
    machine.pass_time(1.0)
    assert [str(one) for one in machine.engine.orders.view(seq, "anne").changed] == ["traces of celery possible"]


def test_a_recipe_that_is_gone_cannot_be_agreed_to(machine):
    seq = place(machine)
    machine.restart(replace(BOOK, recipes=tuple(one for one in BOOK.recipes if one.recipe != "Orchard Fizz")))
    machine.pass_time(1.0)
    changed = machine.engine.orders.view(seq, "anne").changed
    assert [one.about for one in changed] == ["gone"]
    with pytest.raises(Refused, match="no recipe"):
        machine.engine.orders.agree(AgreeRequest(order=seq, changed=changed), "anne")
    assert machine.engine.orders.withdraw(seq, "anne").state is OrderState.WITHDRAWN


def test_others_are_called_while_one_is_asked_about(machine):
    place(machine)
    other = machine.engine.orders.place(OrderRequest(recipe="Lime Soda", key="1"), "ben").order.order
    recipes = tuple(
        replace(one, phases=next(it.phases for it in BOOK.recipes if it.recipe == "Lime Soda"))
        if one.recipe == "Orchard Fizz"
        else one
        for one in BOOK.recipes
    )
    machine.restart(replace(BOOK, recipes=recipes))
    machine.pass_time(1.0)
    assert machine.engine.orders.view(other, "ben").state is OrderState.CALLED


def test_an_order_is_not_asked_about_while_the_guard_is_away(machine):
    seq = place(machine)
    machine.engine.guard_lost()
    assert machine.engine.orders.view(seq, "anne").changed == ()
