"""The engine's core against a guard that the test plays: what is asked, refused, followed, resumed and booked."""

import re
from typing import Any

import pytest

from controller.errors import FaultLatched, Refused
from controller.model.messages import (
    Changed,
    Confirm,
    Delivery,
    Edge,
    Ended,
    FaultLatchedEvent,
    Heartbeat,
    InputReport,
    InputsChanged,
    Refusal,
    Start,
    Stop,
    Unhold,
    Waiting,
)
from controller.model.requests import (
    AssignRequest,
    FreeDose,
    JogAnswerRequest,
    JogRequest,
    LineRequest,
    PourRequest,
)
from controller.model.states import Contents, MachineState, OperationKind, Outcome
from tests.engine.played_guard import BOOK, LIQUIDS, PROFILE, Desk, report

UNATTENDED = next(one for one in BOOK.recipes if all(phase.hand is None for phase in one.phases))
BY_HAND = next(one for one in BOOK.recipes if any(phase.hand is not None for phase in one.phases[1:]))


@pytest.fixture
def desk():
    made = Desk(report())
    yield made
    made.ledger.close()


def test_a_pour_asks_the_guard_with_every_dose_of_the_recipe(desk):
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    (start,) = desk.of(Start)
    planned: dict[str, Any] = {}
    for run in start.operation.segments[0].runs:
        planned[run.liquid] = planned.get(run.liquid, 0.0) + run.volume_ml
        assert LIQUIDS[run.line] == run.liquid
    entry = next(one for one in desk.engine.menu() if one.recipe == UNATTENDED.recipe)
    assert sum(planned.values()) == pytest.approx(entry.volume_ml)
    assert desk.ledger.entry("op1").outcome is None


def test_run_times_follow_flow_lag_and_the_company_of_others(desk):
    """Recomputed here from the calibration's own definition: V = q (1 - s I) (t - lag), I the others' mean current."""
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    runs = desk.of(Start)[0].operation.segments[0].runs
    assert len(runs) > 1
    for run in runs:
        charge_as = 0.0
        for other in runs:
            if other is not run:
                overlap_s = min(run.start_s + run.duration_s, other.start_s + other.duration_s) - max(
                    run.start_s, other.start_s
                )
                charge_as += max(0.0, overlap_s) * PROFILE.line(other.line).pump.run_a
        volume_ml = 5.0 * (1.0 - 0.01 * charge_as / run.duration_s) * (run.duration_s - 0.05)
        assert volume_ml == pytest.approx(run.volume_ml, abs=0.002)


def test_the_engine_says_what_requests_may_name(desk):
    names = desk.engine.names()
    assert names.recipes == tuple(one.recipe for one in BOOK.recipes)
    assert "tumbler" in names.glasses
    assert "soda" in names.liquids
    assert {one.line: one.liquid for one in names.lines} == LIQUIDS


def planned_ml(desk):
    (start,) = desk.of(Start)
    return {run.line: run.volume_ml for segment in start.operation.segments for run in segment.runs}, start.operation


def test_an_old_request_that_comes_again_does_not_undo_how_it_ended(desk):
    """The guard was gone when it admitted it, so that the engine heard of its end alone."""
    operation = desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe)).operation
    ended = Ended(operation=operation, kind=OperationKind.SERVE, outcome=Outcome.ABORTED, reason="", deliveries=())
    desk.engine.on_event(ended)
    again = Refusal(request=operation, rule="repeated", reason="it has already been asked for.")
    desk.engine.on_event(again)
    assert desk.ledger.entry(operation).outcome == Outcome.ABORTED
    assert desk.engine.operation(operation).refused == ()


