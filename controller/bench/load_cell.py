"""The load cell with its bridge converter: from the force on the platform to counts."""

import math
from collections import deque
from functools import lru_cache
from itertools import takewhile
from random import Random

from controller.bench.cell_truth import CellTruth
from controller.bench.faults import InjectedFault
from controller.bench.line_state import BenchLine
from controller.bench.platform import KEPT_S, Platform
from controller.model.fields import Value

LARGEST_COUNT = 2**23 - 1
OCTAVES = 14  # of the wander: at 10 samples a second up to half an hour
OFTEN = 2**14  # drawn noise comes round again after so many samples, in another order
WARM_UP_S = 1800.0  # time constant of the machine's inside; common practice, no source
ROOM_S, ROOM_K = 3600.0, 1.0  # how fast and far the room's temperature goes; common practice, no source
CREEPS_TIMES, DRIFTS_G_MIN, SPAN_OFF, OVERLOADED_BY = 30.0, 2.0, 0.002, 1.2  # faults of no stated amount
OVERLOAD_SET = 0.001  # of the capacity, by which zero stays off after an overload; common practice, no source


class Conversion(Value, frozen=True, kw_only=True):
    """One result of the converter: numbered by its clock, stamped at its end (s, on the bench's clock)."""

    number: int
    at_s: float
    counts: int


