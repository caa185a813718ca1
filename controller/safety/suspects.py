"""Which of several lines brings nothing: each runs alone for a moment, out of what it still owes, and is weighed."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, pstdev
from typing import NamedTuple

from controller.safety.inflow import Flows, Readings

ALONE_S = 0.7
LEAST_S = 0.3  # a line that owes less is not tried
SETTLE_S = 0.9  # from a channel's end until what was on its way has arrived, and its mean has been taken
KEPT_S = 3.0
MEAN_S = 0.3  # over which the load is averaged before and after
EARLY_S = 0.05  # before the next line may start, the mean after a line is complete
LAG_S = 0.1  # of a run on which nothing comes; a pump's, by the profiles' defaults
LEAST_READINGS = 2  # of a mean
QUIET_G = 1.5  # rms of a mean; more than that shakes
# Of what was expected: dead; too little; how far below every other. That a line which gas has emptied at rest brings
# nothing at first says nothing by itself: it is named only when every other brings enough.
DEAD, POOR, APART = 0.3, 0.75, 0.3
# Of a gain between two means that hold still: noise, beats of the rollers, drops that fall late; measured on the bench
# at 10 readings a second with means of two readings (0.11 to 0.12).
U_GAIN_G = 0.12
SIGMAS = 2.5  # by which a share must lie below 1, and below every other, for its line to be named


@dataclass(frozen=True, kw_only=True)
class SuspectTrial:
    """One line alone; s on the guard's clock."""

    line: int
    start_s: float
    on_s: float

    @property
    def end_s(self) -> float:
        """When it is switched off."""
        return self.start_s + self.on_s

    @property
    def known_s(self) -> float:
        """When it has been weighed."""
        return self.end_s + SETTLE_S - EARLY_S


class _Mean(NamedTuple):
    mean_g: float
    u_g: float  # by how its readings differ


class _Share(NamedTuple):
    """What a line has brought alone, of what was expected."""

    share: float
    u: float  # standard uncertainty

    @property
    def is_short(self) -> bool:
        """Whether it is certain to have brought too little; less than nothing is no weight but a knock."""
        return -SIGMAS * self.u < self.share < 1.0 - SIGMAS * self.u


class Search:
    """Begins with every channel off. Readings come in order of time; `verdict` says when it is over."""

    def __init__(self, suspects: Sequence[int], owed_s: Mapping[int, float], flows: Flows, now_s: float) -> None:
        self._flows = flows
        self._readings = Readings(KEPT_S)
        self._shares: dict[int, _Share] = {}
        self.trials: list[SuspectTrial] = []
        self.line: int | None = None  # that was found
        at_s = now_s + SETTLE_S + MEAN_S
        for line in suspects:
            on_s = min(ALONE_S, owed_s.get(line, 0.0))
            if on_s >= LEAST_S:
                self.trials.append(SuspectTrial(line=line, start_s=at_s, on_s=on_s))
                at_s += on_s + SETTLE_S
        self._untried = len(suspects) - len(self.trials)
        self.is_over = not self.trials

    def read(self, at_s: float, load_g: float) -> None:
        """Take in a reading."""
        self._readings.add(at_s, load_g)
        for trial in self.trials:
            if trial.line not in self._shares and at_s >= trial.known_s and not self.is_over:
                self._judge(trial)

    def _judge(self, trial: SuspectTrial) -> None:
        before, after = (
            self._mean(trial.start_s - MEAN_S, trial.start_s),
            self._mean(trial.known_s - MEAN_S, trial.known_s),
        )
        if before is None or after is None:
            self.is_over = True  # something shook: nobody is named
            return
        expected_g = self._flows.g_s(trial.line) * (trial.on_s - LAG_S)
        u_g = max(U_GAIN_G, math.hypot(before.u_g, after.u_g))
        self._shares[trial.line] = found = _Share((after.mean_g - before.mean_g) / expected_g, u_g / expected_g)
        if found.share < DEAD and found.is_short and trial.line not in self._flows.gassy:
            self.is_over, self.line = True, trial.line
        elif len(self._shares) == len(self.trials):
            self.is_over, self.line = True, self._poorest()

    def _poorest(self) -> int | None:
        ranked = sorted(self._shares, key=lambda line: self._shares[line].share)
        first, *others = (self._shares[line] for line in ranked)
        apart = [(other.share - first.share, SIGMAS * math.hypot(first.u, other.u)) for other in others]
        is_apart = all(by > max(APART, least) for by, least in apart)
        return ranked[0] if first.share < POOR and first.is_short and is_apart and not self._untried else None

    def _mean(self, from_s: float, to_s: float) -> _Mean | None:
        """Of the readings after from_s, three at the slowest rate; None where they do not hold still."""
        _, loads_g = self._readings.between(from_s, to_s)
        if len(loads_g) < LEAST_READINGS or pstdev(loads_g) > QUIET_G:
            return None
        return _Mean(fmean(loads_g), pstdev(loads_g) / math.sqrt(len(loads_g)))
