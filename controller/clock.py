"""Time as a port: durations on the monotonic clock, wall time on records only."""

import math
import time
from typing import Protocol


class Clock(Protocol):
    """Where time comes from. `now_s` never goes back; `wall_s` (Unix seconds) may jump and is for records only."""

    def now_s(self) -> float:
        """Monotonic seconds."""

    def wall_s(self) -> float:
        """Unix seconds, for records."""


def next_beat_s(now_s: float, every_s: float) -> float:
    """The first whole multiple of every_s (s, > 0) after now_s: what is done as often is then done in one turn."""
    per_s = 1.0 / every_s  # by which 3 / 5.0 and 6 / 10.0 are the same instant, while 3 * 0.2 and 6 * 0.1 are not
    return (math.floor(now_s * per_s + 1e-6) + 1) / per_s


class RealClock:
    """The machine's own clocks."""

    def now_s(self) -> float:
        """Monotonic seconds."""
        return time.monotonic()

    def wall_s(self) -> float:
        """Unix seconds, for records."""
        return time.time()


class VirtualClock:
    """A clock that moves only when told to; its wall clock can be set apart, as an administrator may."""

    def __init__(self, now_s: float = 0.0, wall_s: float = 1_789_000_000.0) -> None:
        self._now_s = now_s
        self._wall_offset_s = wall_s - now_s

    def now_s(self) -> float:
        """Monotonic seconds."""
        return self._now_s

    def wall_s(self) -> float:
        """Unix seconds, for records."""
        return self._now_s + self._wall_offset_s

    def move_to(self, now_s: float) -> None:
        """Move to now_s (s, finite, not before the present); ValueError otherwise."""
        if not math.isfinite(now_s) or now_s < self._now_s:
            raise ValueError(f"now_s must be finite and >= {self._now_s}, got {now_s!r}")
        self._now_s = now_s

    def set_wall(self, wall_s: float) -> None:
        """Set the wall clock alone (s, finite); ValueError otherwise."""
        if not math.isfinite(wall_s):
            raise ValueError(f"wall_s must be finite, got {wall_s!r}")
        self._wall_offset_s = wall_s - self._now_s
