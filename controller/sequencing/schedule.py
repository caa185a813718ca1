"""The shortest plan for runs that share a supply, a funnel and a relay board.

Times in s, currents in A, flows in mL/s. A run is on during [start, start + duration). A plan is made phase by phase,
each as short as possible by itself: nothing that one does can shorten another.

Why orders are enough. Take a shortest plan and move runs earlier, one at a time, wherever that is allowed, until none
can move. Number its runs by start time. A run's demand never rises while it runs (inrush first, then steady), so
moving it earlier asks no more of any later instant; hence what keeps run k where it is are the runs that started
before it, and k stands at the first instant, not before its predecessor's start plus the gap, at which its inrush,
flow and channel fit beside them. So the plan follows from the order alone, some order gives a shortest plan, and
limits need checking at starts only: between starts, demand can only fall.

The search counts in whole numbers (nanoseconds, nanoamperes, nanolitres per second) held as floats, so sums and
comparisons are exact, and any two lengths that differ do so by at least 1.

How good it is. Of drawn phases with 9 or 10 runs, few orders are shortest, and far from other good ones: about
two in a hundred instances of 2 to 10 lines are planned 0.1 to 7 % too long (`benchmarks schedule` counts them), about
one in seven of 138 that are hard on purpose. Tried on those at the same work, with 18 to 25 missed, which is scatter:
0 to 0.7 of the work for the sweep, 1 to 4 annealings, lower temperatures (higher ones: 34). Tried on the missed ones,
without gain: moving pairs, double swaps, annealing backwards in time or over list priorities, unused room as part of
the length, remembering orders, other ranks where the sweep cuts a layer. More work helps in proportion only.
"""

import math
from collections.abc import Callable, Hashable, Sequence
from functools import lru_cache
from typing import NamedTuple

import msgspec

from controller.errors import Refused
from controller.sequencing.schedule_anneal import Placing, anneal
from controller.sequencing.schedule_bounds import Weights, bounds
from controller.sequencing.schedule_loads import (
    Limits,
    Room,
    Run,
    RunLoad,
    fits_current,
    fits_flow,
    load_of,
    room_of,
    seconds,
    without_slack,
)
from controller.sequencing.schedule_sweep import Sweep

# Work on one plan, in placements of a run: counted, not timed, so the same runs give the same plan on every machine.
WORK = 40_000
SWEPT_RUNS = 10  # up to here all orders are covered, as far as the work allowed for reaches
ANNEALED_FIRST = 600  # placements a run before that
SWEPT_SHARE = 0.2  # of the work; what then is not proven is annealed again
ANNEALINGS = 2  # each may end in a trap of its own
STEP = 10  # a step of the sweep costs about so many placements
PROVEN_S = 1e-6  # the search counts in whole nanoseconds


class Schedule(msgspec.Struct, frozen=True, kw_only=True):
    """Start times of all runs. No plan is shorter than lower_bound_s; proven when makespan_s is no longer either."""

    lines: tuple[Hashable, ...]  # as the runs were given
    run_starts_s: tuple[float, ...]  # in the same order
    makespan_s: float
    lower_bound_s: float
    proven: bool

    @property
    def starts_s(self) -> dict[Hashable, float]:
        """Line -> start. ValueError when a line runs in several phases: read run_starts_s then."""
        starts = dict(zip(self.lines, self.run_starts_s, strict=True))
        if len(starts) < len(self.lines):
            raise ValueError("a line that runs in several phases has several starts: read run_starts_s")
        return starts


class FoundOrder(NamedTuple):
    """An order, and a length that no order can beat."""

    order: tuple[int, ...]
    bound: float


