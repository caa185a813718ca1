"""All start orders, layer by layer: those of k runs, then of k + 1. Exact unless a layer had to be cut.

What keeps the layers small:

- An order is dropped when what is left cannot end before the best known length.
- Of two states with the same runs to come, one is dropped when the other may start no later and has no less free of
  anything at any time: whatever follows the one can follow the other.
- A run is not started when another one could begin and end before it; equal runs are started in the order given.

Where a layer is cut, those states stay whose free current, flow and channels are filled first by the
runs to come: then the best order found is a good one, but not proven.
"""

from bisect import bisect_right
from typing import NamedTuple

from controller.sequencing.schedule_loads import Room, RunLoad, charge

# What is free from a time on: (since, current, flow, channels).
Step = tuple[float, float, float, float]


class RunsToCome:
    """What depends on nothing but which runs are still to come."""

    def __init__(self, indices: list[int], loads: list[RunLoad], room: Room) -> None:
        mine = [loads[index] for index in indices]
        self.indices = indices
        self.charge = sum(map(charge, mine))
        self.volume = sum(load.flow * load.duration for load in mine)
        self.on_time = sum(load.duration for load in mine)
        tails = sorted((load.tail for load in mine), reverse=True)
        self.after_gaps = max(place * room.gap + tail for place, tail in enumerate(tails))
        # more than all of them together could take is of no use
        self.most = (sum(load.inrush for load in mine), sum(load.flow for load in mine), float(len(mine)))


class State(NamedTuple):
    """Some runs started, the rest to come."""

    left: int  # bit set of the runs to come
    order: tuple[int, ...]
    end: float  # no end before
    filled: float  # when the runs to come have filled all that is free
    steps: list[Step]  # what is free from the next start on
    starts: list[tuple[int, float]]  # the runs to come, each with the first instant at which it fits


