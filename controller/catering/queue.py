"""Waiting in one queue at one machine: turn by turn, and the closed form for the long run."""

import math
from collections import deque
from collections.abc import Callable, Sequence

from controller.errors import Refused
from controller.model.fields import Value
from controller.model.profile import Caps

HOUR_S = 3600.0


class QueuedGuest(Value, frozen=True, kw_only=True):
    """One who comes at_s (s) for a drink that keeps the machine for cycle_s (s) and holds ethanol_g (g)."""

    at_s: float
    cycle_s: float
    ethanol_g: float = 0.0


class Turn(Value, frozen=True, kw_only=True):
    """When the guest's turn began and ended; held_s of the wait were due to the caps on an hour."""

    at_s: float
    begins_s: float
    ends_s: float
    held_s: float = 0.0

    @property
    def waits_s(self) -> float:
        """From coming to the beginning of the turn."""
        return self.begins_s - self.at_s


def take_turns(
    guests: Sequence[QueuedGuest], caps: Caps | None = None, delay_s: Callable[[int, float], float] | None = None
) -> tuple[Turn, ...]:
    """First come, first served (Lindley's recursion), within the caps on servings and ethanol in any hour.

    guests: in the order of coming. delay_s(number, time): what keeps the machine, once free for guest `number` at
    `time`, before it can begin (s), such as a change of container. Refused when a drink alone exceeds an hour's cap.
    """
    turns: list[Turn] = []
    hour = _Hour(caps)
    free_s = -math.inf
    for number, guest in enumerate(guests):
        ready_s = max(guest.at_s, free_s)
        if delay_s is not None:
            ready_s += delay_s(number, ready_s)
        begins_s = max(ready_s, hour.room_from_s(ready_s, guest.ethanol_g))
        free_s = begins_s + guest.cycle_s
        hour.book(free_s, guest.ethanol_g)
        turns.append(Turn(at_s=guest.at_s, begins_s=begins_s, ends_s=free_s, held_s=begins_s - ready_s))
    return tuple(turns)


class _Hour:
    """The servings of the last hour; each counts for an hour from its end, as the guard counts."""

    def __init__(self, caps: Caps | None) -> None:
        self._caps = caps
        self._recent: deque[tuple[float, float]] = deque()  # end s, g

    def room_from_s(self, now_s: float, ethanol_g: float) -> float:
        """From when on a serving with so much ethanol keeps the caps."""
        if self._caps is None:
            return now_s
        if ethanol_g > self._caps.hour_ethanol_g:
            raise Refused(
                rule="hour_ethanol",
                reason=f"one drink holds {ethanol_g:.1f} g of ethanol, more than the machine may pour in an hour.",
                asked=f"{ethanol_g:.1f} g",
                allowed=f"{self._caps.hour_ethanol_g:.1f} g",
                remedy="Take it off the menu.",
            )
        at_s = now_s
        while True:
            while self._recent and self._recent[0][0] + HOUR_S <= at_s:
                self._recent.popleft()
            total_g = sum(grams for _, grams in self._recent) + ethanol_g
            full = len(self._recent) + 1 > self._caps.hour_servings
            if not full and (ethanol_g == 0.0 or total_g <= self._caps.hour_ethanol_g):
                return at_s
            at_s = self._recent[0][0] + HOUR_S

    def book(self, end_s: float, ethanol_g: float) -> None:
        """A serving ended."""
        self._recent.append((end_s, ethanol_g))


def mean_wait_s(per_s: float, cycles: Sequence[tuple[float, float]]) -> float:
    """Mean wait in the long run when guests come at random (Poisson) at an even rate; infinite when they are too many.

    per_s: guests a second, >= 0. cycles: (cycle s, share), shares together 1. Pollaczek and Khinchine's formula for
    M/G/1, rate * E[S^2] / (2 (1 - load)); for equal cycles (M/D/1) that is load * S / (2 (1 - load)). Source:
    Kleinrock, Queueing Systems, vol. 1 (1975), chapter 5 (from memory).
    """
    mean_s = sum(cycle_s * share for cycle_s, share in cycles)
    square_s2 = sum(cycle_s**2 * share for cycle_s, share in cycles)
    load = per_s * mean_s
    return per_s * square_s2 / (2.0 * (1.0 - load)) if load < 1.0 else math.inf
