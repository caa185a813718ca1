"""Guided sequences, level contacts and the rest of a drink, in virtual time through real engine, guard and bench."""

import pytest
from msgspec.structs import replace

from controller.engine.slices import at_once
from controller.errors import Refused
from controller.metering.dose import mi008_ml
from controller.model.calibration import Calibration
from controller.model.evening import ChangeRequest, CloseRequest, RefillRequest
from controller.model.messages import TakeCalibration
from controller.model.requests import LineRequest, PastQuery, PourRequest
from controller.model.states import Contents, MachineState, Outcome
from controller.rehearsal.closing import carry_out
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import prime_all
from tests.shipped import shipped

WITH_SCALE, BOOK = shipped("bench_eight_line", "harvest_supper")
PROFILE = replace(WITH_SCALE, scale=None)  # nothing here is weighed, and ten readings a second take half the time
LINES = tuple(one.line for one in BOOK.lines)
DRINK, SODA = "Sloe Fizz", 6  # 50 mL of sloe gin, then 110 mL of soda, whose line has a level contact
PERRY, GIN, SYRUP = 4, 2, 3


def made_machine(**more):
    """Primed, and calibrated by the bench's own truth (weighing is tested elsewhere)."""
    made = VirtualMachine(PROFILE, BOOK, seed=5, poll_under_way_s=0.2, **more)
    prime_all(made, LINES)
    for one in made.plant.truth_report():
        known = {name: getattr(one, name) for name in ("line", "liquid", "flow_ml_s", "lag_s", "sag_per_a")}
        calibration = Calibration(**known, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)
        made.guard.handle("engine", TakeCalibration(calibration=calibration))
    made.plant.place_glass("tall glass")
    made.pass_time(3.0)
    return made


@pytest.fixture
def machine():
    made = made_machine()
    yield made
    made.close()


def hygiene(machine, line):
    return next(one for one in machine.engine.hygiene.lines() if one.line == line)


def run_jug(machine):
    machine.plant.lift_glass()
    machine.plant.place_glass(brim_ml=5000.0)
    machine.pass_time(1.0)


# --- closing


def test_an_evenings_end_leaves_every_line_clean_and_its_record_says_so(machine):
    view = machine.engine.sequences.close(CloseRequest(person="Ada", cleaner="line cleaner, 2 %", jug_ml=300.0))
    steps = carry_out(machine, view)
    kinds = [step.kind for step in steps]
    assert kinds == sorted(kinds, key=["purge", "clean", "wait", "rinse"].index)
    assert all(step.volume_ml <= 0.9 * 300.0 for step in steps)
    assert len(steps[0].lines) > 1  # as many lines at once as the jug takes
    rinsed = [line for step in steps if step.kind == "rinse" for line in step.lines]
    assert sorted(rinsed) == list(LINES)  # the two lines that were never wet are left alone
    assert machine.engine.sequences.views() == ()
    for line in LINES:
        assert hygiene(machine, line).contents == Contents.RINSE_WATER
        assert hygiene(machine, line).clean_by_wall_s is None
    record = at_once(machine.engine.hygiene.record(PastQuery()))
    cleaned = {row.line: row for row in record.rows if row.event == "cleaned"}
    assert cleaned.keys() == set(LINES)
    assert {row.person for row in cleaned.values()} == {"Ada"}
    assert all("line cleaner, 2 %" in row.text and "stood 2" in row.text for row in cleaned.values())
    rinses = {row.line: row.volume_ml for row in record.rows if row.event == "rinse"}
    for line in LINES:
        tube = PROFILE.line(line).tube
        tube_ml = 3.14159 / 4 * tube.bore_mm**2 * (tube.suction_m + tube.delivery_m)
        assert rinses[line] >= PROFILE.hygiene.rinse_line_volumes * tube_ml


def test_an_evenings_end_is_taken_up_where_a_stop_a_restart_and_hands_have_left_it(tmp_path):
    machine = made_machine(ledger_path=tmp_path / "ledger.db")
    run_jug(machine)
    asked = machine.engine.sequences.close(CloseRequest())
    for line in asked.step.lines:
        machine.plant.unhang(line)
    operation = machine.engine.sequences.next("close").operation
    machine.pass_time(2.0)
    machine.engine.stop()
    assert machine.finish(operation).outcome == Outcome.STOPPED
    (left,) = machine.engine.sequences.views()
    assert left.step.kind == "purge"  # half purged is not purged
    # Somebody goes on by hand with one line; the sequence sees it.
    machine.finish(machine.engine.run_lines(LineRequest(kind="purge", lines=(GIN,), jug=True)).operation)
    (left,) = machine.engine.sequences.views()
    assert GIN not in left.step.lines
    taken_up = machine.engine.sequences.close(CloseRequest())
    assert taken_up == left
    steps = carry_out(machine, taken_up)
    assert [step.kind for step in steps].count("wait") == 1
    assert all(hygiene(machine, line).clean_by_wall_s is None for line in LINES)
    machine.close()


