"""Shares of a phase's doses and the order of their starts, looked for together by simulated annealing.

A small random change at a time, worse ones allowed less and less: a run changes its place in the order, or one line of
a dose passes volume to another, often just so much that both end at once. Every order of every split is placed run by
run, each at the first instant at which it fits, from the first change on. Of plans that take equally long, those in
which shared doses end sooner are preferred: what one dose gains may only show once another has gained, too.

Bounded by work, and the same on every machine: see `schedule_anneal`.
"""

import math
import random
from collections.abc import Callable, Sequence
from heapq import heappop, heappush
from itertools import combinations
from typing import NamedTuple

from controller.sequencing.schedule_anneal import exponential
from controller.sequencing.schedule_loads import Room, RunLoad, most_at_once, seconds, whole

ANNEALINGS = 2  # each may end in a trap of its own
WARM, COLD = 0.2, 0.02  # allowed worsening as a fraction of the mean length per run, and what is left of it at the end
CLOSE = 1e-3  # so near to what cannot be beaten, nothing more is tried
ENDS_COUNT = 0.01  # what the end of a shared dose counts beside the end of the phase
LEVEL, SOME, ALL = 0.5, 0.4, 0.1  # of the passings: until two runs end at once, some volume, all of it
OWN = 0.3  # of the levellings: these two lines; otherwise the last run of the phase and any other
JUST = 0.5  # of the latter: to the very instant, as where few can be on at once, each with others before it
SAME_ML = 1e-9


class Candidate(NamedTuple):
    """A line that a dose may be drawn from: nothing, or from least_ml to most_ml, and what that asks of the machine."""

    dose: int
    least_ml: float
    most_ml: float
    flow_ml_s: float  # beside the others
    lag: float  # as lengths of the search, with the overlap
    long: RunLoad  # of a run longer than its inrush

    def load(self, volume_ml: float) -> RunLoad:
        """The run of this volume (> 0); a run shorter than its inrush draws that throughout."""
        _, _, inrush_for, inrush, current, flow = self.long
        duration = max(1.0, whole(volume_ml / self.flow_ml_s) + self.lag)
        if duration <= inrush_for:
            return RunLoad(duration, duration, duration, inrush, inrush, flow)
        return RunLoad(duration, duration, inrush_for, inrush, current, flow)

    def can_pour(self, volume_ml: float) -> bool:
        """Whether the line may have this share."""
        return volume_ml == 0.0 or self.least_ml - SAME_ML <= volume_ml <= self.most_ml + SAME_ML

    def nearest_ml(self, volume_ml: float) -> float:
        """The same without a share that is too small."""
        return 0.0 if volume_ml < self.least_ml / 2 else max(volume_ml, self.least_ml)


Volumes = list[float]  # of each candidate, mL


# A coming drop of demand: (when, current, flow, channels).
Drop = tuple[float, float, float, float]
# Earliest next start, what is free of current, flow, channels; coming drops as a heap.
State = tuple[float, float, float, float, list[Drop]]


class _Split(NamedTuple):
    """Volumes and runs of the candidates, and the order of their starts."""

    volumes: Volumes
    loads: list[RunLoad | None]
    order: list[int]


class _Placed(NamedTuple):
    """A split, each run at the first instant at which it fits; times are lengths of the search."""

    split: _Split
    states: list[State]  # before each place of the order
    ends: list[float]
    length: float  # of the phase
    judged: float


def search(candidates: Sequence[Candidate], room: Room, volumes: Sequence[float], work: int) -> Volumes:
    """The best volumes found from these on, for work worth about so many placements of a run."""
    return SplitSearch(candidates, room, volumes).best(work)


