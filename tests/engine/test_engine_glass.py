"""What the engine knows of the glass under the outlet before it asks the guard, and what it tells the guard of it."""

import pytest
from msgspec.structs import replace

from controller.errors import Refused
from controller.model.messages import Delivery, Ended, InputsChanged, Start
from controller.model.requests import PourRequest
from controller.model.states import OperationKind, Outcome
from tests.engine.played_guard import Desk, report

DRINK = "Blackcurrant Spritz"


def with_glass(present, fresh):
    first = report(glass=present)
    return Desk(replace(first, inputs=replace(first.inputs, fresh_glass=fresh)))


def test_a_glass_that_was_never_taken_is_refused_before_the_guard_is_asked():
    desk = with_glass(True, False)
    with pytest.raises(Refused, match="fresh_glass") as no:
        desk.engine.pour(PourRequest(recipe=DRINK))
    assert no.value.remedy == "Take the finished glass and set an empty one down."
    assert desk.of(Start) == []
    desk.engine.on_event(InputsChanged(inputs=replace(report().inputs, fresh_glass=True)))
    desk.engine.pour(PourRequest(recipe=DRINK))
    assert len(desk.of(Start)) == 1


def test_without_a_contact_a_person_confirms_the_empty_glass_to_the_guard():
    desk = with_glass(None, None)
    with pytest.raises(Refused, match="fresh_glass") as no:
        desk.engine.pour(PourRequest(recipe=DRINK))
    assert "--empty-glass" in no.value.remedy
    desk.engine.pour(PourRequest(recipe=DRINK, empty_glass=True))
    assert desk.of(Start)[-1].operation.empty_glass


def test_a_rest_goes_into_the_glass_that_stands_there_and_the_guard_is_told_of_what_it_is_the_rest():
    desk = with_glass(True, True)
    desk.engine.pour(PourRequest(recipe=DRINK))
    desk.admit()
    begun = desk.of(Start)[-1].operation
    deliveries = tuple(
        delivery(run.line, run.liquid, run.volume_ml) for segment in begun.segments for run in segment.runs
    )
    desk.engine.on_event(
        Ended(operation="op1", kind=OperationKind.SERVE, outcome=Outcome.STOPPED, reason="", deliveries=deliveries)
    )
    desk.engine.on_event(InputsChanged(inputs=replace(report().inputs, fresh_glass=False)))
    desk.engine.pour(PourRequest(recipe=DRINK, rest_of="op1"))
    assert desk.of(Start)[-1].operation.rest_of == "op1"


def delivery(line, liquid, asked_ml):
    """A tenth of what was asked for."""
    ml = asked_ml / 10
    return Delivery(line=line, liquid=liquid, asked_ml=asked_ml, delivered_ml=ml, worst_ml=1.1 * ml, on_s=ml / 5)