def test_a_wait_is_not_cut_short(machine):
    view = machine.engine.sequences.close(CloseRequest())
    run_jug(machine)
    while view.step.kind != "wait":
        for line in view.step.lines:
            machine.plant.hang(line, "cleaner", 5000.0) if view.step.kind == "clean" else machine.plant.unhang(line)
        machine.finish(machine.engine.sequences.next("close").operation)
        (view,) = machine.engine.sequences.views()
    with pytest.raises(Refused, match="cleaner_contact"):
        machine.engine.sequences.next("close")
    machine.engine.sequences.drop("close")
    assert machine.engine.sequences.views() == ()
    assert hygiene(machine, GIN).next_step.startswith("rinse it in 2")


# --- another liquid on a line


def kinds_of_change(machine, line, liquid, container_ml=700.0):
    view = machine.engine.sequences.change(ChangeRequest(line=line, liquid=liquid, container_ml=container_ml))
    return [step.kind for step in carry_out(machine, view)]


def test_a_change_does_what_allergens_and_alcohol_ask_for_and_no_more(machine):
    assert kinds_of_change(machine, SYRUP, "sloe gin") == ["purge", "rinse", "prime"]
    # perry leaves sulphites: nothing without them may follow before a cleaning; vermouth has them too
    assert kinds_of_change(machine, PERRY, "vermouth") == ["purge", "rinse", "prime"]
    assert kinds_of_change(machine, PERRY, "soda") == ["purge", "clean", "wait", "rinse", "prime"]
    # alcohol before something without it: cleaned, though no allergen is left behind
    assert kinds_of_change(machine, GIN, "apple juice") == ["purge", "clean", "wait", "rinse", "prime"]
    assert kinds_of_change(machine, GIN, "apple juice") == ["prime"]  # a fresh container of the same
    for line, liquid in ((SYRUP, "sloe gin"), (PERRY, "soda"), (GIN, "apple juice")):
        status = next(one for one in machine.engine.status().lines if one.line == line)
        assert (status.liquid, status.holds) == (liquid, liquid)
        stock = machine.engine.stock.view(line)
        assert (stock.liquid, stock.is_known_to_guard) == (liquid, True)
        assert stock.remaining_ml == pytest.approx(machine.plant.container_ml(line), abs=2 * stock.u_ml)


def test_a_change_under_way_is_not_replaced_by_another(machine):
    machine.engine.sequences.change(ChangeRequest(line=SYRUP, liquid="perry", container_ml=750.0))
    with pytest.raises(Refused, match="a change to perry is under way"):
        machine.engine.sequences.change(ChangeRequest(line=SYRUP, liquid="soda", container_ml=750.0))
    assert machine.engine.sequences.change(ChangeRequest(line=SYRUP)).liquid == "perry"
    machine.engine.sequences.drop("change", SYRUP)
    with pytest.raises(Refused, match="no change is under way"):
        machine.engine.sequences.change(ChangeRequest(line=SYRUP))


def test_soda_past_its_time_is_not_served_and_a_change_purges_and_rinses_it_out(machine):
    machine.engine.stock.refill(RefillRequest(line=SODA, opened_ago_s=12.1 * 3600.0))
    machine.pass_time(1.0)
    entry = next(one for one in machine.engine.menu() if one.recipe == DRINK)
    assert entry.missing == (f"line {SODA}: soda is 0.1 h past its time",)
    with pytest.raises(Refused, match="past its time"):
        machine.engine.pour(PourRequest(recipe=DRINK))
    assert kinds_of_change(machine, SODA, "soda", 5000.0) == ["purge", "rinse", "prime"]
    assert next(one for one in machine.engine.menu() if one.recipe == DRINK).missing == ()


# --- a container that runs low, and the rest of a drink


def nearly_low(machine):
    """Soda that will fall to its level contact within the next drink."""
    machine.plant.hang(SODA, "soda", machine.plant.truth.lines[SODA].low_ml + 60.0)
    machine.pass_time(1.0)


