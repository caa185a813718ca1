"""The shortest plan for runs that share a supply, a funnel and a relay board.

Times in s, currents in A, flows in mL/s. A run is on during [start, start + duration). Phases are worked through in
ascending order, each made as short as possible by itself: nothing that a phase does can shorten another one.
"""

import math
from collections.abc import Hashable, Sequence
from typing import NamedTuple

import msgspec

from controller.errors import Refused, require_in_range, require_positive
from controller.sequencing.search import Load, Room, shortest

NODES = 60_000  # work spent on one phase before the best plan so far is taken

_NANO = 1e9


class Run(msgspec.Struct, frozen=True, kw_only=True):
    """One line on for duration_s (> 0), drawing inrush_a in total for the first inrush_s, then current_a.

    A motor starts at no less than its steady current: inrush_a below current_a counts as current_a. A run shorter
    than inrush_s draws inrush_a throughout. OutOfRange for a negative or non-finite figure.
    """

    line: Hashable
    duration_s: float
    current_a: float
    inrush_a: float
    inrush_s: float
    flow_ml_s: float
    phase: int = 0

    def __post_init__(self) -> None:
        require_positive(f"duration of line {self.line}", self.duration_s, "s")
        require_in_range(f"current of line {self.line}", self.current_a, 0.0, math.inf, "A")
        require_in_range(f"inrush current of line {self.line}", self.inrush_a, 0.0, math.inf, "A")
        require_in_range(f"inrush time of line {self.line}", self.inrush_s, 0.0, math.inf, "s")
        require_in_range(f"flow of line {self.line}", self.flow_ml_s, 0.0, math.inf, "mL/s")


class Limits(msgspec.Struct, frozen=True, kw_only=True):
    """What all runs together may take at any instant, and the times to keep.

    start_gap_s: least time between any two starts. settle_s: from the last end of a phase to the first start of the
    next. total_s: first start to last end. OutOfRange for a negative or non-finite figure.
    """

    current_a: float
    flow_ml_s: float
    concurrent: int
    start_gap_s: float
    settle_s: float
    total_s: float

    def __post_init__(self) -> None:
        require_positive("current limit", self.current_a, "A")
        require_positive("flow limit", self.flow_ml_s, "mL/s")
        require_in_range("lines on at once", self.concurrent, 1, math.inf, "lines")
        require_in_range("gap between starts", self.start_gap_s, 0.0, math.inf, "s")
        require_in_range("settle time", self.settle_s, 0.0, math.inf, "s")
        require_positive("total time", self.total_s, "s")


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


class _Timed(NamedTuple):
    starts_s: dict[int, float]
    end_s: float  # of the phase
    bound_s: float


def schedule(runs: Sequence[Run], limits: Limits, *, nodes: int = NODES) -> Schedule:
    """The shortest plan, its first start at 0.

    nodes: work per phase, counted, not timed, so that the same runs give the same plan on every machine.
    Refused when a run does not fit alone, when a line occurs twice in a phase, or when no plan within total_s was found.
    """
    _require_distinct(runs)
    _require_fit(runs, limits)
    starts: dict[int, float] = {}
    bound = offset = end = 0.0
    last_start = -math.inf
    for phase in sorted({run.phase for run in runs}):
        members = [index for index, run in enumerate(runs) if run.phase == phase]
        if starts:
            offset = max(end + limits.settle_s, last_start + limits.start_gap_s)
            bound += limits.settle_s
        is_last = phase == max(run.phase for run in runs)
        loads = [_load(runs[index], limits, is_last=is_last) for index in members]
        found = shortest(loads, _room(limits), nodes)
        bound += found.bound / _NANO
        order = [members[position] for position in found.order]
        starts.update(_time(runs, order, limits, offset))
        last_start = starts[order[-1]]
        end = max(starts[index] + runs[index].duration_s for index in members)
    if end > limits.total_s:
        raise Refused(
            rule="total_time",
            reason=f"the shortest plan found takes {end:.1f} s, allowed are {limits.total_s:g} s.",
            asked=f"{end:.1f} s",
            allowed=f"{limits.total_s:g} s",
        )
    proven = bound >= end - 1e-6
    run_starts = tuple(starts[index] for index in range(len(runs)))
    return Schedule(
        lines=tuple(run.line for run in runs),
        run_starts_s=run_starts,
        makespan_s=end,
        lower_bound_s=end if proven else bound,
        proven=proven,
    )


