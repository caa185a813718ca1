"""Instances drawn at random, and the makespan that CP-SAT (OR-Tools) finds for them on a grid of 1 ms."""

import random
import time
from dataclasses import dataclass
from itertools import pairwise

import msgspec
from ortools.sat.python import cp_model

from controller.sequencing.schedule import Limits, Run

MS = 1000  # CP-SAT's grid: 1 ms
MILLI = 1000  # mA, uL/s


@dataclass(frozen=True)
class Instance:
    kind: str
    runs: list[Run]
    limits: Limits


@dataclass(frozen=True)
class Figures:
    """Ranges in s, A and mL/s from which an instance is drawn. Invented; every limit rules in one kind at least."""

    duration_s: tuple[float, float]
    current_a: tuple[float, float]
    inrush_times: tuple[float, float]  # of the steady current
    inrush_s: tuple[float, float]
    flow_ml_s: tuple[float, float]
    limit_a: tuple[float, float]
    limit_ml_s: tuple[float, float]
    concurrent: tuple[int, int]
    gap_s: tuple[float, float]
    phases: int = 1


KINDS = {
    "machine": Figures(
        (3, 40), (0.3, 0.6), (2, 3), (0.15, 0.3), (1.2, 2.2), (2.0, 4.0), (6, 12), (3, 6), (0.1, 0.3), phases=2
    ),
    "current": Figures((1, 30), (0.2, 1.5), (1, 1.5), (0.1, 0.5), (0.5, 1), (2.3, 4.0), (50, 60), (10, 10), (0, 0.1)),
    "inrush": Figures((0.5, 6), (0.2, 0.6), (2, 5), (0.5, 3), (0.5, 1), (3.0, 4.0), (50, 60), (10, 10), (0, 0)),
    "flow": Figures((1, 30), (0.1, 0.2), (1, 2), (0.1, 0.3), (1, 6), (10, 20), (6, 12), (10, 10), (0, 0.2)),
    "gap": Figures((0.5, 8), (0.2, 0.8), (1, 3), (0.1, 0.5), (0.5, 2), (2.4, 5.0), (5, 12), (3, 8), (0.5, 2.5)),
    "channels": Figures((2, 30), (0.1, 0.2), (1, 2), (0.1, 0.3), (0.5, 1), (9, 10), (50, 60), (2, 4), (0, 0.3)),
    "all": Figures((0.2, 30), (0.1, 1.5), (1, 2.5), (0.05, 2), (0.2, 5), (3.75, 4.5), (5, 12), (2, 6), (0, 1)),
    "phases": Figures(
        (0.2, 20), (0.2, 1.0), (1, 3), (0.1, 0.5), (0.5, 3), (3.0, 4.0), (4, 10), (2, 5), (0, 0.5), phases=3
    ),
    "short": Figures(
        (0.1, 1), (0.2, 1.0), (1, 3), (0.05, 0.4), (0.5, 3), (3.0, 4.0), (4, 10), (2, 5), (0.2, 1.5), phases=3
    ),
}


def instances(count: int, low: int, high: int, seed: int) -> list[Instance]:
    """Seeded instances of low to high lines, all kinds in turn."""
    rng = random.Random(seed)
    kinds = list(KINDS)
    return [draw(rng, kinds[number % len(kinds)], rng.randint(low, high)) for number in range(count)]


def draw(rng: random.Random, kind: str, count: int) -> Instance:
    """One instance, every figure on CP-SAT's grid; about one in seven has equal runs."""
    figures = KINDS[kind]
    limit_a = _pick(rng, figures.limit_a, 1)
    with_twins = rng.random() < 0.15
    runs: list[Run] = []
    for line in range(1, count + 1):
        phase = rng.randrange(figures.phases)
        twin = rng.choice(runs) if with_twins and runs and rng.random() < 0.5 else _draw_run(rng, figures, limit_a)
        runs.append(msgspec.structs.replace(twin, line=line, phase=phase))
    limits = Limits(
        current_a=limit_a,
        flow_ml_s=max(_pick(rng, figures.limit_ml_s, 1), *(run.flow_ml_s for run in runs)),
        concurrent=rng.randint(*figures.concurrent),
        start_gap_s=_pick(rng, figures.gap_s, 2),
        settle_s=rng.choice((0.0, 0.5, 2.0)),
        total_s=10_000.0,
    )
    return Instance(kind, runs, limits)


