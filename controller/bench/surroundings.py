"""The room: how warm liquids become, how thick they then are, and how the supply's voltage steps.

All figures are common practice, no source, where none is named.
"""

import functools
import math
from random import Random

from controller.model.fields import Value

WARM_UP_S = 2 * 3600.0  # time constant of a bottle in a room
STEP_S = 900.0  # between two steps of the supply's voltage
STEP_FRACTION = 0.01  # half-width: load and line regulation of a plain switched supply
BOTTLE_M = (0.15, 0.30)  # height of the liquid in a full container
RUN_BACK_ML_H = (0.0, 1.5)  # through the rollers of a pump at rest


class RoomTruth(Value, frozen=True, kw_only=True):
    """The room's temperature."""

    room_c: float

    def liquid_c(self, served_c: float, hung_s: float) -> float:
        """How warm a liquid is hung_s after it was hung at served_c."""
        return self.room_c + (served_c - self.room_c) * math.exp(-hung_s / WARM_UP_S)


def thinned_mpa_s(at_20_mpa_s: float, at_c: float) -> float:
    """Viscosity at at_c of a liquid by its viscosity at 20 C.

    It falls by 2.1 % a kelvin for water (CRC Handbook) and faster for what is thicker: fitted to sucrose of 30 and
    65 % by mass, 3.187 -> 1.833 and 147.2 -> 44.36 mPa*s from 20 to 40 C.
    """
    per_k = 0.021 + 0.0072 * math.log(max(at_20_mpa_s, 1.0))
    return at_20_mpa_s * math.exp(-per_k * (at_c - 20.0))


class StepsTruth(Value, frozen=True, kw_only=True):
    """A supply whose voltage steps now and then."""

    seed: int

    def factor(self, now_s: float) -> float:
        """Of the supply's own voltage, at now_s."""
        return 1 + _step(self.seed, math.floor(now_s / STEP_S))

    def next_s(self, now_s: float) -> float:
        """When it steps next."""
        return STEP_S * (math.floor(now_s / STEP_S) + 1)


@functools.lru_cache(maxsize=64)
def _step(seed: int, number: int) -> float:
    return Random(f"{seed}/supply step {number}").uniform(-STEP_FRACTION, STEP_FRACTION)