class LoadCell:
    """Conversions on a fixed beat. They follow from the past alone: how often one asks changes nothing."""

    def __init__(self, seed: int, truth: CellTruth, platform: Platform, now_s: float) -> None:
        self.truth, self._platform, self._seed = truth, platform, seed
        self._begun_s = now_s
        self._weights = _weights(truth, platform.per_conversion)
        self._wander = (-2, 0.0, 0.0)  # whole place, its value, the next one's
        self._shift = Random(f"{seed}/cell noise").randrange(OFTEN)
        self._next = math.floor(now_s * truth.rate_hz) + 1
        self._crept_g, self._crept_s = 0.0, now_s
        self._kept: deque[Conversion] = deque(maxlen=math.ceil(KEPT_S * truth.rate_hz))
        self._faults: dict[str, tuple[float, float]] = {}  # kind -> (amount, since)
        self._set_g = 0.0  # how far an overload has left zero off
        self._phases = {line: Random(f"{seed}/cell phase {line}").random() for line, _ in truth.vibration_g}

    def apply(self, faults: list[InjectedFault], now_s: float) -> None:
        """These faults are there from now on."""
        before, self._faults = self._faults, {}
        for fault in faults:
            since_s = before[fault.kind][1] if fault.kind in before else now_s
            self._faults[fault.kind] = (fault.amount, since_s)
        if "scale overloaded" in before and "scale overloaded" not in self._faults:
            self._set_g += OVERLOAD_SET * self.truth.capacity_g

    def newest(self, now_s: float, lines: dict[int, BenchLine], after: int = -1) -> list[Conversion]:
        """Conversions up to now_s with a number beyond `after`, of the last KEPT_S; the platform is recorded so far."""
        self.convert(now_s, lines)
        fresh = list(takewhile(lambda one: one.number > after, reversed(self._kept)))
        return fresh[::-1]

    def convert(self, now_s: float, lines: dict[int, BenchLine]) -> None:
        """Work out the conversions up to now_s; the platform is recorded so far."""
        last = math.floor(now_s * self.truth.rate_hz + 1e-6)
        self._next = max(self._next, last - (self._kept.maxlen or 1) + 1)
        while self._next <= last:
            if "scale silent" not in self._faults:
                at_s = self._next / self.truth.rate_hz
                self._kept.append(Conversion(number=self._next, at_s=at_s, counts=self._counts(at_s, lines)))
            self._next += 1

    def next_s(self, now_s: float) -> float:
        """When the first conversion after now_s ends."""
        return (math.floor(now_s * self.truth.rate_hz + 1e-6) + 1) / self.truth.rate_hz

    def _counts(self, at_s: float, lines: dict[int, BenchLine]) -> int:
        truth, faults = self.truth, self._faults
        if "scale saturated" in faults:
            return LARGEST_COUNT
        if "scale repeats" in faults and self._kept:
            return self._kept[-1].counts
        load_g = self._filtered_g() + self._amount("scale overloaded", OVERLOADED_BY * truth.capacity_g)
        warm_k = self._warm_k(at_s) if truth.warm_k else 0.0
        shown_g = load_g * (1 + truth.span_per_k * warm_k) * (1 + self._amount("scale span off", SPAN_OFF))
        shown_g += 4 * truth.bow * load_g * (1 - load_g / truth.capacity_g) + self._creep_g(load_g, at_s)
        shown_g += truth.zero_g_k * warm_k + self._set_g + self._noise_g() + self._vibration_g(at_s, lines)
        if "scale drifts" in faults:
            shown_g += self._amount("scale drifts", DRIFTS_G_MIN) / 60.0 * (at_s - faults["scale drifts"][1])
        counts = truth.zero_counts + truth.counts_per_g * shown_g
        if "scale wrong sign" in faults:
            counts = -counts
        return max(-LARGEST_COUNT - 1, min(LARGEST_COUNT, round(counts)))

    def _amount(self, kind: str, unless_stated: float) -> float:
        """Of a fault, 0 without it."""
        return (self._faults[kind][0] or unless_stated) if kind in self._faults else 0.0

    def _filtered_g(self) -> float:
        """Force as the converter's filter has it: a mean over its window, which ends with the conversion."""
        force_g = self._platform.force_g
        back = self._platform.next - 1 - self._next * self._platform.per_conversion  # points beyond this conversion
        newest = len(force_g) - 1 - back
        return math.fsum(weight * force_g[newest - ago] for ago, weight in self._weights)

    def _creep_g(self, load_g: float, at_s: float) -> float:
        """What the cell shows more (or less) after having carried its load for long."""
        creep = self.truth.creep * (self._amount("scale creeps", CREEPS_TIMES) or 1.0)
        self._crept_g += (load_g - self._crept_g) * -math.expm1(-(at_s - self._crept_s) / self.truth.creep_s)
        self._crept_s = at_s
        return creep * self._crept_g

    def _warm_k(self, at_s: float) -> float:
        inside_k = self.truth.warm_k * -math.expm1(-(at_s - self._begun_s) / WARM_UP_S)
        return inside_k + ROOM_K * self._smooth(at_s / ROOM_S, 0)

    def _noise_g(self) -> float:
        noise_g = 0.0
        if self.truth.noise_g:
            noise_g += self.truth.noise_g * _gauss(self._shift + self._next)
        if self.truth.wander_g:
            noise_g += self.truth.wander_g * self._wandered(self._next * 5.0 / self.truth.rate_hz)
        return noise_g

    def _wandered(self, place: float) -> float:
        """Noise of all octaves together: between whole places of the fastest one each goes in a straight line."""
        whole = math.floor(place)
        before, _, there = self._wander
        if before != whole:
            here = there if before == whole - 1 else self._octaves(whole)
            self._wander = (whole, here, self._octaves(whole + 1))
        _, here, there = self._wander
        return here + (there - here) * (place - whole)

    def _octaves(self, place: int) -> float:
        return math.fsum(self._smooth(place / 2 ** (octave - 1), octave) for octave in range(1, OCTAVES + 1))

    def _smooth(self, place: float, stream: int) -> float:
        """Noise that takes a new value at each whole place and goes there in a straight line."""
        whole = math.floor(place)
        here = _gauss(self._shift + whole + 977 * stream)
        return here + (_gauss(self._shift + whole + 1 + 977 * stream) - here) * (place - whole)

    def _vibration_g(self, at_s: float, lines: dict[int, BenchLine]) -> float:
        shaken_g = 0.0
        for number, amplitude_g in self.truth.vibration_g:
            motion, pump = lines[number].motion, lines[number].truth.pump
            if not motion.moves:
                continue
            hz = pump.rollers * motion.speed_at(at_s)
            turns = pump.rollers * motion.revs_at(at_s) + self._phases[number]
            passed = _passed(hz * self.truth.filter_s)
            shaken_g += amplitude_g * passed * hz / (pump.rollers * pump.speed_rev_s) * math.sin(2 * math.pi * turns)
        return shaken_g


def _weights(truth: CellTruth, per_conversion: int) -> tuple[tuple[int, float], ...]:
    """Grid points ago -> share: four means over one conversion each, one after another (a cubic B-spline)."""
    if not truth.filter_s:
        return ((0, 1.0),)
    points = [(ago, _spline(ago / per_conversion)) for ago in range(1, 4 * per_conversion)]
    whole = math.fsum(share for _, share in points)
    return tuple((ago, share / whole) for ago, share in points)


def _spline(place: float) -> float:
    """Cubic B-spline on 0 to 4."""
    return math.fsum(sign * max(place - knot, 0.0) ** 3 for knot, sign in enumerate((1, -4, 6, -4, 1))) / 6


def _passed(turns: float) -> float:
    """Share of a swing that the filter lets through, which makes so many turns in one of its four means."""
    return (math.sin(math.pi * turns) / (math.pi * turns)) ** 4 if turns > 0 else 1.0


@lru_cache(maxsize=1)
def _table() -> tuple[float, ...]:
    rng = Random("converter noise")
    return tuple(rng.gauss(0.0, 1.0) for _ in range(OFTEN))


def _gauss(number: int) -> float:
    """A standard normal value that follows from the number alone."""
    return _table()[number * 0x9E3779B1 >> 7 & OFTEN - 1]