class Sweep:
    """Looks for an order shorter than `length`; `order` is the best one known."""

    def __init__(self, loads: list[RunLoad], room: Room, length: float, order: tuple[int, ...]) -> None:
        self.length, self.order = length, order
        self._loads, self._room = loads, room
        self._to_come: dict[int, RunsToCome] = {}
        self._equal_before = [
            sum(1 << other for other in range(index) if loads[other] == loads[index]) for index in range(len(loads))
        ]

    def run(self, nodes: int) -> bool:
        """Cover the orders in about so many steps, shared out evenly to the layers; whether all of them were."""
        room, count = self._room, len(self._loads)
        first = self._state((1 << count) - 1, (), 0.0, [(0.0, room.current, room.flow, room.concurrent)], 0.0)
        layer = [] if first is None else [first]
        looked_at, expanded, is_exact = 0, 0, True
        while layer:
            groups: dict[int, list[State]] = {}
            for state in layer:
                for child in self._children(state):
                    groups.setdefault(child.left, []).append(child)
                looked_at += len(state.starts)
            expanded += len(layer)
            layer = [state for group in groups.values() for state in self._undominated(group)]
            count -= 1
            width = max(1, (nodes - looked_at) * expanded // (looked_at * max(count, 1)))
            if len(layer) > width:
                layer, is_exact = sorted(layer, key=lambda state: state.filled)[:width], False
        return is_exact

    def _undominated(self, group: list[State]) -> list[State]:
        group.sort(key=lambda state: (state.steps[0][0], state.end))
        kept: list[State] = []
        for state in group:
            bound = max(state.end, state.filled)
            if bound < self.length - 0.5 and not any(
                other.end <= bound and _dominated(state.steps, other.steps) for other in kept
            ):
                kept.append(state)
        return kept

    def _children(self, state: State) -> list[State]:
        """The state after each run that may start next, unless it cannot beat the best order."""
        loads, gap = self._loads, self._room.gap
        if max(state.end, state.filled) >= self.length - 0.5:
            return []
        over = min(start + max(loads[index].duration, gap) for index, start in state.starts)
        children = []
        for index, start in state.starts:
            if start >= over or self._equal_before[index] & state.left:
                continue
            left, order, end = (
                state.left ^ (1 << index),
                (*state.order, index),
                max(state.end, start + loads[index].tail),
            )
            if left:
                child = self._state(left, order, end, _taken(state.steps, loads[index], start), start + gap)
                if child is not None:
                    children.append(child)
            elif end < self.length:
                self.length, self.order = end, order
        return children

    def _state(self, left: int, order: tuple[int, ...], end: float, steps: list[Step], ready: float) -> State | None:
        """A state with `steps` free and no start before `ready`; None when it cannot beat the best order."""
        to_come = self._runs_to_come(left)
        current, flow, channels = to_come.most
        steps = [(step[0], min(step[1], current), min(step[2], flow), min(step[3], channels)) for step in steps]
        starts, late = _starts(steps, ready, to_come.indices, self._loads)
        ready = max(ready, starts[0][1])
        end = max(end, late, ready + to_come.after_gaps)
        if end >= self.length:
            return None
        place = bisect_right(steps, ready, key=lambda step: step[0]) - 1
        steps = [(ready, *steps[place][1:]), *steps[place + 1 :]]
        filled = _filled(steps, to_come)
        return None if filled >= self.length - 0.5 else State(left, order, end, filled, steps, starts)

    def _runs_to_come(self, left: int) -> RunsToCome:
        to_come = self._to_come.get(left)
        if to_come is None:
            indices = [index for index in range(len(self._loads)) if left >> index & 1]
            to_come = self._to_come[left] = RunsToCome(indices, self._loads, self._room)
        return to_come


def _taken(steps: list[Step], load: RunLoad, start: float) -> list[Step]:
    """What is free from `start` on once this run has started there."""
    ends_at = start + load.duration
    changes = [start, ends_at] if load.inrush <= load.current else [start, start + load.inrush_for, ends_at]
    taken, place = [], 0
    for number, (since, current, flow, channels) in enumerate(steps):
        until = steps[number + 1][0] if number + 1 < len(steps) else float("inf")
        if until <= start:
            continue
        at = max(since, start)
        while at < until:
            while place < len(changes) and changes[place] <= at:
                place += 1
            if at >= ends_at:
                taken.append((at, current, flow, channels))
                break
            draws = load.inrush if at < changes[-2] else load.current
            taken.append((at, current - draws, flow - load.flow, channels - 1))
            at = min(until, changes[place])
    return taken


def _starts(
    steps: list[Step], ready: float, waiting: list[int], loads: list[RunLoad]
) -> tuple[list[tuple[int, float]], float]:
    """Each waiting run with the first instant at which it fits, soonest first; and the last end that makes."""
    starts = []
    latest = 0.0
    for since, current, flow, channels in steps:
        if channels < 1:
            continue
        at = since if since > ready else ready
        late = []
        for index in waiting:
            load = loads[index]
            if load.inrush <= current and load.flow <= flow:
                starts.append((index, at))
                end = at + load.tail
                latest = end if end > latest else latest
            else:
                late.append(index)
        if not late:
            break
        waiting = late
    return starts, latest


def _filled(steps: list[Step], to_come: RunsToCome) -> float:
    """When charge, volume and on-time of the runs to come have filled all that is free."""
    left = [to_come.charge, to_come.volume, to_come.on_time]
    latest = 0.0
    for place, (since, *free) in enumerate(steps):
        span = steps[place + 1][0] - since if place + 1 < len(steps) else float("inf")
        for kind in range(3):
            amount = left[kind]
            if amount > 0:
                if amount <= free[kind] * span:
                    latest = max(latest, since + amount / free[kind])
                left[kind] = amount - free[kind] * span
    return latest


def _dominated(steps: list[Step], by: list[Step]) -> bool:
    """Whether `by` has no less free at any time from the beginning of `steps` on."""
    place, last = 0, len(by) - 1
    for since, current, flow, channels in steps:
        while place < last and by[place + 1][0] <= since:
            place += 1
        other = by[place]
        if other[1] < current or other[2] < flow or other[3] < channels:
            return False
    return True
