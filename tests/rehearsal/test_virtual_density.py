"""A book that does not know how heavy its juice is: the bench knows, and the interval owns up to it."""

import msgspec
import pytest

from controller.errors import Refused
from controller.model.requests import CalibrationRequest, TrialsRequest, WeighedTrial
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import calibrate, prime_all
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")
JUICE = "apple juice"


def book_with(**juice):
    """The orchard fete with only this said of the density of its juice."""
    liquids = tuple(
        msgspec.structs.replace(one, brix=None, **juice) if one.liquid == JUICE else one for one in BOOK.liquids
    )
    return msgspec.structs.replace(BOOK, liquids=liquids)


def flow_error(book):
    """By how much a calibration of line 1 is off the bench's truth, and the fit it came from."""
    machine = VirtualMachine(PROFILE, book, seed=5)
    prime_all(machine, (1,))
    fit = calibrate(machine, 1, by="a tester")
    (truth,) = [one for one in machine.plant.truth_report() if one.line == 1]
    machine.close()
    assert fit.calibration is not None
    return fit.calibration.flow_ml_s / truth.flow_ml_s - 1.0, fit


def test_juice_taken_for_water_is_4_percent_off_and_the_interval_says_so():
    off, fit = flow_error(book_with())
    assert off == pytest.approx(0.046, abs=0.01)
    u = fit.calibration.u_flow_ml_s / fit.calibration.flow_ml_s
    assert off < 2.0 * u
    assert {one.about for one in fit.doubts} >= {"dose"}
    assert next(one for one in fit.budget.lines if one.source == "density").u_ml == pytest.approx(3.0, rel=0.05)


@pytest.mark.parametrize(
    "juice",
    [{"hydrometer_kg_m3": 1045.5, "hydrometer_at_c": 15.0}, {"weighed_100_ml_g": 104.4}],
    ids=["hydrometer", "100 mL weighed"],
)
def test_a_hydrometer_or_a_weighed_100_ml_puts_the_density_right(juice):
    off, fit = flow_error(book_with(**juice))
    assert abs(off) < 0.01
    assert abs(off) < 2.5 * fit.calibration.u_flow_ml_s / fit.calibration.flow_ml_s
    assert fit.doubts == () or {one.about for one in fit.doubts} == {"change"}


def test_a_calibration_on_a_guessed_density_needs_a_second_yes():
    machine = VirtualMachine(PROFILE, book_with(), seed=5)
    rows = tuple(WeighedTrial(on_s=on_s, grams=4.9 * on_s, u_grams=0.05) for on_s in (3.0, 6.0, 9.0, 12.0))
    with pytest.raises(Refused, match="would stay inside its tolerance"):
        machine.engine.calibrating.weigh_rows(TrialsRequest(line=1, trials=rows, accept=True, sure=True))
    machine.engine.calibrating.weigh_rows(TrialsRequest(line=1, trials=rows))
    with pytest.raises(Refused, match="would stay inside its tolerance"):
        machine.engine.calibrating.settle(CalibrationRequest(line=1))
    machine.close()
