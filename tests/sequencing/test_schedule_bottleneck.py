"""What limits a plan, and what would help, worked out by hand."""

from typing import Any

import pytest

from controller.errors import Refused
from controller.sequencing.bottleneck import LONGEST_RUN, bottleneck, explain
from controller.sequencing.schedule import schedule
from controller.sequencing.schedule_loads import Limits, Run


def run(line: object, duration_s: float, **figures: float) -> Run:
    plain: dict[str, Any] = {"current_a": 0.5, "inrush_a": 0.5, "inrush_s": 0.0, "flow_ml_s": 2.0, "phase": 0}
    return Run(line=line, duration_s=duration_s, **(plain | figures))


def limits(**figures: float) -> Limits:
    wide: dict[str, Any] = {"current_a": 50.0, "flow_ml_s": 50.0, "concurrent": 64, "start_gap_s": 0.0, "settle_s": 0.0}
    return Limits(**(wide | {"total_s": 1000.0} | figures))


THREE = [run("apple juice", 10.0), run("ginger syrup", 8.0), run("lime cordial", 6.0)]


@pytest.mark.parametrize(
    ("bounds", "name", "without_s"),
    [
        (limits(), LONGEST_RUN, 10.0),
        (limits(current_a=1.0), "supply current", 10.0),  # two at a time, 8 + 6 = 14 s
        (limits(flow_ml_s=2.0), "combined flow", 10.0),  # one at a time, 24 s
        (limits(concurrent=1), "lines on at once", 10.0),
        (limits(start_gap_s=5.0), "gap between starts", 10.0),  # starts at 0, 5, 10 s: 16 s
        (limits(concurrent=1, start_gap_s=9.0), "lines on at once", 24.0),  # starts at 0, 9, 18 s: with 6 s last, 24 s
    ],
)
def test_the_limit_that_costs_most(bounds, name, without_s):
    found = bottleneck([THREE], bounds, schedule(THREE, bounds).makespan_s)
    assert (found.limit, found.without_s) == (name, pytest.approx(without_s))


def test_settle_time_can_be_what_limits():
    runs = [run("apple juice", 3.0), run("soda", 2.0, phase=1)]
    found = bottleneck([runs], limits(settle_s=4.0, current_a=0.6), 9.0)
    assert (found.limit, found.without_s) == ("settle time between phases", 5.0)


def test_batches_are_poured_one_after_the_other():
    # Each takes 14 s two at a time, 10 s without the limit.
    found = bottleneck([THREE, THREE], limits(current_a=1.0), 28.0)
    assert (found.limit, found.without_s) == ("supply current", pytest.approx(20.0))
    assert bottleneck([], limits(), 0.0).limit == LONGEST_RUN


def test_a_limit_that_costs_less_than_a_fiftieth_is_not_named():
    """A gap of 0.19 s before two runs of 10 s: 10.19 s, and 1.9 % would be saved; of 0.21 s, 2.1 %."""
    runs = [run("apple juice", 10.0), run("soda", 10.0)]
    assert bottleneck([runs], limits(start_gap_s=0.19), 10.19).limit == LONGEST_RUN
    assert bottleneck([runs], limits(start_gap_s=0.21), 10.21).limit == "gap between starts"


def test_what_a_limit_saves_is_reckoned_as_asked():
    """All three at once take 10 s; if they slow each other down so much that it takes 14 s, nothing is saved."""
    bounds = limits(current_a=1.0)
    assert bottleneck([THREE], bounds, 14.0).limit == "supply current"
    assert bottleneck([THREE], bounds, 14.0, lambda _: 14.0).limit == LONGEST_RUN


def test_a_plan_that_fits_needs_no_explanation():
    assert explain(THREE, limits(total_s=10.0)) is None


def test_a_pump_too_large_for_the_supply():
    runs = [run("apple juice", 5.0), run(3, 5.0, inrush_a=3.4, inrush_s=0.1), run(4, 2.0, inrush_a=3.2, inrush_s=0.1)]
    with pytest.raises(Refused) as caught:
        schedule(runs, limits(current_a=3.0))
    refused = caught.value
    assert (refused.rule, refused.asked, refused.allowed) == ("current", "3.4 A", "3 A")
    assert "line 3 alone draws 3.4 A, line 4 alone draws 3.2 A" in refused.reason
    assert refused.remedy == "Allow 3.4 A instead of 3 A, or leave out line 3, line 4."


def test_a_pump_too_fast_for_the_funnel():
    with pytest.raises(Refused) as caught:
        schedule([run("soda", 5.0, flow_ml_s=12.5)], limits(flow_ml_s=12.0))
    assert (caught.value.rule, caught.value.asked) == ("flow", "12.5 mL/s")
    assert "soda alone pours 12.5 mL/s" in caught.value.reason


def test_too_slow_for_the_current():
    # Two at a time 8 + 6 = 14 s, more than 12 s. All three together draw 1.5 A: 10 s. Without the ginger the rest
    # takes 10 s, without the lime as well, without the juice 8 s: least is left out with ginger or lime.
    refused = explain(THREE, limits(current_a=1.0, total_s=12.0))
    assert refused is not None
    assert (refused.rule, refused.asked, refused.allowed) == ("total_time", "14.0 s", "12 s")
    assert "supply current" in refused.reason
    assert "Allow 1.5 A instead of 1 A (supply current)" in refused.remedy
    assert "pour ginger syrup alone: the rest takes 10.0 s" in refused.remedy
    assert "pour 85 % of it" in refused.remedy  # 0.85 x 14 = 11.9 s; 0.9 x 14 = 12.6 s


def test_the_smallest_change_that_suffices_and_no_less():
    runs = [run(line, 10.0, current_a=0.35, inrush_a=0.35) for line in range(1, 5)]
    # Two at a time at 1.0 A, 20 s; four together want 1.4 A.
    refused = explain(runs, limits(current_a=1.0, total_s=15.0))
    assert refused is not None
    assert "1.4 A instead of 1 A" in refused.remedy
    assert explain(runs, limits(current_a=1.4, total_s=15.0)) is None
    assert explain(runs, limits(current_a=1.3, total_s=15.0)) is not None


def test_lines_and_gap_are_offered_in_their_own_steps():
    # One at a time 24 s; two at a time 14 s, three 10 s.
    refused = explain(THREE, limits(concurrent=1, total_s=14.0))
    assert refused is not None
    assert "llow 2 instead of 1 (lines on at once)" in refused.remedy
    # Starts 5 s apart: longest first, 0 + 10, 5 + 8, 10 + 6 = 16 s. In 13 s: 2 g + 6 <= 13, g = 3.5 s.
    refused = explain(THREE, limits(start_gap_s=5.0, total_s=13.0))
    assert refused is not None
    assert "3.5 s instead of 5 s (gap between starts)" in refused.remedy


def test_one_run_longer_than_the_time_allowed():
    # No limit helps: the run itself takes 10 s. 0.75 x 10 = 7.5 s.
    refused = explain([run("apple juice", 10.0)], limits(total_s=7.5))
    assert refused is not None
    assert LONGEST_RUN in refused.reason
    assert refused.remedy == "Pour 75 % of it."
