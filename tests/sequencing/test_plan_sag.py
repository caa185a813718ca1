"""Plan and run times agree with each other: every run gives its volume beside the company that it really has."""

import itertools
import random

import pytest

from controller.errors import Refused
from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.states import OperationKind
from controller.sequencing import plan as planning
from controller.sequencing.line_runs import RINSE_MARGIN, timed_runs, tube_ml, wetting_runs
from controller.sequencing.plan import Wanted, limits, plan_serving, timed
from controller.sequencing.twins import one_line_each
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")
LIQUIDS = {one.line: one.liquid for one in BOOK.lines}


def calibrations(rng):
    return {
        line: Calibration(
            line=line,
            liquid=liquid,
            flow_ml_s=rng.uniform(3.0, 6.0),
            lag_s=rng.uniform(-0.05, 0.15),
            u_flow_ml_s=0.0,
            u_lag_s=0.0,
            cov_flow_lag=0.0,
            sag_per_a=rng.uniform(0.0, 0.05),
        )
        for line, liquid in LIQUIDS.items()
    }


def others_a(run, runs):
    """Mean current of the others while this run is on, from their overlaps."""
    charge = 0.0
    for other in runs:
        if other is not run:
            overlap = min(run.start_s + run.duration_s, other.start_s + other.duration_s) - max(
                run.start_s, other.start_s
            )
            charge += max(0.0, overlap) * PROFILE.line(other.line).pump.run_a
    return charge / run.duration_s


def assert_consistent(runs, known):
    for run in runs:
        one = known[run.line]
        given_ml = one.flow_ml_s * (1 - one.sag_per_a * others_a(run, runs)) * (run.duration_s - one.lag_s)
        assert given_ml == pytest.approx(run.volume_ml, abs=2e-3)


def assert_within_limits(runs):
    """Every instant at which anything changes, from the runs alone."""
    bounds = limits(PROFILE)
    starts = sorted(run.start_s for run in runs)
    assert all(b - a >= bounds.start_gap_s - 1e-9 for a, b in itertools.pairwise(starts))
    for at_s in [run.start_s + age for run in runs for age in (0.0, PROFILE.line(run.line).pump.inrush_s)]:
        on = [run for run in runs if run.start_s <= at_s + 1e-9 < run.start_s + run.duration_s]
        total_a = sum(
            PROFILE.line(run.line).pump.inrush_a
            if at_s + 1e-9 < run.start_s + PROFILE.line(run.line).pump.inrush_s
            else PROFILE.line(run.line).pump.run_a
            for run in on
        )
        assert total_a <= bounds.current_a + 1e-9
        assert len(on) <= bounds.concurrent


def some_wanted(rng):
    lines = rng.sample(sorted(LIQUIDS), rng.randint(2, 6))
    return [
        Wanted(line=line, liquid=LIQUIDS[line], volume_ml=rng.uniform(5.0, 120.0), phase=rng.randint(0, 1))
        for line in lines
    ]


@pytest.mark.parametrize("seed", range(25))
def test_run_times_and_company_agree_and_limits_hold(seed):
    rng = random.Random(seed)
    known, wanted = calibrations(rng), some_wanted(rng)
    _, runs = timed(PROFILE, known, wanted)
    assert {(run.line, run.volume_ml) for run in runs} == {(one.line, one.volume_ml) for one in wanted}
    assert_consistent(runs, known)
    assert_within_limits(runs)


@pytest.mark.parametrize("seed", range(10))
def test_a_schedule_that_never_settles_falls_back_to_windows_that_hold(seed, monkeypatch):
    monkeypatch.setattr(planning, "ROUNDS", 0)
    rng = random.Random(seed)
    known, wanted = calibrations(rng), some_wanted(rng)
    solved, runs = timed(PROFILE, known, wanted)
    assert_consistent(runs, known)
    assert_within_limits(runs)
    assert solved.makespan_s == pytest.approx(max(run.start_s + run.duration_s for run in runs))


def test_a_hand_step_parts_a_serving_and_phases_keep_their_order():
    known = calibrations(random.Random(1))
    lines = {liquid: line for line, liquid in LIQUIDS.items()}
    phases = (
        Resolved(doses=(("apple juice", 60.0), ("ginger syrup", 15.0)), hand=None, takes_ml=0.0),
        Resolved(doses=(("soda", 50.0),), hand=None, takes_ml=0.0),
        Resolved(doses=(), hand="add ice", takes_ml=40.0),
        Resolved(doses=(("cold tea", 40.0),), hand=None, takes_ml=0.0),
    )
    plan = plan_serving(PROFILE, known, one_line_each(lines), phases)
    assert [segment.hand for segment in plan.segments] == [None, "add ice"]
    assert plan.segments[1].takes_ml == 40.0
    first = plan.segments[0].runs
    soda = next(run for run in first if run.liquid == "soda")
    others_end_s = max(run.start_s + run.duration_s for run in first if run is not soda)
    assert soda.start_s >= others_end_s + PROFILE.funnel.settle_s - 1e-9
    assert plan.makespan_s <= plan.one_at_a_time_s + 1e-6


def test_liquids_without_line_or_calibration_are_named_together():
    known = calibrations(random.Random(1))
    phase = Resolved(doses=(("perry", 10.0), ("soda", 10.0)), hand=None, takes_ml=0.0)
    with pytest.raises(Refused, match="perry"):
        plan_serving(PROFILE, known, one_line_each({"soda": 6}), (phase,))
    del known[6]
    with pytest.raises(Refused, match="line 6 has no calibration"):
        plan_serving(PROFILE, known, one_line_each({"soda": 6, "perry": 1}), (phase,))
    del known[1]
    with pytest.raises(Refused, match=r"line 1 and line 6 have no calibration.*calibrate 1 6"):
        plan_serving(PROFILE, known, one_line_each({"soda": 6, "perry": 1}), (phase,))


def test_wetting_moves_stated_tube_volumes_at_the_least_and_trials_keep_the_start_gap():
    known = calibrations(random.Random(2))
    liquids = {1: "rinse water", 3: "rinse water"}
    for run in wetting_runs(PROFILE, known, OperationKind.RINSE, liquids):
        line = PROFILE.line(run.line)
        wanted_ml = PROFILE.hygiene.rinse_line_volumes * RINSE_MARGIN * tube_ml(line)
        start_up_s = PROFILE.relay_board.operate_s + line.pump.inrush_s
        least_ml_s = PROFILE.flow_band(run.line).least_ml_s
        assert run.duration_s == pytest.approx(wanted_ml / least_ml_s + start_up_s)
        assert run.volume_ml == pytest.approx(run.duration_s * known[run.line].flow_ml_s)
    trial = timed_runs(PROFILE, known, {1: "apple juice", 5: "cold tea"}, 10.0)
    assert [run.start_s for run in trial] == [0.0, PROFILE.caps.start_gap_s]
    assert {run.duration_s for run in trial} == {10.0}
