"""What limits a serving, and what would bring one that is too slow within its time."""

import msgspec
import pytest

from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.sequencing.binding import binding_limit, too_slow
from controller.sequencing.plan import plan_serving
from controller.sequencing.twins import one_line_each
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")
LINES = {one.liquid: one.line for one in BOOK.lines}
KNOWN = {
    line: Calibration(
        line=line, liquid=liquid, flow_ml_s=5.0, lag_s=0.0, u_flow_ml_s=0.0, u_lag_s=0.0, cov_flow_lag=0.0
    )
    for liquid, line in LINES.items()
}


def capped(**changes):
    return msgspec.structs.replace(PROFILE, caps=msgspec.structs.replace(PROFILE.caps, **changes))


def plan(profile, **volumes_ml):
    doses = tuple((name.replace("_", " "), volume_ml) for name, volume_ml in volumes_ml.items())
    return plan_serving(profile, KNOWN, one_line_each(LINES), (Resolved(doses=doses, hand=None, takes_ml=0.0),))


def test_two_pumps_that_could_run_together_are_held_back_by_what_holds_them_back():
    """50 mL each at 5 mL/s: 10 s together, 20 s one after the other."""
    together = plan(PROFILE, apple_juice=50.0, soda=50.0)
    assert together.makespan_s == pytest.approx(10.0 + PROFILE.caps.start_gap_s)
    assert binding_limit(PROFILE, KNOWN, together) == "longest run"  # the gap costs 1 %
    one_pump = capped(current_a=1.6)  # a start takes 1.4 A beside 0.55 A: 1.95 A
    apart = plan(one_pump, apple_juice=50.0, soda=50.0)
    assert apart.makespan_s == pytest.approx(20.0, abs=0.01)
    assert binding_limit(one_pump, KNOWN, apart) == "supply current"
    alone = capped(concurrent=1)
    assert binding_limit(alone, KNOWN, plan(alone, apple_juice=50.0, soda=50.0)) == "lines on at once"
    assert binding_limit(PROFILE, KNOWN, plan(PROFILE, soda=50.0)) == "longest run"


def test_a_serving_in_time_needs_no_advice():
    assert too_slow(PROFILE, KNOWN, plan(PROFILE, apple_juice=50.0, soda=50.0)) == ""


def test_a_serving_that_is_too_slow_is_told_what_would_help():
    """20 s one after the other, 15 s allowed; both together need 1.4 + 0.55 = 1.95 A, in steps of 0.1 A 2 A."""
    slow = capped(current_a=1.6, serving_time_s=15.0)
    told = too_slow(slow, KNOWN, plan(slow, apple_juice=50.0, soda=50.0))
    assert "allowed are 15 s" in told
    assert "2 A instead of 1.6 A" in told
