"""The shortest plan for runs that share a supply, a funnel and a relay board.

Times in s, currents in A, flows in mL/s. A run is on during [start, start + duration).
"""

from collections.abc import Sequence

from controller.sequencing.bottleneck import explain_slow, explain_unfit
from controller.sequencing.schedule_loads import Limits, Run
from controller.sequencing.schedule_phases import Schedule, solve

__all__ = ["Limits", "Run", "Schedule", "schedule"]


def schedule(runs: Sequence[Run], limits: Limits, *, work: int | None = None) -> Schedule:
    """The shortest plan, its first start at 0.

    Among plans of that length, runs start later where it costs nothing, so that fewer switchings coincide and the
    lines of a phase end together. `work` is counted, not timed: the same runs give the same plan on every machine.
    Refused, with the smallest change that would help, when a run does not fit alone or no plan found takes at most
    total_s; ValueError when a line has two runs in one phase.
    """
    unfit = explain_unfit(runs, limits)
    if unfit:
        raise unfit
    solved = solve(runs, limits, work)
    if solved.makespan_s > limits.total_s:
        raise explain_slow(runs, limits, solved)
    return solved
