"""Shortest order of the runs of one phase: a sweep over start orders, exact when nothing had to be cut.

Why orders are enough. Take a shortest plan and move runs earlier, one at a time, wherever that is allowed, until none
can move. Number its runs by start time. A run's demand never rises while it runs (inrush first, then steady), so
moving it earlier asks no more of any later instant; hence what keeps run k where it is are the runs that started
before it, and k stands at the first instant, not before its predecessor's start plus the gap, at which its inrush,
flow and channel fit beside them. So the plan follows from the order alone, some order gives a shortest plan, and
limits need checking at starts only: between starts, demand can only fall.

All times and demands are whole numbers (nanoseconds, nanoamperes, nanolitres per second) held as floats, so sums and
comparisons are exact and the same on every machine.
"""

from bisect import insort
from typing import NamedTuple


class Load(NamedTuple):
    """One run as the search sees it. `tail` >= `duration`: the time from its start until the phase may end."""

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


class Found(NamedTuple):
    """The best order, its length, and a length that no order can beat; equal when proven."""

    order: tuple[int, ...]
    length: float
    bound: float


# A coming drop of demand: (when, current, flow, channels). The level at any time is the sum of the drops to come.
Drop = tuple[float, float, float, float]


class State(NamedTuple):
    """Some runs started, the rest to come."""

    rank: tuple[float, float]
    start: float  # of the latest run
    left: int  # bit set of the runs to come
    end: float  # no end before this
    drops: list[Drop]  # after `start`, soonest first
    order: tuple[int, ...]


class Sweep:
    """Layer by layer: all orders of k runs, then of k + 1, keeping the `width` most promising of each layer."""

    def __init__(self, loads: list[Load], room: Room) -> None:
        self.loads, self.room = loads, room
        self.best: Found = Found((), float("inf"), 0.0)
        self.nodes = 0
        self._gap_bounds: dict[int, float] = {}
        self._sums: dict[int, tuple[float, float, float]] = {}

    def run(self, width: int, budget: int) -> bool:
        """One sweep; True when nothing had to be cut, so that the best order is proven."""
        count = len(self.loads)
        layer = [State((0.0, 0.0), -self.room.gap, (1 << count) - 1, 0.0, [], ())]
        complete = True
        for _ in range(count):
            children: dict[tuple[int, float, tuple[Drop, ...]], State] = {}
            for state in layer:
                for child in self._children(state):
                    key = (child.left, child.start, tuple(child.drops))
                    known = children.get(key)
                    if known is None or child.end < known.end:
                        children[key] = child
                if self.nodes > budget:
                    return False
            layer = sorted(children.values(), key=lambda state: state.rank)
            if len(layer) > width:
                complete = False
                del layer[width:]
        return complete

    def _children(self, state: State) -> list[State]:
        """The state after each run that may start next, unless it cannot beat the best order."""
        starts = self._starts(state)
        loads, gap = self.loads, self.room.gap
        latest = min(start + max(loads[index].duration, gap) for index, start in starts)
        last = state.order[-1] if state.order else -1
        children = []
        for index, start in starts:
            if start + loads[index].tail >= self.best.length:
                return []
            if start >= latest or (start == state.start and index < last):
                continue
            child = self._child(state, index, start)
            if child is not None:
                children.append(child)
        return children

    def _starts(self, state: State) -> list[tuple[int, float]]:
        """For each run to come, the first instant at which it fits."""
        room = self.room
        time = state.start + room.gap
        current, flow, channels = room.current, room.flow, room.concurrent
        for drop in state.drops:
            if drop[0] > time:
                current, flow, channels = current - drop[1], flow - drop[2], channels - drop[3]
        coming = iter([drop for drop in state.drops if drop[0] > time])
        waiting = [index for index in range(len(self.loads)) if state.left >> index & 1]
        found = []
        while True:
            if channels >= 1:
                late = []
                for index in waiting:
                    load = self.loads[index]
                    if load.inrush <= current and load.flow <= flow:
                        found.append((index, time))
                    else:
                        late.append(index)
                waiting = late
            if not waiting:
                return found
            drop = next(coming)
            time, current, flow, channels = drop[0], current + drop[1], flow + drop[2], channels + drop[3]

    def _child(self, state: State, index: int, start: float) -> State | None:
        self.nodes += 1
        load = self.loads[index]
        end = max(state.end, start + load.tail)
        left = state.left ^ (1 << index)
        if not left:
            if end < self.best.length:
                self.best = Found((*state.order, index), end, 0.0)
            return None
        drops = [drop for drop in state.drops if drop[0] > start]
        insort(drops, (start + load.duration, load.current, load.flow, 1.0))
        if load.inrush > load.current:
            insort(drops, (start + load.inrush_for, load.inrush - load.current, 0.0, 0.0))
        bound, area = self._bound(start + self.room.gap, left, drops)
        bound = max(bound, end, start + self._gap_bound(left))
        if bound >= self.best.length:
            return None
        return State((bound, area), start, left, end, drops, (*state.order, index))

    def _bound(self, since: float, left: int, drops: list[Drop]) -> tuple[float, float]:
        """When the areas still to be filled from `since` on fill the room, and the sum of the three."""
        current, flow, channels = self._sum(left)
        for time, current_drop, flow_drop, channel_drop in drops:
            rest = time - since
            if rest > 0:
                current, flow, channels = (
                    current + current_drop * rest,
                    flow + flow_drop * rest,
                    channels + channel_drop * rest,
                )
        room = self.room
        fills = (current / room.current, flow / room.flow, channels / room.concurrent)
        return since + max(fills), since + sum(fills)

    def _sum(self, left: int) -> tuple[float, float, float]:
        if left not in self._sums:
            loads = [load for index, load in enumerate(self.loads) if left >> index & 1]
            self._sums[left] = (
                sum(load.current * load.duration + (load.inrush - load.current) * load.inrush_for for load in loads),
                sum(load.flow * load.duration for load in loads),
                sum(load.duration for load in loads),
            )
        return self._sums[left]

    def _gap_bound(self, left: int) -> float:
        """From a start until all ends, if only the gap between starts counted: longest first is then best."""
        if left not in self._gap_bounds:
            tails = sorted((load.tail for index, load in enumerate(self.loads) if left >> index & 1), reverse=True)
            self._gap_bounds[left] = max((k + 1) * self.room.gap + tail for k, tail in enumerate(tails))
        return self._gap_bounds[left]


def root_bound(loads: list[Load], room: Room) -> float:
    """A length that no order can beat: longest run, gaps, and the areas of current, flow and channels."""
    tails = sorted((load.tail for load in loads), reverse=True)
    current = sum(load.current * load.duration + (load.inrush - load.current) * load.inrush_for for load in loads)
    flow = sum(load.flow * load.duration for load in loads)
    channels = sum(load.duration for load in loads)
    areas = (current / room.current, flow / room.flow, channels / room.concurrent)
    return max(max(k * room.gap + tail for k, tail in enumerate(tails)), *areas)


def shortest(loads: list[Load], room: Room, budget: int) -> Found:
    """The shortest order, within `budget` nodes. Every load must fit the room alone."""
    sweep = Sweep(loads, room)
    bound = root_bound(loads, room)
    width = 1
    while True:
        complete = sweep.run(width, budget)
        if complete or sweep.best.length <= bound:
            return sweep.best._replace(bound=sweep.best.length)
        if sweep.nodes > budget:
            return sweep.best._replace(bound=bound)
        width *= 4
