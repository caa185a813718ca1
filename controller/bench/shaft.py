"""A pump's rotor: its angle in closed form, and the volume that angle stands for.

Switched on, the speed relaxes exponentially to the one its voltage gives; switched off, friction slows it evenly to
rest. Angles are revolutions, speeds revolutions a second, times seconds on the bench's clock.
"""

import math
from dataclasses import dataclass

from controller.bench.truth import PumpTruth


@dataclass(frozen=True, slots=True)
class Motion:
    """The rotor from since_s on, until something changes. `slowing` > 0: it coasts, at this deceleration."""

    since_s: float
    revs: float
    speed: float
    target: float = 0.0
    time_constant_s: float = 0.0
    slowing: float = 0.0

    @property
    def moves(self) -> bool:
        """Whether the angle changes at all."""
        return self.speed > 0 or self.target > 0

    @property
    def ends_s(self) -> float:
        """When a coasting rotor comes to rest; infinite otherwise."""
        return self.since_s + self.speed / self.slowing if self.slowing > 0 else math.inf

    def at(self, now_s: float) -> "Motion":
        """The same motion, seen from now_s on."""
        if not self.moves or now_s == self.since_s:
            return Motion(now_s, self.revs, self.speed, self.target, self.time_constant_s, self.slowing)
        speed, revs = self.speed_at(now_s), self.revs_at(now_s)
        return Motion(now_s, revs, speed, self.target, self.time_constant_s, self.slowing)

    def speed_at(self, now_s: float) -> float:
        """Speed at now_s."""
        passed_s = now_s - self.since_s
        if self.slowing > 0:
            return max(self.speed - self.slowing * passed_s, 0.0)
        if not self.moves:
            return 0.0
        return self.target + (self.speed - self.target) * math.exp(-passed_s / self.time_constant_s)

    def revs_at(self, now_s: float) -> float:
        """Angle at now_s."""
        passed_s = now_s - self.since_s
        if self.slowing > 0:
            passed_s = min(passed_s, self.speed / self.slowing)
            return self.revs + self.speed * passed_s - self.slowing * passed_s**2 / 2
        if not self.moves:
            return self.revs
        gone = -math.expm1(-passed_s / self.time_constant_s)
        return self.revs + self.target * passed_s + (self.speed - self.target) * self.time_constant_s * gone

    def reaches_s(self, revs: float) -> float:
        """When the angle reaches revs; infinite when it never does."""
        way = revs - self.revs
        if way <= 0:
            return self.since_s
        if self.slowing > 0:
            left = self.speed**2 - 2 * self.slowing * way
            return math.inf if left < 0 else self.since_s + (self.speed - math.sqrt(left)) / self.slowing
        if self.target <= 0:
            return math.inf
        # Newton from the asymptote's crossing: the curve is convex while speeding up and concave while slowing down,
        # and in both cases the iteration runs to the root from one side.
        passed_s = max((way - (self.speed - self.target) * self.time_constant_s) / self.target, 0.0)
        for _ in range(50):
            miss = self.revs_at(self.since_s + passed_s) - revs
            step = miss / max(self.speed_at(self.since_s + passed_s), 1e-6 * self.target)
            passed_s = max(passed_s - step, 0.0)
            if abs(step) < 1e-9:
                break
        return self.since_s + passed_s


def rest(now_s: float, revs: float) -> Motion:
    """A rotor at rest."""
    return Motion(now_s, revs, 0.0)


def displaced_rev(pump: PumpTruth, revs: float) -> float:
    """Volume up to this angle, in units of the volume per revolution: the mean plus the rollers' ripple."""
    turns = pump.rollers * revs + pump.phase_rev
    return revs + pump.pulsation / (2 * math.pi * pump.rollers) * math.sin(2 * math.pi * turns)


def revs_for(pump: PumpTruth, displaced: float) -> float:
    """The angle at which displaced_rev is `displaced`; it grows with the angle because the pulsation is below 1."""
    ripple = pump.pulsation / (2 * math.pi * pump.rollers)
    low, high = displaced - ripple, displaced + ripple
    revs = displaced
    for _ in range(60):
        miss = displaced_rev(pump, revs) - displaced
        if abs(miss) < 1e-13 * max(1.0, abs(displaced)):
            break
        low, high = (revs, high) if miss < 0 else (low, revs)
        turns = pump.rollers * revs + pump.phase_rev
        revs -= miss / (1 + pump.pulsation * math.cos(2 * math.pi * turns))
        if not low < revs < high:
            revs = (low + high) / 2
    return revs
