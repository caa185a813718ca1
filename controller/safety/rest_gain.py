"""Liquid that arrives while every channel is off: it comes steadily, for a second and more.

Ice falls in at once, a splash is over at once, a hand presses and lets go; none of them rises evenly through four
pieces of time in a row.
"""

import math
from itertools import pairwise

from controller.safety.inflow import Piece, Readings

SETTLED_S = 1.2  # after the last channel's end: the funnel has run empty
SPANS_S = (0.8, 1.2, 2.0, 4.0, 8.0)  # over which it is looked for, in PARTS each
PARTS = 4
JUDGE_S = 0.09  # between two judgements
LEAST_G = 2.5  # what must have come; drops that fall after an end are less (0.2 mL at the outlet; common practice)
EVEN = (0.4, 1.8)  # slope of each part, in the mean slope
QUIET_G = 1.5  # rms about its line; more than that shakes


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
        each_s = span_s / PARTS
        parts: list[Piece] = []
        for k in range(PARTS):
            from_s = now_s - span_s + k * each_s
            found = self._readings.piece(from_s, from_s + each_s)
            if found is None or found.rms_g > QUIET_G:
                return None
            parts.append(found)
        gain_g = (parts[-1].mean_g - parts[0].mean_g) * PARTS / (PARTS - 1)
        if gain_g < LEAST_G:
            return None
        slopes = [(b.mean_g - a.mean_g) / each_s for a, b in pairwise(parts)]
        mean = gain_g / span_s
        is_even = all(EVEN[0] * mean <= slope <= EVEN[1] * mean for slope in slopes)
        within = all(part.slope_g_s > -4 * part.u_slope_g_s for part in parts)
        return gain_g if is_even and within else None
