"""CP-SAT (OR-Tools) on the drawn instances, the start times on a grid of 1 ms.

python3 -m tests.sequencing.cp_sat [--seconds 20] [--most-s 270]

Fills `cp_sat_plans.json`, a row an instance: kind, lines, best makespan and bound in ms, proven. It goes on where it
stopped, and stops by itself after so many seconds.
"""

import argparse
import json
import time
from importlib.metadata import version
from itertools import pairwise

from ortools.sat.python import cp_model

from controller.sequencing.schedule_loads import Run
from tests.sequencing.reference_plans import SETS, STORED, Instance, Reference, instances

MS = 1000  # CP-SAT's grid: 1 ms
MILLI = 1000  # mA, uL/s
WORKERS = 8


def cp_sat(instance: Instance, seconds: float) -> Reference:
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
    solver.parameters.num_workers = WORKERS
    status = solver.solve(model)
    bound_s = solver.best_objective_bound / MS
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Reference(float("inf"), bound_s, False)
    return Reference(solver.objective_value / MS, bound_s, status == cp_model.OPTIMAL)


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


def _row(instance: Instance, seconds: float) -> list[object]:
    found = cp_sat(instance, seconds)
    lengths_ms = (round(MS * found.makespan_s), round(MS * found.bound_s))
    return [instance.kind, len(instance.runs), *lengths_ms, found.proven]


def _write(sets: dict[str, list[list[object]]], seconds: float) -> None:
    made = f"CP-SAT of OR-Tools {version('ortools')}, {WORKERS} workers, {seconds:g} s an instance, on two cores"
    rows = {name: ",\n".join(f"      {json.dumps(row)}" for row in found) for name, found in sets.items()}
    text = ",\n".join(f"    {json.dumps(name)}: [\n{found}\n    ]" for name, found in rows.items())
    STORED.write_text(f'{{\n  "made": {json.dumps(made)},\n  "sets": {{\n{text}\n  }}\n}}\n')


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=20.0, help="for one instance")
    parser.add_argument("--most-s", type=float, default=1e9, help="for this call")
    options = parser.parse_args()
    end_s = time.monotonic() + options.most_s
    sets = json.loads(STORED.read_text())["sets"] if STORED.exists() else {}
    for name, drawn in SETS.items():
        rows = sets.setdefault(name, [])
        for instance in instances(*drawn)[len(rows) :]:
            if time.monotonic() > end_s:
                return
            rows.append(_row(instance, options.seconds))
            _write(sets, options.seconds)


if __name__ == "__main__":
    main()
