"""The sweep by itself, with no good plan known beforehand, against every order tried."""

import itertools
import math
import random

import pytest

from controller.sequencing.schedule_bounds import bounds
from controller.sequencing.schedule_loads import Room, RunLoad
from controller.sequencing.schedule_sweep import Sweep

PLENTY = 10**9
# With these, a sweep that drops states it must keep misses the shortest order.
TELLING_SEEDS = (386, 596, 682, 694, 847, 861, 1003, 1097, 1148, 1152)


def draw(rng: random.Random, count: int) -> tuple[list[RunLoad], Room]:
    """Small whole numbers, so that many things happen at the same instant; some runs equal."""
    loads: list[RunLoad] = []
    for _ in range(count):
        if loads and rng.random() < 0.25:
            loads.append(rng.choice(loads))
            continue
        duration, current = float(rng.randint(1, 9)), float(rng.randint(0, 4))
        inrush_for = float(rng.randint(0, int(duration)))
        inrush = current + rng.randint(0, 6 - int(current)) if inrush_for else current
        tail = max(duration, float(rng.choice((0, 0, 4))))
        loads.append(RunLoad(duration, tail, inrush_for, inrush, current, float(rng.randint(0, 4))))
    return loads, Room(6.0, float(rng.randint(4, 8)), float(rng.randint(2, 4)), float(rng.choice((0, 0, 1, 3))))


def length_of(order: tuple[int, ...], loads: list[RunLoad], room: Room) -> float:
    """Each run at the first whole instant at which it fits, not before the one ahead of it; the last tail's end."""
    time, placed = 0.0, list[tuple[float, RunLoad]]()
    for index in order:
        while not _fits(time, loads[index], placed, room):
            time += 1
        placed.append((time, loads[index]))
        time += room.gap
    return max(start + load.tail for start, load in placed)


def _fits(time: float, load: RunLoad, placed: list[tuple[float, RunLoad]], room: Room) -> bool:
    on = [(start, other) for start, other in placed if time < start + other.duration]
    current = sum(other.inrush if time < start + other.inrush_for else other.current for start, other in on)
    flow = sum(other.flow for _, other in on)
    return current + load.inrush <= room.current and flow + load.flow <= room.flow and len(on) < room.concurrent


@pytest.mark.parametrize("seed", [*range(60), *TELLING_SEEDS])
def test_every_order_is_covered(seed):
    rng = random.Random(seed)
    loads, room = draw(rng, rng.randint(2, 6))
    shortest = min(length_of(order, loads, room) for order in itertools.permutations(range(len(loads))))
    bound, weights = bounds(loads, room)
    sweep = Sweep(loads, room, math.inf, ())
    assert sweep.run(PLENTY)
    assert sweep.length == shortest
    assert length_of(sweep.order, loads, room) == shortest
    assert bound <= shortest + 1e-6
    assert weights.total <= shortest + 1e-6


@pytest.mark.parametrize("seed", range(20))
def test_a_known_length_is_beaten_or_proven(seed):
    rng = random.Random(seed)
    loads, room = draw(rng, 5)
    free = Sweep(loads, room, math.inf, ())
    free.run(PLENTY)
    beaten = Sweep(loads, room, free.length + 1, (9, 9))
    assert beaten.run(PLENTY)
    assert beaten.length == free.length
    proven = Sweep(loads, room, free.length, (9, 9))
    assert proven.run(PLENTY)
    assert proven.order == (9, 9)  # nothing shorter: the known order stays


def test_a_sweep_that_had_to_leave_orders_out_says_so():
    """With one step allowed a layer keeps one state: what it finds is an order, and not claimed to be the shortest."""
    missed = 0
    for seed in range(40):
        loads, room = draw(random.Random(seed), 6)
        full, cut = Sweep(loads, room, math.inf, ()), Sweep(loads, room, math.inf, ())
        assert full.run(PLENTY)
        is_exact = cut.run(1)
        assert length_of(cut.order, loads, room) == cut.length >= full.length
        assert cut.length == full.length or not is_exact
        missed += cut.length > full.length
    assert missed > 0
