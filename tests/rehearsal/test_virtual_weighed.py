"""The guard's second pair of eyes in the whole machine: the glass, missing liquid, liquid that comes alone."""

import pytest
from msgspec.structs import replace

from controller.bench.faults import InjectedFault
from controller.errors import Refused
from controller.model.messages import Waiting
from controller.model.orders import ConsentRequest, OrderRequest
from controller.model.requests import PourRequest
from controller.model.scale import Scale
from controller.model.states import MachineState, Outcome
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import span_scale
from tests.ready_machine import BOOK, PROFILE, ready_machine

SCALE = Scale(converter="bench", capacity_g=5000.0)
WEIGHED = replace(PROFILE, scale=SCALE)
BLIND = replace(WEIGHED, inputs=replace(PROFILE.inputs, glass=None))  # only the scale sees the glass
TARES_G = {one.glass: 40.0 + 0.8 * one.brim_ml for one in BOOK.glasses}
TARED = replace(BOOK, glasses=tuple(replace(one, tare_g=TARES_G[one.glass]) for one in BOOK.glasses))
UNTARED = replace(BOOK, glasses=tuple(replace(one, tare_g=None) for one in BOOK.glasses))
TALL = next(one for one in TARED.glasses if one.glass == "tall glass")
OTHER = next(one for one in TARED.glasses if abs(TARES_G[one.glass] - TARES_G[TALL.glass]) > 25.0)
DRINK = "Orchard Fizz"


def machine_of(profile, book=TARED):
    made = ready_machine(profile, book)
    made.plant.lift_glass()
    made.pass_time(2.0)
    span_scale(made)
    made.plant.place_glass(TALL.glass)
    made.pass_time(2.0)
    return made


@pytest.fixture(params=[WEIGHED, BLIND], ids=["contact and scale", "scale alone"])
def machine(request):
    made = machine_of(request.param)
    yield made
    made.close()


def pour(machine: VirtualMachine) -> str:
    return machine.engine.pour(PourRequest(recipe=DRINK)).operation


def refused_by(machine) -> tuple[str, str]:
    """By which rule the next drink is refused, and why."""
    operation = pour(machine)
    machine.pass_time(0.5)
    refusal = machine.engine.operation(operation).refused[0]
    return refusal.rule, refusal.reason


def is_any_on(machine) -> bool:
    return any(line.contact_closed for line in machine.plant.report().lines)


def test_a_glass_that_fits_is_poured_into(machine):
    view = machine.finish(pour(machine))
    assert view.outcome == Outcome.DONE
    machine.pass_time(10.0)
    assert machine.engine.status().fault is None


def test_another_glass_is_refused_by_its_name_and_one_with_something_in_it_too(machine):
    machine.plant.lift_glass()
    machine.pass_time(2.0)
    machine.plant.place_glass(OTHER.glass)
    machine.pass_time(2.0)
    rule, reason = refused_by(machine)
    assert rule == "glass_weight"
    assert f"an empty {OTHER.glass} stands there, not the {TALL.glass}" in reason
    machine.plant.lift_glass()
    machine.pass_time(2.0)
    machine.plant.place_glass(TALL.glass)
    machine.plant.add_ice(47.0)
    machine.pass_time(2.0)
    rule, reason = refused_by(machine)
    assert rule == "glass_weight"
    assert "more than an empty tall glass: something is in it" in reason


def test_a_lifted_glass_holds_the_pour_and_goes_on_when_it_is_back(machine):
    operation = pour(machine)
    machine.pass_time(6.0)
    assert is_any_on(machine)
    machine.plant.lift_glass()
    machine.pass_time(0.45)
    assert not is_any_on(machine)
    assert machine.engine.operation(operation).waiting_for == "glass"
    machine.plant.place_glass()
    assert machine.finish(operation).outcome == Outcome.DONE


def test_a_pump_that_stalls_is_found_and_its_line_named(machine):
    operation = pour(machine)
    machine.run_until(lambda: is_any_on(machine), 5.0)
    machine.pass_time(2.5)
    running = [one.line for one in machine.plant.report().lines if one.contact_closed]
    machine.plant.inject(InjectedFault(kind="pump stalled", line=running[0]))
    machine.run_until(lambda: machine.engine.operation(operation).waiting_for is not None, 15.0)
    assert machine.engine.operation(operation).waiting == Waiting(kind="container", line=running[0])
    assert not is_any_on(machine)
    machine.plant.clear(InjectedFault(kind="pump stalled", line=running[0]))
    machine.engine.confirm(operation)
    assert machine.finish(operation).outcome == Outcome.DONE