def schedule(runs: Sequence[Run], limits: Limits, *, work: int = WORK) -> Schedule:
    """The shortest plan found, however long it takes, its first start at 0.

    Refused when a run does not fit alone; ValueError for two runs of a line in one phase.
    """
    unfit = explain_unfit(runs, limits)
    if unfit:
        raise unfit
    return _by_phase(runs, limits, lambda _, loads, room: shortest(loads, room, work * len(loads) // len(runs)))


def in_order_of(starts_s: Sequence[float], runs: Sequence[Run], limits: Limits) -> Schedule:
    """The plan of runs that start one after the other as they do at these times, each as soon as it fits."""

    def known(members: list[int], loads: tuple[RunLoad, ...], room: Room) -> FoundOrder:
        order = sorted(range(len(members)), key=lambda place: starts_s[members[place]])
        return FoundOrder(tuple(order), bounds(list(loads), room)[0])

    return _by_phase(runs, limits, known)


@lru_cache(maxsize=256)  # advice and sag ask for the same plan again and again
def shortest(runs: tuple[RunLoad, ...], room: Room, work: int) -> FoundOrder:
    """The shortest order, for work worth about so many placements of a run; list rules alone when it is 0."""
    loads = without_slack(list(runs), room)
    bounded = bounds(loads, room)
    bound = bounded[0]
    known: list[tuple[float, tuple[int, ...]]] = []
    if len(loads) <= SWEPT_RUNS:
        first = min(work, ANNEALED_FIRST * len(loads) if len(loads) > 4 else 0)
        length, order = anneal(loads, room, bounded, first)
        if length <= bound + 0.5 or work == first:
            return FoundOrder(order, bound)
        sweep = Sweep(loads, room, length, order)
        if sweep.run(round(SWEPT_SHARE * work / STEP)):
            return FoundOrder(sweep.order, sweep.length)
        known.append((sweep.length, sweep.order))
        work = round((1 - SWEPT_SHARE) * work) - first
    known += [anneal(loads, room, bounded, work // ANNEALINGS, seed) for seed in range(1, ANNEALINGS + 1)]
    return FoundOrder(min(known)[1], bound)


def _by_phase(
    runs: Sequence[Run], limits: Limits, find: Callable[[list[int], tuple[RunLoad, ...], Room], FoundOrder]
) -> Schedule:
    if len({(run.line, run.phase) for run in runs}) < len(runs):
        raise ValueError("a line has two runs in one phase: make one of them, or give them phases of their own")
    room, starts_s = room_of(limits), [0.0] * len(runs)
    bound_s = offset_s = 0.0
    phases = sorted({run.phase for run in runs})
    for phase in phases:
        members = [index for index, run in enumerate(runs) if run.phase == phase]
        is_last = phase == phases[-1]
        loads = tuple(load_of(runs[index], limits, is_last_phase=is_last) for index in members)
        found = find(members, loads, room)
        nothing = [0.0] * len(loads)
        length, _, states = Placing(list(loads), room, Weights(nothing, nothing, 0.0)).whole(found.order)
        for place, (next_start, *_) in zip(found.order, states[1:], strict=True):
            starts_s[members[place]] = offset_s + seconds(next_start - room.gap)
        pause_s = 0.0 if is_last else limits.pause_s
        offset_s += seconds(length) - limits.overlap_s + pause_s
        bound_s += seconds(found.bound) - limits.overlap_s + pause_s
    end_s = max((start_s + run.duration_s for start_s, run in zip(starts_s, runs, strict=True)), default=0.0)
    proven = bound_s >= end_s - PROVEN_S
    return Schedule(
        lines=tuple(run.line for run in runs),
        run_starts_s=tuple(starts_s),
        makespan_s=end_s,
        lower_bound_s=end_s if proven else bound_s,
        proven=proven,
    )


def explain_unfit(runs: Sequence[Run], limits: Limits) -> Refused | None:
    """Why some of these runs can never be, even alone; None when all can."""
    thirsty = {run.line: run.peak_a for run in runs if not fits_current(run, limits)}
    gushing = {run.line: run.flow_ml_s for run in runs if not fits_flow(run, limits)}
    if thirsty:
        return _refuse_unfit("current", "draws", "A", thirsty, limits.current_a)
    return _refuse_unfit("flow", "pours", "mL/s", gushing, limits.flow_ml_s) if gushing else None


def _refuse_unfit(rule: str, does: str, unit: str, asked: dict[Hashable, float], allowed: float) -> Refused:
    needed = math.ceil(max(asked.values()) * 1000 - 1e-6) / 1000
    each = ", ".join(f"{named(line)} alone {does} {value:g} {unit}" for line, value in asked.items())
    return Refused(
        rule=rule,
        reason=f"{each}; allowed are {allowed:g} {unit} at any instant.",
        asked=f"{needed:g} {unit}",
        allowed=f"{allowed:g} {unit}",
        remedy=f"Allow {needed:g} {unit} instead of {allowed:g} {unit}, or leave out {', '.join(map(named, asked))}.",
    )


def named(line: Hashable) -> str:
    """A line as people call it."""
    return f"line {line}" if isinstance(line, int) else str(line)
