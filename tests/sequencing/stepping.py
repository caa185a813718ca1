"""A checker that steps through a plan in time. It shares nothing with the scheduler but Run and Limits."""

from collections.abc import Sequence
from itertools import pairwise

from controller.sequencing.schedule_loads import Limits, Run

CURRENT_A, FLOW_ML_S, TIME_S = 1e-9, 1e-9, 1e-9


def broken_limits(runs: Sequence[Run], starts_s: Sequence[float], limits: Limits) -> list[str]:
    """What a plan breaks, one text each; every instant at which something changes is looked at."""
    spans = list(zip(runs, starts_s, strict=True))
    instants = {start_s + after_s for run, start_s in spans for after_s in (0.0, run.inrush_s, run.duration_s)}
    broken = []
    for at_s in sorted(instants):
        on = [(run, at_s - start_s) for run, start_s in spans if start_s <= at_s < start_s + run.duration_s - TIME_S]
        current_a = sum(run.inrush_a if on_s < run.inrush_s - TIME_S else run.current_a for run, on_s in on)
        flow_ml_s = sum(run.flow_ml_s for run, _ in on)
        if current_a > limits.current_a + CURRENT_A:
            broken.append(f"{current_a} A at {at_s} s")
        if flow_ml_s > limits.flow_ml_s + FLOW_ML_S:
            broken.append(f"{flow_ml_s} mL/s at {at_s} s")
        if len(on) > limits.concurrent:
            broken.append(f"{len(on)} lines at {at_s} s")
    return broken + _broken_times(spans, limits)


def _broken_times(spans: list[tuple[Run, float]], limits: Limits) -> list[str]:
    broken = []
    in_order = sorted(start_s for _, start_s in spans)
    for earlier_s, later_s in pairwise(in_order):
        if later_s - earlier_s < limits.start_gap_s - TIME_S:
            broken.append(f"starts at {earlier_s} s and {later_s} s")
    for phase in {run.phase for run, _ in spans}:
        ends_s = [start_s + run.duration_s for run, start_s in spans if run.phase < phase]
        first_s = min(start_s for run, start_s in spans if run.phase == phase)
        if ends_s and first_s < max(ends_s) + limits.settle_s - TIME_S:
            broken.append(f"phase {phase} starts at {first_s} s")
    if in_order and in_order[0] != 0:
        broken.append(f"first start at {in_order[0]} s")
    return broken


def length_s(runs: Sequence[Run], starts_s: Sequence[float]) -> float:
    return max(start_s + run.duration_s for run, start_s in zip(runs, starts_s, strict=True))
