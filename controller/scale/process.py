"""The process: read, number, stamp, send, until stopped."""

import math
import select
import sys
import time
from collections.abc import Callable, Sequence
from typing import Protocol

from controller.clock import next_beat_s
from controller.model.scale_datagram import OK, REST_PER_S, SILENT, UNREADABLE, RawReading
from controller.process import Watchdog
from controller.scale.converter import Converter, ConverterError
from controller.scale.sending import Outlet

RESTART_S = 1.0  # how often a converter that does not answer is set up again
TELL_S = 0.2  # how often the guard is told that there is no reading

Tell = Callable[[str], None]


class Readable(Protocol):
    """Anything that select takes."""

    def fileno(self) -> int: ...  # noqa: D102


class Sampler:
    """Reads one converter and numbers the readings; a failure is a reading too."""

    def __init__(self, converter: Converter, *, now_s: Callable[[], float] = time.monotonic, tell: Tell) -> None:
        self._converter, self._now_s, self._tell = converter, now_s, tell
        self._number = 0
        self._restart_s: float | None = -math.inf  # when to set it up (again); None while it works
        self._said = ""

    @property
    def works(self) -> bool:
        """Whether the last reading came."""
        return self._restart_s is None

    def next(self) -> RawReading:
        """The next reading, with UNREADABLE or SILENT when there is none. DeviceRefusedError: start anew."""
        counts, state = 0, UNREADABLE
        try:
            if self._restart_s is None or self._now_s() >= self._restart_s:
                if self._restart_s is not None:
                    self._restart_s = self._now_s() + RESTART_S
                    self._converter.start()
                    self._restart_s = None
                    self._say("the converter answers")
                read = self._converter.read()
                counts, state = (0, SILENT) if read is None else (read, OK)
        except (OSError, ConverterError) as problem:
            self._restart_s = self._now_s() + RESTART_S
            self._converter.close()  # a bus that was pulled and comes back is another one
            self._say(str(problem))
        self._number += 1
        return RawReading(self._number, self._now_s(), counts, state)

    def _say(self, text: str) -> None:
        """On the log, once."""
        if text != self._said:
            self._said = text
            self._tell(text)


def serve(converter: Converter, outlet: Outlet, ends: Sequence[Readable], *, ready: Callable[[], None]) -> None:
    """Read and send until one of `ends` is readable; DeviceRefusedError. ready: called once all is open."""
    sampler = Sampler(converter, tell=say)
    watchdog = Watchdog()
    guard, watched = outlet.socket.fileno(), [one.fileno() for one in (*ends, outlet.socket)]
    ready()
    while True:
        reading = sampler.next()
        outlet.send(reading, reading.at_s)
        watchdog.turn(reading.at_s)
        now_s = reading.at_s
        while True:
            if not sampler.works:
                due_s = reading.at_s + TELL_S
            elif outlet.is_busy(now_s):
                due_s = converter.next_s
            else:
                due_s = next_beat_s(reading.at_s, 1 / REST_PER_S)  # when the guard is awake anyway, to read contacts
            heard, _, _ = select.select(watched, (), (), max(due_s - now_s, 0.0))
            if heard and heard != [guard]:
                return
            now_s = time.monotonic()
            if heard:
                outlet.hear(now_s)
            if now_s >= due_s:
                break


def say(text: str) -> None:
    """On standard error, which the service manager keeps."""
    print(f"scale: {text}", file=sys.stderr, flush=True)
