"""The shortest plan against CP-SAT (OR-Tools), against one line at a time and against greedy longest-first.

python3 tests benchmarks schedule [--instances N] [--large N] [--seed S] [--seconds 20]

Random instances of 1 to 10 and of 12 to 32 lines, in which one limit or another rules. CP-SAT gets the same instances
on a grid of 1 ms, with 8 workers and the given time each. Times are wall times of this run; compare ratios only.
"""

import argparse
import statistics
import sys
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "sequencing"))

from reference_plans import Instance, Reference, cp_sat, instances
from stepping import broken_limits

from controller.sequencing.schedule import Limits, Run, Schedule, schedule

SAME_S = 1e-6


@dataclass(frozen=True)
class Compared:
    """One instance, planned by Tundish and by CP-SAT; times in s."""

    instance: Instance
    plan: Schedule
    took_s: float
    reference: Reference
    one_at_a_time_s: float
    longest_first_s: float

    @property
    def excess(self) -> float:
        """How much longer than CP-SAT's best, as a fraction."""
        return self.plan.makespan_s / self.reference.makespan_s - 1

    @property
    def is_contradicted(self) -> bool:
        """A limit is broken, or one side's plan is shorter than the other side's bound."""
        reference, plan = self.reference, self.plan
        return (
            bool(broken_limits(self.instance.runs, plan.run_starts_s, self.instance.limits))
            or plan.lower_bound_s > reference.makespan_s + SAME_S
            or reference.bound_s > plan.makespan_s + SAME_S
        )


def compare(instance: Instance, seconds: float) -> Compared:
    """Plan with both."""
    began_s = time.perf_counter()
    plan = schedule(instance.runs, instance.limits)
    took_s = time.perf_counter() - began_s
    return Compared(
        instance=instance,
        plan=plan,
        took_s=took_s,
        reference=cp_sat(instance, seconds),
        one_at_a_time_s=one_at_a_time_s(instance.runs, instance.limits),
        longest_first_s=longest_first_s(instance.runs, instance.limits),
    )


def one_at_a_time_s(runs: list[Run], limits: Limits) -> float:
    """Longest first within each phase, each run after the end of the one before."""
    time_s = end_s = 0.0
    phase = min(run.phase for run in runs)
    for run in sorted(runs, key=lambda run: (run.phase, -run.duration_s)):
        if run.phase != phase:
            time_s, phase = max(time_s, end_s + limits.settle_s), run.phase
        end_s = time_s + run.duration_s
        time_s = max(end_s, time_s + limits.start_gap_s)
    return end_s


def longest_first_s(runs: list[Run], limits: Limits) -> float:
    """At every instant start the longest run that fits beside those that are on."""
    end_s = next_s = 0.0
    for phase in sorted({run.phase for run in runs}):
        waiting = sorted((run for run in runs if run.phase == phase), key=lambda run: -run.duration_s)
        if end_s:
            next_s = max(next_s, end_s + limits.settle_s)
        spans: list[tuple[float, Run]] = []
        while waiting:
            started = next((run for run in waiting if _fits(run, next_s, spans, limits)), None)
            if started is None:
                changes_s = (start_s + after_s for start_s, run in spans for after_s in (run.inrush_s, run.duration_s))
                next_s = min(change_s for change_s in changes_s if change_s > next_s)
                continue
            waiting.remove(started)
            spans.append((next_s, started))
            end_s = max(end_s, next_s + started.duration_s)
            next_s += limits.start_gap_s
    return end_s


def _fits(run: Run, at_s: float, spans: list[tuple[float, Run]], limits: Limits) -> bool:
    on = [(other, at_s - start_s) for start_s, other in spans if start_s <= at_s < start_s + other.duration_s]
    current_a = sum(other.inrush_a if on_s < other.inrush_s else other.current_a for other, on_s in on)
    return (
        current_a + run.inrush_a <= limits.current_a + 1e-9
        and sum(other.flow_ml_s for other, _ in on) + run.flow_ml_s <= limits.flow_ml_s + 1e-9
        and len(on) < limits.concurrent
    )


def report(title: str, results: list[Compared], reach: float) -> None:
    """Print the ratios of one set; `reach` is how much longer than CP-SAT's best a plan may be."""
    count = len(results)
    longer = [one for one in results if one.excess > reach + 1e-9]
    by_cp_sat = [one for one in results if one.reference.proven]
    times_ms = sorted(1000 * one.took_s for one in results)
    ours_s, theirs_s = sum(one.took_s for one in results), sum(one.reference.seconds for one in results)
    excesses = [100 * one.excess for one in results]
    gaps = [100 * (one.plan.makespan_s / one.plan.lower_bound_s - 1) for one in results]
    alone = statistics.fmean(one.plan.makespan_s / one.one_at_a_time_s for one in results)
    greedy = statistics.fmean(one.plan.makespan_s / one.longest_first_s for one in results)
    print(f"\n{title}: {count} instances")
    for label, figure in (
        ("proven shortest", f"{sum(one.plan.proven for one in results)} of {count}"),
        ("proven where CP-SAT proves", f"{sum(one.plan.proven for one in by_cp_sat)} of {len(by_cp_sat)}"),
        (f"over {100 * reach:.1f} % longer than CP-SAT", str(len(longer))),
        ("shorter than CP-SAT's best", str(sum(one.excess < -1e-9 for one in results))),
        ("excess over CP-SAT", f"mean {statistics.fmean(excesses):+.3f} %, worst {max(excesses):+.2f} %"),
        ("gap to own lower bound", f"mean {statistics.fmean(gaps):.3f} %, worst {max(gaps):.2f} %"),
        ("time, median", f"{statistics.median(times_ms):.1f} ms"),
        ("time, 90th percentile", f"{times_ms[int(0.9 * (count - 1))]:.0f} ms"),
        ("time, longest", f"{times_ms[-1]:.0f} ms"),
        ("total time / CP-SAT's", f"{ours_s / theirs_s:.4f} ({ours_s:.1f} s / {theirs_s:.1f} s)"),
        ("makespan / one at a time", f"{alone:.3f}"),
        ("makespan / greedy longest-first", f"{greedy:.3f}"),
        ("contradictions, broken limits", str(sum(one.is_contradicted for one in results))),
    ):
        print(f"  {label:34}{figure}")
    for one in longer:
        print(f"    longer: {one.instance.kind}, {len(one.instance.runs)} lines, {100 * one.excess:+.2f} %")


def main(argv: list[str] | None = None) -> int:
    """Run both sets; exit code 1 when a plan breaks a limit or contradicts CP-SAT."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--instances", type=int, default=90, help="of 1 to 10 lines")
    parser.add_argument("--large", type=int, default=27, help="of 12 to 32 lines")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=20.0, help="for CP-SAT, each instance")
    options = parser.parse_args(argv)
    bad = 0
    for title, count, low, high, reach in (
        ("1 to 10 lines", options.instances, 1, 10, 0.0),
        ("12 to 32 lines", options.large, 12, 32, 0.005),
    ):
        results = []
        for number, instance in enumerate(instances(count, low, high, options.seed), start=1):
            results.append(compare(instance, options.seconds))
            if sys.stderr.isatty():
                print(f"\r{title}: {number} of {count} ", end="", file=sys.stderr, flush=True)
        if results:
            report(title, results, reach)
        bad += sum(one.is_contradicted for one in results)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