def _pick(rng: random.Random, low_high: tuple[float, float], digits: int) -> float:
    return round(rng.uniform(*low_high), digits)


def _draw_run(rng: random.Random, figures: Figures, limit_a: float) -> Run:
    current_a = _pick(rng, figures.current_a, 2)
    return Run(
        line=0,
        duration_s=_pick(rng, figures.duration_s, 3),
        current_a=current_a,
        inrush_a=min(limit_a, round(current_a * rng.uniform(*figures.inrush_times), 2)),
        inrush_s=_pick(rng, figures.inrush_s, 3),
        flow_ml_s=_pick(rng, figures.flow_ml_s, 2),
    )


@dataclass(frozen=True)
class Reference:
    makespan_s: float
    bound_s: float
    proven: bool
    seconds: float


def cp_sat(instance: Instance, seconds: float, workers: int = 8) -> Reference:
    """CP-SAT's best plan within so many seconds, the start times on a grid of 1 ms."""
    runs, limits = instance.runs, instance.limits
    model = cp_model.CpModel()
    gap, settle = round(limits.start_gap_s * MS), round(limits.settle_s * MS)
    durations = [round(run.duration_s * MS) for run in runs]
    horizon = sum(durations) + gap * len(runs) + settle * len({run.phase for run in runs})
    makespan = model.new_int_var(0, horizon, "makespan")
    starts = [model.new_int_var(0, horizon, "") for _ in runs]
    for start, duration in zip(starts, durations, strict=True):
        model.add(start + duration <= makespan)
    _limit_sums(model, instance, starts, durations)
    if gap:
        model.add_no_overlap([model.new_fixed_size_interval_var(start, gap, "") for start in starts])
    _order_phases(model, runs, starts, durations, settle)
    model.minimize(makespan)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    began_s = time.perf_counter()
    status = solver.solve(model)
    took_s = time.perf_counter() - began_s
    bound_s = solver.best_objective_bound / MS
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Reference(float("inf"), bound_s, False, took_s)
    return Reference(solver.objective_value / MS, bound_s, status == cp_model.OPTIMAL, took_s)


def _limit_sums(
    model: cp_model.CpModel, instance: Instance, starts: list[cp_model.IntVar], durations: list[int]
) -> None:
    runs, limits = instance.runs, instance.limits
    whole, inrush = [], []
    for run, start, duration in zip(runs, starts, durations, strict=True):
        whole.append(model.new_fixed_size_interval_var(start, duration, ""))
        inrush.append(model.new_fixed_size_interval_var(start, min(duration, round(run.inrush_s * MS)), ""))
    steady = [round(run.current_a * MILLI) for run in runs]
    extra = [round((run.inrush_a - run.current_a) * MILLI) for run in runs]
    model.add_cumulative(whole + inrush, steady + extra, round(limits.current_a * MILLI))
    model.add_cumulative(whole, [round(run.flow_ml_s * MILLI) for run in runs], round(limits.flow_ml_s * MILLI))
    model.add_cumulative(whole, [1] * len(runs), limits.concurrent)


def _order_phases(
    model: cp_model.CpModel, runs: list[Run], starts: list[cp_model.IntVar], durations: list[int], settle: int
) -> None:
    phases = sorted({run.phase for run in runs})
    for earlier, later in pairwise(phases):
        border = model.new_int_var(0, cp_model.INT32_MAX, "")
        for run, start, duration in zip(runs, starts, durations, strict=True):
            if run.phase == earlier:
                model.add(start + duration + settle <= border)
            elif run.phase == later:
                model.add(start >= border)