def poured_until_low(machine):
    nearly_low(machine)
    operation = machine.engine.pour(PourRequest(recipe=DRINK)).operation
    machine.run_until(lambda: machine.engine.operation(operation).waiting_for is not None, 90.0)
    machine.pass_time(0.1)  # the relay lets go
    assert machine.engine.operation(operation).waiting_for == f"container on line {SODA}"
    assert not any(line.contact_closed for line in machine.plant.report().lines)
    return operation


def assert_whole(machine):
    machine.pass_time(2.0)
    glass_ml = machine.plant.glass_contents_ml()
    for liquid, asked_ml in (("sloe gin", 50.0), ("soda", 110.0)):
        assert glass_ml[liquid] == pytest.approx(asked_ml, abs=mi008_ml(asked_ml))


@pytest.mark.parametrize("is_said_before", [False, True])
def test_a_container_that_runs_low_holds_the_drink_until_another_hangs_there(machine, is_said_before):
    operation = poured_until_low(machine)
    with pytest.raises(Refused, match="still low"):
        machine.engine.confirm(operation)
    machine.plant.hang(SODA, "soda", 5000.0)
    machine.pass_time(1.0)
    assert machine.engine.operation(operation).waiting_for is not None  # hands may still be at the tube
    if is_said_before:
        machine.engine.stock.refill(RefillRequest(line=SODA))
        machine.pass_time(1.0)
    machine.engine.confirm(operation)
    assert machine.finish(operation).outcome == Outcome.DONE
    assert_whole(machine)
    machine.pass_time(1.0)
    stock = machine.engine.stock.view(SODA)
    assert stock.is_known_to_guard
    assert stock.remaining_ml == pytest.approx(machine.plant.container_ml(SODA), abs=2.0)


def test_a_held_drink_can_be_ended_the_line_primed_anew_and_the_rest_poured(machine):
    operation = poured_until_low(machine)
    machine.engine.stop()
    assert machine.finish(operation).outcome == Outcome.STOPPED
    glass = machine.plant.lift_glass()
    assert 40.0 < glass["soda"] < 80.0
    machine.plant.hang(SODA, "soda", 5000.0)
    machine.engine.stock.refill(RefillRequest(line=SODA))
    machine.pass_time(1.0)
    # Into a jug; the glass waits beside it.
    held = machine.plant._lifted
    machine.plant.place_glass(brim_ml=2000.0)
    machine.pass_time(1.0)
    machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(SODA,), jug=True)).operation)
    machine.plant.lift_glass()
    machine.plant._lifted = held
    machine.pass_time(1.5)
    machine.plant.place_glass()
    machine.pass_time(3.0)
    rest = machine.finish(machine.engine.pour(PourRequest(recipe=DRINK, rest_of=operation)).operation)
    assert rest.outcome == Outcome.DONE
    assert rest.rest_of == operation
    assert [one.liquid for one in rest.lines] == ["soda"]
    assert_whole(machine)
    with pytest.raises(Refused, match="already poured"):
        machine.engine.pour(PourRequest(recipe=DRINK, rest_of=operation))


def test_a_container_waited_for_too_long_ends_the_drink_and_books_it(machine):
    operation = poured_until_low(machine)
    view = machine.finish(operation, PROFILE.caps.held_s + 10.0)
    assert view.outcome == Outcome.ABORTED
    assert f"container on line {SODA}" in view.reason
    assert {one.liquid for one in view.lines if one.delivered_ml > 0} == {"sloe gin", "soda"}
    assert machine.engine.status().state == MachineState.IDLE
    entry = next(one for one in machine.engine.menu() if one.recipe == DRINK)
    assert f"soda: the container on line {SODA} is low" in entry.missing


def test_what_was_hung_while_pumps_ran_is_told_to_the_guard_when_they_rest(machine):
    operation = machine.engine.pour(PourRequest(recipe=DRINK)).operation
    machine.pass_time(2.0)
    machine.engine.stock.refill(RefillRequest(line=SYRUP, opened_ago_s=86_400.0))
    assert not machine.engine.stock.view(SYRUP).is_known_to_guard
    machine.finish(operation)
    machine.pass_time(1.0)
    assert machine.engine.stock.view(SYRUP).is_known_to_guard
    # opened a day ago: the guard counts its four weeks from then
    keeps_s = hygiene(machine, SYRUP).keeps_until_wall_s - machine.clock.wall_s()
    assert keeps_s == pytest.approx(27 * 86_400.0, abs=120.0)
