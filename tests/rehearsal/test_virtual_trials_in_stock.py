"""Trials are booked in the stock at what they weighed: the bench's bottle is the judge."""

import pytest
from msgspec.structs import replace

from controller.bench.faults import InjectedFault
from controller.model.evening import StockWeighingRequest
from controller.model.requests import SpotCheckRequest
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import calibrate, prime_all, spot_check, weighed_trial
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")


def level(machine, line):
    return next(one for one in machine.ledger.stock.hanging().values() if one.line == line)


@pytest.mark.parametrize("line", [4, 5])
def test_after_a_calibration_the_books_are_off_by_what_priming_was_off_by(line):
    machine = VirtualMachine(PROFILE, BOOK, seed=3)
    try:
        prime_all(machine, (line,))
        # Nobody knows the pump yet: what priming drew is not weighed, and stays booked by the data sheet.
        off_ml = level(machine, line).remaining_ml - machine.plant.container_ml(line)
        u_ml, before_ml = level(machine, line).u_shared_ml, machine.plant.container_ml(line)
        fit = calibrate(machine, line, by="a tester")
        drawn_ml = before_ml - machine.plant.container_ml(line)
        assert drawn_ml > 150.0
        after = level(machine, line)
        # Each trial is weighed to 0.03 g; density is known to a part in a thousand.
        assert after.remaining_ml - machine.plant.container_ml(line) == pytest.approx(off_ml, abs=0.005 * drawn_ml)
        assert after.u_shared_ml == pytest.approx(u_ml, abs=1e-6)
        entries = [machine.ledger.entry(one.operation) for one in fit.trials]
        booked_ml = sum(one.deliveries[0].delivered_ml for one in entries if one is not None)
        assert abs(booked_ml - drawn_ml) > 0.02 * drawn_ml  # by the data sheet it would have been this far off
    finally:
        machine.close()


def test_what_somebody_has_seen_since_is_not_corrected_again():
    machine = VirtualMachine(PROFILE, BOOK, seed=3)
    try:
        prime_all(machine, (4,))
        fit = machine.engine.calibrating.fit(4)
        assert fit.trials == ()
        corrected = []
        real = machine.engine.calibrating.settle

        def look_first(request):
            grams = 300.0 + machine.plant.container_ml(4) * 1.175
            machine.engine.stock.weigh(StockWeighingRequest(line=4, grams=grams, tare_g=300.0))
            corrected.append(level(machine, 4).remaining_ml)
            return real(request)

        machine.engine.calibrating.settle = look_first  # type: ignore[method-assign]  # between weighing and booking
        calibrate(machine, 4, by="a tester")
        assert level(machine, 4).remaining_ml == corrected[0]
    finally:
        machine.close()


def test_a_spot_check_is_booked_at_its_weight_and_back_when_it_is_struck():
    machine = VirtualMachine(PROFILE, BOOK, seed=3)
    try:
        prime_all(machine, (4,))
        calibrate(machine, 4, by="a tester")
        machine.plant.inject(InjectedFault(kind="tube worn", line=4, amount=0.10))
        machine.pass_time(PROFILE.caps.duty_window_s)
        off_ml = level(machine, 4).remaining_ml - machine.plant.container_ml(4)
        spot_check(machine, 4, 10.0)
        now_ml = level(machine, 4).remaining_ml
        assert now_ml - machine.plant.container_ml(4) == pytest.approx(off_ml, abs=0.3)
        machine.engine.calibrating.strike_spot_check(4)
        # Booked by the calibration again, which knows nothing of the wear: a tenth of 50 mL more than was drawn.
        assert level(machine, 4).remaining_ml - now_ml == pytest.approx(-5.0, abs=1.0)
    finally:
        machine.close()


def test_a_spot_check_entered_again_counts_once_with_its_last_weight():
    """As after a kill between its booking and the note that it is booked, or with a better weight."""
    machine = VirtualMachine(PROFILE, BOOK, seed=3)
    try:
        prime_all(machine, (4,))
        calibrate(machine, 4, by="a tester")
        machine.pass_time(PROFILE.caps.duty_window_s)
        operation, grams = weighed_trial(machine, (4,), 10.0)
        before = level(machine, 4)
        said = SpotCheckRequest(operation=operation, line=4, grams=0.95 * grams)
        machine.engine.calibrating.spot_check(said)
        once = level(machine, 4)
        assert once.remaining_ml - before.remaining_ml > 1.0
        for _ in range(2):
            machine.engine.calibrating.spot_check(said)
            assert level(machine, 4).remaining_ml == pytest.approx(once.remaining_ml, abs=1e-6)
            assert level(machine, 4).u_ml == pytest.approx(once.u_ml, abs=1e-6)
        machine.engine.calibrating.spot_check(replace(said, grams=1.05 * grams))
        assert level(machine, 4).remaining_ml < before.remaining_ml - 1.0
        machine.engine.calibrating.strike_spot_check(4)
        assert level(machine, 4).remaining_ml == pytest.approx(before.remaining_ml, abs=1e-6)
        assert level(machine, 4).u_ml == pytest.approx(before.u_ml, abs=1e-6)
    finally:
        machine.close()


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_a_spot_check_with_a_wrong_digit_does_not_touch_the_stock(factor):
    machine = VirtualMachine(PROFILE, BOOK, seed=3)
    try:
        prime_all(machine, (4,))
        calibrate(machine, 4, by="a tester")
        machine.pass_time(PROFILE.caps.duty_window_s)
        operation, grams = weighed_trial(machine, (4,), 10.0)
        before_ml = level(machine, 4).remaining_ml
        machine.engine.calibrating.spot_check(SpotCheckRequest(operation=operation, line=4, grams=grams * factor))
        assert level(machine, 4).remaining_ml == before_ml
        machine.engine.calibrating.strike_spot_check(4)
        assert level(machine, 4).remaining_ml == before_ml
    finally:
        machine.close()
