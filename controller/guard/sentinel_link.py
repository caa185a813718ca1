"""The guard's side of the sentinel: starts it, beats, notices its loss and starts another."""

import contextlib
import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Protocol

from controller.guard import sentinel
from controller.guard.log import LOG
from controller.guard.sentinel import BEAT_ARMED, BEAT_AT_REST, QUIT, SILENCE_S, Pins
from controller.model.profile import Profile

BEAT_S, REST_BEAT_S = 0.05, 10.0  # between beats while armed, and at rest
FRESH_S = 0.1  # an answer this old still shows that somebody watches
START_S = 10.0  # longest wait for its first word; a small board under load takes a second
RESTART_S = 0.5  # between two starts
END_S = 1.0  # longest wait for its end
LOST = "sentinel"


class Loop(Protocol):
    """The part of the guard's loop that a sentinel concerns."""

    def watch_sentinel(self, descriptor: int) -> None:
        """Call `hear` whenever the descriptor can be read."""

    def unwatch_sentinel(self, descriptor: int) -> None:
        """Watch it no more."""

    def sentinel_lost(self, text: str) -> None:
        """Go safe: nobody watches."""

    def sentinel_found(self) -> None:
        """Somebody watches."""


def pins_of(profile: Profile, bench_socket: Path | None) -> Pins:
    """Where this machine's outputs hang, and the level that switches each off; the main relay, if any, first."""
    safe = {row.gpio: row.safe_level for row in profile.output_table}
    if profile.board.backend == "bench":
        return Pins(safe, bench=str(bench_socket))
    return Pins(safe, chip=profile.board.chip)


class SentinelLink:
    """One sentinel at a time. Until the first one watches, and whenever it is lost, the loop is told so."""

    def __init__(self, pins: Pins, loop: Loop) -> None:
        self._pins, self._loop = pins, loop
        self._process: subprocess.Popen[bytes] | None = None
        self._is_watching = False
        self._is_armed = False
        self._beat_s = 0.0  # when the next beat is due
        self._unanswered = 0  # beats
        self._silent_s = 0.0  # since when it owes an answer, or when its last one came
        self._start_s = -math.inf  # when another may be started

    def turn(self, now_s: float) -> float:
        """Beat, or start a sentinel, as is due; returns when to call again (s)."""
        if self._unanswered:
            self.hear(now_s)  # what it said while the loop was busy counts before it is judged
        if self._process is None:
            if now_s >= self._start_s:
                self._start_s = now_s + RESTART_S
                self._launch(now_s)
            return self._start_s
        if self._unanswered and now_s > self._missed_s:
            self._process.kill()
            self._part("the sentinel did not answer")
            return now_s
        if now_s >= self._beat_s and self._is_watching:
            self._beat(now_s)
        return min(self._beat_s if self._is_watching else math.inf, self._missed_s if self._unanswered else math.inf)

    @property
    def _missed_s(self) -> float:
        """When it will be missed unless it answers."""
        return self._silent_s + (SILENCE_S if self._is_watching else START_S)

    def is_watching(self, now_s: float) -> bool:
        """Whether it has answered just now, every beat; asks it when the last answer is older."""
        is_fresh = self._is_watching and self._unanswered == 0 and now_s - self._silent_s <= FRESH_S
        if not is_fresh and self._unanswered == 0:
            self._beat(now_s)
        return is_fresh

    def arm(self, is_armed: bool, now_s: float) -> None:
        """From now on a channel may be on, or none is."""
        self._is_armed = is_armed
        self._beat(now_s)

    def hear(self, now_s: float) -> None:
        """Take what it says; its end of the pipe closed means that it is gone."""
        if self._process is None or self._process.stdout is None:
            return
        try:
            said = os.read(self._process.stdout.fileno(), 4096)
        except BlockingIOError:
            return
        if not said:
            self._part("the sentinel has ended")
            return
        self._unanswered, self._silent_s = max(0, self._unanswered - len(said)), now_s
        if not self._is_watching:
            self._is_watching, self._beat_s = True, now_s + REST_BEAT_S
            LOG.info("sentinel_watches", pid=self._process.pid)
            self._loop.sentinel_found()

    def close(self, *, is_all_off: bool) -> None:
        """Part with it, and see it end: it drives every line off unless all is well. May be repeated."""
        process, self._process = self._process, None
        if process is None:
            return
        if is_all_off:
            _write(process, QUIT)
        _close_pipes(process)
        try:
            process.wait(END_S if is_all_off else sentinel.TRY_S + END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def _launch(self, now_s: float) -> None:
        command = [sys.executable, "-I", "-S", sentinel.__file__, self._pins.as_text()]
        try:
            process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        except OSError as problem:
            LOG.error("sentinel_not_started", error=str(problem))
            return
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                os.set_blocking(pipe.fileno(), False)
        self._process, self._is_watching = process, False
        self._unanswered, self._silent_s = 1, now_s  # its first word
        if process.stdout is not None:
            self._loop.watch_sentinel(process.stdout.fileno())

    def _beat(self, now_s: float) -> None:
        self._beat_s = now_s + (BEAT_S if self._is_armed else REST_BEAT_S)
        if self._process is None or not _write(self._process, BEAT_ARMED if self._is_armed else BEAT_AT_REST):
            return
        if self._unanswered == 0:
            self._silent_s = now_s
        self._unanswered += 1

    def _part(self, text: str) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if process.stdout is not None:
            self._loop.unwatch_sentinel(process.stdout.fileno())
        _close_pipes(process)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(END_S)
        LOG.error("sentinel_lost", reason=text, exit_code=process.returncode)
        self._loop.sentinel_lost(text)


def _write(process: subprocess.Popen[bytes], beat: bytes) -> bool:
    """Whether the beat is on its way; never waits. A full or broken pipe shows by missing answers or by the end."""
    if process.stdin is None:
        return False
    try:
        return os.write(process.stdin.fileno(), beat) > 0
    except OSError:
        return False


def _close_pipes(process: subprocess.Popen[bytes]) -> None:
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()
