"""How late relay edges come with every core busy, beside a bare sleep loop that is measured at the same time.

python3 tests benchmarks edges [--seconds N] [--load N] [--scale]

The guard's own loop, socket and core run in one process, a bare loop that sleeps to absolute deadlines in another;
both ask for real-time priority, and both get it or neither. The board is one that only takes the time. With --scale it
is measured twice, first without and then with a scale that is read 80 times a second: its readings come from a process
of their own, and the guard judges and tells them as it does while it pours into a jug.
"""

import argparse
import math
import multiprocessing
import os
import random
import socket
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from controller.clock import RealClock
from controller.guard.guard import Guard
from controller.guard.realtime import ask_for_real_time
from controller.guard.scale_port import DatagramPort
from controller.guard.server import Server
from controller.ledger.journal import FileJournal
from controller.model.messages import Ended, Start, Stop, TakeScale
from controller.model.plan import Operation, Segment
from controller.model.scale import Scale, ScaleSetting, Span
from controller.model.scale_datagram import RawReading
from controller.model.states import MachineState, OperationKind, Outcome
from controller.scale.sending import Outlet
from tests.guard.guard_parts import BOOK, FakeBoard, run_of, with_caps
from tests.guard.guard_processes import Voice, until

RUN_S = 0.35
REACH_S = 0.001
REACH_RATIO = 1.5
SCALE = Scale(converter="bench", capacity_g=5000.0, readings_per_s=80)
SCALE_SOCKET, COUNTS_PER_G = "scale.sock", 700.0


def guard_loop(path: str, folder: str, has_scale: bool, results: "multiprocessing.Queue[Any]") -> None:
    """A guard on a fake board until a client stops it; its latenesses."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listener.bind(path)
    listener.listen(4)
    clock = RealClock()
    server = Server(listener, clock)
    machine = with_caps(line_volume_ml=40_000, operation_on_s=3600, duty_fraction=1, start_gap_s=0.01, current_a=90)
    port = DatagramPort(Path(folder) / SCALE_SOCKET, user=None) if has_scale else None
    if port is not None:
        machine = replace(machine, scale=SCALE)
        server.watch(port.socket.fileno(), lambda: None)
    guard = Guard(machine, BOOK, FakeBoard(clock), FileJournal(Path(folder)), clock, server.publish, scale=port)
    ask_for_real_time()
    late: list[float] = []

    def each_turn(now_s: float) -> float:
        late.extend(guard.lateness_s)
        guard.lateness_s.clear()
        if os.getppid() == 1 or Path(folder, "end").exists():
            server.end()
        return now_s + 0.2

    server._each_turn = each_turn
    Path(folder, "ready").touch()
    server.serve(guard)
    results.put(("guard", late))


def bare_loop(folder: str, results: "multiprocessing.Queue[Any]") -> None:
    """Sleep to absolute deadlines; how late each waking was."""
    ask_for_real_time()
    late, due_s = [], time.monotonic()
    while not Path(folder, "end").exists():
        due_s += 0.02
        time.sleep(max(0.0, due_s - time.monotonic()))
        late.append(time.monotonic() - due_s)
        due_s = max(due_s, time.monotonic())
    results.put(("bare loop", late))


def weigh(folder: str) -> None:
    """Send what a jug weighs, with noise, 80 times a second."""
    outlet = Outlet(Path(folder) / SCALE_SOCKET, Path(folder) / "own.sock")
    noise, number, due_s = random.Random(1), 0, time.monotonic()
    while not Path(folder, "end").exists():
        number, due_s = number + 1, due_s + 1 / SCALE.readings_per_s
        time.sleep(max(0.0, due_s - time.monotonic()))
        now_s = time.monotonic()
        outlet.send(RawReading(number, now_s, round(COUNTS_PER_G * noise.gauss(800.0, 0.03))), now_s)
    outlet.close()


def burn(folder: str) -> None:
    """Keep one core busy."""
    end = Path(folder, "end")
    while not end.exists():
        sum(range(200_000))


def pour(path: Path, seconds: float, *, has_scale: bool) -> None:
    """One long operation of many short runs after another."""
    voice = Voice(path)
    if has_scale:
        span = Span(counts_per_g=COUNTS_PER_G, u_fraction=3e-4, mass_g=1000.0, wall_s=time.time())
        voice.send(TakeScale(setting=ScaleSetting(zero_counts=0.0, zeroed_wall_s=time.time(), span=span)))
        until(lambda: (scale := voice.report().scale) is not None and not scale.doubt)
    until(lambda: voice.report().state is MachineState.IDLE)
    end_s, number = time.monotonic() + seconds, 0
    while time.monotonic() < end_s:
        number += 1
        runs = tuple(
            run_of(line, "air", 0.5 * turn + 0.013 * line, RUN_S + 0.0017 * line)
            for turn in range(20)
            for line in (1, 2, 3, 4)
        )
        segment = Segment(runs=runs)
        voice.send(
            Start(operation=Operation(operation=f"p{number}", kind=OperationKind.PURGE, segments=(segment,), jug=True))
        )
        assert voice.next(Ended).outcome is Outcome.DONE
        until(lambda: voice.report().state is MachineState.IDLE)
    voice.send(Stop())
    voice.close()


def quantile(values: list[float], share: float) -> float:
    """The value that this share of all values does not exceed."""
    return sorted(values)[math.ceil(share * len(values)) - 1]


def measured(seconds: float, load: int, *, has_scale: bool) -> dict[str, list[float]]:
    """How late the guard's edges and the bare loop's wakings were (s)."""
    context = multiprocessing.get_context("spawn")
    results: multiprocessing.Queue[Any] = context.Queue()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "guard.sock"
        processes = [
            context.Process(target=guard_loop, args=(str(path), folder, has_scale, results)),
            context.Process(target=bare_loop, args=(folder, results)),
            *(context.Process(target=burn, args=(folder,)) for _ in range(load)),
            *(context.Process(target=weigh, args=(folder,)) for _ in range(has_scale)),
        ]
        for one in processes:
            one.start()
        until(Path(folder, "ready").exists)
        pour(path, seconds, has_scale=has_scale)
        Path(folder, "end").touch()
        found = dict(results.get(timeout=30) for _ in range(2))
        for one in processes:
            one.join(30)
    return found


def told(found: dict[str, list[float]]) -> bool:
    """Print the figures; whether the reach is met."""
    for name, late in found.items():
        figures = ", ".join(
            f"{label} {1000 * quantile(late, share):.3f} ms"
            for label, share in (("median", 0.5), ("p99", 0.99), ("p99.9", 0.999), ("most", 1.0))
        )
        print(f"{name}: {len(late)} edges, {figures}")
    guard, bare = (quantile(found[name], 0.999) for name in ("guard", "bare loop"))
    met = guard <= REACH_S and guard <= REACH_RATIO * bare
    verdict = "met" if met else "MISSED"
    print(f"p99.9 {1000 * guard:.3f} ms (reach 1 ms), {guard / bare:.2f} x the bare loop's (reach 1.5): {verdict}")
    return met


def main() -> int:
    """Measure and print; 1 when a reach is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--load", type=int, default=os.cpu_count() or 1, help="busy processes")
    parser.add_argument("--scale", action="store_true", help="without and with a scale")
    options = parser.parse_args()
    verdicts = []
    for has_scale in (False, True) if options.scale else (False,):
        if options.scale:
            print("with a scale" if has_scale else "without a scale")
        verdicts.append(told(measured(options.seconds, options.load, has_scale=has_scale)))
    return 0 if all(verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
