"""Motors that warm up as they run: copper resists more and magnets weaken, so speed changes at the same voltage.

Winding and magnet share one temperature, which tends exponentially to that of steady running and back.
"""

import math
from dataclasses import dataclass
from random import Random

from controller.model.fields import Value

COPPER_PER_K = 0.00393  # of annealed copper at 20 C (International Annealed Copper Standard, from memory)
FERRITE_PER_K = -0.002  # remanence of hard ferrite (Modelica Standard Library, Magnetic.FluxTubes, HardFerrite)


class WarmingTruth(Value, frozen=True, kw_only=True):
    """One motor. Both figures are common practice for small geared motors, no source."""

    rise_k: float  # above its surroundings, after running for long
    time_constant_s: float


@dataclass(frozen=True, slots=True)
class Heat:
    """What a motor's temperature makes of its winding's resistance and its magnet's flux, as factors."""

    winding: float = 1.0
    flux: float = 1.0


COLD = Heat()


@dataclass(frozen=True, slots=True)
class Warmth:
    """A motor's temperature rise (K) at since_s, and whether it is being heated from then on."""

    truth: WarmingTruth | None
    since_s: float
    rise_k: float = 0.0
    heated: bool = False

    def rise_at(self, now_s: float) -> float:
        """The rise (K) at now_s, in closed form."""
        if self.truth is None:
            return 0.0
        tends_to_k = self.truth.rise_k if self.heated else 0.0
        gone = math.exp(-(now_s - self.since_s) / self.truth.time_constant_s)
        return tends_to_k + (self.rise_k - tends_to_k) * gone

    def turned(self, now_s: float, *, heated: bool) -> "Warmth":
        """The same motor from now_s on, with current or without."""
        return Warmth(self.truth, now_s, self.rise_at(now_s), heated)

    def heat(self, now_s: float) -> Heat:
        """What the rise at now_s does to the motor."""
        rise_k = self.rise_at(now_s)
        return Heat(1 + COPPER_PER_K * rise_k, 1 + FERRITE_PER_K * rise_k) if rise_k else COLD


def draw_warming(rng: Random) -> WarmingTruth:
    """Warm-up takes minutes in the winding and tens of minutes in the case."""
    return WarmingTruth(rise_k=rng.uniform(20.0, 35.0), time_constant_s=rng.uniform(400.0, 900.0))
