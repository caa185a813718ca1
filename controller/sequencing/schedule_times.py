"""From an order of runs to their start times in s, and among plans of equal length the gentlest one.

The search counts in whole nanoseconds; here the same order is timed with the durations as they are, so that a run
that waits for another's end starts at the very number that start + duration gives.
"""

import math
from typing import NamedTuple

from controller.sequencing.schedule_loads import Load, Room

SAME_S = 1e-3  # relays take some ms to switch: what is closer together than this switches at the same instant
TRIES = 12  # later starts tried for one run
ROUNDS = 2


class Timed(NamedTuple):
    """One run: its times in s, and its demands as the search has them."""

    duration_s: float
    inrush_s: float
    load: Load

    def current_at(self, since_start_s: float) -> float:
        """What it draws so long after its start."""
        return self.load.inrush if since_start_s < self.inrush_s else self.load.current


class Times:
    """The start times of one phase, from offset_s on; gap_s between starts."""

    def __init__(self, runs: list[Timed], room: Room, gap_s: float, offset_s: float) -> None:
        self._runs, self._room, self._gap_s, self._offset_s = runs, room, gap_s, offset_s
        self.starts_s: list[float] = [offset_s] * len(runs)

    @property
    def end_s(self) -> float:
        """The last end."""
        return max(start_s + run.duration_s for start_s, run in zip(self.starts_s, self._runs, strict=True))

    def place(self, order: tuple[int, ...]) -> None:
        """Start each run of `order` at the first instant at which it fits, not before the one ahead of it."""
        time_s = self._offset_s
        placed: list[int] = []
        for index in order:
            events = sorted(event for other in placed for event in self._drops_s(other) if event > time_s)
            time_s = next(at_s for at_s in (time_s, *events) if self._fits_at(index, at_s, placed))
            self.starts_s[index] = time_s
            placed.append(index)
            time_s += self._gap_s

    def _drops_s(self, index: int) -> tuple[float, float]:
        run = self._runs[index]
        return self.starts_s[index] + run.inrush_s, self.starts_s[index] + run.duration_s

    def _fits_at(self, index: int, at_s: float, others: list[int]) -> bool:
        """Whether a run may start at this instant, as far as the instant itself is concerned."""
        load = self._runs[index].load
        current, flow, channels = load.inrush, load.flow, 1
        for other in others:
            start_s, run = self.starts_s[other], self._runs[other]
            if start_s <= at_s < start_s + run.duration_s:
                current += run.load.inrush if at_s < start_s + run.inrush_s else run.load.current
                flow += run.load.flow
                channels += 1
        return current <= self._room.current and flow <= self._room.flow and channels <= self._room.concurrent

    def soften(self, last_start_s: float) -> None:
        """Start runs later where that costs no time: fewer switchings at the same instant, ends closer together.

        No run starts after last_start_s, and none ends after the last end.
        """
        end_s = self.end_s
        for _ in range(ROUNDS):
            for index in sorted(range(len(self._runs)), key=lambda one: -self.starts_s[one]):
                if self._is_first_alone(index):
                    continue
                best = self._roughness(index, self.starts_s[index], end_s)
                for start_s in self._later_starts_s(index, end_s):
                    if start_s <= last_start_s and self._may_start(index, start_s):
                        roughness = self._roughness(index, start_s, end_s)
                        if roughness < best:
                            best, self.starts_s[index] = roughness, start_s

    def _is_first_alone(self, index: int) -> bool:
        """Moving it would leave the phase without a run at its beginning."""
        return self.starts_s[index] == self._offset_s and self.starts_s.count(self._offset_s) == 1

    def _others(self, index: int) -> list[int]:
        return [other for other in range(len(self._runs)) if other != index]

    def _later_starts_s(self, index: int, end_s: float) -> list[float]:
        """Starts at which the run ends with the phase, or ends or calms down just as another one starts."""
        run, now_s = self._runs[index], self.starts_s[index]
        found = {_latest_s(end_s, run.duration_s)}
        for other in self._others(index):
            found |= {_latest_s(self.starts_s[other], span_s) for span_s in (run.duration_s, run.inrush_s, self._gap_s)}
        in_time = (start_s for start_s in found if start_s > now_s and start_s + run.duration_s <= end_s)
        return sorted(in_time, reverse=True)[:TRIES]

    def _may_start(self, index: int, start_s: float) -> bool:
        """Whether the run may start there, all others staying where they are."""
        others = self._others(index)
        run, was_s = self._runs[index], self.starts_s[index]
        for other in others:
            early_s, late_s = sorted((start_s, self.starts_s[other]))
            if early_s + self._gap_s > late_s:
                return False
        if not self._fits_at(index, start_s, others):
            return False
        self.starts_s[index] = start_s
        during = [other for other in others if start_s < self.starts_s[other] < start_s + run.duration_s]
        fits = all(self._fits_at(other, self.starts_s[other], self._others(other)) for other in during)
        self.starts_s[index] = was_s
        return fits

    def _roughness(self, index: int, start_s: float, end_s: float) -> tuple[int, float]:
        """How many switchings coincide with its own (ends with ends left out), and how long before the end it ends."""
        own_end_s = start_s + self._runs[index].duration_s
        count = 0
        for other in self._others(index):
            other_start_s = self.starts_s[other]
            other_end_s = other_start_s + self._runs[other].duration_s
            count += abs(other_start_s - start_s) < SAME_S
            count += abs(other_end_s - start_s) < SAME_S
            count += abs(other_start_s - own_end_s) < SAME_S
        return count, end_s - own_end_s


def _latest_s(limit_s: float, span_s: float) -> float:
    """The latest time from which span_s ends by limit_s, in floating point too."""
    time_s = limit_s - span_s
    while time_s + span_s > limit_s:
        time_s = math.nextafter(time_s, -math.inf)
    return time_s