def _require_distinct(runs: Sequence[Run]) -> None:
    seen = set()
    for run in runs:
        if (run.line, run.phase) in seen:
            raise Refused(
                rule="one_run_per_line",
                reason=f"line {run.line} has two runs in phase {run.phase}.",
                way_out="Make one run of them.",
            )
        seen.add((run.line, run.phase))


def _require_fit(runs: Sequence[Run], limits: Limits) -> None:
    for run in runs:
        peak = max(run.inrush_a, run.current_a) if run.inrush_s > 0 else run.current_a
        if _up(peak) > _down(limits.current_a):
            raise Refused(
                rule="current",
                reason=f"line {run.line} alone draws {peak:g} A when it starts, allowed are {limits.current_a:g} A.",
                asked=f"{peak:g} A",
                allowed=f"{limits.current_a:g} A",
            )
        if _up(run.flow_ml_s) > _down(limits.flow_ml_s):
            raise Refused(
                rule="flow",
                reason=f"line {run.line} alone pours {run.flow_ml_s:g} mL/s, allowed are {limits.flow_ml_s:g} mL/s.",
                asked=f"{run.flow_ml_s:g} mL/s",
                allowed=f"{limits.flow_ml_s:g} mL/s",
            )


def _time(runs: Sequence[Run], order: list[int], limits: Limits, offset: float) -> dict[int, float]:
    """Each run of `order` at its first possible instant from `offset` (s) on."""
    room = _room(limits)
    starts: dict[int, float] = {}
    drops: list[tuple[float, float, float, float]] = []
    time = offset
    for index in order:
        run, load = runs[index], _load(runs[index], limits, is_last=True)
        drops = sorted(drop for drop in drops if drop[0] > time)
        while (
            sum(drop[1] for drop in drops) + load.inrush > room.current
            or sum(drop[2] for drop in drops) + load.flow > room.flow
            or sum(drop[3] for drop in drops) + 1 > room.concurrent
        ):
            time = drops[0][0]
            drops = [drop for drop in drops if drop[0] > time]
        starts[index] = time
        drops.append((time + run.duration_s, load.current, load.flow, 1.0))
        if load.inrush > load.current:
            drops.append((time + run.inrush_s, load.inrush - load.current, 0.0, 0.0))
        time += limits.start_gap_s
    return starts


def _load(run: Run, limits: Limits, *, is_last: bool) -> Load:
    """Whole numbers for the search; demands rounded up by less than a nanoampere."""
    current = _up(run.current_a)
    inrush = max(_up(run.inrush_a), current) if run.inrush_s > 0 else current
    if run.inrush_s >= run.duration_s:
        current = inrush
    duration = float(round(run.duration_s * _NANO))
    tail = duration if is_last else max(duration, float(round((limits.start_gap_s - limits.settle_s) * _NANO)))
    inrush_for = min(float(round(run.inrush_s * _NANO)), duration)
    return Load(duration, tail, inrush_for, inrush, current, _up(run.flow_ml_s))


def _room(limits: Limits) -> Room:
    gap = float(round(limits.start_gap_s * _NANO))
    return Room(_down(limits.current_a), _down(limits.flow_ml_s), float(limits.concurrent), gap)


def _up(value: float) -> float:
    # 0.3 is held as 0.29999999999999999: what lies within a thousandth of a whole number is that number
    return float(math.ceil(value * _NANO - 1e-3))


def _down(value: float) -> float:
    return float(math.floor(value * _NANO + 1e-3))
