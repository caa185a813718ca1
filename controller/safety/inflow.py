"""What the lines that are on should bring onto the scale, and what they are seen to bring.

Between a channel's edge and the weight lie the relay, the pump's start, the way through funnel and air, and the
converter's filter. Expectations here are the least that a sound line brings, so that none of that looks like a fault.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from operator import mul

START_S = 0.1  # from a channel's edge to the first liquid on the scale, at the most: chosen by trial on the bench
RISE_S = 0.1  # time constant with which the flow then comes up; the funnel's, chosen by trial on the bench
U_UNLEARNED, U_LEARNED, U_GAS = 0.05, 0.01, 0.05  # of a flow, relative; common practice, no source
U_START_S = 0.03  # by which first liquid may come late; no source
U_START_GAS_G = 0.65  # of it, what gas has lifted out of a tube at rest, 2.3 g at most; common practice, no source
LEAST_READINGS = 4  # that a line is laid through
LEAST_RMS_G = 0.13  # few readings may lie on a line by chance; of single readings at 10 a second, measured on the bench
GATE = 3.0  # standard deviations beyond which a lesson is none: a hand, a knock, or a line that fails
WANDERS = 0.005  # by which a flow may differ from the operation before; common practice, no source


@dataclass(frozen=True, kw_only=True)
class On:
    """One line on, since when and until when (s, monotonic; infinite while it is on)."""

    line: int
    start_s: float
    end_s: float = math.inf

    def brought_s(self, at_s: float) -> float:
        """For how many seconds of its full flow it has brought liquid by at_s, at the least."""
        flowing_s = min(at_s, self.end_s) - self.start_s - START_S
        return 0.0 if flowing_s <= 0 else flowing_s - RISE_S * -math.expm1(-flowing_s / RISE_S)


@dataclass
class Flows:
    """The mass flow (g/s) of each line by its calibration, and what weighing has taught of it.

    factors: what multiplies each, with a joint covariance, as a Kalman filter has it for a state that wanders and is
    measured by sums (R. E. Kalman, Transactions of the ASME D 82, 1960, one measurement at a time).
    """

    nominal_g_s: Mapping[int, float]
    gassy: frozenset[int] = frozenset()
    factors: dict[int, float] = field(init=False, default_factory=dict)
    _covariance: dict[tuple[int, int], float] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.know(self.nominal_g_s, self.gassy, kept=())

    def know(self, nominal_g_s: Mapping[int, float], gassy: frozenset[int], *, kept: Iterable[int]) -> None:
        """Take other nominal flows; what was learned of the `kept` lines stays, in g/s."""
        moved = {line: self.nominal_g_s[line] / nominal_g_s[line] for line in kept if line in self.nominal_g_s}
        self.nominal_g_s, self.gassy = dict(nominal_g_s), gassy
        self.factors = {line: self.factors[line] * moved[line] if line in moved else 1.0 for line in nominal_g_s}
        self._covariance = {(a, b): self._between(a, b) * moved[a] * moved[b] for a in moved for b in moved}
        self._covariance |= {(line, line): U_UNLEARNED**2 for line in nominal_g_s if line not in moved}

    def g_s(self, line: int) -> float:
        """Mass flow as it is known now."""
        return self.nominal_g_s[line] * self.factors[line]

    def u_g_s(self, seconds: Mapping[int, float]) -> float:
        """Standard uncertainty of what so many seconds of each line bring together (g)."""
        grams = {line: self.nominal_g_s[line] * one for line, one in seconds.items()}
        joint = sum(self._between(a, b) * grams[a] * grams[b] for a in grams for b in grams)
        own = sum((g * (U_GAS if line in self.gassy else U_LEARNED)) ** 2 for line, g in grams.items())
        return math.sqrt(max(0.0, joint) + own)

    def u_start_g(self, lines: Iterable[int]) -> float:
        """Standard uncertainty of what these lines, which have just started, bring first (g)."""
        return math.hypot(*(U_START_GAS_G if one in self.gassy else U_START_S * self.g_s(one) for one in lines))

    def learn(self, seconds: Mapping[int, float], grams: float, u_grams: float) -> None:
        """So many seconds of each line have brought so much."""
        terms = {line: self.nominal_g_s[line] * one for line, one in seconds.items() if one > 0}
        carried = {a: sum(self._between(a, b) * g for b, g in terms.items()) for a in self.nominal_g_s}
        variance = sum(carried[line] * g for line, g in terms.items()) + u_grams**2
        variance += sum((U_GAS * g) ** 2 for line, g in terms.items() if line in self.gassy)
        if variance <= 0:
            return
        gap = grams - sum(self.factors[line] * g for line, g in terms.items())
        if gap**2 > GATE**2 * variance:
            return
        for a in self.nominal_g_s:
            self.factors[a] = min(2.0, max(0.2, self.factors[a] + carried[a] / variance * gap))
        self._covariance = {
            (a, b): self._between(a, b) - carried[a] * carried[b] / variance
            for a in self.nominal_g_s
            for b in self.nominal_g_s
        }

    def pass_on(self) -> None:
        """Another operation begins: flows have wandered meanwhile."""
        for line in self.nominal_g_s:
            self._covariance[line, line] = min(U_UNLEARNED**2, self._between(line, line) + WANDERS**2)

    def _between(self, a: int, b: int) -> float:
        return self._covariance.get((a, b), 0.0)


def seconds_of(runs: Iterable[On], from_s: float, to_s: float) -> dict[int, float]:
    """Line -> seconds of full flow that came between two instants."""
    found: dict[int, float] = {}
    for run in runs:
        found[run.line] = found.get(run.line, 0.0) + run.brought_s(to_s) - run.brought_s(from_s)
    return found


@dataclass(frozen=True, kw_only=True)
class Piece:
    """Readings over a short time, with a straight line through them."""

    from_s: float
    to_s: float
    slope_g_s: float
    mean_g: float
    rms_g: float  # about the line, at least LEAST_RMS_G
    count: int

    @property
    def u_slope_g_s(self) -> float:
        """Standard uncertainty of the slope, as of independent readings evenly spaced."""
        width_s = max(1e-3, self.to_s - self.from_s)
        return self.rms_g * math.sqrt(12.0 / self.count) / width_s


class Readings:
    """The newest readings in order of time, of the last kept_s seconds."""

    def __init__(self, kept_s: float) -> None:
        self._kept_s = kept_s
        self.times_s: list[float] = []
        self.loads_g: list[float] = []

    def add(self, at_s: float, load_g: float) -> None:
        """Take in a reading."""
        self.times_s.append(at_s)
        self.loads_g.append(load_g)
        if self.times_s[0] < at_s - 2 * self._kept_s:  # seldom, since it moves all that is kept
            gone = bisect_left(self.times_s, at_s - self._kept_s)
            del self.times_s[:gone], self.loads_g[:gone]

    def clear(self) -> None:
        """Forget them all."""
        self.times_s.clear()
        self.loads_g.clear()

    def reach_back_to(self, at_s: float) -> bool:
        """Whether there are readings from about at_s on."""
        return bool(self.times_s) and self.times_s[0] <= at_s + 0.15

    def between(self, from_s: float, to_s: float) -> tuple[list[float], list[float]]:
        """Times and loads after from_s, up to to_s."""
        low, high = bisect_right(self.times_s, from_s), bisect_right(self.times_s, to_s)
        return self.times_s[low:high], self.loads_g[low:high]

    def piece(self, from_s: float, to_s: float) -> Piece | None:
        """A line by least squares through these readings; None for fewer than four."""
        times_s, loads_g = self.between(from_s, to_s)
        count = len(times_s)
        if count < LEAST_READINGS:
            return None
        mean_s, mean_g = sum(times_s) / count, sum(loads_g) / count
        offsets = [at_s - mean_s for at_s in times_s]
        gaps = [load_g - mean_g for load_g in loads_g]
        squares = sumprod(offsets, offsets)
        slope = sumprod(offsets, gaps) / squares if squares > 0 else 0.0
        rest = max(0.0, sumprod(gaps, gaps) - slope * slope * squares)
        return Piece(
            from_s=times_s[0],
            to_s=times_s[-1],
            slope_g_s=slope,
            mean_g=mean_g,
            rms_g=max(LEAST_RMS_G, math.sqrt(rest / (count - 2))),
            count=count,
        )


def sumprod(one: list[float], other: list[float]) -> float:
    """Sum of products; math.sumprod of later versions."""
    total: float = sum(map(mul, one, other))
    return total
