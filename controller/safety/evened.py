"""Readings evened out, so that what shakes at the pace of pumps' rollers is gone from them.

A converter at ten readings a second does that by itself: its filter is four means over a reading each, one after
another (data sheets of NAU7802 and HX711: four conversions until it has settled). Faster readings are put through the
same filter here.
"""

import math
from collections import deque

PER_S = 10  # readings a second that come out
STAGES = 4  # means, one after another
FILTERED_FOR = STAGES / 2  # readings: what one shows lies so long before it, on average


class Evened:
    """Takes readings in order of time, gives about PER_S a second; slower ones as they are."""

    def __init__(self, readings_per_s: int) -> None:
        self._mean_of = max(1, round(readings_per_s / PER_S))
        self._weights = _weights(self._mean_of)
        self._longest_s = 1.5 * len(self._weights) / readings_per_s
        self._kept: deque[tuple[float, float]] = deque(maxlen=len(self._weights))
        self._fresh = 0  # since the last one that came out

    def add(self, at_s: float, load_g: float) -> tuple[float, float] | None:
        """The next evened reading, at the time that it shows, when there is one."""
        self._kept.append((at_s, load_g))
        self._fresh += 1
        if self._fresh < self._mean_of or len(self._kept) < len(self._weights):
            return None
        if self._kept[0][0] < at_s - self._longest_s:  # some are missing
            return None
        self._fresh = 0
        mean_s = math.fsum(weight * one for weight, (one, _) in zip(self._weights, self._kept, strict=True))
        return mean_s, math.fsum(weight * one for weight, (_, one) in zip(self._weights, self._kept, strict=True))


def _weights(count: int) -> list[float]:
    """Of so many means over `count` readings each, one after another."""
    weights = [1.0]
    for _ in range(STAGES):
        weights = [math.fsum(weights[max(0, k - count + 1) : k + 1]) / count for k in range(len(weights) + count - 1)]
    return weights