def test_a_free_pour_asks_the_guard_for_its_doses_and_names_the_glass(desk):
    tumbler, line = BOOK.glasses[0].glass, next(line for line, liquid in LIQUIDS.items() if liquid == "soda")
    doses = (FreeDose(volume_ml=20.0, line=line), FreeDose(volume_ml=30.0, liquid="Apple  JUICE"))
    desk.engine.pour(PourRequest(recipe="a taste", glass=tumbler.upper(), doses=doses))
    volumes, operation = planned_ml(desk)
    juice = next(line for line, liquid in LIQUIDS.items() if liquid == "apple juice")
    assert volumes == pytest.approx({line: 20.0, juice: 30.0})
    assert (operation.glass, operation.recipe) == (tumbler, "a taste")
    assert desk.ledger.entry("op1").recipe == "a taste"


@pytest.mark.parametrize(
    ("doses", "glass", "rule", "says"),
    [
        ((FreeDose(volume_ml=20.0, line=1),), None, "glass", "Name one: "),
        ((FreeDose(volume_ml=20.0),), "tumbler", "dose", "exactly one of the two"),
        ((FreeDose(volume_ml=20.0, line=1, liquid="soda"),), "tumbler", "dose", "exactly one of the two"),
        ((FreeDose(volume_ml=20.0, line=60),), "tumbler", "line", "no line 60"),
        ((FreeDose(volume_ml=20.0, liquid="sodda"),), "tumbler", "book", "Did you mean soda?"),
        ((FreeDose(volume_ml=20.0, liquid="soda"),), "tumblr", "book", "Did you mean tumbler?"),
    ],
)
def test_a_free_pour_that_does_not_say_what_or_into_what_is_refused(desk, doses, glass, rule, says):
    with pytest.raises(Refused, match=re.escape(says)) as refused:
        desk.engine.pour(PourRequest(recipe="a taste", glass=glass, doses=doses))
    assert refused.value.rule == rule
    assert desk.of(Start) == []


def test_a_drink_is_found_however_it_is_written_and_goes_on_record_as_the_book_writes_it(desk):
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe.upper()))
    assert desk.ledger.entry("op1").recipe == UNATTENDED.recipe
    with pytest.raises(Refused, match=f"Did you mean {UNATTENDED.recipe}"):
        desk.engine.plan(PourRequest(recipe=UNATTENDED.recipe[:-1]))


def test_the_same_key_never_asks_twice(desk):
    first = desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe, key="table 4"))
    again = desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe, key="table 4"))
    assert first == again
    assert len(desk.of(Start)) == 1


def test_a_second_operation_waits_for_the_first(desk):
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    with pytest.raises(Refused, match="one_at_a_time") as told:
        desk.engine.jog(JogRequest(line=1))
    assert "tundish stop" in told.value.remedy


@pytest.mark.parametrize(
    ("first", "rule", "words"),
    [
        (None, "guard", "cannot be reached"),
        (report(calibrated=False), "calibration", "no calibration"),
        (report(contents=Contents.EMPTY), "readiness", "not primed"),
    ],
)
def test_an_obstacle_is_named_and_the_guard_is_not_asked(first, rule, words):
    desk = Desk(first)
    with pytest.raises(Refused, match=words) as told:
        desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    assert told.value.rule == rule
    assert told.value.remedy
    assert desk.sent == []
    assert desk.ledger.open_operations() == ()
    desk.ledger.close()


def test_a_latched_fault_comes_before_everything():
    desk = Desk(report(fault="stop pressed"))
    with pytest.raises(FaultLatched, match="stop pressed"):
        desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    desk.ledger.close()


def test_a_pour_that_would_run_a_container_dry_says_what_is_short(desk):
    liquid, line = UNATTENDED.phases[0].doses[0].liquid, None
    line = next(number for number, name in LIQUIDS.items() if name == liquid)
    desk.engine.assign(AssignRequest(line=line, liquid=liquid, container_ml=1.0))
    with pytest.raises(Refused, match=f"{liquid}: .* short, 1 mL left"):
        desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))