class SplitSearch:
    """Looks for the split of all doses that is poured soonest."""

    def __init__(self, candidates: Sequence[Candidate], room: Room, volumes: Sequence[float]) -> None:
        self._candidates, self._room, self._first = candidates, room, list(volumes)
        numbers = range(len(candidates))
        self._of_dose = [
            [number for number in numbers if candidates[number].dose == dose]
            for dose in sorted({one.dose for one in candidates})
        ]
        self._shared = [mine for mine in self._of_dose if len(mine) > 1]
        self._pairs = [(a, b) for mine in self._of_dose for a in mine for b in mine if a != b]
        self.placed = 0

    def best(self, work: int) -> Volumes:
        """The best volumes found."""
        enough = self.least() * (1.0 + CLOSE)
        found = self._begun()
        for seed in range(ANNEALINGS):
            if found.length > enough:
                tried = self._annealed(seed, work // ANNEALINGS, enough)
                found = min(found, tried, key=lambda one: one.judged)
        return found.split.volumes

    def least(self) -> float:
        """What no split of these doses can beat: each poured from all its lines at once, and all that they take."""
        room = self._room
        most = most_at_once([one.long for one in self._candidates], room)
        starting = room.gap * (min(most, len(self._of_dose)) - 1) / 2  # until each of so many is on
        taken = (
            self._taken(lambda one: one.long.current / room.current, lambda one: _more_charge(one) / room.current),
            self._taken(lambda one: one.long.flow / room.flow, lambda _: 0.0),
            self._taken(lambda _: 1 / most, lambda _: 0.0) + starting,
        )
        return max(*taken, *(self._soonest(mine) for mine in self._of_dose))

    # --- inside

    def _taken(self, weight: Callable[[Candidate], float], once: Callable[[Candidate], float]) -> float:
        """The least that all doses take of the room over time, by the weight of each line while it is on."""
        total = 0.0
        for mine in self._of_dose:
            volume_ml = sum(self._first[number] for number in mine)
            lines = [self._candidates[number] for number in mine]
            fixed = [weight(one) * one.lag + once(one) for one in lines]
            total += volume_ml * min(weight(one) * whole(1 / one.flow_ml_s) for one in lines)
            total += sum(part for part in fixed if part < 0) if min(fixed) < 0 else min(fixed)
        return total

    def _soonest(self, mine: Sequence[int]) -> float:
        """When a dose is over that has the machine for itself, from the best choice of its lines."""
        volume_ml = sum(self._first[number] for number in mine)
        lines = sorted((self._candidates[number] for number in mine), key=lambda one: -one.flow_ml_s)
        return min(
            (
                whole(volume_ml)
                + sum((place * self._room.gap + one.lag) * one.flow_ml_s for place, one in enumerate(used))
            )
            / sum(one.flow_ml_s for one in used)
            for count in range(1, len(lines) + 1)
            for used in combinations(lines, count)
        )

    def _begun(self) -> _Placed:
        """The first volumes, longest runs first."""
        loads = [one.load(ml) if ml > 0 else None for one, ml in zip(self._candidates, self._first, strict=True)]
        order = sorted(range(len(loads)), key=lambda number: -_duration(loads[number]))
        room = self._room
        empty: State = (0.0, room.current, room.flow, room.concurrent, [])
        split = _Split(self._first, loads, order)
        nothing = _Placed(split, [empty], [0.0] * len(loads), math.inf, math.inf)
        return self._place(nothing, split, 0, math.inf) or nothing

    def _annealed(self, seed: int, work: int, enough: float) -> _Placed:
        rng, began = random.Random(seed).random, self.placed
        here = best = self._begun()
        warmth = WARM * here.judged / len(self._candidates)
        while (done := (self.placed - began) / max(1, work)) < 1 and best.length > enough:
            self.placed += 1  # a change that cannot be is work, too
            allowed = here.judged + warmth * (1 - (1 - COLD) * done) * exponential(rng())
            tried = self._reordered(here, rng, allowed) if rng() < 0.5 else self._passed(here, rng, allowed)
            if tried is not None:
                here = tried
                best = min(best, here, key=lambda one: one.judged)
        return best

    def _reordered(self, here: _Placed, rng: Callable[[], float], allowed: float) -> _Placed | None:
        volumes, loads, order = here.split
        order, count = order.copy(), len(order)
        one, other = int(rng() * count), int(rng() * count)
        if rng() < 0.5:
            order[one], order[other] = order[other], order[one]
        else:
            order.insert(other, order.pop(one))
        return None if one == other else self._place(here, _Split(volumes, loads, order), min(one, other), allowed)

    def _passed(self, here: _Placed, rng: Callable[[], float], allowed: float) -> _Placed | None:
        """One line of a dose passes volume to another."""
        giver, taker = self._pairs[int(rng() * len(self._pairs))]
        one, other = self._candidates[giver], self._candidates[taker]
        volumes, loads, order = here.split
        both_ml, kind, how_much = volumes[giver] + volumes[taker], rng(), rng()
        if kind < LEVEL:
            level = one.flow_ml_s * other.flow_ml_s / (one.flow_ml_s + other.flow_ml_s)
            passed_ml = level * self._unlevel_s(here, giver, taker, rng)
        else:
            passed_ml = both_ml * (how_much - 0.5) / 2 if kind < LEVEL + SOME else both_ml
        kept_ml = min(max(volumes[giver] - passed_ml, both_ml - other.most_ml, 0.0), one.most_ml, both_ml)
        taken_ml = other.nearest_ml(both_ml - one.nearest_ml(kept_ml))
        kept_ml = both_ml - taken_ml
        if not (one.can_pour(kept_ml) and other.can_pour(taken_ml)) or taken_ml == volumes[taker]:
            return None
        volumes, loads = volumes.copy(), loads.copy()
        for number, volume_ml in ((giver, kept_ml), (taker, taken_ml)):
            volumes[number] = volume_ml
            loads[number] = self._candidates[number].load(volume_ml) if volume_ml > 0 else None
        first = min(order.index(giver), order.index(taker))
        return self._place(here, _Split(volumes, loads, order), first, allowed)

    def _unlevel_s(self, here: _Placed, giver: int, taker: int, rng: Callable[[], float]) -> float:
        """How much later one run ends than another, taken about once; s."""
        if rng() < OWN:
            return 2 * rng() * seconds(here.ends[giver] - here.ends[taker])
        apart_s = seconds(here.length - here.ends[int(rng() * len(here.ends))])
        return apart_s if rng() < JUST else 2 * rng() * apart_s

    def _place(self, here: _Placed, split: _Split, first: int, allowed: float) -> _Placed | None:
        """Like `here` before the place `first` of the order; None when that is judged no better than allowed."""
        states, ends, gap = here.states[: first + 1], here.ends.copy(), self._room.gap
        time, current, flow, channels, drops = states[first]
        drops = drops.copy()
        for index in split.order[first:]:
            load = split.loads[index]
            if load is None:
                ends[index] = 0.0
                states.append(states[-1])
                continue
            self.placed += 1
            duration, _, inrush_for, inrush, steady, own_flow = load
            while (drops and drops[0][0] <= time) or inrush > current or own_flow > flow or channels < 1:
                when, more_current, more_flow, more_channels = heappop(drops)
                time = when if when > time else time
                current, flow, channels = current + more_current, flow + more_flow, channels + more_channels
            ends[index] = end = time + duration
            if end >= allowed:
                return None
            current, flow, channels = current - inrush, flow - own_flow, channels - 1.0
            heappush(drops, (end, steady, own_flow, 1.0))
            if inrush > steady:
                heappush(drops, (time + inrush_for, inrush - steady, 0.0, 0.0))
            time += gap
            states.append((time, current, flow, channels, drops.copy()))
        length = max(ends)
        judged = length + ENDS_COUNT * sum([max([ends[number] for number in mine]) for mine in self._shared])
        return _Placed(split, states, ends, length, judged) if judged < allowed else None


def _duration(load: RunLoad | None) -> float:
    return 0.0 if load is None else load.duration


def _more_charge(one: Candidate) -> float:
    """What the inrush takes beyond the steady current, over time."""
    return (one.long.inrush - one.long.current) * one.long.inrush_for
