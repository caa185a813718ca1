"""A person's kitchen scale under the glass."""

import math
from random import Random

NOISE_G = 0.03  # standard deviation of one reading
STEP_G = 0.01
SETTLE_S = 0.3  # time constant after a step
REFRESH_S = 0.1  # the display takes a new reading this often


class KitchenScale:
    """Reads grams. Noise depends on the time alone, so that reading often does not change what is read."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._tare_g = 0.0
        self._step_g = 0.0  # how far the reading was off when the load last jumped
        self._step_at_s = -math.inf

    def jump(self, now_s: float, before_g: float, after_g: float) -> None:
        """The load jumps, as when a glass is set down."""
        self._step_g = self._unsettled_g(now_s) + before_g - after_g
        self._step_at_s = now_s

    def tare(self, now_s: float, load_g: float) -> None:
        """Call the present reading zero."""
        self._tare_g += self.reading_g(now_s, load_g)

    def reading_g(self, now_s: float, load_g: float) -> float:
        """The display, with this load."""
        noise_g = Random(f"{self._seed}/scale {math.floor(now_s / REFRESH_S)}").gauss(0.0, NOISE_G)
        shown_g = load_g + self._unsettled_g(now_s) + noise_g - self._tare_g
        return round(round(shown_g / STEP_G) * STEP_G, 2)

    def _unsettled_g(self, now_s: float) -> float:
        return self._step_g * math.exp(-(now_s - self._step_at_s) / SETTLE_S)
