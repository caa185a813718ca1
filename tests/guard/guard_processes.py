"""Bench and guard as the processes that they are, and an engine's voice to speak to the guard."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import msgspec

from controller.bench.client import BenchClient
from controller.bench.trace import LevelEntry
from controller.cli.places import GUARD
from controller.cli.run.listeners import listener_of
from controller.config import load_in_child
from controller.model.messages import AskReport, Command, ConfirmJug, Event, Heartbeat, Hello, Report, Start
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.states import MachineState, OperationKind
from tests.guard.guard_parts import Kind, Role

ROOT = Path(__file__).parents[2]
PROFILE = ROOT / "hardware_profiles" / "bench_six_line.yaml"
BOOK = ROOT / "demo" / "orchard_fete.yaml"
SOON_S = 20.0  # for what takes a second at most on a machine that is not busy


def until(is_so, within_s: float = SOON_S) -> None:
    """Wait for it; an assertion fails when it does not come."""
    end_s = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.002)


class Voice:
    """A client of the guard; beats while `beating`."""

    def __init__(self, path: Path, role: Role = "engine") -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.socket.settimeout(SOON_S)
        self.socket.connect(str(path))
        self._rest = b""
        self._spoke_s = 0.0
        self._stop = threading.Event()
        self.send(Hello(version=1, role=role))
        self.first = self.next(Report)
        self._beats = threading.Thread(target=self._beat)
        self._beats.start()

    def send(self, command: Command) -> None:
        if isinstance(command, Start) and command.operation.jug:
            self.send(ConfirmJug(volume_ml=2000.0))
        self._spoke_s = time.monotonic()
        self.socket.sendall(msgspec.json.encode(command) + b"\n")

    def next(self, *kinds: type[Kind]) -> Kind:
        while True:
            line, newline, rest = self._rest.partition(b"\n")
            if not newline:
                data = self.socket.recv(65536)
                if not data:
                    raise EOFError
                self._rest += data
                continue
            self._rest = rest
            event: object = msgspec.json.decode(line, type=Event)
            if isinstance(event, kinds):
                return event

    def report(self) -> Report:
        self.send(AskReport())
        return self.next(Report)

    def fall_silent(self) -> float:
        """Beat no more; when the last word was sent (s)."""
        self._stop.set()
        self._beats.join()
        return self._spoke_s

    def close(self) -> None:
        self.fall_silent()
        self.socket.close()

    def _beat(self) -> None:
        while not self._stop.wait(0.1):
            with contextlib.suppress(OSError):
                self.send(Heartbeat())


class Processes:
    """A bench that stays, and guards that come and go."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.profile, self.book, _ = load_in_child(PROFILE, BOOK)
        self.bench_socket, self.guard_socket = folder / "bench.sock", folder / GUARD
        self._bench = self._start("bench", "run", "--book", str(BOOK))
        until(lambda: listener_of(self.bench_socket) is not None)  # its path is there a moment before it listens
        self.bench = BenchClient(self.bench_socket)
        self.guard: subprocess.Popen[bytes] | None = None
        self._voice: Voice | None = None
        self._journals = 0
        self.count = 0

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "controller.cli", *words, "--profile", str(PROFILE), "--run-dir"]
        with (self.folder / f"{words[0]}.log").open("ab") as log:
            return subprocess.Popen([*command, str(self.folder)], stdout=log, stderr=log)

    def voice(self) -> Voice:
        """The engine's connection to an idle guard; a guard is started when none lives."""
        if self.guard is None or self.guard.poll() is not None:
            state = self.folder / f"state{self._journals}"
            self.guard = self._start("guard", "--book", str(BOOK), "--state-dir", str(state))
            until(self._answers)
        if self._voice is None:
            self._voice = Voice(self.guard_socket)
        voice = self._voice
        until(lambda: voice.report().state is MachineState.IDLE)
        return voice

    def forget(self) -> None:
        """The next guard begins with a new journal: every crash counts as time for which the pumps have run."""
        self.end_guard()
        self._journals += 1

    def second_guard(self) -> subprocess.Popen[bytes]:
        """Another guard on the same socket."""
        return self._start("guard", "--book", str(BOOK), "--state-dir", str(self.folder / "second"))

    def rest(self) -> None:
        """Hang up: what runs ends."""
        if self._voice is not None:
            self._voice.close()
            self._voice = None

    def _answers(self) -> bool:
        assert self.guard is not None
        assert self.guard.poll() is None, (self.folder / "guard.log").read_text()
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
            return probe.connect_ex(str(self.guard_socket)) == 0

    def sentinels(self) -> list[int]:
        """The sentinels of the present guard."""
        assert self.guard is not None
        children = Path(f"/proc/{self.guard.pid}/task/{self.guard.pid}/children").read_text().split()
        return [int(pid) for pid in children]

    def pour(self, voice: Voice, lines: tuple[int, ...] = (1, 2, 3), seconds: float = 12.0) -> None:
        """Purge lines, whatever they hold; returns when all of them are on."""
        voice.send(Start(operation=self.purge(lines, seconds)))
        until(lambda: self.driven() == set(lines))

    def purge(self, lines: tuple[int, ...] = (1, 2, 3), seconds: float = 12.0) -> Operation:
        """Another purge of lines."""
        self.count += 1
        runs = tuple(
            PlannedRun(line=line, liquid="air", start_s=0.15 * place, duration_s=seconds, volume_ml=5 * seconds)
            for place, line in enumerate(lines)
        )
        name = f"purge-{os.getpid()}-{self.count}-{time.monotonic_ns()}"
        return Operation(operation=name, kind=OperationKind.PURGE, segments=(Segment(runs=runs),), jug=True)

    def driven(self) -> set[int]:
        """Lines whose relay is driven on, by the bench's pins."""
        off = self.profile.relay_board.active_level == "low"
        return {line.line for line in self.profile.lines if self.bench.read_pin(line.gpio) != off}

    def off_at_s(self) -> float:
        """When the last line was driven off (s, CLOCK_MONOTONIC of both processes)."""
        off = self.profile.relay_board.active_level == "low"
        relays = {line.gpio for line in self.profile.lines}
        edges = [one for one in self.bench.newest_entries(400) if isinstance(one, LevelEntry) and one.gpio in relays]
        level: dict[int, bool] = {}
        last_s = 0.0
        for one in edges:
            if level.get(one.gpio, off) != off and one.level == off:
                last_s = one.at_s
            level[one.gpio] = one.level
        return last_s

    def signal(self, number: signal.Signals) -> float:
        """Send the guard a signal; when that was (s)."""
        assert self.guard is not None
        at_s = time.monotonic()
        self.guard.send_signal(number)
        return at_s

    def gone(self) -> None:
        """Wait until the guard has ended; its connection is closed."""
        assert self.guard is not None
        self.guard.wait(SOON_S)
        if self._voice is not None:
            self._voice.close()
            self._voice = None

    def end_guard(self) -> int:
        """End the guard, if there is one, in good order; its exit code."""
        if self.guard is None:
            return 0
        if self.guard.poll() is None:
            self.guard.terminate()
        return self.guard.wait(SOON_S)

    def close(self) -> None:
        if self._voice is not None:
            self._voice.close()
        self.end_guard()
        self.bench.close()
        self._bench.terminate()
        self._bench.wait(SOON_S)
