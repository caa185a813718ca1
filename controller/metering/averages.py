"""Means of a scale's readings over a fifth of a second, and how far each may be off.

A fifth of a second holds whole periods of what shakes the platform most, the rollers (3 x 200 rev/min: 10 Hz), and is
short enough to follow a pour. The usual scatter of such means is taken from how the latest ones curve: second
differences leave out a steady flow, and the median leaves out knocks and edges (robust standard deviation 1.4826 x
median absolute deviation; a second difference has 6 times the variance of one mean).
"""

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

SPAN_S = 0.2
LEAST_DEVIATION_G = 0.01
REMEMBERED = 60
COLOURED = 1.15  # slow noise of the converter, which second differences do not show; common practice, no source


@dataclass(frozen=True, slots=True)
class Average:
    """Mean time (s) and weight (g) of some readings, and the standard uncertainty of that weight as it reads (g)."""

    at_s: float
    grams: float
    u_grams: float


class Averages:
    """Gathers readings.

    expected_g: standard deviation of one mean (g) until enough of them were seen. per_s: readings a second while pumps
    run; at rest there may be fewer.
    """

    def __init__(self, expected_g: float = 0.06, *, per_s: float = 80.0) -> None:
        self._expected_g, self._whole = expected_g, SPAN_S * per_s
        self._times: list[float] = []
        self._grams: list[float] = []
        self._means: deque[tuple[float, float]] = deque(maxlen=3)
        self._curves: deque[float] = deque(maxlen=REMEMBERED)
        self._within: deque[float] = deque(maxlen=REMEMBERED)

    @property
    def usual_g(self) -> float:
        """Standard deviation of a mean, as the latest ones have it, g."""
        seen = len(self._curves)
        if seen < 4:
            return self._expected_g
        found = 1.4826 * median(self._curves) / math.sqrt(6.0)
        share = seen / (seen + 4.0)
        return max(LEAST_DEVIATION_G, math.sqrt(share * found**2 + (1.0 - share) * self._expected_g**2))

    def add(self, at_s: float, grams: float) -> Average | None:
        """Take in a reading; the mean that it completes, if it does."""
        ready = self.flush() if self._times and at_s - self._times[0] >= SPAN_S - 1e-6 else None
        self._times.append(at_s)
        self._grams.append(grams)
        return ready

    def flush(self) -> Average | None:
        """The mean of what was gathered, before something changes; None when that is less than half of the span."""
        times, grams = self._times, self._grams
        self._times, self._grams = [], []
        if not times:
            return None
        step_s = (times[-1] - times[0]) / max(1, len(times) - 1) or SPAN_S
        if len(times) * step_s < 0.45 * SPAN_S:
            return None
        at_s, mean_g, within_g = fmean(times), fmean(grams), _rough(grams)
        worse = max(1.0, within_g / (2.0 * median(self._within))) if len(self._within) >= 8 and len(grams) > 3 else 1.0
        fewer = math.sqrt(max(1.0, self._whole / len(times)))
        average = Average(at_s, mean_g, COLOURED * self.usual_g * worse * fewer)
        self._remember(average, len(times), within_g)
        return average

    def _remember(self, average: Average, pace: int, within_g: float) -> None:
        self._means.append((average.at_s, average.grams))
        if within_g > 0.0:
            self._within.append(within_g)
        if len(self._means) == 3 and pace > 0.5 * self._whole:
            (a_s, a), (b_s, b), (c_s, c) = self._means
            if abs((c_s - b_s) - (b_s - a_s)) < 0.25 * SPAN_S:
                self._curves.append(abs(c - 2.0 * b + a))


def _rough(grams: list[float]) -> float:
    """Root mean square of the steps from reading to reading, a steady rise left out, g."""
    if len(grams) < 3:
        return 0.0
    steps = [b - a for a, b in pairwise(grams)]
    mean = fmean(steps)
    return math.sqrt(fmean((step - mean) ** 2 for step in steps))
