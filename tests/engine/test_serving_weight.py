"""What the scale says of a serving, from the first drop to the stock, on the bench."""

import re

import pytest
from msgspec.structs import replace

from controller.bench.faults import InjectedFault
from controller.cli.following import draw_end
from controller.engine.serving_weight import TAKEN, TOUCHED_BEFORE
from controller.engine.slices import at_once
from controller.model.requests import HistoryQuery, LineRequest, PastQuery, PourRequest
from controller.model.scale import DOUBTS, Scale
from controller.model.states import Outcome
from controller.rehearsal.weighing import span_scale
from tests.ready_machine import PROFILE, ready_machine

SCALE = Scale(converter="bench", capacity_g=5000.0, readings_per_s=80, output_mv_v=1.0)
DRINK, BY_HAND = "Orchard Fizz", "Iced Orchard Tea"
SETTLES_S = 4.0


def set_up(pace: int, glass: str = "tall glass"):
    made = ready_machine(profile=replace(PROFILE, scale=replace(SCALE, readings_per_s=pace)))
    made.plant.lift_glass()
    made.pass_time(3.0)
    span_scale(made)
    made.plant.place_glass(glass)
    made.pass_time(SETTLES_S)
    made.dripped_ml = sum(made.plant.glass_contents_ml().values())
    return made


@pytest.fixture
def machine():
    made = set_up(80)
    yield made
    made.close()


def poured(machine, recipe: str = DRINK):
    operation = machine.engine.pour(PourRequest(recipe=recipe)).operation
    view = machine.finish(operation)
    machine.pass_time(SETTLES_S)
    return view, machine.engine.operation(operation)


def in_the_glass_ml(machine) -> float:
    """What came in since it was set down; tubes drip a little before."""
    truth_ml: float = sum(machine.plant.glass_contents_ml().values()) - machine.dripped_ml
    return truth_ml


def test_the_weighed_volume_is_right_within_its_stated_uncertainty(machine):
    before, after = poured(machine)
    assert before.weighed.u_ml is None  # not settled yet
    weighed = after.weighed
    assert weighed.asked_ml == pytest.approx(sum(one.asked_ml for one in after.lines))
    assert abs(weighed.volume_ml - in_the_glass_ml(machine)) <= 2.5 * weighed.u_ml
    assert weighed.u_ml < 0.5


def test_the_weight_is_shown_during_the_pour(machine):
    operation = machine.engine.pour(PourRequest(recipe=DRINK)).operation
    seen = []
    while machine.engine.operation(operation).outcome is None:
        machine.pass_time(1.0)
        view = machine.engine.operation(operation)
        if view.weighed is not None:
            seen.append((view.weighed.volume_ml, in_the_glass_ml(machine)))
    assert len(seen) >= 5
    assert all(abs(shown - true) < 8.0 for shown, true in seen)  # what falls for half a second, and the mean of another
    assert seen[-1][0] > seen[0][0] + 30.0


def test_the_weight_stands_in_the_history(machine):
    _, after = poured(machine)
    (entry, *_) = [one for part in machine.ledger.past.page(HistoryQuery(limit=1)) for one in part]
    assert entry.weighed == after.weighed


def test_the_stock_is_known_to_the_weighing_s_uncertainty(machine):
    for line in machine.engine.status().lines:
        machine.plant.inject(InjectedFault(kind="tube worn", line=line.line, amount=0.02))  # since it was calibrated
    before = {line: (one.remaining_ml, one.u_ml) for line, one in machine.engine.stock.containers().items()}
    really = {line: machine.plant.container_ml(line) for line in before}
    view, _ = poured(machine)
    for one in view.lines:
        left = machine.engine.stock.containers()[one.line]
        drawn_ml = before[one.line][0] - left.remaining_ml
        truly_ml = really[one.line] - machine.plant.container_ml(one.line)
        assert abs(drawn_ml - truly_ml) < abs(one.delivered_ml - truly_ml) + 0.2


def test_ice_put_in_at_a_hand_step_is_not_weighed_as_poured():
    machine = set_up(80, "tumbler")
    operation = machine.engine.pour(PourRequest(recipe=BY_HAND)).operation
    for _ in range(400):
        machine.pass_time(0.25)
        view = machine.engine.operation(operation)
        if view.outcome is not None:
            break
        if view.waiting_for is not None:
            machine.pass_time(2.0)
            machine.plant.add_ice(60.0)
            machine.pass_time(4.0)
            machine.engine.confirm(operation)
    assert view.outcome is Outcome.DONE
    machine.pass_time(SETTLES_S)
    weighed = machine.engine.operation(operation).weighed
    assert abs(weighed.volume_ml - in_the_glass_ml(machine)) <= 3.0 * weighed.u_ml
    machine.close()