def test_beats_only_while_something_is_under_way(desk):
    assert desk.engine.tick() is None
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    desk.admit()
    for _ in range(10):
        desk.clock.move_to(desk.engine.tick())
        desk.engine.tick()
    assert len(desk.of(Heartbeat)) == 10
    assert desk.clock.now_s() == pytest.approx(1.0)
    desk.engine.on_event(
        Ended(operation="op1", kind=OperationKind.SERVE, outcome=Outcome.DONE, reason="", deliveries=())
    )
    assert desk.engine.tick() is None


def test_the_end_is_booked_once_and_the_containers_go_down(desk):
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    desk.admit()
    run = desk.of(Start)[0].operation.segments[0].runs[0]
    before = {one.line: one.remaining_ml for one in desk.engine.status().lines}
    delivery = Delivery(
        line=run.line, liquid=run.liquid, asked_ml=run.volume_ml, delivered_ml=30.0, worst_ml=33.0, on_s=6.0
    )
    ended = Ended(operation="op1", kind=OperationKind.SERVE, outcome=Outcome.DONE, reason="", deliveries=(delivery,))
    desk.engine.on_event(ended)
    desk.engine.on_event(ended)
    after = {one.line: one.remaining_ml for one in desk.engine.status().lines}
    assert after[run.line] == pytest.approx(before[run.line] - 30.0)
    assert desk.engine.operation("op1").outcome == Outcome.DONE
    assert desk.engine.history(5)[0].operation == "op1"


def test_the_guards_refusal_ends_the_request_and_is_kept_with_its_figures(desk):
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    refusal = Refusal(
        request="op1", rule="serving_volume", reason="too much", asked="400 mL", allowed="350 mL", remedy="pour one"
    )
    desk.engine.on_event(refusal)
    assert desk.engine.operation("op1").refused == (refusal,)
    assert desk.engine.history(1)[0].refused == (refusal,)
    desk.engine.jog(JogRequest(line=1))  # the machine is free again
    assert len(desk.of(Start)) == 2


def test_a_lifted_glass_put_back_gets_exactly_what_is_owed(desk):
    desk.engine.pour(PourRequest(recipe=UNATTENDED.recipe))
    desk.admit()
    runs = desk.of(Start)[0].operation.segments[0].runs
    first = runs[0]
    desk.engine.on_event(Edge(operation="op1", line=first.line, is_on=True, at_s=0.0))
    desk.clock.move_to(1.05)
    desk.engine.on_event(Edge(operation="op1", line=first.line, is_on=False, at_s=1.05))
    desk.engine.on_event(InputsChanged(inputs=InputReport(stop_pressed=False, glass_present=False)))
    for state in (MachineState.HOLDING, MachineState.HELD):
        lifted = Changed(
            state=state, reason="glass lifted", operation="op1", waiting_for="glass", waiting=Waiting(kind="glass")
        )
        desk.engine.on_event(lifted)
    assert desk.of(Unhold) == []
    desk.engine.on_event(InputsChanged(inputs=InputReport(stop_pressed=False, glass_present=True)))
    (unhold,) = desk.of(Unhold)
    owed = {run.line: run.volume_ml for run in unhold.runs}
    # alone for 1.05 s with lag 0.05 s at 5 mL/s: 5 mL are in the glass
    assert owed[first.line] == pytest.approx(first.volume_ml - 5.0, abs=1e-6)
    for run in runs[1:]:
        assert owed[run.line] == pytest.approx(run.volume_ml)


def test_a_hand_step_waits_for_its_confirmation(desk):
    desk.engine.pour(PourRequest(recipe=BY_HAND.recipe))
    segments = desk.of(Start)[0].operation.segments
    steps = [segment.hand for segment in segments if segment.hand is not None]
    assert steps == [phase.hand for phase in BY_HAND.phases if phase.hand is not None]
    desk.admit()
    with pytest.raises(Refused, match="does not wait"):
        desk.engine.confirm("op1")
    desk.engine.on_event(
        Changed(
            state=MachineState.HELD,
            reason="hand step",
            operation="op1",
            waiting_for=steps[0],
            waiting=Waiting(kind="step"),
        )
    )
    assert desk.engine.operation("op1").waiting_for == steps[0]
    desk.engine.confirm("op1")
    assert desk.of(Confirm) == [Confirm(operation="op1")]


