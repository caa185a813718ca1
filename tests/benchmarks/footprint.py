"""Memory, processor, start, answers and wear of the running machine, on the bench, in real time.

python3 tests benchmarks footprint [--idle S] [--servings N] [--folder DIR] [--scale]

Memory is what is resident (RSS), the shares of libraries counted in; PSS, which counts them in part, stands beside it.
What a serving writes is what guard and engine hand to write calls for journal and ledger, and the syncs of these files,
both by strace; without it, what /proc says was sent to the disk, in whole pages of 4 KiB. That figure is told in any
case: pages are what wears a card. The files lie in DIR (by default below /var/tmp): a memory file system has none.
With --scale a load cell stands under the glass, read 80 times a second while drinks are poured.
"""

import argparse
import contextlib
import json
import os
import re
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil

ROOT = Path(__file__).resolve().parent.parent.parent
PROFILE, BOOK = ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml"
RECIPE, GLASS, LINES = "Windfall Punch", "tumbler", (1, 2, 3, 5)
START_S = 60.0
MIB = 1024 * 1024

# (figure, unit, at most): what the README promises.
LIMITS = {
    "guard memory": ("MB", 35.0),
    "engine memory": ("MB", 70.0),
    "guard idle": ("% of a core", 0.3),
    "engine idle": ("% of a core", 0.5),
    "status": ("ms", 200.0),
    "written per serving": ("KiB", 16.0),
    "syncs per serving": ("", 4.0),
}
WITH_SCALE = {
    "guard idle": ("% of a core", 0.5),
    "scale memory": ("MB", 15.0),
    "scale pouring": ("% of a core", 2.0),
    "scale idle": ("% of a core", 0.5),
}
SCALE = """
scale: {converter: bench, capacity: 5 kg, readings_per_s: 80, platform: 350 g, output_mv_v: 1.0}
"""


@dataclass(frozen=True)
class Machine:
    """The running processes and where their sockets lie."""

    run_dir: Path
    guard: psutil.Process
    engine: psutil.Process
    scale: psutil.Process | None = None

    @property
    def both(self) -> tuple[psutil.Process, psutil.Process]:
        return self.guard, self.engine


def tundish(run_dir: Path, *words: str) -> dict[str, Any]:
    """One command's answer; RuntimeError when it failed."""
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli", *words, "--run-dir", run_dir, "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"tundish {' '.join(words)}: {done.stdout}{done.stderr}")
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


@contextlib.contextmanager
def running(folder: Path, *, has_scale: bool) -> Iterator[tuple[Machine, dict[str, float]]]:
    """The machine on the bench, and how long each process took to be ready (s)."""
    run_dir = folder / "run"
    started_s = last_s = time.monotonic()
    took: dict[str, float] = {}
    places = ["--run-dir", str(run_dir), "--state-dir", str(folder / "state")]
    profile = folder / "profile.yaml"
    profile.write_text(PROFILE.read_text() + (SCALE if has_scale else ""))
    command = [sys.executable, "-m", "controller.cli", "up", "--profile", str(profile), "--book", str(BOOK), *places]
    log = folder / "up.txt"
    with log.open("w") as output:
        up = subprocess.Popen([*command, "--glass", GLASS], stdout=output, stderr=output)
    try:
        while ("scale" if has_scale else "engine") not in took:
            time.sleep(0.01)
            for name in re.findall(r"^(\w+) +\| ready$", log.read_text(), re.MULTILINE):
                if name not in took:  # each is started when the one before is ready
                    took[name], last_s = time.monotonic() - last_s, time.monotonic()
            if up.poll() is not None or time.monotonic() - started_s > START_S:
                raise RuntimeError(f"the machine did not start: {log.read_text()}")
        time.sleep(2.0)  # until the scale's process has become what it is
        parts = {child.cmdline()[3]: child for child in psutil.Process(up.pid).children()}
        yield Machine(run_dir, parts["guard"], parts["engine"], parts.get("--leashed")), took
    finally:
        up.send_signal(signal.SIGINT)
        up.wait()


