"""Start orders by list rules, then simulated annealing: small random changes, worse ones allowed less and less.

An order is placed run by run, each at the first instant at which it fits; the state after each place is kept, so a
changed order is placed anew from its first change only. What is accepted is fixed before placing, so a bad order is
dropped at the first run that ends too late, or as soon as more weight has been left unused than the accepted length
has to spare.

The same on every machine: a seeded generator, and no arithmetic but the four operations and square roots.
"""

import math
import random
from collections.abc import Callable, Sequence
from heapq import heappop, heappush

from controller.sequencing.schedule_bounds import Weights
from controller.sequencing.schedule_loads import Room, RunLoad

# Allowed worsening at the beginning, as a fraction of the mean length per run, and what is left of it at the end.
WARM, COLD = 0.3, 0.1

# A coming drop of demand: (when, current, flow, channels, weight).
Drop = tuple[float, float, float, float, float]
# Earliest next start, what is free of current, flow, channels; end so far; weight: until when it is counted, how much
# is free, how much was left unused; coming drops as a heap.
State = tuple[float, float, float, float, float, float, float, float, list[Drop]]


def anneal(
    loads: list[RunLoad], room: Room, bound: tuple[float, Weights], placements: int, seed: int = 0
) -> tuple[float, tuple[int, ...]]:
    """The best length found and its order; about so many runs are placed on the way. `bound` is what `bounds` says."""
    least, weights = bound
    placing = Placing(loads, room, weights)
    length, order, states = min(map(placing.whole, _first_orders(loads, room)), key=lambda found: found[0])
    best, best_order = length, order
    rng, count = random.Random(seed).random, len(loads)
    warmth = WARM * length / count
    cooling = warmth * (1 - COLD) / max(placements, 1)
    while placing.placed < placements and best > least + 0.5:
        here, there = int(rng() * count), int(rng() * count)
        if here == there:
            continue
        changed = order.copy()
        if rng() < 0.5:
            changed[here], changed[there] = changed[there], changed[here]
        else:
            changed.insert(there, changed.pop(here))
        first = min(here, there)
        allowed = length + (warmth - cooling * placing.placed) * exponential(rng())
        if placing.place(changed[first:], states[first], allowed) < allowed:
            order = changed
            del states[first + 1 :]
            length = placing.place(order[first:], states[first], math.inf, states)
            if length < best:
                best, best_order = length, order
    return best, tuple(best_order)


def exponential(uniform: float) -> float:
    """A number drawn by the exponential law from a uniform one."""
    # -log(uniform) to first order (Pade), 0 to 2: logarithms may differ in their last digit between machines
    return 2 * (1 - uniform) / (1 + uniform)


class Placing:
    """Places runs in order, each at the first instant at which it fits, and no start before the one ahead of it."""

    def __init__(self, loads: list[RunLoad], room: Room, weights: Weights) -> None:
        self.placed = 0
        self._room, self._total = room, weights.total
        self._loads = [
            (load.duration, load.tail, load.inrush_for, load.inrush, load.current, load.flow, at_first, later)
            for load, at_first, later in zip(loads, weights.inrush, weights.steady, strict=True)
        ]

    def whole(self, order: Sequence[int]) -> tuple[float, list[int], list[State]]:
        """Length, order and states of a whole order."""
        room = self._room
        empty: State = (0.0, room.current, room.flow, room.concurrent, 0.0, 0.0, 1.0, 0.0, [])
        states = [empty]
        return self.place(order, empty, math.inf, states), list(order), states

    def place(self, order: Sequence[int], state: State, allowed: float, states: list[State] | None = None) -> float:
        """Place these runs after `state`, adding the state after each to `states`.

        The length of the whole; inf as soon as none below `allowed` can come of it.
        """
        time, current, flow, channels, end, counted, free, unused, drops = state
        drops = drops.copy()
        gap, spare, loads = self._room.gap, allowed - self._total, self._loads
        for index in order:
            self.placed += 1
            duration, tail, inrush_for, inrush, steady, run_flow, at_first, later = loads[index]
            while True:
                if not drops or drops[0][0] > time:
                    if inrush <= current and run_flow <= flow and channels >= 1:
                        break
                    time = drops[0][0]
                when, more_current, more_flow, more_channels, more_free = heappop(drops)
                unused += (when - counted) * free
                counted = when
                free += more_free
                current += more_current
                flow += more_flow
                channels += more_channels
            until = time + tail
            if until >= allowed or unused >= spare:
                return math.inf
            unused += (time - counted) * free
            counted = time
            free -= at_first
            end = until if until > end else end  # quicker than max(), and this is the innermost loop
            current -= inrush
            flow -= run_flow
            channels -= 1
            heappush(drops, (time + duration, steady, run_flow, 1.0, later))
            if inrush > steady:
                heappush(drops, (time + inrush_for, inrush - steady, 0.0, 0.0, at_first - later))
            time += gap
            if states is not None:
                states.append((time, current, flow, channels, end, counted, free, unused, drops.copy()))
        return end


def _first_orders(loads: list[RunLoad], room: Room) -> list[list[int]]:
    """Orders to begin with: by several rules, at every instant the first run of the rule that fits is started."""
    share = [max(load.current / room.current, load.flow / room.flow, 1 / room.concurrent) for load in loads]
    rules: list[Callable[[int], float]] = [
        lambda index: loads[index].tail,
        lambda index: loads[index].duration * share[index],
        lambda index: loads[index].duration * math.sqrt(share[index]),
        lambda index: share[index],
        lambda index: loads[index].inrush,
    ]
    return [_by_list(loads, room, sorted(range(len(loads)), key=rule, reverse=True)) for rule in rules]


def _by_list(loads: list[RunLoad], room: Room, waiting: list[int]) -> list[int]:
    time, current, flow, channels = 0.0, room.current, room.flow, room.concurrent
    drops: list[tuple[float, float, float, float]] = []
    order = []
    while waiting:
        while drops and drops[0][0] <= time:
            _, more_current, more_flow, more_channels = heappop(drops)
            current, flow, channels = current + more_current, flow + more_flow, channels + more_channels
        fitting = (i for i in waiting if loads[i].inrush <= current and loads[i].flow <= flow and channels >= 1)
        index = next(fitting, None)
        if index is None:
            time = drops[0][0]
            continue
        load = loads[index]
        waiting.remove(index)
        order.append(index)
        current, flow, channels = current - load.inrush, flow - load.flow, channels - 1
        heappush(drops, (time + load.duration, load.current, load.flow, 1.0))
        heappush(drops, (time + load.inrush_for, load.inrush - load.current, 0.0, 0.0))
        time += room.gap
    return order
