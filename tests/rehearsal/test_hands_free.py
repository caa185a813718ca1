"""All lines calibrated on the machine's own scale, by one jar and nobody who types."""

from pathlib import Path

import pytest
from msgspec.structs import replace

from controller.bench.cell_truth import CELL_EFFECTS
from controller.bench.faults import InjectedFault
from controller.config import load
from controller.errors import Refused
from controller.metering.calibration import law_of
from controller.metering.dose import mi008_ml
from controller.model.book import OnLine
from controller.model.hands_free import HandsFreeRequest
from controller.model.scale import Scale
from controller.rehearsal.hands_free import calibrate_all, set_down
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import span_scale

ROOT = Path(__file__).resolve().parents[2]
SIX, BOOK, _warnings = load(ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml")
EIGHT, _book, _warnings = load(ROOT / "hardware_profiles/bench_eight_line.yaml", ROOT / "demo/orchard_fete.yaml")
SCALE = Scale(converter="bench", capacity_g=5000.0, readings_per_s=10)
JAR = HandsFreeRequest(jar_ml=2000.0, lines=(1, 5), by="a tester")


def weighing_machine(profile, book=BOOK, *, seed=4, **more):
    made = VirtualMachine(
        replace(profile, scale=SCALE), book, seed=seed, cell=CELL_EFFECTS, poll_under_way_s=0.2, **more
    )
    span_scale(made)
    return made


@pytest.fixture
def machine():
    made = weighing_machine(SIX)
    yield made
    made.close()


def step_until(machine, is_reached, within_s=600.0):
    """Ask for one step after the other until a view is as wanted."""
    end_s = machine.clock.now_s() + within_s
    while not is_reached(view := machine.engine.hands_free.next()):
        assert machine.clock.now_s() < end_s, view
        machine.pass_time(view.again_s)
    return view


def worst_share(machine, line):
    """The largest error of any dose of 5 to 250 mL by the line's calibration, over its tolerance; the bench knows."""
    truth = {one.line: one for one in machine.plant.truth_report()}[line]
    law = law_of(machine.engine.calibrating.calibrations(line)[-1])
    doses = (5.0, 10.0, 25.0, 50.0, 99.0, 100.0, 250.0)
    poured = {dose: truth.flow_ml_s * (law.run_time_s(dose) - truth.lag_s) for dose in doses}
    return max(abs(poured[dose] - dose) / mi008_ml(dose) for dose in doses)


def test_eight_lines_of_which_nothing_is_known_pour_inside_every_tolerance_within_twelve_minutes_and_four_touches():
    liquids = {one.line: one for one in BOOK.lines}
    more = (
        OnLine(line=7, liquid="apple juice", container_ml=3000.0),
        OnLine(line=8, liquid="soda", container_ml=5000.0),
    )
    machine = weighing_machine(EIGHT, replace(BOOK, lines=(*liquids.values(), *more)))
    view = calibrate_all(machine, by="a tester")
    assert [one.state for one in view.lines] == ["calibrated"] * 8
    assert view.running_s <= 720.0
    assert view.touches <= 4
    assert max(worst_share(machine, one.line) for one in view.lines) < 0.7  # the rest for scatter and drift
    machine.close()


def test_a_small_jar_is_emptied_in_between_and_each_setting_down_counts_once(machine):
    machine.engine.hands_free.begin(replace(JAR, jar_ml=250.0))
    emptied = 0
    set_down(machine, 250.0)
    while (view := step_until(machine, lambda one: one.state in ("empty", "done"))).state == "empty":
        assert sum(machine.plant.glass_contents_ml().values()) < 250.0
        machine.plant.lift_glass()
        assert step_until(machine, lambda one: one.state == "jar").text.startswith("Set the jar back")
        set_down(machine, 250.0)
        emptied += 1
    assert [one.state for one in view.lines] == ["calibrated"] * 2
    assert view.touches == 1 + emptied
    assert sum(machine.plant.report().tray_ml.values()) < 0.01


def test_a_lifted_jar_spoils_its_trial_and_no_other(machine):
    hands_free = machine.engine.hands_free
    hands_free.begin(JAR)
    set_down(machine, 2000.0)
    step_until(machine, lambda one: one.state == "trial" and one.lines[0].trials == 2)
    machine.pass_time(0.5)
    machine.plant.lift_glass()
    step_until(machine, lambda one: one.state == "jar", within_s=5.0)  # the pump was stopped
    machine.plant.place_glass()
    view = step_until(machine, lambda one: one.state == "done")
    assert view.remarks == (
        "Taken as the empty jar: 650 g.",
        "A trial of line 1 does not count: the jar was lifted.",
    )
    assert [(one.state, one.trials) for one in view.lines] == [("calibrated", 6)] * 2
    assert worst_share(machine, 1) < 0.7


def test_after_an_interruption_it_goes_on_with_the_trials_already_weighed(machine):
    machine.engine.hands_free.begin(JAR)
    set_down(machine, 2000.0)
    step_until(machine, lambda one: one.state == "trial" and one.lines[0].trials == 3)
    machine.restart(BOOK)
    machine.pass_time(5.0)
    taken_up = machine.engine.hands_free.begin(replace(JAR, lines=(2,)))
    assert [one.line for one in taken_up.lines] == [1, 5]  # it goes on as it was begun
    assert taken_up.lines[0].trials >= 3
    view = step_until(machine, lambda one: one.state == "done")
    assert [one.state for one in view.lines] == ["calibrated"] * 2


def test_nothing_begins_while_nobody_asks(machine):
    machine.engine.hands_free.begin(JAR)
    set_down(machine, 2000.0)
    view = step_until(machine, lambda one: one.lines[0].trials == 1)
    machine.pass_time(60.0)
    assert len(machine.engine.history(99)) == 2  # lines filled, and one trial
    assert machine.engine.hands_free.next().lines[0].trials == view.lines[0].trials


def test_a_line_that_cannot_be_calibrated_is_left_out_and_named(machine):
    machine.plant.inject(InjectedFault(kind="tube blocked", line=1))
    machine.engine.hands_free.begin(JAR)
    set_down(machine, 2000.0)
    view = step_until(machine, lambda one: one.state == "done")
    assert [one.state for one in view.lines] == ["failed", "calibrated"]
    assert view.lines[0].says


def test_a_stated_volume_per_line_is_kept(machine):
    machine.engine.hands_free.begin(replace(JAR, lines=(5,), most_ml=100.0))
    set_down(machine, 2000.0)
    before_ml = machine.plant.container_ml(5)
    step_until(machine, lambda one: one.state == "trial")
    primed_ml = before_ml - machine.plant.container_ml(5)
    step_until(machine, lambda one: one.state == "done")
    assert before_ml - machine.plant.container_ml(5) - primed_ml <= 100.0 + 1.0


def test_without_a_trusted_scale_it_is_refused(machine):
    with pytest.raises(Refused, match="no calibration of all lines is under way"):
        machine.engine.hands_free.next()
    machine.plant.inject(InjectedFault(kind="scale silent"))
    machine.pass_time(2.0)
    with pytest.raises(Refused, match="the scale cannot be believed"):
        machine.engine.hands_free.begin(JAR)
    bare = VirtualMachine(SIX, BOOK, seed=4)
    with pytest.raises(Refused, match="this machine has no scale"):
        bare.engine.hands_free.begin(JAR)
    bare.close()


def test_a_hand_on_the_jar_is_waited_for(machine):
    machine.engine.hands_free.begin(replace(JAR, lines=(5,)))
    set_down(machine, 2000.0)
    step_until(machine, lambda one: one.state == "weighing" and one.lines[0].trials == 2)
    machine.plant.lean(300.0, 6.0)
    view = step_until(machine, lambda one: one.state == "done")
    assert view.lines[0].state == "calibrated"
    assert worst_share(machine, 5) < 0.7


def test_abandoned_it_keeps_the_trials_already_weighed(machine):
    machine.engine.hands_free.begin(replace(JAR, lines=(5,)))
    set_down(machine, 2000.0)
    step_until(machine, lambda one: one.lines[0].trials == 2)
    machine.engine.hands_free.drop()
    with pytest.raises(Refused, match="no calibration of all lines is under way"):
        machine.engine.hands_free.next()
    assert len(machine.engine.calibrating.fit(5).trials) == 2


def test_calibrations_are_checked_with_one_run_each_and_a_worn_tube_is_seen(machine):
    pair = replace(JAR, lines=(1, 5))
    machine.engine.hands_free.begin(pair)
    set_down(machine, 2000.0)
    step_until(machine, lambda one: one.state == "done")
    machine.plant.inject(InjectedFault(kind="tube worn", line=5, amount=0.08))
    machine.engine.hands_free.begin(replace(pair, purpose="check"))
    view = step_until(machine, lambda one: one.state == "done")
    assert [one.state for one in view.lines] == ["checked", "checked"]
    assert view.lines[0].says.startswith("in control")
    assert view.lines[1].says.startswith(("flagged, -", "blocked for small doses, -"))
    assert len(machine.engine.history(99)) == 15  # lines filled, twice six trials, two checks


def test_a_line_without_a_calibration_cannot_be_checked_and_says_so(machine):
    machine.engine.hands_free.begin(replace(JAR, lines=(2,), purpose="check"))
    set_down(machine, 2000.0)
    view = step_until(machine, lambda one: one.state == "done")
    assert view.lines[0].state == "failed"
    assert "no calibration that could be checked" in view.lines[0].says


def test_the_empty_jar_is_weighed_twice_and_its_weight_shown(machine):
    machine.engine.hands_free.begin(JAR)
    machine.plant.place_glass(brim_ml=2000.0, empty_g=4500.0)  # absurd for two litres
    refused = step_until(machine, lambda one: one.state == "jar" and "too much" in one.text)
    assert (refused.touches, refused.remarks) == (0, ())
    machine.plant.lift_glass()
    machine.plant.place_glass(brim_ml=2000.0, empty_g=700.0)
    begun_s = machine.clock.now_s()
    view = step_until(machine, lambda one: one.operation is not None)
    assert machine.clock.now_s() - begun_s >= 3.0
    assert view.remarks == ("Taken as the empty jar: 700 g.",)