def commission(machine: Machine, folder: Path) -> None:
    """Fill the lines, and calibrate them from invented weighings."""
    table = folder / "trials.csv"
    runs = [(2, 9.53), (2, 9.47), (4, 19.6), (4, 19.42), (8, 39.58), (8, 39.46), (12, 59.38), (12, 59.56)]
    table.write_text("on_s,grams\n" + "".join(f"{on_s},{grams}\n" for on_s, grams in runs))
    for line in LINES:
        tundish(machine.run_dir, "prime", str(line), "--jug")
        tundish(machine.run_dir, "calibrate", str(line), "--trials", str(table), "--sure", "--by", "footprint")


def set_up_scale(machine: Machine) -> None:
    """Zero and span, as a person would."""
    tundish(machine.run_dir, "bench", "glass", "off")
    time.sleep(2.0)
    tundish(machine.run_dir, "scale", "zero")
    tundish(machine.run_dir, "bench", "mass", "1000 g")
    time.sleep(2.0)
    tundish(machine.run_dir, "scale", "span", "1000 g", "--tolerance", "0.05 g")
    tundish(machine.run_dir, "bench", "mass", "0 g")
    tundish(machine.run_dir, "bench", "glass", "on")
    time.sleep(4.0)


def used_s(process: psutil.Process) -> float:
    """Processor time of a process with its children, those included that have ended (s)."""
    return sum(sum(one.cpu_times()[:4]) for one in (process, *process.children(recursive=True)))


def pouring_percent(machine: Machine, process: psutil.Process) -> float:
    """Processor time of a process while a drink is poured (% of a core)."""
    tundish(machine.run_dir, "bench", "glass", "exchange", GLASS)
    time.sleep(4.0)
    began_s, before_s = time.monotonic(), used_s(process)
    view = tundish(machine.run_dir, "pour", RECIPE)
    if view["weighed"] is None:
        raise RuntimeError("the serving was not weighed")
    return 100 * (used_s(process) - before_s) / (time.monotonic() - began_s)


def idle_percent(machine: Machine, seconds: float) -> list[float]:
    """Processor time of guard, engine and scale (0 without) while nothing happens (% of a core)."""
    parts = [*machine.both, *([machine.scale] if machine.scale else [])]
    before = [used_s(one) for one in parts]
    time.sleep(seconds)
    return [*(100 * (used_s(one) - old) / seconds for one, old in zip(parts, before, strict=True)), 0.0][:3]


@contextlib.contextmanager
def traced(machine: Machine, folder: Path) -> Iterator[dict[str, float]]:
    """While this lasts, what guard and engine write to their records is counted: bytes and syncs, once it is over."""
    counted: dict[str, float] = {}
    if shutil.which("strace") is None:
        yield counted
        return
    traces = [folder / f"writes-{one.pid}.txt" for one in machine.both]  # in one, two calls at once would be halved
    calls = "trace=write,writev,pwrite64,pwritev,fsync,fdatasync,sync_file_range,msync"
    straces = [
        subprocess.Popen(["strace", "-qq", "-y", "-s", "0", "-e", calls, "-o", trace, "-p", str(one.pid)])
        for one, trace in zip(machine.both, traces, strict=True)
    ]
    time.sleep(1.0)
    try:
        yield counted
    finally:
        for strace in straces:
            strace.send_signal(signal.SIGINT)
            strace.wait()
    # pwrite64(7</var/tmp/.../ledger.db-wal>, ""..., 536, 4120) = 536
    text = "".join(one.read_text() for one in traces)
    done = re.findall(r"(\w+)\(\d+<[^>]*/(?:journal[-.]|ledger\.)[^>]*>.*\) += (\d+)$", text, re.MULTILINE)
    counted["bytes"] = sum(int(result) for call, result in done if "write" in call)
    counted["syncs"] = sum(1 for call, _ in done if "write" not in call)


