"""Edges planned for one instant, whatever rounding makes of it: offs before ons, and nothing goes uncounted."""

import math
import random

import pytest
from msgspec.structs import replace

from controller.model.messages import Ended, Start
from controller.model.plan import Interval
from controller.model.states import OperationKind, Outcome
from controller.safety.admission import case_of, start
from controller.safety.caps import violations
from controller.safety.progress import ROUNDING_S, Progress
from tests.guard.guard_parts import Rig, run_of, serve, with_caps
from tests.safety.core_parts import NOW_S, filled, refusals, situation

JUICE, SYRUP, TEA = "apple juice", "ginger syrup", "cold tea"


def test_a_line_that_ends_is_off_before_the_one_that_follows_is_on():
    # The same instant, worked out in two ways: (now + start) + duration and now + (start + duration).
    draw = random.Random(1)
    for _ in range(200):
        now_s, start_s, duration_s = 1000 + draw.random(), draw.random(), draw.random()
        progress = Progress(serve(run_of(1, JUICE, 0, 1)))
        progress.begin(now_s, (run_of(1, JUICE, start_s, duration_s), run_of(2, SYRUP, start_s + duration_s, 1.0)))
        while not progress.is_through:
            progress.step(progress.next_s, 0.1)
            assert len(progress.on) <= 1, (now_s, start_s, duration_s)
        assert [edge.line for edge in progress.switched] == [1, 1, 2, 2]


@pytest.mark.parametrize("overlap_s", [0.0, 5e-10])
def test_two_runs_of_a_line_that_touch_are_counted_in_full(overlap_s):
    rig = Rig().primed(1)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0.0, 3.0), run_of(1, JUICE, 3.0 - overlap_s, 4.0))))
    rig.run(9)
    ended = rig.of(Ended)[-1]
    assert ended.outcome is Outcome.DONE
    assert ended.deliveries[0].on_s == pytest.approx(7.0, abs=1e-5)


def test_the_rounding_that_is_allowed_for_is_more_than_a_month_of_uptime_makes():
    assert math.ulp(31 * 86_400.0) * 10 < ROUNDING_S


def test_runs_that_touch_are_one_run_for_the_cap_of_a_single_run():
    # 2 x 30 s, the cap of one run is 45 s. A relay that opens within 5 ms and closes within 10 ms never opens between.
    now = situation(with_caps(run_on_s=45))
    for pause_s in (0.0, 0.014):
        found = refusals(serve(run_of(1, JUICE, 0, 30), run_of(1, JUICE, 30 + pause_s, 30)), now)["run_on"]
        assert (found.asked, found.allowed) == ("60.0 s", "45.0 s")
    for second in (run_of(1, JUICE, 30.5, 30), run_of(2, SYRUP, 30, 30)):
        assert refusals(serve(run_of(1, JUICE, 0, 30), second), now) == {}


def test_each_stretch_that_is_too_long_is_named():
    runs = (run_of(1, JUICE, 0, 20), run_of(1, JUICE, 21, 8), run_of(1, JUICE, 29, 8), run_of(2, SYRUP, 0.2, 16))
    found = [one.asked for one in start(serve(*runs), situation(with_caps(run_on_s=15))) if one.rule == "run_on"]
    assert sorted(found) == ["16.0 s", "16.0 s", "20.0 s"]


def test_the_busiest_window_of_an_operation_counts():
    # 590 s of the 600 s are used: 15 s more are too many, whatever a later run finds in its own window.
    past = (Interval(line=1, start_s=NOW_S - 600, end_s=NOW_S - 10),)
    found = refusals(serve(run_of(1, JUICE, 0, 15), run_of(1, JUICE, 700, 1)), situation(on_times=past))
    assert found["duty"].asked == "605 s"


def test_runs_before_the_window_do_not_count():
    old = tuple(Interval(line=1, start_s=NOW_S - 5000 - at_s, end_s=NOW_S - 4999 - at_s) for at_s in range(0, 100, 10))
    past = (Interval(line=1, start_s=NOW_S - 600, end_s=NOW_S - 15),)
    assert refusals(serve(run_of(1, JUICE, 0, 15)), situation(on_times=(*old, *past))) == {}


def test_starts_too_close_are_reported_once_and_rounding_does_not_count():
    three = serve(run_of(1, JUICE, 0, 5), run_of(2, SYRUP, 0, 5), run_of(3, TEA, 0, 5))
    assert refusals(three)["start_gap"].asked == "0 ms"
    assert "start_gap" in refusals(serve(run_of(1, JUICE, 0, 5), run_of(2, SYRUP, 0.1 - 1.5e-6, 5)))
    assert "start_gap" not in refusals(serve(run_of(1, JUICE, 0, 5), run_of(2, SYRUP, 0.1 - 0.5e-6, 5)))


@pytest.mark.parametrize("later_s", [0.0, 1e3, 2e5, 1e9])
def test_however_late_two_starts_keep_their_gap(later_s):
    """By the check itself: the caps on time refuse such plans besides."""
    runs = (run_of(1, JUICE, later_s, 5), run_of(2, SYRUP, later_s + 0.099, 5))
    case = case_of(serve(*runs), situation())
    assert [one.rule for one in violations(case) if one.rule == "start_gap"] == ["start_gap"]


@pytest.mark.parametrize("kind", list(OperationKind))
@pytest.mark.parametrize("start_s", [1.5, 2e5, 1e300])
def test_a_plan_begins_when_it_is_asked_for(kind, start_s):
    operation = replace(serve(run_of(1, JUICE, start_s, 1)), kind=kind, jug=True)
    assert refusals(operation)["plan"].allowed == "1 s"


@pytest.mark.parametrize("kind", [one for one in OperationKind if one is not OperationKind.SERVE])
def test_every_operation_has_a_cap_on_its_time_in_all(kind):
    # Line 1 from 0 to 2 s and line 2 from 48 to 51 s, the cap is 50 s; a start at 1e300 s is far beyond it.
    now = situation(with_caps(operation_time_s=50), lines=filled())
    late = replace(serve(run_of(1, JUICE, 0, 0.2), run_of(2, SYRUP, 48, 3)), kind=kind, jug=True)
    found = [one for one in start(late, now) if one.rule == "operation_time"]
    assert [(one.asked, one.allowed) for one in found] == [("51.0 s", "50.0 s")]
    for second_s in (2e5, 1e300):
        runs = (run_of(1, JUICE, 0, 0.2), run_of(2, SYRUP, second_s, 3))
        far = replace(late, segments=(replace(late.segments[0], runs=runs),))
        assert "operation_time" in [one.rule for one in start(far, now)]
