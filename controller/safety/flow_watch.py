"""Whether every line that is on brings what it should; when not, which one it may be.

Two adjoining pieces of the readings must both fall short of what is expected: a knock or a hand that comes or goes
does that in one of them, liquid that is missing in both.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from controller.safety.evened import FILTERED_FOR, Evened
from controller.safety.inflow import Flows, On, Readings, seconds_of

HALVES_S = (0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 1.0)  # lengths of the pieces
KEPT_S = 6.0
BEATS_G = 1.0  # a piece is long enough once the slowest line brings so much in it: its rollers then beat several times
QUIET_G = 1.5  # rms about the line; above it something shakes the platform
SIGMAS, FLOW_SIGMAS = 4.5, 3.5
LEAST_SHORT = 0.35  # of the slowest line that is on: below that nothing of interest is missing
FLOOR_G_S = 0.4  # nor below this
ALIKE = 0.6  # what is missing in the lesser of two pieces, of the mean
START_UP_S = 0.7  # for so long before a piece a start may tell in it
LEARN_S, LESSON_S = 0.5, 1.1  # between two lessons; of one
U_READINGS_G = 0.5  # of a reading against the model, edges and correlation of the readings included
SURE = 16.0  # by how much worse (chi squared) every other line must explain the readings for one to be named at once
MOST_POINTS = 40  # of the readings that a guess is held against
DEATHS_S = 0.15  # grid of instants at which a line may have died


class Shortfall(NamedTuple):
    """Liquid is missing: the lines that may be the cause, most probable first, and whether the first is certain."""

    suspects: tuple[int, ...]
    is_named: bool


@dataclass(frozen=True)
class _Guess:
    line: int
    from_start: bool
    badness: float  # chi squared


class FlowWatch:
    """Follows one operation. Readings, so many a second, and edges come in order of time."""

    def __init__(self, flows: Flows, readings_per_s: int) -> None:
        self._flows = flows
        self._evened, self._delay_s = Evened(readings_per_s), FILTERED_FOR / readings_per_s
        self._readings = Readings(KEPT_S)
        self._runs: list[On] = []
        self._learned_s = -math.inf
        flows.pass_on()

    def switched(self, line: int, is_on: bool, at_s: float) -> None:
        """A channel was switched."""
        if is_on:
            self._runs.append(On(line=line, start_s=at_s))
            return
        self._runs = [
            On(line=line, start_s=run.start_s, end_s=at_s) if run.line == line and run.end_s == math.inf else run
            for run in self._runs
        ]

    def read(self, at_s: float, load_g: float) -> Shortfall | None:
        """Take in a reading; what is missing, if anything."""
        evened = self._evened.add(at_s - self._delay_s, load_g)
        if evened is None:
            return None
        at_s, load_g = evened
        self._readings.add(at_s, load_g)
        on = [run for run in self._runs if run.end_s == math.inf]
        if not on:
            return None
        slowest_g_s, expected_g = min(self._flows.g_s(run.line) for run in on), self._expected_g(at_s)
        for half_s in HALVES_S:
            if half_s * slowest_g_s >= BEATS_G and self._is_short(at_s, half_s, slowest_g_s, expected_g):
                return self._suspected(at_s, on)
        self._learn(at_s, on)
        return None

    def _is_short(self, now_s: float, half_s: float, slowest_g_s: float, expected_g: float) -> bool:
        """Whether too little came in both of two pieces up to now_s, by when expected_g should have come."""
        middle_s, begin_s = now_s - half_s, now_s - 2 * half_s
        if not self._readings.reach_back_to(begin_s):
            return False
        least_g_s, short_g_s, u_g_s = max(FLOOR_G_S, LEAST_SHORT * slowest_g_s), list[float](), 0.0
        for from_s, to_s in ((middle_s, now_s), (begin_s, middle_s)):
            found = self._readings.piece(from_s, to_s)
            if found is None or found.rms_g > QUIET_G:
                return False
            before_g = self._expected_g(from_s)
            short_g_s.append((expected_g - before_g) / half_s - found.slope_g_s)
            if short_g_s[-1] < ALIKE * least_g_s:
                return False
            expected_g, u_g_s = before_g, math.hypot(u_g_s, found.u_slope_g_s / 2)
        mean_g_s = sum(short_g_s) / 2
        if mean_g_s < least_g_s or min(short_g_s) < ALIKE * mean_g_s:
            return False
        started = [run.line for run in self._runs if run.start_s > begin_s - START_UP_S]
        u_flow_g = self._flows.u_g_s(seconds_of(self._runs, begin_s, now_s))
        u_expected_g_s = math.hypot(u_flow_g, self._flows.u_start_g(started)) / (2 * half_s)
        return mean_g_s > math.hypot(SIGMAS * u_g_s, FLOW_SIGMAS * u_expected_g_s)

    def _expected_g(self, at_s: float) -> float:
        """What should have come by at_s, of all runs."""
        return sum(self._flows.g_s(run.line) * run.brought_s(at_s) for run in self._runs)

    def _learn(self, now_s: float, on: list[On]) -> None:
        """All is well: what came lately teaches the flows."""
        begin_s = now_s - LESSON_S
        is_steady = max(run.start_s for run in on) < begin_s - 0.8
        if now_s < self._learned_s + LEARN_S or not is_steady or not self._readings.reach_back_to(begin_s):
            return
        if any(math.inf > run.end_s > begin_s - 1.0 for run in self._runs):
            return
        found = self._readings.piece(begin_s, now_s)
        if found is None or found.rms_g > QUIET_G:
            return
        self._learned_s = now_s
        seconds = seconds_of(on, begin_s, now_s)
        self._flows.learn(seconds, found.slope_g_s * LESSON_S, 2 * found.u_slope_g_s * LESSON_S + 0.05)

    # --- who it may be

    def _suspected(self, now_s: float, on: list[On]) -> Shortfall:
        best: dict[int, _Guess] = {}
        for guess in self._guesses(now_s, on):
            if guess.line not in best or guess.badness < best[guess.line].badness:
                best[guess.line] = guess
        ranked = sorted(best.values(), key=lambda one: one.badness)
        suspects = tuple(one.line for one in ranked)
        first = ranked[0]
        alone = len(ranked) == 1
        may_be_late = first.line in self._flows.gassy
        is_sure = first.from_start and not (alone or may_be_late) and ranked[1].badness - first.badness > SURE
        return Shortfall(suspects, alone or is_sure)

    def _guesses(self, now_s: float, on: list[On]) -> list[_Guess]:
        """Every line that is on: dead from its start, or from some later instant on."""
        from_s = min(*(run.start_s for run in on), now_s - 2 * HALVES_S[-1]) - 0.2
        times_s, loads_g = self._readings.between(from_s, now_s)
        step = max(1, len(times_s) // MOST_POINTS)
        times_s, loads_g = times_s[::step], loads_g[::step]
        gaps = [load_g - self._expected_g(at_s) for at_s, load_g in zip(times_s, loads_g, strict=True)]
        found = []
        for run in on:
            flow_g_s, brought = self._flows.g_s(run.line), [run.brought_s(at_s) for at_s in times_s]
            for k in range(max(1, math.floor((now_s - run.start_s - 0.3) / DEATHS_S))):
                died_s = run.start_s + k * DEATHS_S
                if not times_s or died_s < times_s[0] - DEATHS_S:
                    continue
                until = On(line=run.line, start_s=run.start_s, end_s=died_s)
                lost = [flow_g_s * (b - until.brought_s(t)) for b, t in zip(brought, times_s, strict=True)]
                found.append(_Guess(run.line, k == 0, _badness([g + x for g, x in zip(gaps, lost, strict=True)])))
        return found or [_Guess(run.line, False, 0.0) for run in on]


def _badness(gaps_g: list[float]) -> float:
    """Chi squared about the mean: where the weight began is not known."""
    mean = sum(gaps_g) / len(gaps_g)
    return sum((gap - mean) ** 2 for gap in gaps_g) / U_READINGS_G**2