def test_a_glass_taken_before_the_weight_has_settled_is_reported_as_not_weighed_with_the_reason(machine):
    operation = machine.engine.pour(PourRequest(recipe=DRINK)).operation
    machine.finish(operation)
    machine.plant.lift_glass()
    machine.pass_time(SETTLES_S)
    view = machine.engine.operation(operation)
    assert (view.weighed, view.unweighed) == (None, TAKEN)
    assert f"done, not weighed: {TAKEN}" in draw_end(view)
    (entry, *_) = [one for part in machine.ledger.past.page(HistoryQuery(limit=1)) for one in part]
    assert entry.unweighed == TAKEN


def test_without_a_span_nothing_is_weighed(machine):
    machine.take_scale(replace(machine.engine.scale.in_force, span=None))
    machine.pass_time(1.0)
    _, after = poured(machine)
    assert (after.outcome, after.weighed, after.unweighed) == (Outcome.DONE, None, DOUBTS["unspanned"])


@pytest.mark.parametrize("pace", [10, 80])
def test_a_glass_set_down_just_before_its_first_drop_is_weighed_all_the_same(pace):
    """Its empty weight is taken from when it stood still, not over a fixed time."""
    machine = set_up(pace)
    machine.plant.lift_glass()
    machine.pass_time(3.0)
    machine.plant.place_glass()
    machine.pass_time(1.2)
    before_ml = in_the_glass_ml(machine)
    _, after = poured(machine)
    assert after.unweighed == ""
    assert abs(after.weighed.volume_ml - (in_the_glass_ml(machine) - before_ml)) <= 3.0 * after.weighed.u_ml
    machine.close()


def test_a_hand_on_the_glass_as_the_pour_begins_is_the_reason_that_it_was_not_weighed(machine):
    operation = machine.engine.pour(PourRequest(recipe=DRINK)).operation
    machine.pass_time(0.2)
    machine.plant.lean(300.0, 1.3)
    machine.finish(operation)
    after = machine.engine.operation(operation)
    assert (after.weighed, after.unweighed) == (None, TOUCHED_BEFORE)


def test_a_knock_while_the_weight_settles_costs_a_moment_and_not_the_weight(machine):
    operation = machine.engine.pour(PourRequest(recipe=DRINK)).operation
    machine.finish(operation)
    machine.pass_time(1.8)
    machine.plant.lean(300.0, 1.0)
    machine.pass_time(SETTLES_S)
    weighed = machine.engine.operation(operation).weighed
    assert abs(weighed.volume_ml - in_the_glass_ml(machine)) <= 3.0 * weighed.u_ml


def test_a_scale_that_is_doubtful_for_a_while_in_mid_pour_is_no_reason_not_to_weigh(machine):
    silent = InjectedFault(kind="scale silent")
    operation = machine.engine.pour(PourRequest(recipe=DRINK)).operation
    machine.pass_time(4.0)
    machine.plant.inject(silent)
    machine.pass_time(1.0)
    machine.plant.clear(silent)
    machine.finish(operation)
    machine.pass_time(SETTLES_S)
    weighed = machine.engine.operation(operation).weighed
    assert abs(weighed.volume_ml - in_the_glass_ml(machine)) <= 3.0 * weighed.u_ml


def test_a_scale_that_is_silent_to_the_end_is_the_reason(machine):
    operation = machine.engine.pour(PourRequest(recipe=DRINK)).operation
    machine.pass_time(4.0)
    machine.plant.inject(InjectedFault(kind="scale silent"))
    machine.finish(operation)
    assert machine.engine.operation(operation).unweighed == DOUBTS["silent"]


def test_a_rinse_into_a_jug_on_the_platform_stands_in_the_hygiene_record(machine):
    machine.plant.lift_glass()
    machine.plant.hang(1, "rinse water", 2000.0)
    machine.pass_time(2.0)
    machine.plant.place_glass(brim_ml=2000.0)
    machine.pass_time(SETTLES_S)
    machine.finish(machine.engine.run_lines(LineRequest(kind="rinse", lines=(1,), jug=True)).operation)
    machine.pass_time(SETTLES_S)
    (row,) = [
        one for one in at_once(machine.engine.hygiene.record(PastQuery(since_wall_s=0.0))).rows if one.event == "rinse"
    ]
    weighed = re.search(r"weighed (\d+) mL", row.text)
    assert weighed is not None
    said = float(weighed[1])
    assert said == pytest.approx(row.volume_ml, rel=0.1)
