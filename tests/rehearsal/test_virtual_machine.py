"""The main job in virtual time, through the real engine, guard and bench: what is asked is what is in the glass."""

from typing import cast

import pytest
from msgspec.structs import replace

from controller.bench.faults import InjectedFault
from controller.engine.line_care import Kind
from controller.errors import FaultLatched, Refused
from controller.guard.contacts import POLL_UNDER_WAY_S
from controller.metering.dose import mi008_ml
from controller.model.messages import SILENCE_S
from controller.model.requests import AcknowledgeRequest, LineRequest, PourRequest
from controller.model.states import Contents, MachineState, Outcome
from controller.model.wiring import FunnelContact
from controller.rehearsal.weighing import calibrate, learn_sag
from tests.ready_machine import BOOK, PROFILE, ready_machine

LINES = tuple(line.line for line in PROFILE.lines)
DRINK, BY_HAND = "Orchard Fizz", "Iced Orchard Tea"


@pytest.fixture
def machine():
    """Primed, with a glass, and calibrated by the bench's own truth (weighing is tested apart)."""
    made = ready_machine(poll_under_way_s=POLL_UNDER_WAY_S)
    yield made
    made.close()


def is_any_on(machine):
    return any(line.contact_closed for line in machine.plant.report().lines)


def pour(machine, recipe=DRINK, times=1.0):
    return machine.engine.pour(PourRequest(recipe=recipe, times=times)).operation


def assert_in_the_glass(machine, view):
    machine.pass_time(2.0)
    glass_ml = machine.plant.glass_contents_ml()
    assert view.lines
    for one in view.lines:
        assert glass_ml[one.liquid] == pytest.approx(one.asked_ml, abs=mi008_ml(one.asked_ml))


def test_the_glass_holds_what_was_asked_for(machine):
    view = machine.finish(pour(machine))
    assert view.outcome == Outcome.DONE
    assert_in_the_glass(machine, view)


def test_containers_and_ledger_agree_with_the_bench(machine):
    before = {line: machine.plant.container_ml(line) for line in LINES}
    booked_before = {one.line: one.remaining_ml for one in machine.engine.status().lines}
    machine.finish(pour(machine))
    machine.pass_time(1.0)
    for one in machine.engine.status().lines:
        really_ml = before[one.line] - machine.plant.container_ml(one.line)
        assert booked_before[one.line] - one.remaining_ml == pytest.approx(really_ml, abs=2.0)


def test_a_glass_lifted_and_put_back_gets_the_whole_drink(machine):
    operation = pour(machine)
    machine.pass_time(6.0)
    assert is_any_on(machine)
    machine.plant.lift_glass()
    machine.pass_time(0.2)
    assert not is_any_on(machine)
    assert machine.engine.status().state == MachineState.HELD
    assert machine.engine.operation(operation).waiting_for == "glass"
    machine.pass_time(5.0)
    assert not is_any_on(machine)
    machine.plant.place_glass()
    view = machine.finish(operation)
    assert view.outcome == Outcome.DONE
    assert_in_the_glass(machine, view)


def test_a_glass_lifted_for_too_long_ends_the_pour_and_books_what_was_poured(machine):
    operation = pour(machine)
    machine.pass_time(6.0)
    machine.plant.lift_glass()
    view = machine.finish(operation, PROFILE.caps.held_s + 5.0)
    assert view.outcome == Outcome.ABORTED
    assert sum(one.delivered_ml for one in view.lines) > 0
    assert not is_any_on(machine)


def test_a_hand_step_is_waited_for(machine):
    operation = pour(machine, BY_HAND)
    machine.pass_time(1.0)
    first = machine.engine.operation(operation).waiting_for
    assert first == BOOK.recipe(BY_HAND).phases[0].hand
    assert not is_any_on(machine)
    machine.engine.confirm(operation)
    view = machine.finish(operation)
    assert view.outcome == Outcome.DONE
    assert view.afterwards == ("stir",), "the last step keeps nobody waiting"
    assert_in_the_glass(machine, view)


def test_stop_ends_everything_at_once_and_the_machine_is_free_again(machine):
    operation = pour(machine)
    machine.pass_time(4.0)
    machine.engine.stop()
    machine.pass_time(0.05)
    assert not is_any_on(machine)
    assert machine.finish(operation).outcome == Outcome.STOPPED
    machine.pass_time(PROFILE.caps.serving_pause_s + 1.0)
    assert machine.engine.status().state == MachineState.IDLE


def test_a_silent_engine_is_switched_off_within_the_stated_time(machine):
    operation = pour(machine)
    machine.pass_time(3.0)
    machine.engine.tick = lambda: None  # frozen: it beats no more
    began_s = machine.clock.now_s()
    machine.run_until(lambda: not is_any_on(machine), 2.0)
    relay_s = PROFILE.relay_board.release_s * 2
    assert machine.clock.now_s() - began_s <= SILENCE_S + 0.1 + relay_s
    del machine.engine.tick
    assert machine.finish(operation).outcome == Outcome.ABORTED


