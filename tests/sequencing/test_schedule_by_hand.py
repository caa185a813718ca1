"""Plans worked out by hand, the arithmetic beside each."""

import math
from typing import Any

import pytest

from controller.errors import OutOfRange
from controller.sequencing.schedule import Schedule, schedule
from controller.sequencing.schedule_loads import Limits, Run
from tests.sequencing.stepping import broken_limits


def run(line: object, duration_s: float, **figures: float) -> Run:
    plain: dict[str, Any] = {"current_a": 0.5, "inrush_a": 0.5, "inrush_s": 0.0, "flow_ml_s": 1.0, "phase": 0}
    return Run(line=line, duration_s=duration_s, **(plain | figures))


def limits(**figures: float) -> Limits:
    wide: dict[str, Any] = {"current_a": 50.0, "flow_ml_s": 50.0, "concurrent": 64, "start_gap_s": 0.0, "settle_s": 0.0}
    return Limits(**(wide | {"total_s": 1000.0} | figures))


def solved(runs: list[Run], bounds: Limits) -> Schedule:
    plan = schedule(runs, bounds)
    assert broken_limits(runs, plan.run_starts_s, bounds) == []
    assert plan.lower_bound_s <= plan.makespan_s
    return plan


def test_nothing_to_do_takes_no_time():
    assert solved([], limits()).makespan_s == 0.0


def test_with_room_for_all_the_longest_run_rules_and_each_starts_at_once():
    plan = solved([run("apple juice", 10.0), run("ginger syrup", 4.0), run("soda", 7.5)], limits())
    assert (plan.makespan_s, plan.lower_bound_s, plan.proven) == (10.0, 10.0, True)
    assert plan.starts_s == {"apple juice": 0.0, "ginger syrup": 0.0, "soda": 0.0}


def test_current_in_pairs():
    # 0.5 A running, 1.5 A starting, 2.1 A allowed: beside one running pump another starts (2.0 A), beside two not
    # (2.5 A). Three runs, two at a time: the two that share a place take at least 6 + 8 = 14 s; the third, 10 s, starts
    # 0.1 s later and is long done. 14 s.
    pump = {"inrush_a": 1.5, "inrush_s": 0.1}
    plan = solved([run(1, 10.0, **pump), run(2, 8.0, **pump), run(3, 6.0, **pump)], limits(current_a=2.1))
    assert plan.makespan_s == pytest.approx(14.0)
    assert plan.proven


def test_inrush_keeps_starts_apart():
    # 2.0 + 2.0 A is more than 2.5 A, 2.0 + 0.5 A is not: the second run waits for the first one's 0.2 s. 5.2 s.
    pump = {"inrush_a": 2.0, "inrush_s": 0.2}
    plan = solved([run(1, 5.0, **pump), run(2, 5.0, **pump)], limits(current_a=2.5))
    assert plan.makespan_s == pytest.approx(5.2)


def test_inrush_may_allow_no_company_at_all():
    # 2.0 A starting beside 0.5 A running is more than 2.4 A: one at a time, 5 + 3 + 2 = 10 s.
    pump = {"inrush_a": 2.0, "inrush_s": 0.2}
    plan = solved([run(1, 5.0, **pump), run(2, 3.0, **pump), run(3, 2.0, **pump)], limits(current_a=2.4))
    assert plan.makespan_s == pytest.approx(10.0)


def test_a_run_shorter_than_its_inrush_draws_inrush_throughout():
    # Line 1 draws 2.0 A for all of its 0.3 s, and line 2 cannot start beside it: 0.3 + 1.0 s. Line 2 first would
    # be on at 1.5 A until 0.2 s, then 0.5 A: line 1 starts at 0.2 s and is done at 0.5 s. So 1.0 s.
    short = run(1, 0.3, inrush_a=2.0, inrush_s=5.0)
    plan = solved([short, run(2, 1.0, inrush_a=1.5, inrush_s=0.2)], limits(current_a=2.5))
    assert plan.makespan_s == pytest.approx(1.0)
    assert plan.starts_s[2] == 0.0


def test_flow_of_the_funnel():
    # 3 + 3 mL/s is more than 5, 3 + 2 is not: the two of 3 mL/s one after the other, 4 + 4 = 8 s; the third beside.
    runs = [run(1, 4.0, flow_ml_s=3.0), run(2, 4.0, flow_ml_s=3.0), run(3, 6.0, flow_ml_s=2.0)]
    assert solved(runs, limits(flow_ml_s=5.0)).makespan_s == 8.0


@pytest.mark.parametrize(
    ("concurrent", "durations_s", "longest_first_s", "best_s"),
    [
        # R. L. Graham, Bounds on multiprocessing timing anomalies, SIAM J. Appl. Math. 17 (1969): longest first is
        # off by 4/3 - 1/(3m) at worst, and these instances reach it (from memory).
        (2, (3, 3, 2, 2, 2), 7, 6),  # 3 + 3 = 2 + 2 + 2
        (3, (5, 5, 4, 4, 3, 3, 3), 11, 9),  # 5 + 4 = 5 + 4 = 3 + 3 + 3
        (4, (7, 7, 6, 6, 5, 5, 4, 4, 4), 15, 12),  # 7 + 5 = 7 + 5 = 6 + 6 = 4 + 4 + 4
    ],
)
def test_lines_on_at_once(concurrent, durations_s, longest_first_s, best_s):
    runs = [run(line, float(duration_s)) for line, duration_s in enumerate(durations_s)]
    plan = solved(runs, limits(concurrent=concurrent))
    assert (plan.makespan_s, plan.proven) == (best_s, True)
    assert best_s / longest_first_s == pytest.approx(1 / (4 / 3 - 1 / (3 * concurrent)))