def test_liquid_that_comes_alone_latches_a_fault_and_ice_a_knock_and_a_hand_do_not(machine):
    machine.finish(pour(machine))
    machine.pass_time(2.0)
    for act in (
        lambda: machine.plant.add_ice(20.0),
        lambda: machine.plant.knock(30.0),
        lambda: machine.plant.lean(300.0, 2.0),
    ):
        act()
        machine.pass_time(4.0)
    assert machine.engine.status().fault is None
    machine.plant.inject(InjectedFault(kind="siphon", line=1, amount=1.0))
    machine.pass_time(8.0)
    assert machine.engine.status().fault == "gain at rest"
    assert machine.engine.status().state == MachineState.ABORTED


def test_without_its_scale_a_machine_goes_on_only_where_a_contact_sees_the_glass(machine):
    operation = pour(machine)
    machine.pass_time(6.0)
    machine.plant.inject(InjectedFault(kind="scale silent"))
    machine.pass_time(0.8)
    if machine.engine.status().inputs is not None and machine.plant.contacts().get("glass") is not None:
        assert machine.finish(operation).outcome == Outcome.DONE
    else:
        assert not is_any_on(machine)
        assert machine.engine.operation(operation).waiting_for == "glass"


def test_nothing_is_poured_on_the_word_of_a_scale_that_is_silent():
    machine = machine_of(BLIND)
    machine.plant.inject(InjectedFault(kind="scale silent"))
    machine.pass_time(1.0)
    assert refused_by(machine)[0] == "glass"
    machine.close()


def test_a_scale_that_falls_silent_while_suspects_are_tried_holds_the_pour(machine):
    operation = pour(machine)
    machine.run_until(lambda: is_any_on(machine), 5.0)
    machine.pass_time(2.5)
    running = [one.line for one in machine.plant.report().lines if one.contact_closed]
    machine.plant.inject(InjectedFault(kind="pump stalled", line=running[0]))
    machine.run_until(lambda: not is_any_on(machine), 5.0)
    assert machine.engine.operation(operation).waiting is None  # the suspects are about to be tried
    machine.plant.inject(InjectedFault(kind="scale silent"))
    machine.run_until(lambda: machine.engine.operation(operation).waiting is not None, 10.0)
    assert not is_any_on(machine)


def test_a_scale_that_was_silent_for_a_while_does_not_make_the_full_glass_a_fresh_one(machine):
    machine.finish(pour(machine))
    machine.pass_time(2.0)
    machine.plant.inject(InjectedFault(kind="scale silent"))
    machine.pass_time(3.0)
    machine.plant.clear(InjectedFault(kind="scale silent"))
    machine.pass_time(1.0)
    assert machine.engine.status().inputs.glass_present
    with pytest.raises(Refused, match="fresh_glass"):
        pour(machine)


def put_back(machine):
    machine.plant.lift_glass()
    machine.pass_time(2.0)
    machine.plant.place_glass()


def loose_cable(machine):
    """No load is shown for two seconds: what stands there is pulled up by as much as it weighs."""
    machine.plant.lean(-machine.engine.status().scale.load_g, 2.0)


def take_away(machine):
    machine.plant.lift_glass()
    machine.pass_time(2.0)
    machine.plant.place_glass(TALL.glass)


@pytest.mark.parametrize(
    ("profile", "act", "is_fresh"),
    [
        pytest.param(WEIGHED, put_back, False, id="put back"),
        pytest.param(BLIND, loose_cable, False, id="a loose cable"),
        pytest.param(BLIND, take_away, True, id="taken away"),
    ],
)
def test_only_what_weighs_something_else_than_the_full_glass_counts_as_another_one(profile, act, is_fresh):
    """The book states no tares."""
    machine = machine_of(profile, UNTARED)
    machine.finish(pour(machine))
    machine.pass_time(2.0)
    act(machine)
    machine.pass_time(3.5)
    assert machine.engine.status().inputs.fresh_glass is is_fresh
    if not is_fresh:
        with pytest.raises(Refused, match="fresh_glass"):
            pour(machine)
        take_away(machine)
        machine.pass_time(1.5)
        assert machine.engine.status().inputs.fresh_glass
    machine.close()


def test_a_guest_who_lifts_the_empty_glass_and_sets_it_down_again_may_begin():
    """As the refusal of a guest's consent says; a drink was poured into the glass before, and no tare is stated."""
    machine = machine_of(replace(BLIND, inputs=replace(BLIND.inputs, guests_may_consent=True)), UNTARED)
    machine.finish(pour(machine))
    machine.pass_time(2.0)
    placed = machine.engine.orders.place(OrderRequest(recipe=DRINK, key="1"), "anne")
    take_away(machine)
    machine.pass_time(20.0)
    put_back(machine)
    machine.pass_time(3.0)
    consent = ConsentRequest(order=placed.order.order, secret=placed.secret)
    asked = machine.engine.orders.consent(consent, who="guest", owner="anne")
    assert machine.finish(asked.operation).outcome == Outcome.DONE
    machine.close()
