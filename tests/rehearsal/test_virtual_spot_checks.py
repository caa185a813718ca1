"""Drift is found by spot checks, flagged, and in the end small doses are refused; another liquid is carried over."""

from typing import cast

import pytest

from controller.bench.faults import InjectedFault
from controller.engine.line_care import Kind
from controller.errors import Refused
from controller.model.requests import AssignRequest, LineRequest, PourRequest
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import calibrate, prime_all, spot_check
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")
SMALL = "Marquee Tea"  # 5 mL of lime cordial from line 4: a small dose
LINES = (2, 4, 5)


@pytest.fixture(scope="module")
def calibrated():
    made = VirtualMachine(PROFILE, BOOK, seed=11)
    prime_all(made, (1, *LINES))
    for line in LINES:
        calibrate(made, line, by="a tester")
    yield made
    made.close()


@pytest.fixture
def machine(calibrated):
    yield calibrated
    if calibrated.plant.report().glass is not None:
        calibrated.plant.lift_glass()


def full_again(machine, line):
    """The same liquid from a fresh bottle, and a rest for the pump."""
    machine.pass_time(PROFILE.caps.duty_window_s)
    liquid = next(one.liquid for one in BOOK.lines if one.line == line)
    machine.plant.hang(line, liquid, 3000.0)
    machine.engine.assign(AssignRequest(line=line, liquid=liquid, container_ml=3000.0))
    machine.pass_time(0.2)


def small_pour(machine):
    if machine.plant.report().glass is not None:
        machine.plant.lift_glass()
    machine.plant.place_glass("cup")
    machine.pass_time(3.0)
    return machine.finish(machine.engine.pour(PourRequest(recipe=SMALL)).operation)


def test_a_line_that_holds_stays_in_control_and_one_that_drifts_is_flagged_then_blocked(machine):
    full_again(machine, 4)
    for _ in range(3):
        assert spot_check(machine, 4, 8.0).status == "in control"
    small_pour(machine)
    machine.plant.inject(InjectedFault(kind="tube worn", line=4, amount=0.05))
    seen = [spot_check(machine, 4, 8.0) for _ in range(8)]
    statuses = [view.status for view in seen]
    assert "flagged" in statuses or statuses[0].startswith("blocked")
    assert statuses[-1] == "blocked for small doses"
    assert seen[0].error_percent == pytest.approx(-5.0, abs=2.0)
    full_again(machine, 4)
    with pytest.raises(Refused, match="drift") as refusal:
        small_pour(machine)
    assert refusal.value.asked == "5.0 mL"
    assert "tundish calibrate 4" in refusal.value.remedy
    calibrate(machine, 4, by="a tester")  # a new calibration begins a new chart
    assert spot_check(machine, 4, 8.0).checks == 1
    small_pour(machine)


def test_an_old_calibration_is_flagged_then_blocked(machine):
    held = machine.engine.status().lines[4].calibration
    age_s = PROFILE.ageing.age_s
    fresh = spot_check(machine, 5, 4.0)
    assert fresh.status == "in control", fresh
    machine.clock.set_wall(held.taken_wall_s + 1.5 * age_s)
    assert spot_check(machine, 5, 4.0).status == "flagged"
    machine.clock.set_wall(held.taken_wall_s + 2.5 * age_s)
    late = spot_check(machine, 5, 4.0)
    assert late.status == "blocked for small doses"
    assert any("days" in reason for reason in late.reasons)
    machine.clock.set_wall(held.taken_wall_s + 60.0)


def test_every_calibration_stays_on_record(machine):
    before = machine.engine.calibrating.calibrations(2)
    calibrate(machine, 2, by="somebody else")
    after = machine.engine.calibrating.calibrations(2)
    assert after[: len(before)] == before
    assert after[-1].taken_by == "somebody else"


def test_a_check_of_a_line_without_calibration_says_so(machine):
    with pytest.raises(Refused, match="no calibration"):
        spot_check(machine, 1, 4.0)


def test_another_liquid_is_expected_measured_and_carried_over():
    """Calibrated with soda, then thick syrup on the same line: the ratio must agree with what the bench really does."""
    machine = VirtualMachine(PROFILE, BOOK, seed=5)
    prime_all(machine, (6,))
    calibrate(machine, 6, by="a tester")
    true_soda = next(one for one in machine.plant.truth_report() if one.line == 6).flow_ml_s
    clean_and_hang(machine, 6, "ginger syrup")
    true_syrup = next(one for one in machine.plant.truth_report() if one.line == 6).flow_ml_s
    held = machine.engine.status().lines[5]
    assert held.liquid == "ginger syrup"
    assert held.calibration is None, "a calibration with soda must not pour syrup"
    view = spot_check(machine, 6, 8.0, adopt=True)
    assert view.status == "another liquid"
    assert view.u_factor is not None
    assert view.factor == pytest.approx(true_syrup / true_soda, abs=max(0.01, 2.5 * view.u_factor))
    assert view.adopted
    carried = machine.engine.status().lines[5].calibration
    assert carried is not None
    assert carried.liquid == "ginger syrup"
    assert carried.flow_ml_s == pytest.approx(true_syrup, rel=0.015)
    machine.close()


def clean_and_hang(machine, line, liquid):
    """Purge, clean, rinse, hang, prime: what a change of liquid takes."""
    machine.plant.place_glass(brim_ml=2000.0)
    machine.pass_time(1.0)
    for kind, drawn in (("purge", None), ("clean", "cleaner"), ("rinse", "rinse water")):
        machine.plant.unhang(line)
        if drawn is not None:
            machine.plant.hang(line, drawn, 2000.0)
        if kind == "rinse":
            machine.pass_time(PROFILE.hygiene.cleaner_contact_s)
        machine.finish(machine.engine.run_lines(LineRequest(kind=cast(Kind, kind), lines=(line,), jug=True)).operation)
    machine.engine.assign(AssignRequest(line=line, liquid=liquid, container_ml=700.0))
    machine.plant.hang(line, liquid, 700.0)
    machine.pass_time(0.5)
    machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(line,), jug=True)).operation)
    machine.plant.lift_glass()
