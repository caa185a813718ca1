"""All start orders, layer by layer: those of k runs, then of k + 1. Exact when the work allowed for suffices.

What keeps the layers small:

- An order is dropped when what is left cannot end before the best known length (`_bound`, `_fits_in_time`).
- Free current and flow are rounded down to sums that the runs to come can make, which changes nothing for them but
  makes many states equal, and many bounds better.
- Of two states with the same runs to come, one is dropped when the other may start no later and has no less free of
  anything at any time (`_dominated`): whatever follows the one can follow the other.
- A run is not started when another one could begin and end before it; equal runs are started in the order given, and
  so are runs that start at the same instant.
"""

from bisect import bisect_right

from controller.sequencing.schedule_bounds import Weights
from controller.sequencing.schedule_loads import Load, Room, charge

SUMS_OF_DEMANDS = 5  # up to so many runs to come, the sums of their demands are listed (3 to the power of it)
SUMS_OF_TIMES = 7  # and those of their durations (2 to the power of it)

# What is free from a time on: (since, current, flow, channels).
Step = tuple[float, float, float, float]


class RunsToCome:
    """What depends on nothing but which runs are still to come."""

    def __init__(self, indices: list[int], loads: list[Load], room: Room) -> None:
        self.indices = indices
        mine = [loads[index] for index in indices]
        self.charge = sum(map(charge, mine))
        self.steady_charge = sum(load.current * load.duration for load in mine)
        self.volume = sum(load.flow * load.duration for load in mine)
        self.on_time = sum(load.duration for load in mine)
        self.shortest = min(load.duration for load in mine)
        self.tails = sorted((load.tail for load in mine), reverse=True)
        self.after_gaps = max(place * room.gap + tail for place, tail in enumerate(self.tails))
        self.channels = min(float(len(mine)), room.concurrent)
        self.all_current = min(sum(load.inrush for load in mine), room.current)
        self.all_flow = min(sum(load.flow for load in mine), room.flow)
        self.currents, self.flows, self.times = list[float](), list[float](), list[float]()
        if len(mine) <= SUMS_OF_DEMANDS:
            self.currents = _sums([(load.current, load.inrush) for load in mine], room.current)
            self.flows = _sums([(load.flow,) for load in mine], room.flow)
        if len(mine) <= SUMS_OF_TIMES:
            self.times = _sums([(load.duration,) for load in mine], float("inf"))


def _sums(choices: list[tuple[float, ...]], most: float) -> list[float]:
    """Every sum, up to `most`, of none or one of each choice; rising."""
    sums = {0.0}
    for choice in choices:
        sums |= {one + value for one in sums for value in choice if one + value <= most}
    return sorted(sums)


class State:
    """Some runs started, the rest to come."""

    __slots__ = ("bound", "end", "last", "left", "on", "order", "ready", "start", "starts", "steps", "unused")

    left: int  # bit set of the runs to come
    order: tuple[int, ...]
    start: float  # of the latest run
    last: int  # the latest run
    ready: float  # no start before
    end: float  # no end before
    bound: float  # the same, with bounds that are not whole numbers
    steps: list[Step]  # what is free from `ready` on
    starts: list[tuple[int, float]]  # the runs to come, each with the first instant at which it fits
    on: list[tuple[float, float]]  # the runs that are on at `ready`: (end, weight)
    unused: float  # weight left unused until `ready`


