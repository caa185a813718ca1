"""A plan phase by phase. Each is made as short as possible by itself: nothing that one does can shorten another."""

import math
from collections.abc import Hashable, Sequence

import msgspec

from controller.sequencing.schedule_loads import Limits, Run, load_of, room_of, seconds
from controller.sequencing.schedule_times import Timed, Times
from controller.sequencing.search import shortest

# Work on one plan, in placements of a run, before the best order so far is taken. Up to ten runs that suffices to cover
# all orders of all but a few plans; with more, it is what a fifth of a second on a small computer allows.
WORK_UP_TO_TEN = 4_000_000
WORK = 200_000

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


def solve(runs: Sequence[Run], limits: Limits, work: int | None = None) -> Schedule:
    """The shortest plan, however long. Every run must fit alone; ValueError for two runs of a line in one phase."""
    if len({(run.line, run.phase) for run in runs}) < len(runs):
        raise ValueError("a line has two runs in one phase: make one of them, or give them phases of their own")
    if work is None:
        work = WORK_UP_TO_TEN if len(runs) <= 10 else WORK
    starts_s: dict[int, float] = {}
    bound_s = offset_s = end_s = 0.0
    phases = sorted({run.phase for run in runs})
    for phase in phases:
        members = [index for index, run in enumerate(runs) if run.phase == phase]
        is_last = phase == phases[-1]
        times, phase_bound_s = _phase([runs[index] for index in members], limits, offset_s, work // len(runs), is_last)
        end_s = times.end_s
        offset_s = max(end_s + limits.settle_s, max(times.starts_s) + limits.start_gap_s)
        times.soften(math.inf if is_last else offset_s - limits.start_gap_s)
        starts_s |= dict(zip(members, times.starts_s, strict=True))
        bound_s += phase_bound_s + (0.0 if is_last else limits.settle_s)
    proven = bound_s >= end_s - PROVEN_S
    return Schedule(
        lines=tuple(run.line for run in runs),
        run_starts_s=tuple(starts_s[index] for index in range(len(runs))),
        makespan_s=end_s,
        lower_bound_s=end_s if proven else bound_s,
        proven=proven,
    )


def _phase(
    runs: Sequence[Run], limits: Limits, offset_s: float, work_per_run: int, is_last: bool
) -> tuple[Times, float]:
    """The start times of one phase's runs from offset_s on, and a length (s) that no order of them can beat."""
    loads = [load_of(run, limits, is_last_phase=is_last) for run in runs]
    found = shortest(tuple(loads), room_of(limits), work_per_run * len(runs))
    timed = [Timed(run.duration_s, run.inrush_s, load) for run, load in zip(runs, loads, strict=True)]
    times = Times(timed, room_of(limits), limits.start_gap_s, offset_s)
    times.place(found.order)
    return times, seconds(found.bound)
