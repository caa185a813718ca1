"""The bench's load cell as the guard's source of readings in virtual time, in place of the scale's process."""

from collections.abc import Sequence

from controller.bench.plant import Plant
from controller.clock import Clock, next_beat_s
from controller.model.scale_datagram import REST_PER_S, SILENT, RawReading


class BenchScale:
    """A ScalePort: every conversion while the guard wants them, else the newest one a few times a second."""

    def __init__(self, plant: Plant, clock: Clock) -> None:
        self._plant, self._clock = plant, clock
        self._busy = False
        self._number, self._after = 0, -1
        self.due_s = clock.now_s()

    def take(self) -> Sequence[RawReading]:
        """What the converter has given since; that it gives nothing, when it is silent."""
        now_s = self._clock.now_s()
        if now_s < self.due_s:
            return ()
        fresh = self._plant.conversions(self._after)
        self.due_s = self._plant.next_conversion_s() if self._busy else next_beat_s(now_s, 1.0 / REST_PER_S)
        if not fresh:
            self._number += 1
            return (RawReading(self._number, now_s, 0, SILENT),)
        self._after = fresh[-1].number
        wanted = fresh if self._busy else fresh[-1:]
        begun = self._number
        self._number += len(wanted)
        return [RawReading(begun + n, one.at_s, one.counts) for n, one in enumerate(wanted, start=1)]

    def pace(self, now_s: float, *, busy: bool) -> None:
        """Every reading from now on, or a few a second."""
        if busy and not self._busy:
            self.due_s = min(self.due_s, self._plant.next_conversion_s())
        self._busy = busy
