"""The planner against CP-SAT's stored results, and what planning costs.

python3 tests benchmarks schedule [--servings 60] [--seed 1] [--fresh 300]

Drawn instances of 1 to 32 lines, in which one limit or another rules, are planned and held against what CP-SAT found
for them (`tests/sequencing/cp_sat_plans.json` says how); then servings of eight lines are planned with advice. Times
are processor times of this process. The last line sums up; the exit code is 1 when a goal is missed. Fresh instances of
2 to 10 lines are held against a much longer search besides: no goal, but a measure that nothing was tuned on.
"""

import argparse
import random
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.profile import Profile
from controller.sequencing import schedule as scheduling
from controller.sequencing.binding import binding_limit, too_slow
from controller.sequencing.plan import plan_serving
from controller.sequencing.schedule import Schedule, schedule
from controller.sequencing.twins import one_line_each
from tests.sequencing.eight_lines import serving
from tests.sequencing.reference_plans import Instance, Reference, instances, stored
from tests.sequencing.stepping import broken_limits

SAME_S = 1e-6
UP_TO_TEN, BEYOND = 0.001, 0.01  # how much longer than CP-SAT's best a plan may be, as a fraction
MEDIAN_MS, MOST_MS, ADVICE_MS = 20.0, 60.0, 150.0
LONGER = 1_500_000  # placements, for instances that CP-SAT has not seen

T = TypeVar("T")


@dataclass(frozen=True)
class Compared:
    """One instance, planned by Tundish and by CP-SAT."""

    instance: Instance
    plan: Schedule
    took_ms: float
    reference: Reference

    @property
    def excess(self) -> float:
        """How much longer than CP-SAT's best, as a fraction."""
        return self.plan.makespan_s / self.reference.makespan_s - 1

    @property
    def is_too_long(self) -> bool:
        """Whether it misses the goal."""
        return self.excess > (UP_TO_TEN if len(self.instance.runs) <= 10 else BEYOND)

    @property
    def is_contradicted(self) -> bool:
        """A limit is broken, or one side's plan is shorter than the other side's bound."""
        reference, plan = self.reference, self.plan
        return (
            bool(broken_limits(self.instance.runs, plan.run_starts_s, self.instance.limits))
            or plan.lower_bound_s > reference.makespan_s + SAME_S
            or reference.bound_s > plan.makespan_s + SAME_S
        )


def timed_ms(ask: Callable[[], T]) -> tuple[T, float]:
    """The answer and the processor time that it took, nothing remembered from before."""
    scheduling.shortest.cache_clear()
    began_s = time.process_time()
    answer = ask()
    return answer, 1000 * (time.process_time() - began_s)


def compare(instance: Instance, reference: Reference) -> Compared:
    """Plan one instance."""
    plan, took_ms = timed_ms(lambda: schedule(instance.runs, instance.limits))
    return Compared(instance, plan, took_ms, reference)


def drawn_anew(count: int, seed: int) -> list[Compared]:
    """Fresh instances of 2 to 10 lines, against what a much longer search finds; what was planned counts as found."""
    results = []
    for instance in instances(count, 2, 10, seed):
        plan, took_ms = timed_ms(partial(schedule, instance.runs, instance.limits))
        longer = plan if plan.proven else schedule(instance.runs, instance.limits, work=LONGER)
        best = min(plan, longer, key=lambda found: found.makespan_s)
        results.append(Compared(instance, plan, took_ms, Reference(best.makespan_s, best.lower_bound_s, best.proven)))
    return results


def report(title: str, results: list[Compared]) -> None:
    """Print the figures of one set."""
    excesses = [100 * one.excess for one in results]
    times_ms = [one.took_ms for one in results]
    proven = sum(one.plan.proven for one in results)
    print(
        f"{title}: {len(results)} instances, {proven} proven shortest ({sum(r.reference.proven for r in results)} by "
        f"CP-SAT); longer than CP-SAT's by {statistics.fmean(excesses):+.3f} % on average, {max(excesses):+.3f} % at "
        f"most; {statistics.median(times_ms):.1f} ms at the median, {max(times_ms):.0f} ms at most"
    )
    for one in results:
        if one.is_too_long or one.is_contradicted:
            word = "contradicted" if one.is_contradicted else "longer"
            print(f"    {word}: {one.instance.kind}, {len(one.instance.runs)} lines, {100 * one.excess:+.2f} %")


def advised(
    profile: Profile, known: dict[int, Calibration], lines: dict[str, int], phases: tuple[Resolved, ...]
) -> str:
    """Plan a serving with all that `tundish plan` says of it."""
    plan = plan_serving(profile, known, one_line_each(lines), phases)
    return binding_limit(profile, known, plan) + too_slow(profile, known, plan)


def advised_ms(servings: int, seed: int) -> list[float]:
    """What that takes for drawn servings of eight lines."""
    drawn = [serving(random.Random(f"{seed} {number}")) for number in range(servings)]
    return [timed_ms(partial(advised, *one))[1] for one in drawn]


def main(argv: list[str] | None = None) -> int:
    """Compare, time, sum up."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--servings", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fresh", type=int, default=300, help="instances drawn anew")
    options = parser.parse_args(argv)
    results = []
    for title, rows in stored().items():
        found = [compare(instance, reference) for instance, reference in rows]
        report(title, found)
        results += found
    fresh = drawn_anew(options.fresh, 1000 + options.seed)
    if fresh:
        report("drawn anew, a longer search in CP-SAT's place", fresh)
    times_ms, advice_ms = [one.took_ms for one in results], advised_ms(options.servings, options.seed)
    median_ms, most_ms = statistics.median(times_ms), max(times_ms)
    print(f"plan and advice, 8 lines: {statistics.median(advice_ms):.0f} ms median, {max(advice_ms):.0f} ms at most")
    long, wrong = sum(one.is_too_long for one in results), sum(one.is_contradicted for one in results)
    missed = bool(long or wrong or median_ms > MEDIAN_MS or most_ms > MOST_MS or max(advice_ms) > ADVICE_MS)
    print(
        f"schedule: {'missed' if missed else 'reached'}; {len(results)} instances, {long} too long, {wrong} "
        f"contradicted; solve {median_ms:.1f} ms median, {most_ms:.0f} ms at most; with advice {max(advice_ms):.0f} ms "
        f"at most; beside the goals {sum(one.is_too_long for one in fresh)} of {len(fresh)} fresh ones too long"
    )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
