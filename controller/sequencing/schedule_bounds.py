"""Lengths that no order can beat.

Three are simple: the longest run and the gaps before it; areas (current x time, flow x time, channels x time) over
what the room offers. The fourth weighs runs: give each run a weight such that no set of runs that may be on together
weighs more than 1; then, as at every instant a set that may be on together is on, no plan is shorter than the sum of
weight x duration. The best such weights are the dual of a linear programme (the shortest plan if runs could be
interrupted); they are found by column generation: simplex steps on the sets found so far, then a search for the
heaviest set, until none weighs more than 1. Whenever that stops, the weights over the heaviest set's weight are valid.
"""

from typing import NamedTuple

from controller.sequencing.schedule_loads import Load, Room, charge

SETS_LOOKED_AT = 10_000  # work on the weights, in steps of the search for the heaviest set
PIVOTS = 400


class Weights(NamedTuple):
    """What each run takes of an instant, during inrush and after; no set that may be on together takes more than 1."""

    inrush: list[float]
    steady: list[float]
    total: float  # summed over time: a length that no order can beat
    by_set: list[float]  # from the linear programme, and their total
    by_set_total: float


def bounds(loads: list[Load], room: Room) -> tuple[float, Weights]:
    """A length that no order can beat, and the weights that say most about orders."""
    tails = sorted((load.tail for load in loads), reverse=True)
    longest = max(place * room.gap + tail for place, tail in enumerate(tails))
    by_set, by_set_total = set_weights(loads, room)
    by_flow = [load.flow / room.flow for load in loads]
    by_channel = [1 / room.concurrent] * len(loads)
    choices = [
        (by_set_total, by_set, by_set),
        (sum(load.flow * load.duration for load in loads) / room.flow, by_flow, by_flow),
        (sum(load.duration for load in loads) / room.concurrent, by_channel, by_channel),
        (
            sum(map(charge, loads)) / room.current,
            [load.inrush / room.current for load in loads],
            [load.current / room.current for load in loads],
        ),
    ]
    total, inrush, steady = max(choices, key=lambda choice: choice[0])
    return max(longest, total), Weights(inrush, steady, total, by_set, by_set_total)


def set_weights(loads: list[Load], room: Room) -> tuple[list[float], float]:
    """Weights from the linear programme and the sum of weight x duration."""
    count = len(loads)
    heaviest = HeaviestSet(loads, room)
    basis = Basis([load.duration for load in loads])
    best, best_total = [0.0] * count, 0.0
    for _ in range(PIVOTS):
        weight, members = heaviest.find(basis.prices)
        if not members:
            break
        total = sum(price * load.duration for price, load in zip(basis.prices, loads, strict=True)) / weight
        if total > best_total:
            best, best_total = [price / weight for price in basis.prices], total
        if weight <= 1 + 1e-6 or basis.total() <= best_total * (1 + 1e-6) or not basis.enter(members, weight):
            break
    return best, best_total


class HeaviestSet:
    """Search for the heaviest set of runs that may be on together.

    Such a set has an order of starts in which each run's inrush fits beside the steady currents before it; if any
    order fits, the one by falling difference of inrush and steady current does, so only that one is tried.
    """

    def __init__(self, loads: list[Load], room: Room) -> None:
        self._loads, self._room = loads, room
        self._order = sorted(range(len(loads)), key=lambda index: loads[index].current - loads[index].inrush)
        self._steps = SETS_LOOKED_AT

    def find(self, weights: list[float]) -> tuple[float, list[int]]:
        """Weight and members of the heaviest set; no members once the work is used up."""
        self._items = [index for index in self._order if weights[index] > 1e-12]
        self._weights, self._best, self._members = weights, 0.0, list[int]()
        self._limit_rest()
        self._grow(0, 0.0, (self._room.current, self._room.flow, self._room.concurrent), [])
        return (self._best, self._members) if self._steps > 0 else (0.0, [])

    def _limit_rest(self) -> None:
        """From each place on: most weight per current, per flow, per run, and all weight that is left."""
        rest = (0.0, 0.0, 0.0, 0.0)
        self._rest = [rest]
        for index in reversed(self._items):
            load, weight = self._loads[index], self._weights[index]
            per_current = weight / load.current if load.current else float("inf")
            per_flow = weight / load.flow if load.flow else float("inf")
            rest = (max(rest[0], per_current), max(rest[1], per_flow), max(rest[2], weight), rest[3] + weight)
            self._rest.append(rest)
        self._rest.reverse()

    def _grow(self, place: int, weight: float, free: tuple[float, float, float], members: list[int]) -> None:
        self._steps -= 1
        if weight > self._best:
            self._best, self._members = weight, members
        current, flow, channels = free
        if channels < 1 or self._steps <= 0:
            return
        for at in range(place, len(self._items)):
            per_current, per_flow, each, all_left = self._rest[at]
            # with nothing free, runs that need nothing may still join
            most = min(
                all_left,
                each * channels,
                per_current * current if current > 0 else all_left,
                per_flow * flow if flow > 0 else all_left,
            )
            if weight + most <= self._best * (1 + 1e-9):
                return
            index = self._items[at]
            load = self._loads[index]
            if load.inrush <= current and load.flow <= flow:
                rest = (current - load.current, flow - load.flow, channels - 1)
                self._grow(at + 1, weight + self._weights[index], rest, [*members, index])


class Basis:
    """A basis of the covering programme: sets on for so long that every run is covered for its duration."""

    def __init__(self, durations: list[float]) -> None:
        count = len(durations)
        self._inverse = [[1.0 if row == column else 0.0 for column in range(count)] for row in range(count)]
        self._on_for = list(durations)
        self._costs = [1.0] * count  # 1 for a set, 0 for time by which a run is covered for too long
        self.prices = [1.0] * count

    def total(self) -> float:
        """The sum of the times for which sets are on."""
        return sum(on_for for on_for, cost in zip(self._on_for, self._costs, strict=True) if cost)

    def enter(self, members: list[int], weight: float) -> bool:
        """Bring in this set, or slack where a run's price has become negative; False when nothing can leave."""
        cheapest = min(range(len(self.prices)), key=self.prices.__getitem__)
        if -self.prices[cheapest] > max(weight - 1, 1e-9):
            column, cost = [-row[cheapest] for row in self._inverse], 0.0
        else:
            column, cost = [sum(row[index] for index in members) for row in self._inverse], 1.0
        leaving = min(
            (row for row in range(len(column)) if column[row] > 1e-9),
            key=lambda row: self._on_for[row] / column[row],
            default=None,
        )
        if leaving is None:
            return False
        self._pivot(leaving, column, cost)
        return True

    def _pivot(self, leaving: int, column: list[float], cost: float) -> None:
        scale = column[leaving]
        pivot = [value / scale for value in self._inverse[leaving]]
        on_for = self._on_for[leaving] / scale
        for row, factor in enumerate(column):
            if row != leaving and factor:
                self._inverse[row] = [a - factor * b for a, b in zip(self._inverse[row], pivot, strict=True)]
                self._on_for[row] -= factor * on_for
        self._inverse[leaving], self._on_for[leaving], self._costs[leaving] = pivot, on_for, cost
        paid = [row for row, row_cost in zip(self._inverse, self._costs, strict=True) if row_cost]
        self.prices = [sum(column) for column in zip(*paid, strict=True)]
