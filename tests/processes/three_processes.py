"""Bench, guard and engine as real processes, for tests that kill them."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import NoneType
from typing import Any

import msgspec

from controller.bench.client import BenchClient
from controller.bench.trace import ContactEntry, read_trace
from controller.cli.client import EngineClient, address
from controller.cli.places import BENCH, ENGINE, GUARD
from controller.errors import TundishError
from controller.model.messages import VERSION, AskReport, Command, Event, Hello, Report
from controller.model.requests import (
    AcknowledgeRequest,
    CalibrationRequest,
    LineRequest,
    PourRequest,
    TrialsRequest,
    WeighedTrial,
)
from controller.model.states import Outcome
from controller.model.views import FitView, OperationView, Status

ROOT = Path(__file__).resolve().parents[2]
PROFILE = ROOT / "hardware_profiles" / "bench_six_line.yaml"
BOOK = ROOT / "demo" / "orchard_fete.yaml"
SOCKETS = {"bench": BENCH, "guard": GUARD, "engine": ENGINE}
READY_S = 90.0  # the longest that anything is waited for: a busy computer takes its time


def in_time(process: subprocess.Popen[Any]) -> subprocess.Popen[Any]:
    """The same process, with priority over the tests where that is allowed: it must keep time."""
    with suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, process.pid, -10)
    return process


class Processes:
    """The three processes in one folder. `start` may be called again after one was killed."""

    def __init__(
        self,
        folder: Path,
        *,
        profile: Path = PROFILE,
        book: Path = BOOK,
        engine_words: tuple[str, ...] = (),
        bench_words: tuple[str, ...] = (),
    ) -> None:
        self.profile, self.book = profile, book
        self._engine_words, self._bench_words = engine_words, bench_words
        self.run_dir, self.state_dir, self.trace_path = folder / "run", folder / "state", folder / "trace.jsonl"
        self.run_dir.mkdir(parents=True, exist_ok=True)
        self._log = (folder / "processes.log").open("w")
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        self.http = EngineClient(self.run_dir)

    def tundish(self, *words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "controller.cli", *words, "--run-dir", str(self.run_dir)]
        return in_time(subprocess.Popen(command, stdout=self._log, stderr=self._log))

    def start(self, name: str) -> None:
        files = ["--profile", str(self.profile), "--book", str(self.book)]
        extra = {
            "bench": ["--seed", "7", "--glass", "tall glass", "--trace", str(self.trace_path), *self._bench_words],
            "engine": list(self._engine_words),
        }
        words = ["bench", "run"] if name == "bench" else [name]
        state = [] if name == "bench" else ["--state-dir", str(self.state_dir)]
        self.running[name] = self.tundish(*words, *files, *extra.get(name, []), *state)
        if name == "engine":
            self.wait_for(lambda: self.status().guard_connected)
        else:
            self.wait_for((self.run_dir / SOCKETS[name]).is_socket)

    def start_all(self) -> None:
        for name in ("bench", "guard", "engine"):
            self.start(name)

    def close(self) -> None:
        for name in ("engine", "guard", "bench"):  # one after the other: the sentinel looks for the bench for seconds
            process = self.running.get(name)
            if process is not None and process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.terminate()
                process.wait(10)
        self._log.close()

    def send(self, name: str, number: signal.Signals) -> float:
        """Signal a process; when, on the monotonic clock."""
        at_s = time.monotonic()
        os.kill(self.running[name].pid, number)
        return at_s

    def kill(self, name: str) -> float:
        """SIGKILL a process and wait until it is gone; when it was sent, on the monotonic clock."""
        at_s = self.send(name, signal.SIGKILL)
        self.running[name].wait(5)
        (self.run_dir / SOCKETS[name]).unlink(missing_ok=True)
        return at_s

    def sentinel_pid(self) -> int:
        """The guard's only child."""
        pid = self.running["guard"].pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        return int(children[0])

    def observer(self) -> "Observer":
        return Observer(self.run_dir / GUARD)

    def status(self) -> Status:
        return self.http.get("status", Status)

    def bench(self) -> BenchClient:
        return BenchClient(self.run_dir / "bench.sock")

    def closed_contacts(self) -> set[int]:
        with self.bench() as bench:
            return {line.line for line in bench.report().lines if line.contact_closed}

    def prepare(self) -> None:
        """Prime and calibrate all lines; a priming that a busy computer aborted is begun again."""
        for _ in range(5):
            if self.prime() is Outcome.DONE:
                return self.calibrate()
            self.acknowledge()
        raise AssertionError("no priming came to its end")

    def prime(self) -> Outcome | None:
        asked = LineRequest(kind="prime", lines=(1, 2, 3, 4, 5, 6), jug=True)
        begun = self.http.post("line-operations", OperationView, asked, within_s=READY_S).operation
        self.wait_for(lambda: self.operation(begun).outcome is not None)
        return self.operation(begun).outcome

    def acknowledge(self) -> None:
        """No fault is latched any more."""
        fault = self.status().fault
        if fault is not None:
            self.http.post("acknowledge", NoneType, AcknowledgeRequest(cause=fault))

    def calibrate(self) -> None:
        """Give each line a calibration from trials weighed earlier."""
        rows = tuple(WeighedTrial(on_s=on_s, grams=5.0 * on_s) for on_s in (4.0, 8.0, 16.0))
        for line in range(1, 7):
            path, trials = address("calibrations", line), TrialsRequest(line=line, trials=rows)
            self.http.post(f"{path}/trials", FitView, trials, within_s=READY_S)
            self.http.post(path, FitView, CalibrationRequest(line=line, sure=True), within_s=READY_S)

    def operation(self, operation: str) -> OperationView:
        return self.http.get(address("operations", operation), OperationView)

    def pour(self, recipe: str = "Ginger Cooler") -> str:
        """Begin a drink and wait until three pumps run."""
        view = self.http.post("pours", OperationView, PourRequest(recipe=recipe))
        self.wait_for(lambda: len(self.closed_contacts()) == 3)
        return view.operation

    def wait_for(self, is_so: Callable[[], bool], within_s: float = READY_S) -> None:
        end_s = time.monotonic() + within_s
        while True:
            try:
                if is_so():
                    return
            except TundishError:
                pass  # not up yet
            if time.monotonic() > end_s:
                raise TimeoutError(f"not so within {within_s} s")
            time.sleep(0.02)

    def closings_after(self, at_s: float) -> list[ContactEntry]:
        entries = [one for one in read_trace(self.trace_path) if isinstance(one, ContactEntry)]
        return [one for one in entries if one.closed and one.at_s > at_s]


class Observer:
    """A client of the guard that only looks."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(READY_S)
        self._socket.connect(str(path))
        self._lines = self._socket.makefile("rb")
        self._report(Hello(version=VERSION, role="observer"))

    def book(self) -> int:
        """The mark of the book that the guard works with."""
        return self._report(AskReport()).book

    def _report(self, command: Command) -> Report:
        self._socket.sendall(msgspec.json.encode(command) + b"\n")
        while True:
            event = msgspec.json.decode(self._lines.readline(), type=Event)
            if isinstance(event, Report):
                return event

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


__all__ = ["Outcome", "Processes"]