@pytest.mark.parametrize("text", ["glass", "container on line 1", "tray full", "a look at the lines"])
def test_a_hand_step_waits_for_a_person_whatever_its_text_says(desk, text):
    desk.engine.pour(PourRequest(recipe=BY_HAND.recipe))
    desk.admit()
    step = Waiting(kind="step")
    desk.engine.on_event(
        Changed(state=MachineState.HELD, reason="hand step", operation="op1", waiting_for=text, waiting=step)
    )
    desk.engine.on_event(InputsChanged(inputs=InputReport(stop_pressed=False, glass_present=True)))
    assert desk.of(Unhold) == []
    desk.engine.confirm("op1")
    assert desk.of(Confirm) == [Confirm(operation="op1")]


def test_priming_moves_more_than_the_tube_holds_and_says_that_a_jug_stands_there(desk):
    desk.engine.run_lines(LineRequest(kind="prime", lines=(1, 2), jug=True))
    (start,) = desk.of(Start)
    assert start.operation.jug
    for run in start.operation.segments[0].runs:
        tube = PROFILE.line(run.line).tube
        tube_ml = 3.14159 / 4 * tube.bore_mm**2 * (tube.suction_m + tube.delivery_m)
        assert 1.4 * tube_ml <= run.volume_ml <= PROFILE.caps.line_volume_ml


def test_stop_goes_out_even_when_nothing_is_known():
    desk = Desk()
    desk.engine.stop()
    assert desk.sent == [Stop()]
    desk.ledger.close()


def test_a_fault_shows_in_the_status(desk):
    desk.engine.on_event(FaultLatchedEvent(cause="stop pressed", text="the stop button was pressed"))
    assert desk.engine.status().fault == "stop pressed"


def test_hand_steps_at_the_end_are_shown_and_wait_for_nobody(desk):
    lime = next(one for one in BOOK.recipes if one.recipe == "Lime Soda")
    operation = desk.engine.pour(PourRequest(recipe=lime.recipe)).operation
    assert desk.engine.operation(operation).afterwards == ("add a slice of lime",)
    assert next(one.hand for one in desk.of(Start)[0].operation.segments if one.runs).startswith("fill the glass")


def test_listeners_hear_every_change_until_they_leave(desk):
    heard: list[Any] = []
    leave = desk.engine.subscribe(heard.append)
    desk.engine.on_event(InputsChanged(inputs=InputReport(stop_pressed=False, glass_present=False)))
    assert heard[-1].inputs.glass_present is False
    leave()
    desk.engine.on_event(InputsChanged(inputs=InputReport(stop_pressed=False, glass_present=True)))
    assert heard[-1].inputs.glass_present is False


def test_what_a_person_saw_of_a_jog_is_kept_by_line(desk):
    assert [one.is_right for one in desk.engine.jogs()] == [None] * len(PROFILE.lines)
    desk.engine.jog(JogRequest(line=3))
    desk.admit(kind=OperationKind.JOG)
    moved = Delivery(line=3, liquid=LIQUIDS[3], asked_ml=2.5, delivered_ml=2.5, worst_ml=3.0, on_s=0.5)
    desk.engine.on_event(
        Ended(operation="op1", kind=OperationKind.JOG, outcome=Outcome.DONE, reason="", deliveries=(moved,))
    )
    desk.engine.answer_jog(JogAnswerRequest(operation="op1", is_right=False, remark="line 4 moved"))
    desk.engine.answer_jog(JogAnswerRequest(operation="op1", is_right=True))
    seen = {one.line: one for one in desk.engine.jogs()}
    assert seen[3].is_right is True
    assert seen[3].rotation == PROFILE.line(3).pump.rotation
    assert seen[4].is_right is None
    with pytest.raises(Refused, match="no jog"):
        desk.engine.answer_jog(JogAnswerRequest(operation="op9", is_right=True))
