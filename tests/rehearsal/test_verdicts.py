"""Menu and plan say what the guard would refuse, in its own words, before anybody asks to pour."""

import pytest
from msgspec.structs import replace

from controller.errors import Refused
from controller.model.messages import Judge
from controller.model.requests import PourRequest
from tests.ready_machine import PROFILE, ready_machine

TIGHT = replace(PROFILE, caps=replace(PROFILE.caps, serving_time_s=22.0))


@pytest.fixture
def machine():
    made = ready_machine(TIGHT)
    yield made
    made.close()


def judged_menu(machine):
    machine.engine.menu()
    machine.pass_time(0.1)
    assert not machine.engine.is_judging
    return {one.recipe: one for one in machine.engine.menu()}


def test_the_menu_offers_what_the_guard_admits_and_says_its_reason_for_the_rest(machine):
    menu = judged_menu(machine)
    refused = {name for name, one in menu.items() if one.missing}
    assert refused
    assert refused < set(menu)
    for name in refused:
        (reason,) = menu[name].missing
        operation = machine.engine.pour(PourRequest(recipe=name)).operation
        machine.pass_time(0.2)
        (no,) = machine.engine.operation(operation).refused
        assert (no.rule, no.reason) == ("serving_time", reason)


def test_a_plan_says_every_cap_that_it_would_break(machine):
    request = PourRequest(recipe="Orchard Fizz", times=2.0)
    machine.engine.plan(request)
    machine.pass_time(0.1)
    rules = {one.rule for one in machine.engine.plan(request).refused}
    assert rules == {"serving_volume", "serving_time", "glass"}


def test_the_guard_is_asked_once_about_each_plan_and_never_while_pumps_run(machine, monkeypatch):
    asked = []
    handle = machine.guard.handle

    def heard(client, command):
        if isinstance(command, Judge):
            asked.append(command)
        handle(client, command)

    monkeypatch.setattr(machine.guard, "handle", heard)
    menu = judged_menu(machine)
    first = len(asked)
    assert first == len(menu)
    judged_menu(machine)
    assert len(asked) == first
    quick = min((one for one in menu.values() if not one.missing), key=lambda one: one.seconds)
    machine.engine.pour(PourRequest(recipe=quick.recipe))
    machine.pass_time(1.0)
    machine.engine.plan(PourRequest(recipe="Orchard Fizz", times=1.5))
    machine.pass_time(0.2)
    assert len(asked) == first


def test_a_hostile_question_begins_nothing(machine):
    plan = machine.engine.plan(PourRequest(recipe="Orchard Fizz"))
    machine.pass_time(0.1)
    assert not any(line.contact_closed for line in machine.plant.report().lines)
    assert machine.engine.history(10)[0].recipe is None, "nothing but priming is on record"
    assert plan.segments
    assert Judge.__struct_config__.tag == "judge"
    with pytest.raises(Refused, match="no recipe"):
        machine.engine.plan(PourRequest(recipe="nonsense"))
