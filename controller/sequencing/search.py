"""Shortest order of the runs of one phase.

Why orders are enough. Take a shortest plan and move runs earlier, one at a time, wherever that is allowed, until none
can move. Number its runs by start time. A run's demand never rises while it runs (inrush first, then steady), so
moving it earlier asks no more of any later instant; hence what keeps run k where it is are the runs that started
before it, and k stands at the first instant, not before its predecessor's start plus the gap, at which its inrush,
flow and channel fit beside them. So the plan follows from the order alone, some order gives a shortest plan, and
limits need checking at starts only: between starts, demand can only fall.

All times and demands are whole numbers (nanoseconds, nanoamperes, nanolitres per second) held as floats, so sums and
comparisons are exact, and any two lengths that differ do so by at least 1.
"""

from functools import lru_cache
from typing import NamedTuple

from controller.sequencing.schedule_anneal import anneal
from controller.sequencing.schedule_bounds import bounds
from controller.sequencing.schedule_loads import Load, Room, without_slack
from controller.sequencing.schedule_sweep import Sweep

SWEPT_RUNS = 12  # up to here all orders are covered, as far as the work allowed for reaches
NODE = 15  # a node of the sweep costs about so many placements
# With more runs, the sweep still covers all endings of the best order: so many runs, for this part of the work.
ENDING_RUNS = 9
ENDING_SHARE = 10


class Found(NamedTuple):
    """The best order, its length, and a length that no order can beat: the same when proven."""

    order: tuple[int, ...]
    length: float
    bound: float


@lru_cache(maxsize=256)  # advice and sag ask for the same plan again and again
def shortest(runs: tuple[Load, ...], room: Room, work: int) -> Found:
    """The shortest order, for work worth about so many placements of a run. Every load must fit the room alone."""
    loads = without_slack(list(runs), room)
    bound, weights = bounds(loads, room)
    placements = _placements(len(loads), work)
    length, order = anneal(loads, room, weights, bound, placements)
    if length > bound + 0.5:
        sweep = Sweep(loads, room, weights, length, order)
        nodes = (work - placements) // NODE
        if len(loads) <= SWEPT_RUNS:
            bound = max(bound, sweep.run(nodes))
        else:
            sweep.run(nodes, order[:-ENDING_RUNS])
        length, order = sweep.length, sweep.order
    return Found(order, length, length if length <= bound + 0.5 else bound)


def _placements(count: int, work: int) -> int:
    """How much of the work goes into trying changed orders at random."""
    if count < 5:
        return 0
    return min(2000 * count, work // 2) if count <= SWEPT_RUNS else work - work // ENDING_SHARE