def test_gap_between_starts():
    # Starts at 0, 1, 2, 3 s; longest first, 4, 3, 2, 1 s, all end at 4 s. Any other order ends later.
    runs = [run(line, duration_s) for line, duration_s in enumerate((1.0, 2.0, 3.0, 4.0))]
    plan = solved(runs, limits(start_gap_s=1.0))
    assert plan.makespan_s == 4.0
    assert plan.starts_s == {3: 0.0, 2: 1.0, 1: 2.0, 0: 3.0}


def test_phases_in_order_with_a_settle_time():
    # 2 s, 1.5 s settling, 3 s, 1.5 s settling, 1 s: 9 s. Phase numbers need not follow on each other.
    runs = [run("soda", 1.0, phase=7), run("apple juice", 2.0, phase=-1), run("lime cordial", 3.0, phase=2)]
    plan = solved(runs, limits(settle_s=1.5))
    assert plan.makespan_s == 9.0
    assert plan.starts_s == {"apple juice": 0.0, "lime cordial": 3.5, "soda": 8.0}


def test_the_gap_holds_across_phases():
    # The first run ends at 0.2 s, the next phase could start at 0.7 s, the gap says 2 s: 2 + 1 = 3 s.
    plan = solved([run(1, 0.2), run(2, 1.0, phase=1)], limits(start_gap_s=2.0, settle_s=0.5))
    assert plan.makespan_s == 3.0


def test_a_gap_that_outlasts_its_run_holds_up_the_next_phase():
    # Gap 2 s, no settling. Long first: starts 0 and 2 s, the next phase waits until 2 + 2 = 4 s though all ended at
    # 3.1 s. Short first: starts 0 and 2 s, all end at 5.1 s. So long first, 4 + 1 = 5 s.
    runs = [run("long", 3.1), run("short", 0.1), run("next", 1.0, phase=1)]
    plan = solved(runs, limits(start_gap_s=2.0))
    assert plan.makespan_s == 5.0
    assert plan.proven


def test_decimals_add_up_as_written():
    # In floating point 0.1 + 0.2 is more than 0.3; written in amperes it is not.
    runs = [run(1, 5.0, current_a=0.1, inrush_a=0.1), run(2, 5.0, current_a=0.2, inrush_a=0.2)]
    assert solved(runs, limits(current_a=0.3)).makespan_s == 5.0


def test_exceeding_a_limit_by_less_than_a_nanoampere_still_exceeds_it():
    # 3 x 0.3333333334 A is more than 1 A: two at a time, then one.
    runs = [run(line, 5.0, current_a=0.3333333334, inrush_a=0.3333333334) for line in range(3)]
    assert solved(runs, limits(current_a=1.0)).makespan_s == 10.0


def test_a_line_in_several_phases():
    plan = solved([run("soda", 2.0), run("cold tea", 1.0, phase=1), run("soda", 3.0, phase=2)], limits())
    assert plan.run_starts_s == (0.0, 2.0, 3.0)
    with pytest.raises(ValueError, match="several starts"):
        _ = plan.starts_s


def test_two_runs_of_a_line_in_one_phase_are_refused():
    with pytest.raises(ValueError, match="two runs in one phase"):
        schedule([run("soda", 2.0), run("soda", 1.0)], limits())


def test_inrush_below_the_steady_current_counts_as_the_steady_current():
    runs = [run(1, 2.0, inrush_a=0.0, inrush_s=1.0), run(2, 2.0, inrush_a=0.0, inrush_s=1.0)]
    assert solved(runs, limits(current_a=0.9)).makespan_s == 4.0


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
@pytest.mark.parametrize("field", ["duration_s", "current_a", "inrush_a", "inrush_s", "flow_ml_s"])
def test_figures_of_a_run_are_checked_by_name(field, bad):
    with pytest.raises(OutOfRange, match="of line 3"):
        run(3, **({"duration_s": 1.0} | {field: bad}))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
@pytest.mark.parametrize("field", ["current_a", "flow_ml_s", "concurrent", "start_gap_s", "settle_s", "total_s"])
def test_limits_are_checked(field, bad):
    with pytest.raises(OutOfRange):
        limits(**{field: bad})


def test_a_run_takes_what_it_took_until_its_contact_has_opened():
    """Relays that open 3 ms later than they close: the second of two runs that exclude each other waits for that."""
    runs = [run(1, 4.0, flow_ml_s=3.0), run(2, 4.0, flow_ml_s=3.0)]
    plan = solved(runs, limits(flow_ml_s=5.0, overlap_s=0.003))
    assert sorted(plan.run_starts_s) == [0.0, pytest.approx(4.003)]
    assert (plan.makespan_s, plan.proven) == (pytest.approx(8.003), True)


def test_the_next_phase_waits_for_the_contacts_of_the_one_before():
    """Without a settle time the pause between phases is the overlap: 2 + 0.003 + 1 s."""
    plan = solved([run(1, 2.0), run(2, 1.0, phase=1)], limits(overlap_s=0.003))
    assert plan.makespan_s == pytest.approx(3.003)
    assert solved([run(1, 2.0), run(2, 1.0, phase=1)], limits(overlap_s=0.003, settle_s=0.5)).makespan_s == 3.5
