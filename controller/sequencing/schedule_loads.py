"""Runs and limits as the search sees them: whole numbers (ns, nA, nL/s) held as floats."""

import math
from collections.abc import Hashable, Iterable, Sequence
from itertools import accumulate
from typing import NamedTuple

import msgspec

from controller.errors import require_in_range, require_positive

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

    @property
    def peak_a(self) -> float:
        """The most that it draws, A."""
        return max(self.inrush_a, self.current_a) if self.inrush_s > 0 else self.current_a


class Limits(msgspec.Struct, frozen=True, kw_only=True):
    """What all runs together may take at any instant, and the times to keep.

    start_gap_s: least time between any two starts. settle_s: from the last end of a phase to the first start of the
    next. total_s: first start to last end. overlap_s: for so long after its inrush and after
    its end a run still takes what it took before. OutOfRange for a negative or non-finite figure.
    """

    current_a: float
    flow_ml_s: float
    concurrent: int
    start_gap_s: float
    settle_s: float
    total_s: float
    overlap_s: float = 0.0

    def __post_init__(self) -> None:
        require_positive("current limit", self.current_a, "A")
        require_positive("flow limit", self.flow_ml_s, "mL/s")
        require_in_range("lines on at once", self.concurrent, 1, math.inf, "lines")
        require_in_range("gap between starts", self.start_gap_s, 0.0, math.inf, "s")
        require_in_range("settle time", self.settle_s, 0.0, math.inf, "s")
        require_positive("total time", self.total_s, "s")
        require_in_range("overlap", self.overlap_s, 0.0, math.inf, "s")

    @property
    def pause_s(self) -> float:
        """From the last end of a phase to the first start of the next, s."""
        return max(self.settle_s, self.overlap_s)


class RunLoad(NamedTuple):
    """One run, its overlap included. `tail` >= `duration`: the time from its start until its phase may end."""

    duration: float
    tail: float
    inrush_for: float  # 0 <= inrush_for <= duration
    inrush: float  # >= current
    current: float
    flow: float


class Room(NamedTuple):
    """What all runs together may take, and the least time between two starts."""

    current: float
    flow: float
    concurrent: float
    gap: float


def load_of(run: Run, limits: Limits, *, is_last_phase: bool) -> RunLoad:
    """A run in whole numbers, its demands rounded up.

    The next phase starts pause_s after this run's end, and start_gap_s after its start: a short run can hold it up
    by its start.
    """
    current, inrush, overlap = _up(run.current_a), _up(run.peak_a), _up(limits.overlap_s)
    if run.inrush_s >= run.duration_s:
        current = inrush
    duration = _up(run.duration_s) + overlap
    tail = duration if is_last_phase else max(duration, _up(limits.start_gap_s - limits.pause_s) + overlap)
    return RunLoad(duration, tail, min(_up(run.inrush_s) + overlap, duration), inrush, current, _up(run.flow_ml_s))


def room_of(limits: Limits) -> Room:
    """Limits in whole numbers, rounded down."""
    return Room(_down(limits.current_a), _down(limits.flow_ml_s), float(limits.concurrent), _up(limits.start_gap_s))


def fits_current(run: Run, limits: Limits) -> bool:
    """Whether the run alone keeps to the limit on current."""
    return _up(run.peak_a) <= _down(limits.current_a)


def fits_flow(run: Run, limits: Limits) -> bool:
    """Whether the run alone keeps to the limit on flow."""
    return _up(run.flow_ml_s) <= _down(limits.flow_ml_s)


def seconds(whole: float) -> float:
    """A length of the search in s."""
    return whole / _NANO


def whole(time_s: float) -> float:
    """A time as a length of the search, rounded up."""
    return _up(time_s)


def _up(value: float) -> float:
    # 0.3 is held as 0.29999999999999999: what lies within a thousandth of a whole number is that number
    return float(math.ceil(value * _NANO - 1e-3))


def _down(value: float) -> float:
    return float(math.floor(value * _NANO + 1e-3))


def charge(load: RunLoad) -> float:
    """Current times time of one run, inrush included."""
    return load.current * load.duration + (load.inrush - load.current) * load.inrush_for


def most_at_once(loads: Sequence[RunLoad], room: Room) -> int:
    """So many of these loads can be on at once at the most.

    Of all that are on at one instant the last one started beside the others: its inrush found room beside their
    steady currents, and all flows beside each other.
    """
    by_flow = _most(sorted(load.flow for load in loads), room.flow)
    by_current = 1
    for last, load in enumerate(loads):
        others = sorted(other.current for place, other in enumerate(loads) if place != last)
        by_current = max(by_current, 1 + _most(others, room.current - load.inrush))
    return min(by_flow, by_current, int(room.concurrent))


def _most(demands: Iterable[float], limit: float) -> int:
    """How many of these demands, the least first, fit into the limit."""
    return sum(total <= limit for total in accumulate(demands))


def without_slack(loads: list[RunLoad], room: Room) -> list[RunLoad]:
    """The same loads without the demands that could never come near their limit: fewer differ, fewer are looked at."""
    most = int(min(len(loads), room.concurrent))
    if sum(sorted(load.inrush for load in loads)[-most:]) <= room.current:
        loads = [load._replace(inrush=0.0, current=0.0, inrush_for=0.0) for load in loads]
    if sum(sorted(load.flow for load in loads)[-most:]) <= room.flow:
        loads = [load._replace(flow=0.0) for load in loads]
    return loads