def test_the_stop_button_latches_until_it_is_out_and_acknowledged(machine):
    operation = pour(machine)
    machine.pass_time(3.0)
    machine.plant.press_stop()
    machine.pass_time(0.1)
    assert not is_any_on(machine)
    assert machine.finish(operation).outcome == Outcome.FAULTED
    with pytest.raises(FaultLatched):
        pour(machine)
    cause = machine.engine.status().fault
    machine.engine.acknowledge(AcknowledgeRequest(cause=cause))
    machine.pass_time(0.5)
    assert machine.engine.status().fault == cause  # still pressed: nothing to acknowledge yet
    machine.plant.release_stop()
    machine.pass_time(1.0)
    assert machine.engine.status().fault == cause  # letting go restarts nothing
    machine.engine.acknowledge(AcknowledgeRequest(cause=cause))
    machine.pass_time(1.0)
    assert machine.engine.status().fault is None
    assert not is_any_on(machine)


def test_too_large_a_serving_is_refused_by_every_cap_it_exceeds(machine):
    with pytest.raises(Refused):
        machine.finish(pour(machine, times=2.0))
    refused = {one.rule: one for one in machine.engine.history(1)[0].refused}
    assert {"serving_volume", "serving_time"} <= refused.keys()
    assert refused["serving_volume"].allowed == "350.0 mL"
    assert all(one.remedy for one in refused.values())
    assert not is_any_on(machine)


def test_priming_without_a_jug_is_refused(machine):
    with pytest.raises(Refused, match="jug"):
        machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(1,), jug=False)).operation)


def test_a_line_goes_from_purge_over_cleaner_and_rinse_back_to_its_liquid(machine):
    def contents():
        return machine.engine.status().lines[0].contents

    machine.plant.lift_glass()
    machine.plant.place_glass(brim_ml=2000.0)
    machine.pass_time(1.0)
    for kind, liquid, after in (
        ("purge", None, Contents.EMPTY),
        ("clean", "cleaner", Contents.CLEANER),
        ("rinse", "rinse water", Contents.RINSE_WATER),
    ):
        machine.plant.unhang(1)
        if liquid is not None:
            machine.plant.hang(1, liquid, 2000.0)
        machine.finish(machine.engine.run_lines(LineRequest(kind=cast(Kind, kind), lines=(1,), jug=True)).operation)
        assert contents() == after
        with pytest.raises(Refused):
            machine.finish(pour(machine))
        if kind == "clean":
            with pytest.raises(Refused, match="contact"):
                machine.finish(machine.engine.run_lines(LineRequest(kind="rinse", lines=(1,), jug=True)).operation)
            machine.pass_time(PROFILE.hygiene.cleaner_contact_s)
    machine.plant.hang(1, "apple juice", 3000.0)
    machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(1,), jug=True)).operation)
    assert contents() == Contents.LIQUID


def test_a_relay_that_ignores_its_level_is_seen_on_the_bench(machine):
    """What the guard does about it belongs to its plausibility checks; the bench must show it."""
    machine.plant.inject(InjectedFault(kind="relay stuck on", line=1))
    machine.pass_time(0.5)
    assert is_any_on(machine)


def test_weighing_finds_the_true_pumps(machine):
    """Held against what only the bench knows: flow within 0.6 %, sag within a third."""
    machine.plant.lift_glass()
    for line in (1, 6):
        fit = calibrate(machine, line, by="a tester")
        true = machine.plant.truth_report()[line - 1]
        assert fit.calibration is not None
        assert fit.calibration.flow_ml_s == pytest.approx(true.flow_ml_s, rel=0.006)
    sag = learn_sag(machine, (1, 6), 12.0, by="a tester")
    assert sag.sag_per_a == pytest.approx(machine.plant.truth_report()[0].sag_per_a, abs=0.009)


def test_a_drink_held_by_a_full_funnel_goes_on_by_itself_and_is_whole():
    funnel = FunnelContact(gpio=20, contact="normally_closed")
    machine = ready_machine(
        replace(PROFILE, inputs=replace(PROFILE.inputs, funnel_full=funnel)), poll_under_way_s=POLL_UNDER_WAY_S
    )
    operation = pour(machine)
    machine.pass_time(6.0)
    machine.plant.set_input("funnel full", active=True)
    machine.pass_time(0.3)
    assert not is_any_on(machine)
    assert machine.engine.operation(operation).waiting_for == "funnel full"
    with pytest.raises(Refused, match="the funnel is full; no hand step is due"):
        machine.engine.confirm(operation)
    machine.plant.set_input("funnel full", active=False)
    view = machine.finish(operation)
    assert view.outcome == Outcome.DONE
    assert_in_the_glass(machine, view)
    machine.close()