class Sweep:
    """Looks for an order shorter than `length`; `order` is the best one known."""

    def __init__(self, loads: list[Load], room: Room, weights: Weights, length: float, order: tuple[int, ...]) -> None:
        self.length, self.order = length, order
        self._loads, self._room, self._weights = loads, room, weights
        self._nodes = 0
        self._to_come: dict[int, RunsToCome] = {}
        self._equal_before = [
            sum(1 << other for other in range(index) if loads[other] == loads[index]) for index in range(len(loads))
        ]

    def run(self, nodes: int, begin: tuple[int, ...] = ()) -> float:
        """Cover all orders that begin so, within about so many nodes; a length that none of them can beat."""
        first = self._first()
        for index in begin:
            if first is not None:
                first = self._child(first, index, dict(first.starts)[index])
        layer = [] if first is None else [first]
        while layer:
            groups: dict[int, list[State]] = {}
            for state in layer:
                for child in self._children(state):
                    groups.setdefault(child.left, []).append(child)
                if self._nodes > nodes:
                    return min(self.length, *(state.bound for state in layer))
            layer = [state for group in groups.values() for state in self._undominated(group)]
        return self.length

    def _first(self) -> State | None:
        state, room = State(), self._room
        state.left, state.order, state.start, state.last = (1 << len(self._loads)) - 1, (), -room.gap, -1
        state.end, state.on, state.unused = 0.0, [], 0.0
        if not self._settle(state, [(0.0, room.current, room.flow, room.concurrent)], 0.0):
            return None
        return state if self._promises(state) else None

    def _undominated(self, group: list[State]) -> list[State]:
        group = [state for state in group if state.bound < self.length - 0.5]
        group.sort(key=lambda state: (state.ready, state.end))
        kept: list[State] = []
        for state in group:
            if not any(other.end <= state.bound and _dominated(state.steps, other.steps) for other in kept):
                kept.append(state)
        return kept

    def _children(self, state: State) -> list[State]:
        """The state after each run that may start next, unless it cannot beat the best order."""
        loads, gap, length = self._loads, self._room.gap, self.length
        if state.bound >= length - 0.5:
            return []
        over = min(start + max(loads[index].duration, gap) for index, start in state.starts)
        children = []
        for index, start in state.starts:
            repeats = self._equal_before[index] & state.left or (start == state.start and index < state.last)
            if start < over and not repeats:
                self._nodes += 1
                child = self._child(state, index, start)
                if child is not None:
                    children.append(child)
        return children

    def _child(self, state: State, index: int, start: float) -> State | None:
        load = self._loads[index]
        end = start + load.tail
        end = state.end if state.end > end else end
        left = state.left ^ (1 << index)
        if not left:
            if end < self.length:
                self.length, self.order = end, (*state.order, index)
            return None
        child = State()
        child.left, child.start, child.last, child.end = left, start, index, end
        child.order = (*state.order, index)
        if not self._settle(child, _taken(state.steps, load, start), start + self._room.gap):
            return None
        self._weigh(child, state, start + load.duration, self._weights.by_set[index])
        return child if self._promises(child) else None

    def _weigh(self, child: State, state: State, end: float, weight: float) -> None:
        """Which weights are on at the child's `ready`, and what was left unused since its parent's."""
        ready = child.ready
        child.unused = state.unused + (ready - state.ready) - weight * ((end if end < ready else ready) - child.start)
        child.on = [(end, weight)] if end > ready else []
        for other_end, other_weight in state.on:
            if other_end > ready:
                child.unused -= other_weight * (ready - state.ready)
                child.on.append((other_end, other_weight))
            else:
                child.unused -= other_weight * (other_end - state.ready)

    def _settle(self, state: State, steps: list[Step], ready: float) -> bool:
        """Starts, ends and steps of a state that has `steps` free and no start before `ready`; False if too late."""
        to_come = self._runs_to_come(state.left)
        steps = _rounded(steps, to_come) if to_come.currents else _capped(steps, to_come)
        state.starts, late = _starts(steps, ready, to_come.indices, self._loads)
        ready = max(ready, state.starts[0][1])
        end = max(state.end, late, ready + to_come.after_gaps)
        if end >= self.length:
            return False
        end = max(end, _one_by_one(steps, ready, self._room.gap, to_come))
        state.end, state.ready, state.steps = end, ready, _from(steps, ready)
        return end < self.length

    def _promises(self, state: State) -> bool:
        """Whether a settled state may still beat the best order, by what is free from now on; sets its bound."""
        to_come = self._runs_to_come(state.left)
        state.bound = max(state.end, self._weights.by_set_total + state.unused, _filled(state.steps, to_come))
        if state.bound >= self.length - 0.5:
            return False
        return not to_come.times or _fits_in_time(state.steps, self.length - 1, to_come)

    def _runs_to_come(self, left: int) -> RunsToCome:
        to_come = self._to_come.get(left)
        if to_come is None:
            indices = [index for index in range(len(self._loads)) if left >> index & 1]
            to_come = self._to_come[left] = RunsToCome(indices, self._loads, self._room)
        return to_come


