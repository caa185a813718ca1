"""Edges planned for one instant, whatever rounding makes of it: offs before ons, and nothing goes uncounted."""

import math
import random

import pytest
from core_parts import refusals, situation
from guard_parts import Rig, run_of, serve, with_caps

from controller.model.messages import Ended, Start
from controller.model.states import Outcome
from controller.safety.admission import start
from controller.safety.progress import ROUNDING_S, Progress

JUICE, SYRUP = "apple juice", "ginger syrup"


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
