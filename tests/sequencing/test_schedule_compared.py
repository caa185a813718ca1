"""The scheduler against every start time tried, against CP-SAT, against itself, and against the clock-free checker."""

import itertools
import os
import random
import subprocess
import sys

import msgspec
import pytest

from controller.sequencing.schedule import schedule
from controller.sequencing.schedule_loads import Limits, Run
from tests.sequencing.cp_sat import cp_sat
from tests.sequencing.reference_plans import KINDS, draw, instances, stored
from tests.sequencing.stepping import broken_limits, length_s

STEP_S = 0.5


def _coarse(rng: random.Random, count: int) -> tuple[list[Run], Limits]:
    """Every time a multiple of STEP_S: then some shortest plan has all its starts on those multiples."""
    limit_a = 2.0
    runs = []
    for line in range(count):
        current_a = rng.choice((0.4, 0.6, 0.9, 1.2))
        runs.append(
            Run(
                line=line,
                duration_s=STEP_S * rng.randint(1, 4),
                current_a=current_a,
                inrush_a=rng.choice((current_a, 1.5, 2.0)),
                inrush_s=STEP_S * rng.randint(0, 2),
                flow_ml_s=rng.choice((1.0, 2.0, 3.0)),
                phase=rng.choice((0, 0, 0, 1)),
            )
        )
    bounds = Limits(
        current_a=limit_a,
        flow_ml_s=rng.choice((4.0, 6.0)),
        concurrent=rng.randint(2, 3),
        start_gap_s=STEP_S * rng.choice((0, 0, 1, 3)),
        settle_s=STEP_S * rng.randint(0, 2),
        total_s=100.0,
    )
    return runs, bounds


def _shortest_of_all(runs: list[Run], bounds: Limits, known_s: float) -> float:
    """The shortest of all plans up to known_s long whose starts are multiples of STEP_S."""
    best_s = float("inf")
    choices = [[STEP_S * step for step in range(int((known_s - run.duration_s) / STEP_S + 1e-9) + 1)] for run in runs]
    for starts_s in itertools.product(*choices):
        length = length_s(runs, starts_s)
        if length < best_s and min(starts_s) == 0 and not broken_limits(runs, starts_s, bounds):
            best_s = length
    return best_s


@pytest.mark.parametrize("seed", range(60))
def test_no_choice_of_start_times_is_shorter(seed):
    rng = random.Random(seed)
    runs, bounds = _coarse(rng, rng.randint(1, 4) if seed % 3 == 0 else rng.randint(1, 3))
    plan = schedule(runs, bounds)
    assert plan.proven
    assert plan.makespan_s == pytest.approx(_shortest_of_all(runs, bounds, plan.makespan_s), abs=1e-9)


@pytest.mark.parametrize("number", range(12))
def test_as_short_as_cp_sat(number):
    instance = instances(12, 3, 6, seed=4)[number]
    plan = schedule(instance.runs, instance.limits)
    reference = cp_sat(instance, seconds=2.0)
    assert plan.makespan_s <= reference.makespan_s + 1e-6
    assert plan.lower_bound_s <= reference.makespan_s + 1e-6
    assert reference.bound_s <= plan.makespan_s + 1e-6
    assert plan.proven


@pytest.mark.parametrize("name", stored())
def test_not_longer_than_what_cp_sat_once_found(name):
    """By at most 0.1 % up to ten lines and 1 % beyond; and no bound of either side is beaten by the other's plan."""
    for instance, reference in stored()[name][::3]:
        plan = schedule(instance.runs, instance.limits)
        reach = 1.001 if len(instance.runs) <= 10 else 1.01
        assert plan.makespan_s <= reach * reference.makespan_s
        assert plan.lower_bound_s <= reference.makespan_s + 1e-6
        assert reference.bound_s <= plan.makespan_s + 1e-6


@pytest.mark.parametrize("kind", KINDS)
def test_plans_of_every_kind_keep_the_limits(kind):
    rng = random.Random(kind)
    for count in (1, 2, 4, 7, 9):
        instance = draw(rng, kind, count)
        plan = schedule(instance.runs, instance.limits)
        assert broken_limits(instance.runs, plan.run_starts_s, instance.limits) == []
        assert plan.makespan_s == length_s(instance.runs, plan.run_starts_s)
        assert plan.lower_bound_s <= plan.makespan_s
        assert plan.proven == (plan.lower_bound_s == plan.makespan_s)
        assert plan.proven or count > 4


@pytest.mark.parametrize("kind", ["all", "gap", "inrush"])
def test_sixty_four_lines(kind):
    instance = draw(random.Random(64), kind, 64)
    plan = schedule(instance.runs, instance.limits)
    assert broken_limits(instance.runs, plan.run_starts_s, instance.limits) == []
    one_at_a_time_s = sum(run.duration_s for run in instance.runs)
    assert plan.lower_bound_s <= plan.makespan_s < one_at_a_time_s


@pytest.mark.parametrize("kind", KINDS)
def test_no_work_allowed_still_gives_a_plan_and_a_bound_that_holds(kind):
    for seed in range(4):
        instance = draw(random.Random(seed), kind, 8)
        bounds = msgspec.structs.replace(instance.limits, settle_s=2.0)
        plan = schedule(instance.runs, bounds, work=0)
        assert broken_limits(instance.runs, plan.run_starts_s, bounds) == []
        assert plan.lower_bound_s <= schedule(instance.runs, bounds).makespan_s <= plan.makespan_s


def test_the_order_in_which_runs_are_given_does_not_matter():
    instance = draw(random.Random(11), "all", 8)
    turned = list(reversed(instance.runs))
    assert schedule(turned, instance.limits).makespan_s == pytest.approx(
        schedule(instance.runs, instance.limits).makespan_s, abs=1e-6
    )


def test_each_limit_can_only_cost_time():
    instance = draw(random.Random(3), "all", 8)
    held_s = schedule(instance.runs, instance.limits).makespan_s
    for change in ({"current_a": 99.0}, {"flow_ml_s": 99.0}, {"concurrent": 8}, {"start_gap_s": 0.0}):
        relaxed = msgspec.structs.replace(instance.limits, **change)
        assert schedule(instance.runs, relaxed).makespan_s <= held_s + 1e-9


PRINT_PLANS = """
import random
from controller.sequencing.schedule import schedule
from controller.sequencing.schedule_loads import Limits, Run

bounds = Limits(current_a=3.0, flow_ml_s=9.0, concurrent=4, start_gap_s=0.1, settle_s=1.0, total_s=1e4)
for count in (9, 14):
    rng = random.Random(5)
    runs = [
        Run(line=f"line {line}", duration_s=rng.uniform(1, 30), current_a=rng.uniform(0.3, 1.2),
            inrush_a=rng.uniform(1.2, 2.5), inrush_s=0.2, flow_ml_s=rng.uniform(1, 4))
        for line in range(count)
    ]
    print(schedule(runs, bounds).run_starts_s)
"""


def test_the_same_plan_in_every_process(capsys):
    exec(PRINT_PLANS, {})
    here = capsys.readouterr().out
    environment = os.environ | {"PYTHONHASHSEED": "1"}
    elsewhere = subprocess.run(
        [sys.executable, "-c", PRINT_PLANS], env=environment, capture_output=True, text=True, check=True
    )
    assert elsewhere.stdout == here
    assert here.count("(") == 2
