"""Lengths that no order can beat: the longest runs and the gaps before them, and what the runs take over the room.

The second kind weighs runs by their share of current, flow or channels: as what is on at one instant never weighs more
than 1, no plan is shorter than the sum of weight x duration. The third counts how many can be on at once at all: an
inrush needs room that steady currents would leave unused.
"""

from typing import NamedTuple

from controller.sequencing.schedule_loads import Room, RunLoad, charge, most_at_once


class Weights(NamedTuple):
    """What each run takes of an instant, during inrush and after; what may be on together takes at most 1."""

    inrush: list[float]
    steady: list[float]
    total: float  # summed over time: a length that no order can beat


def bounds(loads: list[RunLoad], room: Room) -> tuple[float, Weights]:
    """A length that no order can beat, and the weights that say most about orders."""
    tails = sorted((load.tail for load in loads), reverse=True)
    longest = max(place * room.gap + tail for place, tail in enumerate(tails))
    by_flow = [load.flow / room.flow for load in loads]
    by_channel = [1 / room.concurrent] * len(loads)
    by_inrush, by_current = ([one / room.current for one in kind] for kind in zip(*map(_currents, loads), strict=True))
    weights = max(
        Weights(by_flow, by_flow, sum(load.flow * load.duration for load in loads) / room.flow),
        Weights(by_channel, by_channel, sum(load.duration for load in loads) / room.concurrent),
        Weights(by_inrush, by_current, sum(map(charge, loads)) / room.current),
        key=lambda choice: choice.total,
    )
    most = most_at_once(loads, room)
    starting = room.gap * (most - 1) / 2  # the mean wait until each of so many is on: no two start at once
    return max(longest, weights.total, sum(load.duration for load in loads) / most + starting), weights


def _currents(load: RunLoad) -> tuple[float, float]:
    return load.inrush, load.current
