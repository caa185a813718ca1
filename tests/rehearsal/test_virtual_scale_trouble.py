"""A scale that is wrong makes nothing less safe: what it says may hold or stop, never allow."""

import pytest

from controller.bench.faults import InjectedFault
from controller.errors import Refused
from controller.model.requests import LineRequest
from controller.model.states import MachineState, Outcome
from tests.rehearsal.test_virtual_weighed import TALL, WEIGHED, is_any_on, machine_of, pour


def is_over(view) -> bool:
    return view.outcome is not None or view.waiting is not None


@pytest.fixture
def machine():
    made = machine_of(WEIGHED)
    yield made
    made.close()


def stop_while_suspects_are_tried(machine) -> None:
    operation = pour(machine)
    machine.run_until(lambda: is_any_on(machine), 5.0)
    machine.pass_time(2.5)
    running = [one.line for one in machine.plant.report().lines if one.contact_closed]
    stalled = InjectedFault(kind="pump stalled", line=running[0])
    machine.plant.inject(stalled)
    machine.run_until(lambda: not is_any_on(machine), 5.0)
    assert machine.engine.operation(operation).waiting is None  # the suspects are about to be tried
    machine.engine.stop()
    machine.pass_time(3.0)
    machine.plant.clear(stalled)
    assert machine.engine.operation(operation).outcome == Outcome.STOPPED


def test_a_search_that_a_stop_cut_short_keeps_no_later_operation_from_its_end(machine):
    stop_while_suspects_are_tried(machine)
    asked = machine.engine.run_lines(LineRequest(kind="prime", lines=(1,), jug=True)).operation
    assert machine.finish(asked).outcome == Outcome.DONE
    machine.pass_time(2.0)
    assert machine.engine.status().state == MachineState.IDLE


def test_the_scale_alone_never_takes_a_glass_away_that_the_contact_sees(machine):
    """It would make the full glass a fresh one, and start the time in which guests may consent."""
    assert machine.finish(pour(machine)).outcome == Outcome.DONE
    machine.pass_time(2.0)
    machine.plant.lean(-sum(machine.plant.glass_contents_ml().values()) * 1.05 - TALL.tare_g, 3.0)
    machine.pass_time(1.5)
    assert machine.engine.status().inputs.glass_present is False
    machine.pass_time(4.0)
    assert machine.engine.status().inputs.glass_present is True
    with pytest.raises(Refused, match="fresh_glass"):
        pour(machine)


@pytest.mark.parametrize("kind", ["scale repeats", "scale saturated", "scale wrong sign", "scale silent"])
def test_a_scale_that_fails_just_when_a_line_dies_names_nobody_and_pours_no_more_than_planned(machine, kind):
    operation = pour(machine)
    machine.run_until(lambda: is_any_on(machine), 5.0)
    machine.pass_time(2.5)
    running = [one.line for one in machine.plant.report().lines if one.contact_closed]
    machine.plant.inject(InjectedFault(kind="pump stalled", line=running[0]))
    machine.plant.inject(InjectedFault(kind=kind))
    machine.run_until(lambda: is_over(machine.engine.operation(operation)), 70.0)
    machine.pass_time(0.1)  # until the last relay has opened
    view = machine.engine.operation(operation)
    assert not is_any_on(machine)
    assert view.waiting is None or view.waiting.kind != "container"
    poured_ml = sum(machine.plant.glass_contents_ml().values())
    assert poured_ml <= 210.0 * 1.02  # the whole drink
