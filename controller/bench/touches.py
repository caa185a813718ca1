"""What people and the table do to the platform for moments: knocks, a hand, a glass set down or lifted."""

import math
from dataclasses import dataclass
from random import Random
from typing import TypeAlias

KNOCK_G, KNOCK_HZ, KNOCK_DECAY_S = (2.0, 60.0), (6.0, 15.0), (0.05, 0.15)  # common practice, no source
LIFT_S, SET_DOWN_S = 0.15, 0.1  # in which a load leaves the platform, or comes to rest on it; common practice
TREMOR_HZ, TREMOR = 8.0, 0.1  # of a hand: 8 to 12 Hz, from memory; share of its force


@dataclass(frozen=True, slots=True)
class Knock:
    """A blow that rings down."""

    at_s: float
    peak_g: float
    hz: float = 10.0
    decay_s: float = 0.08

    @property
    def ends_s(self) -> float:
        """After ten time constants."""
        return self.at_s + 10.0 * self.decay_s

    def force_g(self, now_s: float) -> float:
        """A damped swing."""
        passed_s = now_s - self.at_s
        return self.peak_g * math.exp(-passed_s / self.decay_s) * math.sin(2 * math.pi * self.hz * passed_s)


@dataclass(frozen=True, slots=True)
class Hand:
    """A hand that rests on the platform; it trembles."""

    at_s: float
    force: float
    for_s: float

    @property
    def ends_s(self) -> float:
        """When it lets go."""
        return self.at_s + self.for_s

    def force_g(self, now_s: float) -> float:
        """It comes and goes within LIFT_S."""
        passed_s = now_s - self.at_s
        share = min(passed_s / LIFT_S, (self.for_s - passed_s) / LIFT_S, 1.0)
        tremor = math.sin(2 * math.pi * TREMOR_HZ * passed_s) * math.sin(2 * math.pi * 1.3 * passed_s)
        return self.force * max(share, 0.0) * (1 + TREMOR * tremor)


@dataclass(frozen=True, slots=True)
class Moved:
    """A load that comes (`by_g` > 0) or goes: what is still missing or still there, evenly less."""

    at_s: float
    by_g: float

    @property
    def ends_s(self) -> float:
        """When it is all there, or all gone."""
        return self.at_s + (SET_DOWN_S if self.by_g > 0 else LIFT_S)

    def force_g(self, now_s: float) -> float:
        """Against the load as it will be."""
        return -self.by_g * (self.ends_s - now_s) / (self.ends_s - self.at_s)


Touch: TypeAlias = Knock | Hand | Moved  # a force (g) over time that ends


def drawn_knock(rng: Random, at_s: float) -> Knock:
    """A knock against the table as they come in an evening."""
    peak_g = rng.choice((-1, 1)) * math.exp(rng.uniform(*map(math.log, KNOCK_G)))
    return Knock(at_s, peak_g, rng.uniform(*KNOCK_HZ), rng.uniform(*KNOCK_DECAY_S))
