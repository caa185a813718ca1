"""What two spare lines save: drawn drinks on eight lines, and on the same with two twin lines.

python3 tests benchmarks serving [--seed 1] [--drinks 200]

`prepare`'s choice names once, for all drinks together, what hangs on the two spare lines; then every drink is planned
with them and without, at 5 A and at 3 A. Splits are held against CP-SAT's stored results as well
(`tests/sequencing/cp_sat_splits.json`). The last line sums up; the exit code is 1 when a goal is missed.
"""

import argparse
import random
import statistics
import sys
import time
from collections.abc import Callable
from typing import TypeVar

from controller.catering.spare_lines import MenuDrink, for_spare_lines
from controller.sequencing import schedule as scheduling
from controller.sequencing.binding import binding_limit, too_slow
from controller.sequencing.plan import Plan, plan_serving
from tests.sequencing.cp_sat_splits import planned, split_instances, stored
from tests.sequencing.drawn_drinks import LINES, Drink, Machine, drink, machine, menu, sources
from tests.sequencing.eight_lines import BOOK

GOALS = {5.0: 0.30, 3.0: 0.15}  # A -> the part of the pumps' time to save
LONGER = 0.01  # than CP-SAT's best
MEDIAN_MS, ADVICE_MS = 20.0, 150.0

T = TypeVar("T")


def timed_ms(ask: Callable[[], T]) -> tuple[T, float]:
    """The answer and the processor time that it took, nothing remembered from before."""
    scheduling.shortest.cache_clear()
    began_s = time.process_time()
    answer = ask()
    return answer, 1000 * (time.process_time() - began_s)


def named_spares(drawn: Machine, drinks: list[Drink]) -> dict[int, str]:
    """Spare line -> the liquid that preparing an event with these drinks would hang there."""
    asked = [MenuDrink(phases=phases, share=1 / len(drinks)) for phases in drinks]
    lines = {liquid: (line,) for liquid, line in LINES.items()}
    found = for_spare_lines(drawn.profile, menu(BOOK), asked, lines, drawn.known)
    return {one.line: one.liquid for one in found}


def compared(seed: int, count: int, current_a: float) -> tuple[float, list[float], list[float]]:
    """The part of the pumps' time saved, what plans took, and what plans with advice took, ms."""
    drawn = machine(random.Random(f"{seed} machine"), current_a)
    drinks = [drink(random.Random(f"{seed} {number}")) for number in range(count)]
    spares = named_spares(drawn, drinks)
    known, alone_s, shared_s, plan_ms, advice_ms = drawn.hanging(spares), 0.0, 0.0, [], []

    def advice(plan: Plan) -> str:
        return binding_limit(drawn.profile, known, plan) + too_slow(drawn.profile, known, plan)

    for phases in drinks:
        alone_s += plan_serving(drawn.profile, known, sources({}), phases).makespan_s
        plan, took_ms = timed_ms(lambda phases=phases: plan_serving(drawn.profile, known, sources(spares), phases))
        _, more_ms = timed_ms(lambda plan=plan: advice(plan))
        shared_s += plan.makespan_s
        plan_ms.append(took_ms)
        advice_ms.append(took_ms + more_ms)
    saved = 1 - shared_s / alone_s
    print(
        f"{current_a:g} A, {', '.join(f'{liquid} on line {line}' for line, liquid in spares.items())}: "
        f"{alone_s / count:.1f} s a drink without, {shared_s / count:.1f} s with: {100 * saved:.0f} % less; plan "
        f"{statistics.median(plan_ms):.1f} ms median, {max(plan_ms):.0f} ms at most; with advice "
        f"{statistics.median(advice_ms):.0f} ms median, {max(advice_ms):.0f} ms at most"
    )
    return saved, plan_ms, advice_ms


def excesses() -> list[float]:
    """How much longer than CP-SAT's best each stored instance is planned, as a fraction."""
    found = [
        planned(one).makespan_s / best.makespan_s - 1 for one, best in zip(split_instances(), stored(), strict=True)
    ]
    print(
        f"{len(found)} splits, {sum(one.proven for one in stored())} proven by CP-SAT: longer than its best by "
        f"{100 * statistics.fmean(found):+.2f} % on average, {100 * max(found):+.2f} % at most"
    )
    return found


def main(argv: list[str] | None = None) -> int:
    """Compare, time, sum up."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--drinks", type=int, default=200)
    options = parser.parse_args(argv)
    long = [one for one in excesses() if one > LONGER]
    saved, plan_ms, advice_ms = {}, list[float](), list[float]()
    for current_a in GOALS:
        saved[current_a], of_plans, of_advice = compared(options.seed, options.drinks, current_a)
        plan_ms += of_plans
        advice_ms += of_advice
    too_little = any(saved[current_a] < goal for current_a, goal in GOALS.items())
    missed = bool(long) or too_little or statistics.median(plan_ms) > MEDIAN_MS or max(advice_ms) > ADVICE_MS
    print(
        f"serving: {'missed' if missed else 'reached'}; {options.drinks} drinks from seed {options.seed}: "
        + ", ".join(f"{100 * part:.0f} % less pumps' time at {current_a:g} A" for current_a, part in saved.items())
        + f"; {len(long)} splits over 1 % longer than CP-SAT's; plan {statistics.median(plan_ms):.1f} ms median, with "
        f"advice {max(advice_ms):.0f} ms at most"
    )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
