"""Liquid that arrives while every channel is off: it comes evenly, for a second and more.

What people do comes in steps: a piece of ice, a garnish, a hand that presses. Over an even flow the load lies on a
straight line, over steps beside it, the further the fewer there are. So a gain counts as liquid when it is many times
the rms by which means of short parts lie about their line.
"""

import math
from statistics import fmean

from controller.safety.inflow import Readings

SETTLED_S = 1.2  # after the last channel's end: the funnel has run empty
SPANS_S = (0.8, 1.2, 2.0, 3.0, 4.0, 6.0, 8.0)  # over which it is looked for
PARTS, LEAST_PARTS = 16, 10  # of a span, and with a reading in them; with four, two steps could lie on a straight line
JUDGE_S = 0.09  # between two judgements
# Gain in rms about the line. One step reaches 8, two 16 and, from 2 s on, three 24 at the most, whatever their heights
# and instants (searched for numerically, with the converter's filter at 10 and at 80 readings a second). As a line is
# taken to have some rms at least, a gain below 3 g says nothing: drops that fall after an end are less (0.2 mL at the
# outlet; common practice).
STRAIGHT = 24.0
LEAST_G = 1.5  # from the first reading to the last, or nothing is worked out; half of the 3 g, for the readings' noise


class RestGain:
    """Follows the load from the last channel's end until the glass is lifted. Readings come in order of time."""

    def __init__(self) -> None:
        self._readings = Readings(SPANS_S[-1])
        self._from_s = math.inf
        self._judged_s = -math.inf

    def watch(self, from_s: float) -> None:
        """The last channel was switched off at from_s."""
        self._from_s = from_s + SETTLED_S
        self._readings.clear()

    def leave(self) -> None:
        """A person is at the glass, or it is gone."""
        self._from_s = math.inf
        self._readings.clear()

    @property
    def is_watching(self) -> bool:
        """Whether anything that arrives would be seen."""
        return self._from_s < math.inf

    def read(self, at_s: float, load_g: float) -> float | None:
        """Take in a reading; the gain (g) that is liquid, if there is one."""
        if at_s < self._from_s:
            return None
        self._readings.add(at_s, load_g)
        if at_s < self._judged_s + JUDGE_S:
            return None
        self._judged_s = at_s
        gains = (self._gain_g(at_s, span_s) for span_s in SPANS_S)
        return next((gain_g for gain_g in gains if gain_g is not None), None)

    def _gain_g(self, now_s: float, span_s: float) -> float | None:
        if not self._readings.reach_back_to(now_s - span_s):
            return None
        _, loads_g = self._readings.between(now_s - span_s, now_s)
        if loads_g[-1] - loads_g[0] < LEAST_G:
            return None
        means, each_s = Readings(span_s), span_s / PARTS
        for k in range(PARTS, 0, -1):
            times_s, loads_g = self._readings.between(now_s - k * each_s, now_s - (k - 1) * each_s)
            if times_s:
                means.add(fmean(times_s), fmean(loads_g))
        line = means.piece(-math.inf, math.inf)
        if line is None or line.count < LEAST_PARTS or line.slope_g_s * span_s < STRAIGHT * line.rms_g:
            return None
        return line.slope_g_s * span_s