def _taken(steps: list[Step], load: Load, start: float) -> list[Step]:
    """What is free from `start` on once this run has started there."""
    steady_at = start + load.inrush_for if load.inrush > load.current else start
    ends_at = start + load.duration
    taken = []
    for place, (since, current, flow, channels) in enumerate(steps):
        until = steps[place + 1][0] if place + 1 < len(steps) else float("inf")
        if until <= start:
            continue
        at = max(since, start)
        if at < steady_at:
            taken.append((at, current - load.inrush, flow - load.flow, channels - 1))
            if steady_at >= until:
                continue
            at = steady_at
        if at < ends_at:
            taken.append((at, current - load.current, flow - load.flow, channels - 1))
            if ends_at >= until:
                continue
            at = ends_at
        taken.append((at, current, flow, channels))
    return taken


def _rounded(steps: list[Step], to_come: RunsToCome) -> list[Step]:
    """The same for the runs to come: down to what they can add up to, equal steps made one."""
    currents, flows, most = to_come.currents, to_come.flows, to_come.channels
    rounded: list[Step] = []
    last_current = last_flow = last_channels = -1.0
    for since, current, flow, channels in steps:
        rounded_current = currents[bisect_right(currents, current) - 1]
        rounded_flow = flows[bisect_right(flows, flow) - 1]
        rounded_channels = channels if channels < most else most
        if rounded_current != last_current or rounded_flow != last_flow or rounded_channels != last_channels:
            rounded.append((since, rounded_current, rounded_flow, rounded_channels))
            last_current, last_flow, last_channels = rounded_current, rounded_flow, rounded_channels
    return rounded


def _capped(steps: list[Step], to_come: RunsToCome) -> list[Step]:
    """The same with too many runs to come for their sums: down to all that they could take together."""
    return [
        (since, min(current, to_come.all_current), min(flow, to_come.all_flow), min(channels, to_come.channels))
        for since, current, flow, channels in steps
    ]


def _starts(
    steps: list[Step], ready: float, waiting: list[int], loads: list[Load]
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


def _from(steps: list[Step], ready: float) -> list[Step]:
    place = bisect_right(steps, ready, key=lambda step: step[0]) - 1
    return [(ready, *steps[place][1:]), *steps[place + 1 :]]


def _one_by_one(steps: list[Step], ready: float, gap: float, to_come: RunsToCome) -> float:
    """No end before this: until one of the runs to come can have ended, each start needs a free channel of its own."""
    soonest_end = ready + to_come.shortest
    tails = to_come.tails
    latest, place, count = 0.0, 0, len(tails)
    for since, _, _, channels in steps:
        if since > soonest_end or place == count:
            break
        while place < channels and place < count:
            at = ready + place * gap
            end = (since if since > at else at) + tails[place]
            latest = end if end > latest else latest
            place += 1
    for rest in range(place, count):
        at = ready + rest * gap
        end = (soonest_end if soonest_end > at else at) + tails[rest]
        latest = end if end > latest else latest
    return latest


def _filled(steps: list[Step], to_come: RunsToCome) -> float:
    """When charge, volume and on-time of the runs to come have filled all that is free."""
    charge, volume, on_time = to_come.charge, to_come.volume, to_come.on_time
    latest = 0.0
    for place, (since, current, flow, channels) in enumerate(steps):
        span = steps[place + 1][0] - since if place + 1 < len(steps) else float("inf")
        if charge > 0:
            if charge <= current * span:
                latest = max(latest, since + charge / current)
            charge -= current * span
        if volume > 0:
            if volume <= flow * span:
                latest = max(latest, since + volume / flow)
            volume -= flow * span
        if on_time > 0:
            if on_time <= channels * span:
                latest = max(latest, since + on_time / channels)
            on_time -= channels * span
    return latest


def _fits_in_time(steps: list[Step], end: float, to_come: RunsToCome) -> bool:
    """Whether charge, volume and on-time fit before `end` if every sliver of room took whole runs, one after another.

    A sliver that becomes free at some time can be filled for no longer than a sum of durations. (Runs can be dealt to
    slivers so that each keeps its own while it is on.)
    """
    times = to_come.times
    charge, volume, on_time = to_come.steady_charge, to_come.volume, to_come.on_time
    was_current = was_flow = was_channels = 0.0
    for since, current, flow, channels in steps:
        if since >= end:
            break
        usable = times[bisect_right(times, end - since) - 1]
        charge -= (current - was_current) * usable
        volume -= (flow - was_flow) * usable
        on_time -= (channels - was_channels) * usable
        was_current, was_flow, was_channels = current, flow, channels
    return charge <= 0.5 and volume <= 0.5 and on_time <= 0.5


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