def served(machine: Machine, folder: Path, servings: int) -> tuple[dict[str, float], float]:
    """For one serving: bytes and syncs by strace (nothing without it), and KiB sent to the disk in whole pages."""
    before = [one.io_counters().write_bytes for one in machine.both]
    with traced(machine, folder) as counted:
        for _ in range(servings):
            tundish(machine.run_dir, "bench", "glass", "exchange", GLASS)
            view = tundish(machine.run_dir, "pour", RECIPE)
            if view["outcome"] != "done":
                raise RuntimeError(f"the serving ended as {view['outcome']}: {view['reason']}")
            time.sleep(3.0)  # the pause between two servings, and what is written lazily
    pages = sum(one.io_counters().write_bytes - old for one, old in zip(machine.both, before, strict=True))
    return {what: number / servings for what, number in counted.items()}, pages / 1024 / servings


def status_ms(machine: Machine) -> tuple[float, float]:
    """The whole command, from its start to its end: median of eleven, and the processor time of one."""
    taken, before = [], os.times()
    for _ in range(11):
        started_s = time.monotonic()
        tundish(machine.run_dir, "status")
        taken.append(1000 * (time.monotonic() - started_s))
    after = os.times()
    used_s = after.children_user + after.children_system - before.children_user - before.children_system
    return statistics.median(taken), 1000 * used_s / len(taken)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python3 tests benchmarks footprint", description=__doc__)
    parser.add_argument("--idle", type=float, default=60.0, help="s of doing nothing")
    parser.add_argument("--servings", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))
    parser.add_argument("--scale", action="store_true", help="with a load cell under the glass")
    words = parser.parse_args()
    if words.scale:
        LIMITS.update(WITH_SCALE)
    with tempfile.TemporaryDirectory(prefix="tundish-footprint-", dir=words.folder) as name:
        folder = Path(name)
        with running(folder, has_scale=words.scale) as (machine, took):
            print("ready after its start:", ", ".join(f"{name} {seconds:.1f} s" for name, seconds in took.items()))
            commission(machine, folder)
            if machine.scale:
                set_up_scale(machine)
            counted, pages_kib = served(machine, folder, words.servings)
            pouring = pouring_percent(machine, machine.scale) if machine.scale else 0.0
            tundish(machine.run_dir, "bench", "glass", "off")  # a glass that stands is watched for a minute
            time.sleep(5.0)
            guard, engine, scale = idle_percent(machine, words.idle)
            status, status_processor = status_ms(machine)
            found = {
                "guard memory": machine.guard.memory_info().rss / MIB,
                "engine memory": machine.engine.memory_info().rss / MIB,
                "guard idle": guard,
                "engine idle": engine,
                "status": status,
                "written per serving": counted["bytes"] / 1024 if counted else pages_kib,
                "syncs per serving": counted.get("syncs"),
            }
            if machine.scale:
                memory = machine.scale.memory_info().rss / MIB
                found |= {"scale memory": memory, "scale pouring": pouring, "scale idle": scale}
            sentinel = machine.guard.children()[0]
            pss = [one.memory_full_info().pss / MIB for one in (*machine.both, sentinel)]
    print("PSS: guard {:.1f} MB, engine {:.1f} MB, sentinel {:.1f} MB".format(*pss))
    print(f"tundish status uses {status_processor:.0f} ms of a processor")
    print(f"sent to the disk in whole pages: {pages_kib:.0f} KiB per serving")
    over = [tell(name, value) for name, value in found.items()]
    return 1 if any(over) else 0


def tell(name: str, value: float | None) -> bool:
    """Print a figure beside its limit; whether it is over."""
    unit, most = LIMITS[name]
    if value is None:
        print(f"{name:<22} not counted: strace is not installed")
        return False
    is_over = value > most
    print(f"{name:<22} {value:8.2f} {unit:<12} (at most {most:g}){'  OVER' if is_over else ''}")
    return is_over


if __name__ == "__main__":
    sys.exit(main())
